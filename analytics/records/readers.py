"""Find the tables at a path and read every cell as text: CSV folder, workbook, Parquet folder, DuckDB, SQL.

Nothing is executed: formulas are read as the values last stored, no macro, no pickle. Whatever the form,
the same records give the same text.
"""

from collections.abc import Mapping
from pathlib import Path

from analytics import disk
from analytics.records import filesafety, readers_book, readers_csv, readers_store, tables_named
from analytics.records.dictionary import TABLES
from analytics.records.messages import Problem, refused, twice
from analytics.records.raw import Raw, RawTable

WHAT_TO_GIVE = (
    "give a folder of CSV or Parquet files named after the tables, one .xlsx workbook, a DuckDB file, or "
    "the URL of a database"
)


def read(path: str | Path, *, queries: Mapping[str, str] | None = None) -> Raw:
    """Return the tables found at a path or database URL, every cell as text.

    Parameters
    ----------
    path
        A folder of CSV or Parquet files, one .xlsx workbook, a DuckDB or SQLite file, or a SQLAlchemy URL.
    queries
        Only for a database: one reading query a table.

    Raises
    ------
    RecordError
        When there is nothing to read, or the file is unsafe or broken.
    """
    if isinstance(path, str) and "://" in path:
        return readers_store.read_sql(path, queries=queries)
    place = Path(path)
    if not place.exists():
        disk.restore(place)
    if place.is_dir():
        return _read_folder(place)
    if not place.is_file():
        raise refused(
            "records.load(path)", "nothing is there", "the path is a file or a folder", WHAT_TO_GIVE
        )
    return _read_file(place, queries)


def _read_file(place: Path, queries: Mapping[str, str] | None) -> Raw:
    kind = filesafety.kind_of(place)
    if kind == "zip":
        return readers_book.read_workbook(place)
    if kind == "duckdb":
        return readers_store.read_duckdb(place)
    if kind == "sqlite":
        return readers_store.read_sql(readers_store.sqlite_url(place), queries=queries)
    what, rule = {
        "old_office": (
            "it is an old .xls workbook or locked",
            "a workbook is an .xlsx file without a password",
        ),
        "parquet": ("it is one Parquet file", "one file is one table, and four tables are needed"),
        "text": ("it is one file of text", "one file is at most one table, and four tables are needed"),
    }[kind]
    raise refused(place.name, what, rule, WHAT_TO_GIVE)


def _read_folder(folder: Path) -> Raw:
    files = sorted(p for p in folder.iterdir() if p.is_file() and p.suffix.lower() in (".csv", ".parquet"))
    tables: dict[str, RawTable] = {}
    problems: list[Problem] = []
    others: dict[str, str] = {}
    for path in files:
        name = path.stem.strip().lower()
        if name not in TABLES:
            others[name] = path.name
        elif name in tables:
            problems.append(twice(name, "files of the folder"))
        elif path.suffix.lower() == ".parquet":
            tables[name] = readers_store.read_parquet(path)
        else:
            tables[name], found = readers_csv.read_file(path, table=name)
            problems += found
    if not tables:
        raise refused(
            "records.load(path)", "the folder holds no table", "a file is named after its table", WHAT_TO_GIVE
        )
    return Raw(tables, (*problems, *tables_named.others(others, "file", tables)))
