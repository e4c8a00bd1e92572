"""A frozen study: what was changed afterwards, in the plan, the rows or the record of freezing, is named."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from analytics import simulate, study
from analytics.__main__ import main
from analytics.files import state
from analytics.reports import publish, render
from analytics.study import lock
from analytics.study import questions as study_questions

MORNING = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
PLAN = """title = "t"
question = "q?"
seed = 1
[population]
words = "all"
[exposure]
variable = "method"
reference = ["FUT"]
compared = ["FUE"]
reason = "r"
[[analysis]]
id = "yield"
role = "primary"
matters = 5
outcome = { kind = "yield_at_maturity" }
"""


@pytest.fixture(scope="module")
def register():
    tables, _ = simulate.register(30, seed=3, months=24, entry_months=12)
    return simulate.as_records(tables)


@pytest.fixture
def frozen(tmp_path, register):
    """Return a frozen plan, the register, and its state folder."""
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    memory = tmp_path / "register.state"
    study.freeze(plan, register, memory=memory, now=MORNING)
    return plan, register, memory


def with_table(records, name: str, change):
    return replace(records, **{name: change(getattr(records, name).copy())})


def multiplied(counts: pd.DataFrame) -> pd.DataFrame:
    return counts.assign(
        density_hairs_cm2=counts["density_hairs_cm2"].mask(
            counts["month"] > 0, 1.15 * counts["density_hairs_cm2"]
        )
    )


def edited(plan: Path, change) -> None:
    path = lock.place_of(plan)
    content = json.loads(path.read_text())
    change(content["freezes"])
    path.write_text(json.dumps(content))


def test_nothing_changed_is_as_frozen_whatever_the_order_of_rows(frozen):
    plan, register, memory = frozen
    assert study.status(plan, register, memory=memory).word == lock.AS_FROZEN
    turned = with_table(register, "measurements", lambda m: m.iloc[::-1].reset_index(drop=True))
    found = study.status(plan, turned, memory=memory)
    assert (found.word, found.moved, found.faults) == (lock.AS_FROZEN, lock.Moved(), ())
    assert study.warnings(found) == []


def test_a_register_that_grew_is_as_frozen_and_says_how_many_rows_came(frozen):
    plan, register, memory = frozen
    before = with_table(register, "measurements", lambda m: m.iloc[:-7])
    other = plan.with_name("early.toml")
    other.write_text(PLAN)
    study.freeze(other, before, memory=memory, now=MORNING)
    found = study.status(other, register, memory=memory)
    assert (found.word, found.moved.added) == (lock.AS_FROZEN, {"measurements": 7})
    assert found.is_confirmatory


def test_densities_multiplied_after_the_freeze_are_counted(frozen):
    plan, register, memory = frozen
    found = study.status(plan, with_table(register, "measurements", multiplied), memory=memory)
    n = int((register.measurements["month"].gt(0) & register.measurements["density_hairs_cm2"].notna()).sum())
    assert (found.word, found.moved.changed) == (lock.ROWS_CHANGED, {"measurements": n})
    assert f"measurements: {n} row(s) changed since freezing" in study.warnings(found)
    stands = study.standing(found, register).set_index("what")["stands"]
    assert stands["rows changed since"] == f"{n} measurements"
    assert stands["looked at before freezing"] == "none found"
    assert stands["reports on the same data found now"] == "not searched"


def _delete(plan, register, memory):
    return with_table(register, "measurements", lambda m: m.iloc[5:])


def _regroup(plan, register, memory):
    return with_table(register, "sessions", lambda s: s.assign(method="FUE"))


def _other_register(plan, register, memory):
    tables, _ = simulate.register(30, seed=4, months=24, entry_months=12)
    other = simulate.as_records(tables)
    return with_table(other, "patients", lambda p: p.assign(patient_id="X" + p["patient_id"]))


def _other_state(plan, register, memory):
    (memory / "key").unlink()
    for path in memory.glob("*"):
        path.unlink()


def _plan_entry(plan, register, memory):
    plan.write_text(PLAN.replace("matters = 5", "matters = 4"))


def _plan_and_hash(plan, register, memory):
    plan.write_text(PLAN.replace("matters = 5", "matters = 4"))
    new = study.digest(study.read(plan))
    edited(plan, lambda freezes: freezes[0].update(plan_sha256=new))


def _plan_hash_and_content(plan, register, memory):
    plan.write_text(PLAN.replace("matters = 5", "matters = 4"))
    content = study.read(plan)
    edited(plan, lambda f: f[0].update(plan_sha256=study.digest(content), plan=content.said()))


def _backdated(plan, register, memory):
    edited(plan, lambda freezes: freezes[0].update(frozen_at="2025-01-01T08:00:00+00:00"))


def _looks_taken_out(plan, register, memory):
    edited(plan, lambda f: f[0].update(searched=[]))


def _file_deleted(plan, register, memory):
    lock.place_of(plan).unlink()


def _first_freeze_taken_out(plan, register, memory):
    plan.write_text(PLAN.replace("matters = 5", "matters = 4"))
    study.freeze(plan, register, memory=memory)
    edited(plan, lambda freezes: freezes.pop(0))


def _locked_rows_changed(plan, register, memory):
    (path,) = memory.glob("rows_*.txt")
    path.write_text(path.read_text().replace("measurements", "visits", 1))


def _log_rewritten(plan, register, memory):
    path = memory / "freezes.jsonl"
    path.write_text(path.read_text().replace("2026-03-01", "2026-02-01"))


@pytest.mark.parametrize(
    ("tamper", "word", "point"),
    [
        (_delete, lock.ROWS_CHANGED, "measurements: 5 row(s) gone since freezing"),
        (_regroup, lock.ROWS_CHANGED, "sessions: "),
        (_other_register, lock.OTHER_REGISTER, "another register"),
        (_other_state, lock.OTHER_REGISTER, "the state folder holds no locked rows of this freeze"),
        (_plan_entry, lock.CHANGED, "changed: analysis 1.matters"),
        (_plan_and_hash, lock.FORGED, "the plan it holds is not the one its hash was made of"),
        (_plan_hash_and_content, lock.FORGED, "freeze 1: plan sha256 changed since it was written"),
        (_backdated, lock.FORGED, "freeze 1: frozen at changed since it was written"),
        (_looks_taken_out, lock.FORGED, "freeze 1: searched changed since it was written"),
        (_file_deleted, lock.NOT_FROZEN, "frozen on 2026-03-01, and the file of its freezes is gone"),
        (_first_freeze_taken_out, lock.FORGED, "the file holds 1 freezes, the state folder 2"),
        (_locked_rows_changed, lock.FORGED, "the file of locked rows was changed"),
        (_log_rewritten, lock.FORGED, "the log of freezes: line 1 is not as it was written"),
    ],
    ids=lambda v: v.__name__.strip("_") if callable(v) else "",
)
def test_tampering_after_the_freeze_is_named(frozen, tamper, word, point):
    plan, register, memory = frozen
    now = tamper(plan, register, memory) or register
    found = study.status(plan, now, memory=memory)
    assert found.word == word
    assert not found.is_confirmatory
    assert any(point in said for said in study.warnings(found))


def test_no_value_of_a_row_stands_in_the_state_folder(frozen):
    _, register, memory = frozen
    kept = "".join(p.read_text() for p in memory.iterdir())
    keys = pd.concat([register.patients["patient_id"], register.placements["placement_id"]])
    densities = {f"{v:g}" for v in register.measurements["density_hairs_cm2"].dropna()}
    assert not (set(keys) | densities) & set(kept.replace('"', " ").replace(",", " ").split())
    assert len(kept.splitlines()) > len(register.measurements)


def test_a_plan_frozen_before_rows_were_locked_says_that_they_cannot_be_compared(tmp_path, register):
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    study.freeze(plan, register, now=MORNING)
    found = study.status(plan, register, memory=tmp_path / "s")
    assert found.word == lock.NOT_COMPARABLE
    assert "rows were not locked when the plan was frozen" in study.warnings(found)


def test_looks_before_the_freeze_are_listed_and_those_that_show_outcomes_are_warned_of(tmp_path, register):
    plan, memory = tmp_path / "plan.toml", tmp_path / "s"
    plan.write_text(PLAN)
    study.note_look(memory, "study design", now=MORNING)
    made = study.freeze(plan, register, memory=memory)
    assert [s.page for s in made.reports_before] == ["study design"]
    assert "reports had been made" not in " ".join(
        study.warnings(study.status(plan, register, memory=memory))
    )
    other = plan.with_name("late.toml")
    other.write_text(PLAN)
    study.note_look(memory, "01_surgeon_audit", now=MORNING)
    study.freeze(other, register, memory=memory)
    found = study.status(other, register, memory=memory)
    assert "reports had been made on the same data before freezing" in study.warnings(found)
    assert study_questions.COMMAND == "study "


def test_every_study_command_is_a_look(tmp_path, capsys):
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    data, memory = Path(__file__).parents[1] / "data_demo", tmp_path / "s"
    common = [str(plan), str(data), "--reports", "", "--state", str(memory)]
    assert main(["study", "freeze", *common]) == 0
    assert main(["study", "status", *common]) == 0
    assert [e["what"] for e in state.read(memory, "looks").entries] == ["study freeze", "study status"]
    said = capsys.readouterr().out
    assert "rows changed since: none" in said
    assert "looked at before freezing: none found" in said


def test_a_report_is_a_look_and_one_that_cannot_be_noted_says_so(tmp_path):
    made = publish.Report("01_surgeon_audit", tmp_path, {}, "Yes.", ())
    data = tmp_path / "register"
    assert render._noted(made, {"name": "01_surgeon_audit", "data": str(data)}) == made
    assert [s.page for s in study.looks(tmp_path / "register.state")] == ["01_surgeon_audit"]
    assert render._noted(made, {"name": "06_method_checks", "data": ""}) == made
    (tmp_path / "other.state").write_text("a file")
    told = render._noted(made, {"name": "01_surgeon_audit", "data": str(tmp_path / "other")})
    assert told.notes[0].startswith("This look was not noted: other.state: a file of this name stands")
