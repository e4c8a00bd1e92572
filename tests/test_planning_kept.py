"""Planned, planted, grown: a kept draft beside its session, by hand; and the command that keeps it."""

import dataclasses
import json

import numpy as np
import pytest
import registers
from test_results import assert_keeps_the_contract

from analytics import planning
from analytics.__main__ import main

# Session 1 of P1: 1,000 two-hair grafts on 50 cm2 (40 hairs/cm2), baseline 30, 66 at month 12.
KEPT = {
    "patient": "P1",
    "sessions_before": 0,
    "session_month": 1.0,
    "zones": [
        {"zone": "frontal", "grafts": 1200, "area_cm2": 40.0, "hairs_per_graft": 2.0, "month": 12.0,
         "estimate": 80.0, "ci_low": 65.0, "ci_high": 95.0},
        {"zone": "crown", "grafts": 300, "area_cm2": 30.0, "hairs_per_graft": 2.0, "month": 18.0,
         "estimate": None, "ci_low": None, "ci_high": None},
    ],
}  # fmt: skip


@pytest.fixture
def register(tmp_path):
    return registers.load(
        tmp_path,
        patients=[registers.patient("P1")],
        sessions=[registers.session("P1-1", "P1", register_month=1, grafts_out=1000)],
        placements=[registers.placement("P1-1", grafts_2=1000, area_cm2=50.0)],
        measurements=[
            registers.count("P1", "P1-1", 0, 30.0),
            registers.count("P1", "P1-1", 6, 50.0),
            registers.count("P1", "P1-1", 12, 66.0),
            registers.count("P1", "P1-1", 18, 70.0),
        ],
    )


def test_planned_planted_and_grown_stand_side_by_side(register):
    found = planning.against_plan(register, "P1", [KEPT])
    assert_keeps_the_contract(found)
    table = found.table().set_index(["zone", "term"])
    assert table.loc["frontal", "estimate"].loc[
        ["grafts planned", "grafts planted", "density planned", "density planted", "density counted"]
    ].tolist() == [1200.0, 1000.0, 60.0, 40.0, 66.0]
    counted = table.loc[("frontal", "density counted")]
    assert (counted["x"], counted["flag"]) == (12.0, "within the limits expected")
    assert table.loc[("crown", "grafts planted"), "estimate"] == 0.0
    assert table.loc[("crown", "area planted"), "flag"] == "not planted"
    assert np.isnan(table.loc[("crown", "density counted"), "estimate"])


def test_counts_that_are_of_no_use_say_why_and_are_not_called_uncounted(register):
    poor = register.measurements.assign(standard_conditions=register.measurements["month"].lt(11))
    known = dataclasses.replace(register, measurements=poor)
    table = planning.against_plan(known, "P1", [KEPT]).table().set_index(["zone", "term"])
    counted = table.loc[("frontal", "density counted")]
    assert np.isnan(counted["estimate"])
    assert counted["flag"].startswith("counted, not usable: ")


def test_a_count_outside_the_limits_is_said_to_be(register):
    narrow = json.loads(json.dumps(KEPT))
    narrow["zones"][0] |= {"ci_low": 75.0}
    table = planning.against_plan(register, "P1", [narrow]).table().set_index(["zone", "term"])
    assert table.loc[("frontal", "density counted"), "flag"] == "outside the limits expected"
    practice = planning.over_the_practice(register, [narrow]).table().set_index(["zone", "term"])
    held = practice.loc[("all zones", "counts within the limits")]
    assert (held["numerator"], held["denominator"]) == (0, 1)
    assert practice.loc[("all zones", "grafts planted less planned"), "estimate"] == (-200.0 - 300.0) / 2
    assert practice.loc[("frontal", "grafts planted less planned"), "estimate"] == -200.0
    few = practice.loc[("all zones", "grafts planted less planned"), "flag"]
    assert few.startswith("fewer than 5 patients")


def test_the_last_draft_kept_before_a_session_counts_and_a_later_one_waits_for_its_session(register):
    other = json.loads(json.dumps(KEPT))
    other["zones"][0]["grafts"] = 1100
    following = {**KEPT, "sessions_before": 1}
    table = planning.against_plan(register, "P1", [KEPT, other, following]).table()
    planned = table[table["term"].eq("grafts planned") & table["zone"].eq("frontal")].set_index("session")
    assert planned["estimate"].to_dict() == {"1": 1100.0, "2": 1200.0}
    waits = table[table["session"].eq("2") & table["term"].eq("grafts planted")]
    assert waits["flag"].eq("not operated on yet").all()
    assert planning.over_the_practice(register, [KEPT, following]).table()["n_patients"].max() == 1


def test_without_a_kept_draft_the_question_says_what_to_do(register):
    for found, says in (
        (planning.against_plan(register, "P2", [KEPT]), "regrowth keep"),
        (planning.over_the_practice(register, []), "No kept draft"),
    ):
        assert_keeps_the_contract(found)
        assert says in found.table()["flag"].iloc[0]


def test_the_command_keeps_what_page_05_would_print(tmp_path, demo, capsys):
    words = ["keep", "data_demo", "--patient", "0006", "--areas", "crown 90", "--draft", "crown 800"]
    assert main([*words, "--state", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "crown: 800 grafts on 90 cm2" in said
    assert "for this patient's session 3" in said
    (entry,) = [json.loads(text) for text in (tmp_path / "plans.jsonl").read_text().splitlines()]
    zone = entry["zones"][0]
    assert zone["ci_low"] < zone["estimate"] < zone["ci_high"]
    assert (tmp_path / "plans.jsonl").stat().st_mode & 0o777 == 0o600
    assert main([*words[:2], "--patient", "6", *words[4:], "--state", str(tmp_path)]) == 2
    assert "did you mean 0006?" in capsys.readouterr().err
