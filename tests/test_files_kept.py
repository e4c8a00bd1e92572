"""A clinic's files stay: a command replaces what it wrote itself and nobody changed, and nothing else.

The cases of the first part were each seen to destroy a file before the list of files was kept. The last part
is a property: folders of random foreign files, every command that writes, every foreign byte still there.
"""

import json
import os
import shutil
import stat
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest
import sample_page
from conftest import ROOT
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from records_small import save, small

from analytics import files, mapping, pooling, records, study
from analytics import files as disk
from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.files import atomic
from analytics.files import listing as disk_list
from analytics.files import tables as writing
from analytics.reports import overview, render

DATA = ROOT / "tests" / "data"
BOOK, PLAN = DATA / "register_b.xlsx", DATA / "register_b.mapping.toml"
MINE = b"written by a person\n"


@pytest.fixture
def here(tmp_path, monkeypatch):
    """Return an empty working folder."""
    (tmp_path / "w").mkdir()
    monkeypatch.chdir(tmp_path / "w")
    return tmp_path / "w"


@pytest.fixture(scope="module")
def mapped():
    """Return what the messy workbook maps to, read once."""
    return mapping.mapped(BOOK, PLAN)


@pytest.fixture(scope="module")
def small_register(tmp_path_factory):
    return records.load(_register(tmp_path_factory.mktemp("small")))


@pytest.fixture
def quick_map(mapped, monkeypatch):
    """Let `map` write without reading the workbook again."""
    monkeypatch.setattr(mapping, "mapped", lambda *_, **__: mapped)


def _register(place: Path) -> Path:
    return save(small(), place)


def _key(folder: Path) -> str:
    place = folder.parent / "safe" / "key"
    if not place.exists():
        assert main(["deidentify", "--new-key", str(place)]) == 0
    return str(place)


def _tree(folder: Path) -> dict[str, object]:
    """Return every file, folder and link below a folder with what it holds; links are not followed."""
    found: dict[str, object] = {}
    for root, folders, names in os.walk(folder):
        for name in (*folders, *names):
            path = Path(root) / name
            found[path.relative_to(folder).as_posix()] = _held(path)
    return found


def _held(path: Path) -> object:
    if path.is_symlink():
        return ("link", str(path.readlink()))
    if path.is_dir():
        return ("folder", stat.S_IMODE(path.stat().st_mode))
    return (path.read_bytes(), stat.S_IMODE(path.stat().st_mode))


# The template, keys, proposals


def test_a_filled_workbook_is_not_written_over_by_the_template(here, capsys):
    assert main(["template", "my_records.xlsx"]) == 0
    assert main(["template", "my_records.xlsx"]) == 0, "an empty one, as it was written, may be replaced"
    (here / "my_records.xlsx").write_bytes(MINE)
    assert main(["template", "my_records.xlsx"]) == 2
    assert (here / "my_records.xlsx").read_bytes() == MINE
    said = capsys.readouterr().err
    assert "my_records.xlsx: not written by this command, or changed since" in said
    assert "move it away, or name another file" in said


def test_an_edited_mapping_and_a_key_are_never_written_over(here):
    shutil.copy(BOOK, here / "b.xlsx")
    (here / "b.xlsx.mapping.toml").symlink_to("elsewhere.toml")
    assert main(["map", "b.xlsx"]) == 2
    assert not (here / "elsewhere.toml").exists()
    (here / "k").write_bytes(MINE)
    assert main(["deidentify", "--new-key", "k"]) == 2
    assert (here / "k").read_bytes() == MINE


# Where the tables go


