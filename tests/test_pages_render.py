"""A report is published whole or not at all, says the same for the same input, and fails in plain words."""

import hashlib
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import pytest
import sample_page
from conftest import ROOT

from analytics import files, pages, reports
from analytics.errors import AnalyticsError, FitError, ParameterError, RecordError
from analytics.files import listing as disk_list
from analytics.reports import overview, publish, render

DEMO = ROOT / "data_demo"
DIES = "import os\nos._exit(9)"


def _page(folder, *sources):
    return str(sample_page.write(folder / "sample.ipynb", *sources))


@pytest.mark.parametrize("place", ["/clinic/private/criteria.toml", r"C:\clinic\private\criteria.toml"])
def test_a_setting_that_is_a_place_is_shown_by_its_name(place):
    told = reports.sources("02_quarterly_review", None, {"criteria": place, "aims": "frontal to 110"})
    assert told["settings"] == {"criteria": "criteria.toml", "aims": "frontal to 110"}


def test_a_report_has_its_files_its_answer_and_what_needs_attention(sample_report):
    assert sample_report.name == "sample_20260331"
    assert set(sample_report.files) == {*render.FORMATS, "results", "run"}
    assert all(path.exists() for path in sample_report.files.values())
    assert sample_report.answer.startswith(
        "In the crown 80\u202f% (95\u202f% interval 75 to 86; 75 patients)"
    )
    assert sample_report.attention == ("10 rows have no baseline count.",)
    leftovers = {p.name for p in sample_report.folder.iterdir()} - {
        p.name for p in sample_report.files.values()
    }
    assert leftovers == {disk_list.LIST}


def test_a_reports_files_are_the_owners_alone(sample_report):
    for path in sample_report.files.values():
        assert path.stat().st_mode & 0o077 == 0, path.name


def test_the_same_input_gives_the_same_bytes(sample_report, tmp_path):
    notebook = _page(tmp_path, sample_page.BEGIN, sample_page.WRITE, sample_page.FINISH)
    formats = ("html", "ipynb", "xlsx", "tex", "tables.html", "figures.zip")
    again = render.page(notebook, DEMO, tmp_path / "elsewhere", formats=formats, as_of="2026-03-31")
    code = [
        json.loads(r.files["results"].read_text())["provenance"]["code_sha256"]
        for r in (sample_report, again)
    ]
    if code[0] != code[1]:
        pytest.skip("a source file was edited between the two runs")
    for kind in (*formats, "results"):
        assert files.sha256(again.files[kind]) == files.sha256(sample_report.files[kind]), kind
    first, second = (_timeless(report.files["run"]) for report in (sample_report, again))
    assert first["#run"]["instrument"] == second["#run"]["instrument"]
    assert {k: v for k, v in first.items() if k.startswith("#")} == {
        k: v for k, v in second.items() if k.startswith("#")
    } | {"#run": first["#run"]}


def _timeless(path):
    return {entity["@id"]: entity for entity in json.loads(path.read_text())["@graph"]}


def test_no_file_of_a_report_holds_a_path_of_this_machine(sample_report):
    for kind in ("html", "ipynb", "results", "run"):
        text = sample_report.files[kind].read_text()
        assert str(ROOT) not in text, kind
        assert str(sample_report.folder) not in text, kind


def test_the_run_record_lists_every_file_with_the_hash_it_has(sample_report):
    record = _timeless(sample_report.files["run"])
    listed = {e["@id"]: e["sha256"] for e in record.values() if e["@type"] == "File"}
    for name, digest in listed.items():
        assert hashlib.sha256((sample_report.folder / name).read_bytes()).hexdigest() == digest
    assert set(listed) == {p.name for k, p in sample_report.files.items() if k != "run"}


def test_the_run_record_names_the_tables_read_by_the_hash_of_their_files(sample_report):
    record = _timeless(sample_report.files["run"])
    expected = hashlib.sha256((DEMO / "patients.csv").read_bytes()).hexdigest()
    assert record["#table-patients"]["sha256"] == expected
    assert record["#setting-chair"]["value"] == "007"


def test_a_report_that_replaces_one_of_other_settings_says_so(sample_report):
    settings = {
        e["name"]: e["value"]
        for e in _timeless(sample_report.files["run"]).values()
        if e["@id"].startswith("#setting-")
    }
    assert publish._other_settings(sample_report.folder, settings) == []
    assert "another chair;" in publish._other_settings(sample_report.folder, settings | {"chair": "8"})[0]


