"""Two reports for others never differ in the records of a few patients; what is kept for it says nothing."""

import contextlib
import multiprocessing
import os
import stat
from dataclasses import replace

import pytest
import sample_page
from conftest import ROOT

from analytics import records
from analytics.disclosure import earlier as disclosure_earlier
from analytics.disclosure import earlier as left
from analytics.errors import ParameterError
from analytics.reports import render


def _older(demo, n):
    """Return the register with the ages of n patients one year higher."""
    ages = demo.patients["age_years"].copy()
    ages.iloc[:n] += 1
    return replace(demo, patients=demo.patients.assign(age_years=ages))


def _noted(demo, folder, audience):
    found = disclosure_earlier.refuse_few(demo, [folder], "01_surgeon_audit", audience)
    left.note(found)


@pytest.mark.parametrize(("audience", "threshold"), [("shared", 5), ("public", 10)])
def test_a_report_that_differs_in_few_patients_is_refused(audience, threshold, demo, tmp_path):
    """1 to 4, or 1 to 9, are the small counts of the two rules; none and the threshold may be shown."""
    _noted(demo, tmp_path, audience)
    _noted(demo, tmp_path, audience)
    for n in (1, threshold - 1):
        with pytest.raises(ParameterError, match=f"fewer than {threshold} patients differ from an earlier"):
            disclosure_earlier.refuse_few(_older(demo, n), [tmp_path], "01_surgeon_audit", audience)
    _noted(_older(demo, threshold), tmp_path, audience)
    assert len(left.earlier(tmp_path)) == 2
    assert disclosure_earlier.refuse_few(_older(demo, 1), [tmp_path], "01_surgeon_audit", "internal") == {}


def test_another_page_audience_or_folder_of_reports_does_not_pass_the_guard(demo, tmp_path):
    """What is subtracted need not be of one page; the register remembers what left by whatever way."""
    out, other, state = tmp_path / "out", tmp_path / "other", tmp_path / "register.state"
    found = disclosure_earlier.refuse_few(demo, [out, state], "01_surgeon_audit", "shared")
    left.note(found)
    for places, page, audience in (
        ([out, state], "02_quarterly_review", "shared"),
        ([out, state], "01_surgeon_audit", "public"),
        ([other, state], "01_surgeon_audit", "shared"),
        ([out, tmp_path / "copy.state"], "01_surgeon_audit", "shared"),
    ):
        with pytest.raises(ParameterError, match="differ from an earlier"):
            disclosure_earlier.refuse_few(_older(demo, 1), places, page, audience)


def test_a_register_of_sixty_may_report_each_complete_quarter(demo, tmp_path):
    """A quarter of a small clinic changes more patients than a threshold; two weeks of it do not."""
    sixty = records.subset(demo, demo.patients["patient_id"].iloc[:60].tolist())
    last = int(sixty.sessions["register_month"].max())
    quarters = [records.as_of(sixty, register_month=m) for m in range(last - 9, last + 1, 3)]
    for one in quarters:
        found = disclosure_earlier.refuse_few(one, [tmp_path], "02_quarterly_review", "public")
        left.note(found)
    assert len(left.earlier(tmp_path)) == len(quarters)
    with pytest.raises(ParameterError, match="reporting period has ended"):
        disclosure_earlier.refuse_few(_older(quarters[-1], 3), [tmp_path], "02_quarterly_review", "public")


def test_two_quarters_of_one_register_may_not_differ_in_few_patients(demo, tmp_path):
    """The register is the same, so that what was reported of it says nothing; the quarter shown is not."""
    twelve = records.subset(demo, demo.patients["patient_id"].iloc[:12].tolist())
    key = b"1" * 32
    known = {m: left.marks(records.as_of(twelve, register_month=m), key) for m in range(24, 31)}
    changed = {m: {p for p, _ in known[m - 1].items() ^ known[m].items()} for m in range(25, 31)}
    last = next(m for m, patients in changed.items() if 0 < len(patients) < 5)
    found = disclosure_earlier.refuse_few(
        twelve, [tmp_path], "02_quarterly_review", "shared", through=last - 1
    )
    left.note(found)
    with pytest.raises(ParameterError, match="differ from an earlier"):
        disclosure_earlier.refuse_few(twelve, [tmp_path], "02_quarterly_review", "shared", through=last)
    disclosure_earlier.refuse_few(twelve, [tmp_path], "02_quarterly_review", "shared", through=last - 1)
    disclosure_earlier.refuse_few(twelve, [tmp_path], "01_surgeon_audit", "shared")