@pytest.mark.parametrize("out", [".", "../w", "{here}", "../link", "sub/..", "{here}/b.xlsx", "../W"])
def test_the_tables_of_a_mapping_are_not_written_into_the_folder_of_the_source(here, out, capsys):
    (here / "sub").mkdir()
    shutil.copy(BOOK, here / "b.xlsx")
    (here.parent / "link").symlink_to(here)
    if not (here.parent / "W").exists():
        # The other spelling is the same folder on some systems only.
        (here.parent / "W").symlink_to(here)
    before = _tree(here)
    target = out.format(here=here)
    assert main(["map", "b.xlsx", "--mapping", str(PLAN), "--out", target]) == 2
    assert "this is the source, or a folder that holds it" in capsys.readouterr().err
    assert _tree(here) == before


def test_the_workbook_of_what_was_set_aside_is_not_written_over_the_source(here):
    shutil.copy(BOOK, here / "tables-set-aside.xlsx")
    before = _tree(here)
    assert main(["map", "tables-set-aside.xlsx", "--mapping", str(PLAN), "--out", "tables"]) == 2
    assert _tree(here) == before


@pytest.mark.parametrize("out", ["src", "./src/", "twin", "hard"])
def test_coding_a_register_into_its_own_folder_is_refused(here, out, capsys):
    key = _key(here)
    _register(here / "src")
    (here / "twin").symlink_to("src")
    (here / "hard").mkdir()
    (here / "hard" / "patients.csv").hardlink_to(here / "src" / "patients.csv")
    before = _tree(here)
    assert main(["deidentify", "src", out, "--key-file", key, "--register-begins", "2020-01"]) == 2
    assert "this is the source" in capsys.readouterr().err
    assert _tree(here) == before


def test_a_source_reached_by_a_link_is_the_source(here):
    key = _key(here)
    _register(here / "real")
    (here / "out").mkdir()
    (here / "out" / "src").symlink_to(here / "real")
    before = _tree(here)
    assert main(["deidentify", "out/src", "out", "--key-file", key]) == 2
    assert main(["deidentify", "out/src", "real", "--key-file", key]) == 2
    assert _tree(here) == before


def test_invented_outcomes_do_not_replace_the_register_they_were_made_from(here, monkeypatch, capsys):
    key = _key(here)
    _register(here / "src")
    assert main(["deidentify", "src", "coded", "--key-file", key]) == 0
    monkeypatch.setattr(study, "synthetic", lambda found, seed: found)
    monkeypatch.setattr(study, "tests", lambda found, plan: _NoResult)
    shutil.copy(ROOT / "data_demo" / "study_out_of_body.toml", here / "plan.toml")
    before = _tree(here / "coded")
    assert main(["study", "dry-run", "plan.toml", "coded", "--out", "coded"]) == 2
    assert main(["study", "dry-run", "plan.toml", "src", "--out", "coded"]) == 2, "another command's tables"
    assert _tree(here / "coded") == before
    assert "this is the source" in capsys.readouterr().err


class _NoResult:
    by = ()

    @staticmethod
    def table():
        import pandas as pd

        return pd.DataFrame()


# What else is in the folder of tables


def test_a_hand_made_table_in_the_folder_of_tables_stays_and_is_named(here, quick_map, capsys):
    (here / "tables").mkdir()
    (here / "tables" / "therapies.csv").write_bytes(MINE)
    (here / "tables" / "scans").mkdir()
    names = {f"{name}.csv" for name in mapping.mapped(None, None)[0]}
    assert "therapies.csv" not in names
    for _ in range(2):
        assert main(["map", str(BOOK), "--mapping", str(PLAN), "--out", "tables"]) == 0
        assert "Left as they are in tables: scans/, therapies.csv" in capsys.readouterr().out
    assert (here / "tables" / "therapies.csv").read_bytes() == MINE
    assert names < {p.name for p in (here / "tables").iterdir()}


def test_a_table_that_was_changed_by_hand_stops_the_command(here, quick_map, capsys):
    words = ["map", str(BOOK), "--mapping", str(PLAN), "--out", "tables"]
    assert main(words) == 0
    with (here / "tables" / "patients.csv").open("ab") as table:
        table.write(MINE)
    before = _tree(here)
    assert main(words) == 2
    assert "tables: patients.csv: not written by this command, or changed since" in capsys.readouterr().err
    assert _tree(here) == before


