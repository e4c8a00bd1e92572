"""Forty mistakes in criteria, actions and plans: each named in the first run, none by its value."""

import textwrap

import pytest
import registers

from analytics import records
from analytics.__main__ import main
from analytics.app import criteria

GOOD_CRITERION = {
    "id": "seen", "measure": "seen", "month": 12, "statement": "At least 60 of 100 are seen", "standard": 60,
    "direction": "at least", "source": "none found", "source_kind": "invented",
}  # fmt: skip
GOOD_ACTION = {
    "id": "call", "what": "Call", "role": "front desk", "criterion": "seen", "set_in_quarter": 1,
    "due_quarter": 2, "re_audit_quarter": 3, "state": "open",
}  # fmt: skip
SCHEDULE = {"month": 12, "early": 1, "late": 2}
MONITOR = {"baseline_through_month": 6}
EVENT = {"measure": "event", "event": "infection", "by_month": 12, "month": None}
YIELD = {"measure": "yield", "zones": ["frontal"], "month": None}

# What is changed (file's block, entries; None takes an entry out), and what must be said.
MISTAKES = [
    ("criterion", {"standard": 0.6}, "seen), standard: below 1 percent"),
    ("criterion", {"standard": 600}, "seen), standard: expected 0 to 100 percent"),
    ("criterion", {"direction": "at most"}, "seen), direction: a standard of seen is at least as a rule"),
    ("criterion", {**YIELD, "direction": "at most", "id": "y"}, "y), direction: a standard of yield is"),
    ("criterion", {"standard": 70}, "seen), statement: names another number"),
    ("criterion", {"statement": "At most 60 of 100"}, "seen), statement: says at most"),
    ("criterion", {"statement": ""}, "seen), statement: is empty"),
    ("criterion", {"source": None}, "seen), source: is missing"),
    ("criterion", {"source_kind": "gossip"}, "seen), source_kind: expected"),
    ("criterion", {"source_kind": "published"}, "seen), source: published, but no year"),
    ("criterion", {"measure": "feeling"}, "seen): measure is missing or unknown"),
    ("criterion", {"measure": None}, "seen): measure is missing or unknown"),
    ("criterion", {"month": 7}, "seen), month: no visit is planned then"),
    ("criterion", {"colour": "red"}, "seen), colour: is no known entry"),
    ("criterion", {"id": "Seen It"}, "id: expected lower-case letters"),
    ("criterion", {"direction": "about"}, "seen), direction: expected"),
    ("criterion", {"standard": "sixty"}, "seen), standard:"),
    ("criterion", {"standard": 100, "statement": "All are seen"}, "seen), standard: no record can ever"),
    ("criterion", {"over_quarters": 0}, "seen), over_quarters: expected"),
    ("criterion", {"over_quarters": 30}, "seen), over_quarters: longer than the register"),
    ("criterion", {"exceptions": ["rain"]}, "seen), exceptions"),
    ("criterion", {"methods": ["hand"]}, "seen), methods"),
    ("criterion", {**EVENT, "event": "baldness"}, "seen), event: expected"),
    ("criterion", {**EVENT, "by_month": 40, "direction": "at most"}, "seen), by_month: no visit is planned"),
    (
        "criterion",
        {**EVENT, "standard": 0.01, "direction": "at most", "statement": "At most 1 of 10,000"},
        "seen), standard: can never be told here",
    ),
    (
        # One session a month, and nobody ever answered.
        "criterion",
        {"measure": "rating", "column": "would_choose_again"},
        "seen), standard: can never be told here",
    ),
    ("criterion", {**YIELD, "zones": ["crown"]}, "seen), zones: none of them was ever planted here"),
    ("criterion", {**YIELD, "zones": ["beard"]}, "seen), zones"),
    (
        "criterion",
        {"measure": "complete", "fields": ["moon"], "month": None},
        "seen), fields: sessions has no such column",
    ),
    (
        "criterion",
        {"measure": "share", "part": "moons", "whole": "attempts", "month": None, "direction": "at most"},
        "seen), part: sessions has no such column",
    ),
    (
        "criterion",
        {"measure": "poor_growth", "zones": ["frontal"], "threshold_pct": 0.7, "month": None},
        "seen), threshold_pct: below 1 percent",
    ),
    ("schedule", {"early": 13}, "schedule 1, early"),
    ("schedule", {"month": 1, "early": 2}, "schedule 1, early: the window opens before the operation"),
    ("monitor", {"baseline_through_month": 99}, "monitor, baseline_through_month: past the register's"),
    ("monitor", {"run_length": 3}, "monitor, run_length: expected"),
    ("data_cut", {"complete_through_month": 99}, "data_cut, complete_through_month: half a year past"),
    ("change", {"criteria": ["moon"]}, "change 1 (new), criteria: 1 not declared"),
    ("change", {"register_month": 99}, "change 1 (new), register_month: past the register's"),
    ("change", {"declared_in_quarter": 9}, "change 1 (new), declared_in_quarter: after the change began"),
    ("action", {"criterion": "moon"}, "action 1 (call), criterion: is not declared"),
    ("action", {"due_quarter": 1, "set_in_quarter": 2}, "action 1 (call), due_quarter: before it was set"),
    ("action", {"re_audit_quarter": 1}, "action 1 (call), re_audit_quarter: before due_quarter"),
    ("action", {"state": "soon"}, "action 1 (call), state: expected"),
    ("action", {"who": "Anna"}, "action 1 (call), who: is no known entry"),
    ("action", {"set_in_quarter": 50, "due_quarter": 51, "re_audit_quarter": 52}, "set_in_quarter: past the"),
]  # fmt: skip
TWINS = [
    ("criterion", {}, "criterion 2 (seen), id: used before"),
    ("criterion", {"id": "twin"}, "criterion 2 (twin): the same is declared before (criterion 1 (seen))"),
    ("criterion", {"id": "twin", "standard": 50}, "the same is declared before with another standard"),
    ("schedule", {}, "schedule 2, month: planned before"),
    ("schedule", {"month": 14}, "schedule 2: its window overlaps"),
    ("action", {"id": "again"}, "action 2 (again): the same action is set before"),
]