def test_the_run_record_is_a_crate_to_the_reference_reader(sample_report, tmp_path):
    # rocrate-py, the reference implementation of RO-Crate, reads it under the crate's own file name.
    rocrate = pytest.importorskip("rocrate.rocrate")
    for path in sample_report.folder.iterdir():
        name = "ro-crate-metadata.json" if path.name == "run.json" else path.name
        (tmp_path / name).write_bytes(path.read_bytes())
    crate = rocrate.ROCrate(tmp_path)
    (action,) = crate.get_by_type("CreateAction")
    assert action["actionStatus"] == "http://schema.org/CompletedActionStatus"
    assert {e.id for e in action["result"]} >= {"sample_20260331.html", "results.json"}
    assert action["instrument"].type == ["SoftwareApplication"]


def test_results_json_holds_every_number_with_name_unit_interval_and_n(sample_report):
    content = json.loads(sample_report.files["results"].read_text())
    table = content["results"]["by_zone"]["table"]
    row = dict(zip(table["columns"], table["rows"][1], strict=True))
    expected = {
        "zone": "crown",
        "term": "yield_at_maturity",
        "estimate": 80.5,
        "ci_low": 74.6,
        "ci_high": 86.4,
    }
    assert expected.items() <= row.items()
    assert (row["unit"], row["n_patients"]) == ("% of planted hairs", 75)
    missing = dict(zip(table["columns"], table["rows"][2], strict=True))
    assert (missing["estimate"], missing["flag"]) == (None, "fewer than 5 patients")


def test_an_error_of_ours_is_said_as_it_is_and_nothing_is_published(tmp_path):
    fails = "from analytics.errors import FitError\nraise FitError('yields.average: no reading is usable')"
    with pytest.raises(FitError, match=r"^yields\.average: no reading is usable$"):
        render.page(_page(tmp_path, fails), "", tmp_path / "out")
    assert [p.name for p in (tmp_path / "out").iterdir() if not p.name.startswith(".")] == ["failed"]
    cause = (tmp_path / "out" / "failed" / "sample" / "cause.txt").read_text()
    assert cause == "sample was not made.\nyields.average: no reading is usable\n"
    assert list((tmp_path / "out" / ".partial").iterdir()) == []


def test_a_defect_is_said_by_its_kind_and_step_and_never_by_its_text(tmp_path):
    with pytest.raises(AnalyticsError) as failed:
        render.page(_page(tmp_path, "raise ValueError('Jane Roe, 3 May')"), "", tmp_path / "out")
    assert "step 3 of the page stopped with ValueError" in str(failed.value)
    assert "Roe" not in str(failed.value)


ASKS = """
import json

from analytics import disclosure, pages

page = pages.begin("sample", data, surgeon=surgeon, months=months, audience=audience, as_of=as_of)
asked = {"broken": pages.question(json.loads), "unsaid": pages.question(disclosure.rule)}
page = pages.results(page, **pages.ask(page, **asked))
pages.answer(page, "The rest is here.")
pages.figure(page, "broken", "What broke", alt="a dot and a bar alone")
pages.table(page, "unsaid", "What cannot be told")
"""


def test_a_page_with_sections_without_an_answer_is_made_and_says_so(tmp_path):
    out = tmp_path / "out"
    report = render.page(_page(tmp_path, ASKS, sample_page.FINISH), "", out)
    assert report.answer == "The rest is here."
    assert (report.unanswered, report.defects) == (("What broke", "What cannot be told"), ("broken",))
    html = report.files["html"].read_text()
    assert "This part stopped with TypeError: a defect of the package" in html
    assert "Made, 2 sections without an answer" in overview.write(out).read_text()
    # What may hold a value of a record lies apart from what is handed on.
    assert "Traceback" not in "".join(p.read_text() for p in report.folder.iterdir())
    assert "Traceback" in (out / "failed" / "sample" / "details.txt").read_text()


def test_a_kernel_that_dies_is_a_failed_report(tmp_path):
    # papermill leaves a notebook in which every cell says completed.
    with pytest.raises(AnalyticsError, match="ended by the system, often for too little memory"):
        render.page(_page(tmp_path, DIES, sample_page.FINISH), "", tmp_path / "out")
    assert not (tmp_path / "out" / "sample").exists()


def test_a_page_that_ends_without_its_last_step_is_no_report(tmp_path):
    with pytest.raises(AnalyticsError, match="ended without its last step"):
        render.page(_page(tmp_path, sample_page.BEGIN), "", tmp_path / "out")