def test_tables_that_are_no_longer_written_go_when_they_are_the_commands_own(tmp_path):
    place = tmp_path / "out"
    writing.folder(place, {"a.csv": b"1", "b.csv": b"1", "c.csv": b"1"})
    (place / "c.csv").write_bytes(MINE)
    writing.folder(place, {"a.csv": b"2"})
    assert {p.name: p.read_bytes() for p in place.glob("*.csv")} == {"a.csv": b"2", "c.csv": MINE}


def test_the_set_aside_workbook_of_another_is_kept_and_no_table_written(here, quick_map):
    (here / "tables-set-aside.xlsx").write_bytes(MINE)
    assert main(["map", str(BOOK), "--mapping", str(PLAN), "--out", "tables"]) == 2
    assert _tree(here) == {"tables-set-aside.xlsx": _held(here / "tables-set-aside.xlsx")}


# Reports


def _fake_run(run, progress=None, *, attempts=1):
    """Make the files of a report, without a kernel."""
    staging = Path(run["staging"])
    if run["label"] == "fails":
        return {"state": "failed", "kind": "FitError", "message": "too few patients"}
    content = {
        "audience": "internal",
        "answer": f"Code {run['parameters']['surgeon']}.",
        "attention": [],
        "failed_checks": [],
        "provenance": {
            "settings": {},
            "sources": [],
            "version": "0",
            "commit": "",
            "code_sha256": "",
            "python": "",
            "libraries": {},
        },
    }
    files.write_json(staging / "results.json", content)
    for kind in run["formats"]:
        files.write(staging / f"{run['name']}.{kind}", str(run["parameters"]))
    return {"state": "complete", "notes": [], "title": "A page", "answer": content["answer"], "seconds": 0.1}


@pytest.fixture(scope="module")
def notebook(tmp_path_factory):
    return str(sample_page.write(tmp_path_factory.mktemp("page") / "p.ipynb", sample_page.FINISH))


@pytest.fixture
def quick_report(monkeypatch):
    monkeypatch.setattr(render, "_in_own_process", _fake_run)


def _report(notebook: str, surgeon: str, *more: str) -> int:
    return main(["report", notebook, "--out", "reports", "--set", f"surgeon={surgeon}", *more])


def test_a_readers_notes_and_scans_stay_when_a_report_is_made_again(here, notebook, quick_report, capsys):
    assert _report(notebook, "1", "--formats", "html,xlsx") == 0
    place = here / "reports" / "p"
    (place / "notes.txt").write_bytes(MINE)
    (place / "signed").mkdir()
    (place / "signed" / "scan.pdf").write_bytes(MINE)
    kept = {name: held for name, held in _tree(place).items() if name.startswith(("notes", "signed"))}
    assert "Left as they are" not in capsys.readouterr().out
    assert _report(notebook, "2") == 0
    assert "reports/p: notes.txt, signed/" in capsys.readouterr().out
    assert kept.items() <= _tree(place).items()
    assert "'surgeon': '2'" in (place / "p.html").read_text()
    assert not (place / "p.xlsx").exists(), "our own that was not asked for again goes"
    assert not list((here / "reports").glob("p (*)"))


def test_a_report_whose_results_a_reader_edited_stays_whole_beside_the_new_one(
    here, notebook, quick_report, capsys
):
    assert _report(notebook, "1") == 0
    place = here / "reports" / "p"
    (place / "results.json").write_text((place / "results.json").read_text().replace("Code 1", "Code one"))
    edited = _tree(place)
    for surgeon in ("2", "3"):
        assert _report(notebook, surgeon) == 0
        said = capsys.readouterr().out
        assert "p was left as it is" in said
        assert "this report is in p (2)" in said
        assert f"'surgeon': '{surgeon}'" in (here / "reports" / "p (2)" / "p.html").read_text()
    assert _tree(place) == edited
    assert not (here / "reports" / "p (3)").exists()
    page = (here / "reports" / "index.html").read_text()
    assert 'href="p/p.html"' in page
    assert 'href="p%20%282%29/p.html"' in page
    assert render.unless_made(notebook, "", "reports", surgeon="3")[1], "a batch finds it in the new folder"


