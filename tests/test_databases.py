"""Records in a PostgreSQL server (the system's package, started here) are read, and only read."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest
import sqlalchemy as sa
from messy import files
from test_mapping import _is_the_twin, answered

from analytics import mapping, records
from analytics.errors import RecordError
from analytics.files import tables as writing

QUERIES = {"plantings": "SELECT * FROM t_plant", "counts": "SELECT * FROM t_count"}
CREATE = (
    "create table t_plant (chart text, opdate date, method text, surgeon text, zone text, area numeric(6, 1),"
    " singles int, doubles int, triples int, quads int)",
    "create table t_count (chart text, visit_date date, zone text, density numeric(6, 1), standard boolean)",
)


def _programs() -> Path | None:
    """Return the folder of initdb and pg_ctl, or None."""
    found = shutil.which("initdb")
    if found:
        return Path(found).resolve().parent
    return max(Path("/usr/lib/postgresql").glob("*/bin"), default=None)


@pytest.fixture(scope="module")
def server():
    """Return the URL of a server on a socket of its own with the twin's tables; it is stopped after."""
    programs = _programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed here; apt-get install postgresql")
    as_root = os.geteuid() == 0
    if as_root and shutil.which("runuser") is None:
        pytest.skip("PostgreSQL refuses to run as root, and runuser is not there")
    place = Path(tempfile.mkdtemp(prefix="pg"))
    if as_root:
        shutil.chown(place, "postgres")
    user = ["runuser", "-u", "postgres", "--"] if as_root else []

    def run(*command: str) -> None:
        subprocess.run([*user, *command], check=True, capture_output=True, cwd=place)

    run(str(programs / "initdb"), "-D", str(place / "data"), "-U", "clinic", "--auth=trust", "-E", "UTF8")
    options = f"-k {place} -c listen_addresses='' -c fsync=off"
    run(
        str(programs / "pg_ctl"),
        "-D",
        str(place / "data"),
        "-o",
        options,
        "-l",
        str(place / "log"),
        "-w",
        "start",
    )
    url = f"postgresql+psycopg://clinic@/postgres?host={place}"
    try:
        engine = sa.create_engine(url)
        plantings, counts = files.database_rows()
        counts = [(*row[:4], bool(row[4])) for row in counts]
        with engine.begin() as link:
            for statement in CREATE:
                link.execute(sa.text(statement))
            for name, rows in (("t_plant", plantings), ("t_count", counts)):
                cells = ", ".join(f":c{i}" for i in range(len(rows[0])))
                given = [{f"c{i}": value for i, value in enumerate(row)} for row in rows]
                link.execute(sa.text(f"insert into {name} values ({cells})"), given)
        engine.dispose()
        yield url
    finally:
        run(str(programs / "pg_ctl"), "-D", str(place / "data"), "-m", "immediate", "-w", "stop")
        shutil.rmtree(place, ignore_errors=True)


def test_a_postgresql_database_becomes_its_tidy_twin(server, tmp_path):
    text = answered(mapping.propose(server, queries=QUERIES))
    (tmp_path / "m.toml").write_text(text, encoding="utf-8")
    balance = mapping.apply(server, tmp_path / "m.toml", tmp_path / "out", queries=QUERIES)
    _is_the_twin(tmp_path / "out")
    assert balance.cells["n_cells"].sum() == 15 + 7 * 10 + 19 * 5
    assert records.check(tmp_path / "out").is_usable


def test_records_in_postgresql_load_like_those_in_files(server, tmp_path):
    (tmp_path / "m.toml").write_text(answered(mapping.propose(server, queries=QUERIES)), encoding="utf-8")
    tables = mapping.mapped(server, tmp_path / "m.toml", queries=QUERIES)[0]
    writing.folder(tmp_path / "out", {f"{n}.csv": writing.csv_bytes(rows) for n, rows in tables.items()})
    engine = sa.create_engine(server)
    with engine.begin() as link:
        for name, rows in tables.items():
            rows.to_sql(name, link, index=False, if_exists="replace")
    engine.dispose()
    from_files, from_server = records.load(tmp_path / "out"), records.load(server)
    for name in ("patients", "sessions", "placements", "measurements"):
        one, other = getattr(from_files, name), getattr(from_server, name)
        assert len(one) == len(other) > 0
        key = one.columns[0] if name != "measurements" else "density_hairs_cm2"
        assert one[key].sort_values().tolist() == other[key].sort_values().tolist()


@pytest.mark.parametrize(
    "query",
    [
        "with gone as (delete from t_count returning *) select * from gone",
        "select setval('pg_catalog.nothing', 1)",
        "select pg_terminate_backend(0), lo_create(0)",
    ],
)
def test_a_query_that_would_write_is_refused_and_changes_nothing(server, query):
    with pytest.raises(RecordError):
        mapping.propose(server, queries={"counts": query})
    engine = sa.create_engine(server)
    with engine.connect() as link:
        assert link.execute(sa.text("select count(*) from t_count")).scalar() == 19
    engine.dispose()


def test_a_failed_connection_tells_neither_address_nor_password():
    with pytest.raises(RecordError) as failed:
        mapping.propose("postgresql+psycopg://clinic:secret@/none?host=/nowhere/at/all")
    assert "secret" not in str(failed.value)
    assert "nowhere" not in str(failed.value)