def _note(found, begin):
    begin.wait()
    with contextlib.suppress(ParameterError):
        left.note(found)
        os._exit(0)
    os._exit(3)


@pytest.mark.skipif(os.name != "posix", reason="processes are forked")
def test_of_two_reports_begun_at_the_same_moment_one_leaves(demo, tmp_path):
    """Neither knew of the other when it began; a writer killed as it held the place is in nobody's way."""
    twelve = records.subset(demo, demo.patients["patient_id"].iloc[:12].tolist())
    forked = multiprocessing.get_context("fork")
    for pair in range(3):
        state = tmp_path / f"{pair}.state"
        # Each has a folder of reports of its own: the register alone knows of both.
        asked = [
            left.refuse_few(one, [tmp_path / f"out{i}", state], "01_surgeon_audit", "shared")
            for i, one in enumerate([twelve, _older(twelve, 3)])
        ]
        (state / left.FOLDER / ".lock-left").touch()
        begin = forked.Barrier(2)
        both = [forked.Process(target=_note, args=(found, begin)) for found in asked]
        for process in both:
            process.start()
        for process in both:
            process.join(30)
        assert sorted(process.exitcode for process in both) == [0, 3]
        assert len(left.earlier(state)) == 1


def test_a_patient_more_or_less_or_one_event_more_is_a_difference(demo, tmp_path):
    _noted(demo, tmp_path, "shared")
    fewer = records.subset(demo, demo.patients["patient_id"].iloc[1:].tolist())
    event = replace(demo, events=demo.events.iloc[:-1])
    for changed in (fewer, event):
        with pytest.raises(ParameterError, match="differ from an earlier"):
            disclosure_earlier.refuse_few(changed, [tmp_path], "01_surgeon_audit", "shared")


def test_what_is_kept_holds_no_code_and_is_for_the_owner_alone(demo, tmp_path):
    _noted(demo, tmp_path, "shared")
    files = [p for p in (tmp_path / ".left").rglob("*") if p.is_file()]
    text = "".join(p.read_text() for p in files if p.suffix == ".json")
    assert not [code for code in demo.patients["patient_id"] if f'"{code}"' in text]
    assert {stat.S_IMODE(p.stat().st_mode) for p in files} == {0o600}
    assert disclosure_earlier.marks(demo, b"1" * 32) != disclosure_earlier.marks(demo, b"2" * 32)


def test_a_broken_note_is_refused_in_words(demo, tmp_path):
    _noted(demo, tmp_path, "shared")
    next((tmp_path / ".left" / "01_surgeon_audit-shared").glob("*.json")).write_text("{")
    with pytest.raises(ParameterError, match="the file is broken"):
        disclosure_earlier.refuse_few(demo, [tmp_path], "01_surgeon_audit", "shared")


def test_a_rendered_report_for_others_is_noted_and_the_next_one_held_against_it(demo, tmp_path):
    notebook = sample_page.write(
        tmp_path / "sample.ipynb", sample_page.BEGIN, sample_page.WRITE, sample_page.FINISH
    )
    out = tmp_path / "out"
    report = render.page(str(notebook), ROOT / "data_demo", out, audience="shared")
    assert not list(report.folder.glob("left*"))
    (noted,) = left.earlier(out)
    assert len(noted) == len(demo.patients)
    records.write(_older(demo, 2), tmp_path / "data")
    with pytest.raises(ParameterError, match="fewer than 5 patients differ"):
        render.page(str(notebook), tmp_path / "data", out, audience="shared")
    render.page(str(notebook), tmp_path / "data", out, audience="internal")


def test_a_report_that_another_one_forestalled_leaves_nothing(demo, tmp_path, monkeypatch):
    notebook = sample_page.write(
        tmp_path / "sample.ipynb", sample_page.BEGIN, sample_page.WRITE, sample_page.FINISH
    )
    out = tmp_path / "out"

    def other_leaves(*_):
        _noted(_older(demo, 2), out, "shared")
        return {}

    monkeypatch.setattr(render.publish, "compose", other_leaves)
    with pytest.raises(ParameterError, match="fewer than 5 patients differ"):
        render.page(str(notebook), ROOT / "data_demo", out, audience="shared")
    assert [p.name for p in out.rglob("*.html")] == []