def test_a_real_report_leaves_what_was_in_its_folder(here):
    page = sample_page.write(here / "q.ipynb", sample_page.BEGIN, sample_page.WRITE, sample_page.FINISH)
    (here / "reports" / "q").mkdir(parents=True)
    (here / "reports" / "q" / "notes.txt").write_bytes(MINE)
    report = render.page(str(page), ROOT / "data_demo", here / "reports")
    assert report.folder == here / "reports" / "q"
    assert any("notes.txt" in note for note in report.notes)
    assert (report.folder / "notes.txt").read_bytes() == MINE
    assert report.files["html"].exists()


def test_a_front_page_of_somebody_else_stays_and_ours_has_another_name(here, notebook, quick_report, capsys):
    (here / "reports").mkdir()
    (here / "reports" / "index.html").write_bytes(MINE)
    for surgeon in ("1", "2"):
        assert _report(notebook, surgeon) == 0
        assert "index.html was left as it is" in capsys.readouterr().out
    assert (here / "reports" / "index.html").read_bytes() == MINE
    assert "Code 2." in (here / "reports" / "index (2).html").read_text()
    assert not (here / "reports" / "index (3).html").exists()
    (here / "plan.toml").write_text(f'out = "reports"\n[[report]]\npage = "{notebook}"\n')
    (here / "reports" / "batch.log").write_bytes(MINE)
    assert main(["batch", "plan.toml"]) == 0
    said = capsys.readouterr().out
    assert f"Open {here / 'reports' / 'index (2).html'}" in said
    assert "batch.log was left as it is" in said
    assert (here / "reports" / "batch.log").read_bytes() == MINE
    assert "made   p" in (here / "reports" / "batch (2).log").read_text()
    assert stat.S_IMODE((here / "reports" / "batch (2).log").stat().st_mode) == 0o600


def test_a_list_of_somebody_else_stops_the_front_page_and_ends(here, notebook, quick_report, capsys):
    (here / "reports").mkdir()
    (here / "reports" / disk_list.LIST).write_bytes(MINE)
    assert _report(notebook, "1") == 2
    assert f"{disk_list.LIST}: not written by this command" in capsys.readouterr().err
    assert (here / "reports" / disk_list.LIST).read_bytes() == MINE


def test_remains_of_a_failed_run_go_when_it_is_made_and_a_note_beside_them_stays(here, notebook, monkeypatch):
    with monkeypatch.context() as patch:
        died = {"state": "failed", "kind": "died", "message": "too few patients"}
        patch.setattr(render, "_in_own_process", lambda *_, **__: died)
        assert _report(notebook, "1") == 2
    remains = here / "reports" / "failed" / "p"
    assert (remains / "cause.txt").exists()
    (remains / "note.txt").write_bytes(MINE)
    monkeypatch.setattr(render, "_in_own_process", _fake_run)
    assert _report(notebook, "1") == 0
    assert {p.name for p in remains.iterdir()} == {"note.txt", disk_list.LIST}
    assert "1 report; 0 with something that needs attention; 0 not made" in (
        (here / "reports" / "index.html").read_text()
    )


def test_a_folder_called_partial_that_is_somebody_elses_is_not_tidied(here, notebook, quick_report):
    old = here / "reports" / ".partial" / "thesis"
    old.mkdir(parents=True)
    (old / "draft.txt").write_bytes(MINE)
    os.utime(old, (0, 0))
    assert _report(notebook, "1") == 0
    assert (old / "draft.txt").read_bytes() == MINE