@pytest.fixture(scope="module")
def known(place):
    """Return the records of that folder."""
    return records.load(place)


def _toml(part: str, entries: dict, *, listed: bool = True) -> str:
    lines = [f"[[{part}]]" if listed else f"[{part}]"]
    lines += [f"{k} = {v!r}".replace("'", '"') for k, v in entries.items() if v is not None]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Return a folder of twelve patients with a session each; the files that are declared come and go."""
    people = [f"P{i}" for i in range(1, 13)]
    folder = tmp_path_factory.mktemp("declared")
    registers.load(
        folder,
        patients=[registers.patient(p) for p in people],
        sessions=[registers.session(f"{p}-1", p, register_month=i) for i, p in enumerate(people, start=1)],
        placements=[registers.placement(f"{p}-1") for p in people],
        measurements=[registers.count(p, f"{p}-1", 0.0, 40.0) for p in people],
    )
    return folder


def _declare(place, blocks: list[tuple[str, dict]]) -> None:
    files = {"criteria.toml": "", "actions.toml": ""}
    for part, entries in blocks:
        name = "actions.toml" if part == "action" else "criteria.toml"
        files[name] += _toml(part, entries, listed=part not in ("monitor", "data_cut"))
    for name, text in files.items():
        (place / name).write_text(text)


def _said(place, known, blocks: list[tuple[str, dict]]) -> str:
    """Return all that `regrowth criteria` says of what is declared, of records that are read once."""
    _declare(place, blocks)
    lines: list[str] = []
    criteria.say_of_files(str(place), known, lines.append)
    return "\n".join(lines)


def _usual() -> dict[str, dict]:
    change = {
        "id": "new", "statement": "x", "register_month": 7, "declared_in_quarter": 2, "criteria": ["seen"],
    }  # fmt: skip
    return {
        "criterion": GOOD_CRITERION, "schedule": SCHEDULE, "monitor": MONITOR,
        "data_cut": {"complete_through_month": 12}, "change": change, "action": GOOD_ACTION,
    }  # fmt: skip


def test_files_without_a_mistake_are_passed_in_silence(place, known):
    assert _said(place, known, list(_usual().items())) == ""


@pytest.mark.parametrize(("part", "changed", "sentence"), MISTAKES, ids=[m[2][:40] for m in MISTAKES])
def test_a_mistake_is_named_in_the_first_run(place, known, part, changed, sentence):
    blocks = _usual()
    blocks[part] = {**blocks[part], **changed}
    said = _said(place, known, list(blocks.items()))
    assert sentence in said
    for value in ("baldness", "gossip", "Anna", "moon", "0.6", "sixty"):
        assert f" {value}" not in said


@pytest.mark.parametrize(("part", "changed", "sentence"), TWINS, ids=[m[2][:40] for m in TWINS])
def test_a_twin_is_named(place, known, part, changed, sentence):
    blocks = _usual()
    again = (part, {**blocks[part], **changed})
    assert sentence in _said(place, known, [*blocks.items(), again])


def test_one_run_names_faults_of_all_files_and_one_hides_no_other(place, capsys):
    blocks = _usual()
    blocks["criterion"] = {**blocks["criterion"], "standard": 600, "colour": "red"}
    blocks["action"] = {**blocks["action"], "criterion": "moon", "state": "soon"}
    blocks["schedule"] = {**blocks["schedule"], "month": 0.5}
    (place / "study_x.toml").write_text("question = ''\n")
    _declare(place, list(blocks.items()))
    assert main(["criteria", str(place)]) == 2
    said = capsys.readouterr().out
    (place / "study_x.toml").unlink()
    for part in ("colour: is no known", "criterion: is not declared", "state: expected", "early: the window"):
        assert part in said
    assert "study_x.toml" in said


def test_a_practice_with_its_own_ids_has_a_role_for_each_of_its_measures(tmp_path):
    from analytics import review

    text = textwrap.dedent(
        """
        [monitor]
        baseline_through_month = 6
        [[schedule]]
        month = 12
        early = 1
        late = 2
        [[criterion]]
        id = "cut"
        measure = "share"
        part = "grafts_transected"
        whole = "grafts_out"
        statement = "At most 5 of 100"
        standard = 5
        direction = "at most"
        source = "none"
        source_kind = "invented"
        """
    )
    (tmp_path / "criteria.toml").write_text(text)
    declared = review.read(tmp_path / "criteria.toml")
    role = review.roles(declared)
    assert (role["grafts"], role["growth"], role["change"], role["charts"]) == ("cut", "", "", "cut")
    with pytest.raises(Exception, match="setting grafts: no criterion has that id; the file has cut"):
        review.roles(declared, grafts="transection")