def test_a_step_that_takes_too_long_is_stopped(tmp_path):
    with pytest.raises(AnalyticsError, match="one step took longer than 1 seconds"):
        render.page(_page(tmp_path, "import time\ntime.sleep(60)"), "", tmp_path / "out", timeout=1)


def test_records_that_break_the_dictionary_stop_the_report_with_their_own_sentences(tmp_path):
    (tmp_path / "register").mkdir()
    (tmp_path / "register" / "patients.csv").write_text("patient_id,sex\np1,unknown-secret\n")
    page = _page(tmp_path, "from analytics import pages\npage = pages.begin('sample', data)")
    with pytest.raises(RecordError) as failed:
        render.page(page, tmp_path / "register", tmp_path / "out")
    assert "patients.sex" in str(failed.value)
    assert "secret" not in str(failed.value)


def _at_work_in(folder) -> list:
    """Return the processes that work in a folder."""
    import psutil

    found = [p.info for p in psutil.process_iter(["pid", "cwd"])]
    return [p["pid"] for p in found if Path(str(p["cwd"])).is_relative_to(folder)]


def _until(holds, seconds: float = 30.0) -> bool:
    deadline = time.monotonic() + seconds
    while not holds() and time.monotonic() < deadline:
        time.sleep(0.1)
    return bool(holds())


def test_a_killed_run_leaves_nothing_at_the_final_place_and_nothing_running(tmp_path):
    page = _page(tmp_path, "import time\ntime.sleep(120)", sample_page.FINISH)
    code = f"from analytics.reports import render; render.page({page!r}, '', {str(tmp_path / 'out')!r})"
    run = subprocess.Popen([sys.executable, "-c", code], start_new_session=True)
    assert _until(lambda: list((tmp_path / "out").glob(".partial/*/step.txt")))
    assert len(_at_work_in(tmp_path)) == 2 or sys.platform != "linux"  # the run and its kernel
    os.killpg(run.pid, 9)
    run.wait()
    assert not (tmp_path / "out" / "sample").exists()
    assert _until(lambda: not _at_work_in(tmp_path)) or sys.platform != "linux"


@pytest.mark.parametrize(
    ("keywords", "sentence"),
    [
        ({"formats": ("docx",)}, "formats: 1 unknown; use any of html, ipynb, xlsx"),
        ({"label": "{page}"}, "label: use 1 to 81 letters"),
        ({"label": "../up"}, "label: use 1 to 81 letters"),
        ({"surgeon": 7}, "sample, setting surgeon: expected a valid string"),
    ],
)
def test_what_is_wrong_is_said_before_anything_starts(tmp_path, keywords, sentence):
    with pytest.raises(ParameterError, match=f"^{re.escape(sentence)}"):
        render.page(_page(tmp_path, sample_page.FINISH), "", tmp_path / "out", **keywords)
    assert not (tmp_path / "out").exists()


def test_data_that_are_not_there_are_said_to_be_missing(tmp_path):
    with pytest.raises(ParameterError, match="data: there is no such folder or file"):
        render.page(_page(tmp_path, sample_page.FINISH), tmp_path / "nowhere", tmp_path / "out")


def test_the_executed_notebook_keeps_its_outputs_and_loses_the_record_of_its_execution(sample_report):
    notebook = nbformat.read(sample_report.files["ipynb"], as_version=4)
    assert "papermill" not in notebook.metadata
    assert all("execution" not in cell.metadata for cell in notebook.cells)
    assert sum(bool(cell.get("outputs")) for cell in notebook.cells) >= 2


def test_a_file_named_by_a_path_is_found_from_where_the_command_was_given(tmp_path, monkeypatch):
    here, records = tmp_path / "here", tmp_path / "records"
    for folder in (here, records):
        (folder / "plans").mkdir(parents=True)
    run = tmp_path / "run.json"
    run.write_text(json.dumps({"data": str(records), "called_from": str(here)}), encoding="utf-8")
    monkeypatch.setenv(reports.RUN_VARIABLE, str(run))
    for name in ("a.toml", "plans/a.toml"):
        (here / name).touch()
    # A bare name is one beside the records, though another clinic's lies where the command was given.
    assert pages.file_beside(None, "a.toml") == records / "a.toml"
    assert pages.file_beside(None, "plans/a.toml") == here / "plans" / "a.toml"
    assert pages.file_beside(None, "plans/b.toml") == records / "plans" / "b.toml"