def test_a_report_of_an_earlier_version_is_known_by_its_run_record(here, notebook, quick_report):
    """It has no list, and its digests are in `run.json`."""
    assert _report(notebook, "1") == 0
    place = here / "reports" / "p"
    (place / disk_list.LIST).unlink()
    (place / "notes.txt").write_bytes(MINE)
    assert _report(notebook, "2") == 0
    assert "'surgeon': '2'" in (place / "p.html").read_text()
    assert (place / "notes.txt").read_bytes() == MINE
    (place / disk_list.LIST).unlink()
    (place / "p.html").write_bytes(MINE)
    assert _report(notebook, "3") == 0
    assert (place / "p.html").read_bytes() == MINE
    assert "'surgeon': '3'" in (here / "reports" / "p (2)" / "p.html").read_text()


def test_a_killed_publication_among_foreign_files_is_finished_by_the_front_page(here, notebook, quick_report):
    """The second run is killed at every move after the new files have arrived."""
    reached = set()
    for step in range(1, 40):
        out = here / str(step)
        assert main(["report", notebook, "--out", str(out), "--set", "surgeon=1"]) == 0
        (out / "p" / "notes.txt").write_bytes(MINE)
        child = os.fork()
        if child == 0:
            _killed_at(step, lambda out=out: render.page(notebook, "", out, surgeon="2"))
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        overview.write(out)
        place = out / "p"
        assert (place / "notes.txt").read_bytes() == MINE
        assert disk_list.others(place) == ["notes.txt"]
        surgeons = {s for s in "12" if f"'surgeon': '{s}'" in (place / "p.html").read_text()}
        assert f"Code {min(surgeons)}." in (out / "index.html").read_text(), "all of one version"
        record = json.loads((place / "run.json").read_text())
        listed = {e["@id"]: e["sha256"] for e in record["@graph"] if e["@type"] == "File"}
        assert {name: files.sha256(place / name) for name in listed} == listed
        reached.add((code, *surgeons))
        if code == 0:
            break
    assert reached == {(9, "1"), (9, "2"), (0, "2")}


def _killed_at(step: int, work) -> None:
    left = [step]

    def counted(real):
        def call(*given, **named):
            left[0] -= 1
            if left[0] == 0:
                os._exit(9)
            return real(*given, **named)

        return call

    for name in ("replace", "hardlink_to", "unlink", "rmdir"):
        setattr(Path, name, counted(getattr(Path, name)))
    work()
    os._exit(0)


# Single files


def test_a_file_of_the_pool_is_not_written_over_once_it_was_changed(here, capsys):
    study_file = str(ROOT / "data_demo" / "pooling" / "study.toml")
    words = ["pool", "open", study_file, "--out", "round.json"]
    assert main(words) == 0
    assert main(words) == 0
    (here / "round.json").write_bytes(MINE)
    assert main(words) == 2
    assert "round.json: not written by this command, or changed since" in capsys.readouterr().err
    assert (here / "round.json").read_bytes() == MINE


def test_an_answer_in_a_foreign_place_is_refused_before_it_is_noted(here, monkeypatch):
    _register(here / "data")
    _quick_pool(monkeypatch)
    (here / "s.json").write_bytes(MINE)
    assert main(["pool", "summary", "data", "--clinic", "C", "--out", "s.json", "--write"]) == 2
    assert (here / "s.json").read_bytes() == MINE
    assert not (here / "data.pool_ledger.json").exists()


