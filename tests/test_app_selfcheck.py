"""The self-check says what is amiss with an installation, and what to do."""

import pytest

from analytics.app import selfcheck


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
