"""Do the pages say the same numbers as they did? Every page, for every audience, on four registers.

A number that moves is accepted with its reason: `python -m tests.pinned accept --reason "why"`.
"""

import json
from dataclasses import replace

import pytest
from pinned import __main__ as command
from pinned import compare, pages, registers, stored, today

LARGEST_BYTES = 3_000_000
MOST_SAID = 40
PAIRS = [
    pytest.param(register, page, marks=[pytest.mark.long] if registers.is_long(register, page) else [])
    for register, page in registers.pairs(pages.names())
]


@pytest.mark.parametrize(("register", "page"), PAIRS)
def test_a_page_says_the_numbers_that_are_pinned(register, page, shown_page):
    found = compare.moves(
        register, page, stored.read(today.path(register, page)), today.pins(shown_page(page, register))
    )
    said = [move.sentence() for move in found[:MOST_SAID]]
    said += (
        [f"and {len(found) - MOST_SAID} more; by table:", *compare.summary(found)]
        if len(found) > MOST_SAID
        else []
    )
    assert not found, "\n".join([f"{len(found)} moved", *said])


def test_what_is_pinned_is_what_a_rendered_report_holds(demo_report, shown_page):
    page = "05_session_plan"
    rendered = json.loads(demo_report(page).files["results"].read_text(encoding="utf-8"))
    here = json.loads(json.dumps(shown_page(page)["internal"].content))
    assert {**rendered, "provenance": {}, "is_invented": False} == here


def test_the_pins_are_small_and_hold_no_names_of_modules_or_machines():
    files = sorted(today.FOLDER.glob("*/*.jsonl"))
    assert {(p.parent.name, p.stem) for p in files} == set(registers.pairs(pages.names()))
    assert stored.size(files) < LARGEST_BYTES
    for path in files:
        text = path.read_text(encoding="utf-8")
        assert "analytics." not in text
        assert "/home/" not in text
        assert "/tmp/" not in text


def _pins(**changed) -> stored.Pins:
    """Return the pins of one row: a yield of 79.9166 with a standard error of 1.49895."""
    row = {
        "zone": "crown",
        "term": "yield",
        "estimate": 79.9166046,
        "se": 1.4989547,
        "n_patients": 14.0,
        "flag": "",
    }
    row |= changed
    result = {"by": ["zone"], "table": {"columns": list(row), "rows": [list(row.values())]}, "checks": {}}
    result["facts"] = dict.fromkeys(stored.FACTS, 0)
    return stored.Pins(stored.kept({"results": {"counted": result}, "shown": []}, "internal"))


def test_a_number_is_kept_to_four_digits_of_its_error_and_read_back_as_written(tmp_path):
    pins = _pins()
    assert pins.tables["internal", "counted", "table"].rows["crown", "yield"] == [79.917, 1.499, 14, ""]
    stored.write(tmp_path / "one.jsonl", pins)
    assert stored.read(tmp_path / "one.jsonl") == pins


def test_the_last_digit_kept_may_differ_and_no_more():
    assert compare.moves("demo", "01", _pins(), _pins(estimate=79.9176)) == []
    assert compare.moves("demo", "01", _pins(), _pins(estimate=79.9196)) != []
    assert compare.moves("demo", "01", _pins(), _pins(n_patients=15.0)) != [], "a count is exact"


def test_a_move_is_said_with_its_place_and_its_size():
    (move,) = compare.moves("demo", "01", _pins(), _pins(estimate=87.9086))
    assert move.sentence() == (
        "demo, 01, internal, table 'counted', zone crown term yield: "
        "estimate moved from 79.917 to 87.909 (by +7.992, +10 %)"
    )


def test_rows_tables_flags_and_refusals_that_come_or_go_are_said():
    gone = [m.sentence() for m in compare.moves("demo", "01", _pins(), _pins(zone="front"))]
    assert [s.split(": ")[1] for s in gone] == ["gone", "new"]
    (flagged,) = compare.moves("demo", "01", _pins(), _pins(flag="no data"))
    assert flagged.sentence().endswith("flag moved from '' to 'no data'")
    refused = replace(_pins(), refused={"shared": "FitError"})
    (move,) = compare.moves("demo", "01", _pins(), refused)
    assert move.sentence() == "demo, 01, shared: was answered, is refused (FitError)"


@pytest.fixture
def once(monkeypatch, tmp_path, shown_page):
    """Ask each page once, however often a test compares it; pins and ledger are written elsewhere."""
    monkeypatch.setattr(today, "made", lambda register, page, _: today.pins(shown_page(page, register)))
    monkeypatch.setattr(today, "FOLDER", tmp_path)
    monkeypatch.setattr(command, "LEDGER", tmp_path / "LEDGER.md")


def test_what_moved_is_accepted_with_a_reason_into_the_ledger_and_not_without(tmp_path, once, capsys):
    only = ["--only", "06/demo"]
    with pytest.raises(SystemExit):
        command.main(["accept", "--reason", " ", *only])
    assert not list(tmp_path.iterdir())
    assert command.main(["compare", *only]) == 1
    assert command.main(["accept", "--reason", "the first pins", *only]) == 0
    assert command.main(["compare", *only]) == 0
    assert capsys.readouterr().out.endswith("nothing moved\n")
    ledger = (tmp_path / "LEDGER.md").read_text(encoding="utf-8")
    assert ": the first pins" in ledger
    assert "demo, 06_method_checks: new" in ledger


def test_a_table_alone_can_be_accepted(tmp_path, once):
    path = today.path("demo", "06_method_checks")
    now = stored.read(path.parents[1] / "nothing")
    now.tables.update(today.made("demo", "06_method_checks", tmp_path).tables)
    for title in ("Published examples, computed again", "Every number"):
        now.tables["internal", title, "frame"].rows.popitem()
    stored.write(path, now)
    assert command.main(["accept", "--reason", "one more row", "--only", "06/demo/Every number"]) == 0
    left = compare.moves("demo", "06", stored.read(path), today.made("demo", "06_method_checks", tmp_path))
    assert [m.table for m in left] == ["Published examples, computed again"]