def test_a_ledger_that_was_changed_by_hand_is_not_written_over(here, monkeypatch, capsys):
    _register(here / "data")
    _quick_pool(monkeypatch)
    words = ["pool", "summary", "data", "--clinic", "C", "--out", "s.json", "--write"]
    assert main(words) == 0
    ledger = here / "data.pool_ledger.json"
    moved = here / "copy.json"
    ledger.rename(moved)
    shutil.copy(moved, ledger)
    (here / disk_list.LIST).unlink()
    (here / "s.json").unlink()
    assert main(words) == 0, "a ledger put back from a copy says all it said, and is carried on"
    ledger.write_text(json.dumps(json.loads(ledger.read_text())))
    before = ledger.read_bytes()
    assert main(words) == 2
    assert ledger.read_bytes() == before
    assert "data.pool_ledger.json" in capsys.readouterr().err


def test_a_list_of_freezes_that_was_changed_by_hand_is_not_written_over(here):
    plan = here / "plan.toml"
    shutil.copy(ROOT / "data_demo" / "study_out_of_body.toml", plan)
    # A plan is frozen only on records that can answer it.
    shutil.copytree(ROOT / "data_demo", here / "data", ignore=shutil.ignore_patterns("p*ing", "pictures"))
    found = records.load(here / "data")
    study.freeze(plan, found)
    frozen = here / "plan.frozen.json"
    content = json.loads(frozen.read_text())
    frozen.write_text(json.dumps({**content, "remark": "agreed by the ward"}))
    plan.write_text(plan.read_text().replace("seed = ", "seed = 1"))
    before = frozen.read_bytes()
    with pytest.raises(ParameterError, match=r"plan\.frozen\.json: not written by this command"):
        study.freeze(plan, found)
    assert frozen.read_bytes() == before


def test_two_writers_of_one_file_do_not_both_believe_it_new(tmp_path, monkeypatch):
    """The other comes between the look and the move: a link fails where a move would replace."""
    real = atomic.refuse_file

    def slow(path, **named):
        real(path, **named)
        path.write_bytes(MINE)

    monkeypatch.setattr(atomic, "refuse_file", slow)
    with pytest.raises(ParameterError, match="not written by this command"):
        disk.put_file(tmp_path / "a.json", "ours")
    assert (tmp_path / "a.json").read_bytes() == MINE


def test_the_list_survives_a_torn_line_and_leads_nowhere_else(tmp_path):
    disk.put_file(tmp_path / "a.txt", "1")
    disk.put_file(tmp_path / "b.txt", "1")
    text = (tmp_path / disk_list.LIST).read_text().rstrip("\n")
    (tmp_path / disk_list.LIST).write_text(text[:-4])
    with pytest.raises(ParameterError):
        disk.put_file(tmp_path / "b.txt", "2")
    disk.put_file(tmp_path / "a.txt", "2")
    disk.put_file(tmp_path / "a.txt", "3")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / disk_list.LIST).write_text(
        f'{disk_list.HEADER}\n["{disk_list.digest(tmp_path / "a.txt")}", "../a.txt", ""]\n'
    )
    disk.clear(tmp_path / "in")
    assert (tmp_path / "a.txt").read_text() == "3"


def test_an_edition_is_never_one_of_another_report():
    """Labels hold no space or bracket, so that no label can name another report's further edition."""
    second = next(p for i, p in enumerate(disk.editions(Path("01_a"))) if i)
    with pytest.raises(ParameterError):
        files.safe_name(second.name)


# Any folder


