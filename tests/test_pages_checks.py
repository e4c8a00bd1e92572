"""The published examples are reproduced, a wrong number would be seen, the selfcheck says what to do."""

import dataclasses

import pytest

from analytics import published
from analytics.app import selfcheck
from analytics.errors import FitError


@pytest.fixture(scope="module")
def found():
    """Return every published number, computed again."""
    return published.run()


def test_every_published_number_is_reproduced(found):
    missed = found.loc[~found["passed"], ["check", "quantity", "expected", "found"]]
    assert missed.empty, missed.to_string()
    assert found["check"].nunique() >= 35


def test_every_case_names_its_source_and_its_tolerance(found):
    assert (found["source"].str.len() > 10).all()
    assert (found["tolerance"] > 0).all()


def test_a_wrong_number_is_a_failed_case():
    case = next(c for c in published.cases() if c.name == "Shares")
    wrong = dataclasses.replace(case, expected={name: value * 1.01 for name, value in case.expected.items()})
    summary = published.summary(published.run((wrong,)))
    assert list(summary["result"]) == ["FAIL"]
    assert published.sentence(published.run((wrong,))).startswith("This installation reproduces 0 of 1")


def test_a_case_that_cannot_be_computed_is_not_passed_and_says_so():
    def fails(_):
        raise FitError("no fit")

    case = published.Case("x", "an example", "a source that is long", fails, {"mean": 1.0}, absolute=1e-6)
    row = published.run((case,)).iloc[0]
    assert not row["passed"]
    assert row["about"] == "an example (FitError: not computed)"


@pytest.mark.slow
def test_the_selfcheck_finds_this_installation_fit():
    findings = {finding.name: finding for finding in selfcheck.run()}
    assert {name: f.said for name, f in findings.items() if f.state == "mend"} == {}
    assert set(findings) >= {"Python", "libraries", "kernel", "browser", "fonts", "methods"}


def test_without_a_browser_the_selfcheck_says_what_that_costs_and_what_to_do(monkeypatch):
    monkeypatch.setattr(selfcheck, "find", lambda: None)
    line = selfcheck._browser().line()
    assert line.startswith("look  browser: none found; for PDF files install Chromium")


def test_a_library_outside_its_bounds_is_named(monkeypatch):
    monkeypatch.setattr(selfcheck.metadata, "requires", lambda _: ["numpy>=999", "no-such-library-here>=1"])
    finding = selfcheck._libraries()
    assert finding.state == "mend"
    assert "numpy" in finding.said
    assert "no-such-library-here is absent" in finding.said


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    assert selfcheck._folder("folder of reports", tmp_path / "file" / "x").state == "mend"
