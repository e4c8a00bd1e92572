"""A batch: one failure stops nothing and never looks finished; what is made already is kept."""

import json
import shutil

import pytest
import sample_page
from conftest import ROOT

from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.reports import batch, overview, render

GOOD = """
from analytics import pages
page = pages.begin("p", surgeon=surgeon)
pages.answer(page, f"Code {surgeon}.")
"""
FAILS = "from analytics.errors import FitError\nif surgeon == '2':\n    raise FitError('too few patients')"


def _plan(folder, text: str):
    path = folder / "plan.toml"
    path.write_text(text)
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return folder and outcomes of a batch of three, of which the second cannot be made."""
    folder = tmp_path_factory.mktemp("batch")
    notebook = sample_page.write(folder / "p.ipynb", FAILS, GOOD, sample_page.FINISH)
    plan = batch.read(
        _plan(
            folder,
            f'out = "reports"\n[[report]]\npage = "{notebook}"\neach = {{ surgeon = ["001", "2", "3"] }}\n',
        )
    )
    return folder, plan, batch.run(plan)


def test_a_failure_stops_nothing_and_is_told(made):
    _, _, outcomes = made
    states = {outcome.name: outcome.state for outcome in outcomes}
    assert states == {"p_001": "made", "p_2": "failed", "p_3": "made"}
    assert [o.message for o in outcomes if o.state == "failed"] == ["too few patients"]


def test_a_failed_report_never_looks_finished(made):
    folder, _, _ = made
    assert not (folder / "reports" / "p_2").exists()
    assert "too few patients" in (folder / "reports" / "failed" / "p_2" / "cause.txt").read_text()


def test_the_front_page_has_a_card_a_report_with_the_failed_one_first(made):
    folder, _, _ = made
    page = (folder / "reports" / overview.INDEX).read_text()
    assert page.index("p_2 was not made") < page.index("Code 001.") < page.index("Code 3.")
    assert "3 reports; 0 with something that needs attention; 1 not made." in page


def test_a_second_run_keeps_what_has_not_changed_and_tries_the_failed_one_again(made):
    folder, plan, _ = made
    before = (folder / "reports" / "p_001" / "run.json").read_bytes()
    states = {outcome.name: outcome.state for outcome in batch.run(plan)}
    assert states == {"p_001": "kept", "p_2": "failed", "p_3": "kept"}
    assert (folder / "reports" / "p_001" / "run.json").read_bytes() == before


def test_a_report_that_fails_after_it_was_made_has_one_card_with_a_link_to_the_earlier(made, tmp_path):
    folder, _, _ = made
    shutil.copytree(folder / "reports", tmp_path / "reports")
    (tmp_path / "reports" / "failed" / "p_3").mkdir()
    (tmp_path / "reports" / "failed" / "p_3" / "cause.txt").write_text(
        "p_3 was not made.\ntoo few patients\n"
    )
    page = overview.write(tmp_path / "reports").read_text()
    assert "3 reports; 0 with something that needs attention; 2 not made." in page
    assert 'href="p_3/p_3.html">Earlier report' in page


def test_a_report_that_was_changed_by_hand_or_asked_for_otherwise_is_made_again(made, monkeypatch):
    folder, plan, _ = made
    remade = []
    monkeypatch.setattr(render, "_made", lambda run, out, progress=None: remade.append(run["name"]))
    page = str(folder / "p.ipynb")
    render.unless_made(page, "", plan.out, label="3", surgeon="3")
    assert remade == []
    render.unless_made(page, "", plan.out, label="3", surgeon="4")
    render.unless_made(page, "", plan.out, label="3", surgeon="3", formats=("html", "xlsx"))
    (folder / "reports" / "p_3" / "p_3.html").write_text("changed")
    render.unless_made(page, "", plan.out, label="3", surgeon="3")
    assert len(remade) == 3


def test_the_command_tells_each_report_in_a_line_and_ends_with_1(made, capsys):
    folder, _, _ = made
    assert main(["batch", str(folder / "plan.toml"), "--workers", "1"]) == 1
    said = capsys.readouterr().out
    assert "kept   p_001" in said
    assert "failed p_2" in said
    assert "2 of 3 reports are in" in said
    log = (folder / "reports" / "batch.log").read_text().splitlines()
    assert len(log) == 3
    assert any(line.endswith("too few patients") for line in log)


def test_all_means_every_surgeon_of_the_records_and_every_quarter(tmp_path, demo):
    notebook = sample_page.write(tmp_path / "p.ipynb", sample_page.FINISH)
    entry = f'[[report]]\npage = "{notebook}"\n'
    plan = batch.read(
        _plan(tmp_path, f'data = "{ROOT / "data_demo"}"\n{entry}each = {{ surgeon = "all" }}\n')
    )
    codes = sorted(demo.sessions["surgeon_id"].unique())
    assert [job.settings["surgeon"] for job in plan.jobs] == codes
    assert [job.label for job in plan.jobs] == codes


def test_a_plan_is_refused_before_anything_starts_with_every_reason(tmp_path):
    notebook = sample_page.write(tmp_path / "p.ipynb", sample_page.FINISH)
    wrong = {
        "is not TOML": "[[report",
        "report: it is missing": 'out = "x"',
        "has no setting 'surgon'": f'[[report]]\npage = "{notebook}"\nsettings = {{ surgon = "1" }}',
        "would take the same name": f'[[report]]\npage = "{notebook}"\n[[report]]\npage = "{notebook}"',
        "formats: 1 unknown": f'[[report]]\npage = "{notebook}"\nformats = ["docx"]',
        "'all' works for quarter, surgeon": f'[[report]]\npage = "{notebook}"\neach = {{ months = "all" }}',
    }
    data = f'data = "{ROOT / "data_demo"}"\n'
    for sentence, text in wrong.items():
        with pytest.raises(ParameterError, match=sentence):
            batch.read(_plan(tmp_path, data + text if '"all"' in text else text))
    with pytest.raises(ParameterError, match="there is no such plan"):
        batch.read(tmp_path / "nowhere.toml")
    assert not (tmp_path / "reports").exists()


@pytest.mark.slow
def test_the_same_batch_runs_on_a_cluster(tmp_path):
    # A scheduler and a worker of dask.distributed, the library a cluster would run.
    distributed = pytest.importorskip("distributed")
    notebook = sample_page.write(tmp_path / "p.ipynb", GOOD, sample_page.FINISH)
    text = f'[[report]]\npage = "{notebook}"\neach = {{ surgeon = ["a", "b"] }}\n'
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None, protocol="inproc"
    ) as cluster:
        plan = batch.with_workers(batch.read(_plan(tmp_path, text)), 0, cluster.scheduler_address)
        outcomes = batch.run(plan)
    assert sorted((o.name, o.state) for o in outcomes) == [("p_a", "made"), ("p_b", "made")]


def test_a_scheduler_that_does_not_answer_is_said_so(tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "CONNECT_SECONDS", 1)
    notebook = sample_page.write(tmp_path / "p.ipynb", sample_page.FINISH)
    plan = batch.read(_plan(tmp_path, f'scheduler = "tcp://127.0.0.1:9"\n[[report]]\npage = "{notebook}"'))
    with pytest.raises(ParameterError, match="nothing answers at that address"):
        batch.run(plan)


def test_a_cards_link_lies_beside_the_front_page(made):
    folder, _, _ = made
    assert (folder / "reports" / "p_001" / "p_001.html").exists()
    assert 'href="p_001/p_001.html"' in (folder / "reports" / overview.INDEX).read_text()
    assert json.loads((folder / "reports" / "p_001" / "results.json").read_text())["answer"] == "Code 001."