NAMES = (
    "patients.csv sessions.csv therapies.csv visits.csv Patients.csv privacy.toml results.json RESULTS.JSON "
    "run.json p.html p.xlsx cause.txt index.html index|(2).html batch.log batch|(2).log register.xlsx key "
    "b.xlsx.mapping.toml out out-set-aside.xlsx coded reports p p|(2) failed .partial .left s.json r.json "
    "a.json n.json src.pool_ledger.json plan.frozen.json .regrowth-written.jsonl .regrowth-arriving "
    ".out.before .p.before notes.txt scans"
).split()
CONTENT = st.one_of(
    st.binary(max_size=12),
    st.sampled_from([b"", b"{}", b"[]", b'{"state": "complete"}', b'{"@graph": [1]}', b"a,b\n1,2\n", MINE]),
    st.just(disk_list.HEADER.encode() + b'x\n["0", "p.html", "report"]\n'),
)
ENTRY = st.recursive(
    st.one_of(
        st.tuples(st.just("file"), CONTENT),
        st.tuples(st.just("read-only"), CONTENT),
        st.tuples(st.sampled_from(["link", "dangling", "hard link", "link to a folder"]), st.none()),
    ),
    lambda inner: st.tuples(st.just("folder"), st.dictionaries(st.sampled_from(NAMES), inner, max_size=3)),
    max_leaves=5,
)
TREE = st.dictionaries(st.sampled_from(NAMES), ENTRY, max_size=6)
PLACES = ("", "out", "coded", "reports", "reports/p", "reports/failed/p")
ANY = settings(
    max_examples=int(os.environ.get("REGROWTH_FOREIGN_FOLDERS", "2")),
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


def _plant(folder: Path, tree: dict, outside: Path) -> None:
    """Put foreign files into a folder, where their names are not taken by other foreign ones."""
    if os.path.lexists(folder) and (folder.is_symlink() or not folder.is_dir()):
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        return
    for spelled, (kind, content) in tree.items():
        path = folder / spelled.replace("|", " ")
        if os.path.lexists(path) or (path.name == disk_list.ARRIVING and content == {}):
            continue  # an empty folder of that name is the end of a change, and holds nothing
        if kind == "folder":
            _plant(path, content, outside)
        elif kind in ("file", "read-only"):
            path.write_bytes(content)
            path.chmod(0o444 if kind == "read-only" else 0o644)
        elif kind == "hard link":
            path.hardlink_to(outside / "file")
        else:
            ends = {"link": "file", "dangling": "nothing", "link to a folder": "folder"}
            path.symlink_to(outside / ends[kind])


def _quick_pool(patch) -> None:
    """Let the steps of a pool make small files without a fit."""
    summed = {"kind": "summary", "estimates": []}
    asked = {"number": 2, "asked": {"kind": "survey"}}
    for name, gives in (
        ("summary", summed),
        ("answer", {"kind": "answer"}),
        ("open_round", {"kind": "round"}),
        ("read_study", {}),
        ("read_round", {}),
        ("what_leaves", "sums"),
        ("next_round", asked),
    ):
        patch.setattr(pooling, name, lambda *_, gives=gives, **__: gives)
    entry = {"kind": "summary", "clinic": "C", "coding_sha256": "", "round": 0, "marks": {}}
    grown = lambda ledger, *_: {**ledger, "answers": [*ledger["answers"], entry]}  # noqa: E731
    patch.setattr(pooling, "note_summary", grown)
    patch.setattr(pooling, "note_answer", grown)


@contextmanager
def _quickly(mapped, found):
    """Let every command do its writing for real, and its reading and fitting not at all."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(records, "load", lambda *_, **__: found)
        patch.setattr(mapping, "mapped", lambda *_, **__: mapped)
        patch.setattr(os, "fsync", lambda _: None)
        patch.setattr(mapping, "propose", lambda *_, **__: "version = 1\n")
        patch.setattr(render, "_in_own_process", _fake_run)
        patch.setattr(study, "synthetic", lambda found, seed: found)
        patch.setattr(study, "tests", lambda found, plan: _NoResult)
        _quick_pool(patch)
        yield patch


def _commands(folder: Path, notebook: str, round_of: int) -> list[list[str]]:
    source, plan = str(folder / "b.xlsx"), str(PLAN)
    report = ["report", notebook, "--out", "reports", "--set", f"surgeon={round_of}"]
    pool = ["--clinic", "C", "--write"]
    return [
        ["template"],
        ["map", str(BOOK), "--propose", "b.xlsx.mapping.toml"],
        ["map", source, "--mapping", plan, "--out", "out"],
        ["map", str(BOOK), "--mapping", plan, "--out", "out"],
        ["map", str(BOOK), "--mapping", plan, "--out", "."],
        ["deidentify", "--new-key", "key"],
        ["deidentify", "../src", "coded", "--key-file", "../safe/key"],
        ["deidentify", "../src", "out", "--key-file", "../safe/key"],
        ["deidentify", "../src", "../src", "--key-file", "../safe/key"],
        ["deidentify", "coded", "coded", "--key-file", "../safe/key"],
        report,
        [*report, "--formats", "html,xlsx", "--label", "fails"],
        ["batch", "../plan_of_batch.toml"],
        ["pool", "open", "x", "--out", "r.json"],
        ["pool", "summary", "../src", "--out", "s.json", *pool, "--ledger", "src.pool_ledger.json"],
        ["pool", "answer", "r.json", "../src", "--out", "a.json", *pool, "--ledger", "src.pool_ledger.json"],
        ["pool", "next", "r.json", "a.json", "--out", "n.json"],
        ["study", "freeze", "plan.toml", "../src"],
        ["study", "dry-run", "plan.toml", "../src", "--out", "out"],
        ["study", "dry-run", "plan.toml", "../src", "--out", "dry"],
    ]


@ANY
@given(st.dictionaries(st.sampled_from(PLACES), TREE, max_size=4), st.randoms(use_true_random=False))
def test_every_foreign_byte_is_still_there_after_every_command(
    mapped, small_register, notebook, planted, random
):
    """Foreign files first; then some of the commands' own, which a reader changed: foreign from then on."""
    with tempfile.TemporaryDirectory() as made, _quickly(mapped, small_register) as patch:
        base = Path(made).resolve()
        here, outside = base / "w", base / "outside"
        (outside / "folder").mkdir(parents=True)
        for path in (outside / "file", outside / "folder" / "patients.csv"):
            path.write_bytes(MINE)
        here.mkdir()
        patch.chdir(here)
        _register(base / "src")
        _key(here)
        shutil.copy(ROOT / "data_demo" / "study_out_of_body.toml", here / "plan.toml")
        pages = "".join(f'[[report]]\npage = "{notebook}"\nlabel = "{label}"\n' for label in ("", "fails"))
        (base / "plan_of_batch.toml").write_text(f'out = "w/reports"\nworkers = 1\n{pages}')
        for place in PLACES:
            _plant(here / place, planted.get(place, {}), outside)
        foreign = _tree(base)
        for round_of in (1, 2, 3):
            for words in _commands(here, notebook, round_of):
                with_code = main(words)
                assert with_code in (0, 1, 2), words
                _nothing_lost(foreign, _tree(base), words)
            _edit_some(base, foreign, random)


def _nothing_lost(foreign: dict, now: dict, words: list[str]) -> None:
    lost = {name for name, held in foreign.items() if not _is_there(name, held, now.get(name))}
    assert not lost, (sorted(lost), words)


def _is_there(name: str, held, now) -> bool:
    """Tell whether a foreign file is as it was; lines may be added to the log of a batch or of a register."""
    path = Path(name)
    is_log = path.name.startswith("batch") or (
        path.parent.name.endswith(".state") and path.suffix == ".jsonl"
    )
    if isinstance(held[0], bytes) and now is not None and is_log:
        return isinstance(now[0], bytes) and now[0].startswith(held[0])
    return now == held


def _edit_some(base: Path, foreign: dict, random) -> None:
    """Let a reader change some of what the commands wrote; from now on that is the reader's."""
    own = sorted(
        name
        for name, held in _tree(base).items()
        # What is remembered of a register is the program's own, not a reader's to edit.
        if name not in foreign and isinstance(held[0], bytes) and ".state/" not in name
    )
    for name in own:
        path = base / name
        if path.name != disk_list.LIST and ".partial" not in path.parts and random.random() < 0.2:
            with path.open("ab") as written:
                written.write(MINE)
            foreign[name] = _held(path)
