"""The exchange of files by the command line; what a clinic's ledger and small numbers refuse."""

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from conftest import ROOT

from analytics import files, pooling, records, simulate
from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.numerics import mixed
from analytics.pooling import ledger as pooling_ledger
from analytics.pooling.coding import Coding, design_rows, digest, matrix, part_design, read_study

CLINICS = ("A", "B", "C")
TWO = ("A", "B")
STUDY = """name = "two"
clinics = ["A", "B"]
zones = ["frontal", "crown"]
knots = [1.0, 6.0, 10.0, 18.0]
"""


@pytest.fixture(scope="module")
def registers():
    return {
        c: simulate.as_records(simulate.register(35 + 5 * i, seed=810 + i)[0]) for i, c in enumerate(CLINICS)
    }


@pytest.fixture
def study(registers, tmp_path):
    """Return a folder with a study file and each clinic's records."""
    (tmp_path / "study.toml").write_text(STUDY)
    for clinic in TWO:
        records.write(registers[clinic], tmp_path / clinic, kind="parquet")
    assert main(["pool", "open", str(tmp_path / "study.toml"), "--out", str(tmp_path / "round_1.json")]) == 0
    return tmp_path


def _answer(study: Path, number: int, clinic: str) -> list[str]:
    out = study / f"answer_{number}_{clinic}.json"
    asked = study / f"round_{number}.json"
    words = ["pool", "answer", str(asked), str(study / clinic), "--clinic", clinic, "--out", str(out)]
    return [*words, "--write"]


def _next(study: Path, number: int, *answers: Path) -> list[str]:
    words = ["pool", "next", str(study / f"round_{number}.json"), *map(str, answers)]
    return [*words, "--out", str(study / f"round_{number + 1}.json")]


def _answers(study: Path, number: int) -> list[Path]:
    return [study / f"answer_{number}_{c}.json" for c in TWO]


def test_clinics_exchange_files_by_the_command_line_and_get_the_fit_on_stacked_rows(study, registers, capsys):
    number = 1
    while (asked := json.loads((study / f"round_{number}.json").read_text()))["asked"]["kind"] != "done":
        for clinic in TWO:
            if number < 3:
                assert main(_answer(study, number, clinic)) == 0
            else:
                # Two rounds show that the command line answers; the others only take the time of reading.
                given = pooling.answer(asked, registers[clinic], clinic)
                files.write_json(study / f"answer_{number}_{clinic}.json", given)
        assert main(_next(study, number, *_answers(study, number))) == 0
        number += 1
    said = capsys.readouterr().out
    assert "The fit is reached after" in said
    assert "No row, no patient code, no date" in said
    ours = pooling.pooled(pooling.read_round(study / f"round_{number}.json"))
    coding = read_study(study / "study.toml")
    rows = pd.concat([design_rows(r, coding).assign(clinic=c) for c in TWO for r in (registers[c],)])
    one = np.ones((len(rows), 1))
    levels = [
        ((rows["clinic"] + "|" + rows["patient"]).to_numpy(), one),
        ((rows["clinic"] + "|" + rows["placement"]).to_numpy(), one),
    ]
    stacked = mixed.fit(rows["y"].to_numpy(), matrix(rows, coding), levels)
    np.testing.assert_allclose(ours.beta, stacked.beta, rtol=1e-8)
    np.testing.assert_allclose(ours.beta_se, stacked.beta_se, rtol=1e-8)
    assert {p.stat().st_mode & 0o777 for p in study.glob("*.json")} == {0o600}
    _stale_and_edited_files_are_refused(study, capsys)


def _stale_and_edited_files_are_refused(study: Path, capsys):
    first, second = _answers(study, 1), _answers(study, 2)
    edited = study / "edited.json"
    edited.write_text(second[0].read_text().replace('"n_patients": ', '"n_patients": 1'))
    asked = study / "edited_round.json"
    asked.write_text((study / "round_2.json").read_text().replace('"number": 2', '"number": 3'))
    never = ["--out", str(study / "never.json")]
    second_round = str(study / "round_2.json")
    for words, says in (
        ([second_round, first[0], *second[1:]], "answer of A: answers another round"),
        ([second_round, edited, *second[1:]], "answer of A: holds NaN or was changed after it was written"),
        ([second_round, *second[1:]], "no answer from A"),
        ([asked, *second], "its check sum does not hold"),
    ):
        assert main(["pool", "next", *map(str, words), *never]) == 2
        assert says in capsys.readouterr().err
        assert not (study / "never.json").exists()


KILLED_WHILE_WRITING = """
import os, signal, sys
from pathlib import Path
from analytics.__main__ import main

real = Path.hardlink_to

def hardlink_to(self, target):
    if self.name.startswith("answer"):
        os.kill(os.getpid(), signal.SIGKILL)
    return real(self, target)

Path.hardlink_to = hardlink_to
main(sys.argv[1:])
"""


@pytest.mark.skipif(os.name != "posix", reason="the answer is killed by a signal")
def test_a_clinic_killed_while_it_writes_leaves_no_answer_and_answers_again(study):
    words = _answer(study, 1, "A")
    ended = subprocess.run(
        [sys.executable, "-c", KILLED_WHILE_WRITING, *words], cwd=ROOT, capture_output=True, check=False
    )
    assert ended.returncode == -signal.SIGKILL
    assert not (study / "answer_1_A.json").exists()
    assert main(words) == 0
    again = json.loads((study / "answer_1_A.json").read_text())
    assert again["clinic"] == "A"


def test_nothing_is_written_before_it_was_shown(study, capsys):
    words = [w for w in _answer(study, 1, "B") if w != "--write"]
    assert main(words) == 0
    assert "Nothing has been written: add --write" in capsys.readouterr().out
    assert not (study / "answer_1_B.json").exists()
    assert not (study / "B.pool_ledger.json").exists()


def test_summaries_are_made_and_combined_by_the_command_line(study, capsys):
    demo = ROOT / "data_demo" / "pooling"
    assert main(["pool", "combine", *map(str, sorted(demo.glob("summary_*.json")))]) == 0
    said = capsys.readouterr().out
    assert "yield_at_maturity, crown, pooled:" in said
    assert "half-normal prior of their spread" in said
    out = study / "summary_B.json"
    assert main(["pool", "summary", str(study / "B"), "--clinic", "B", "--out", str(out), "--write"]) == 0
    assert "Noted in" in capsys.readouterr().out
    assert pooling.read_summary(out)["clinic"] == "B"
    assert main(["pool", "summary", str(study / "B"), "--out", str(out)]) == 2
    assert "give --clinic" in capsys.readouterr().err


# The ledger


def _without(found: records.Records, n: int) -> records.Records:
    """Return the records without n of the patients who have a usable reading."""
    gone = sorted(design_rows(found, _coding())["patient"].unique())[:n]
    kept = set(found.patients["patient_id"]) - set(gone)
    frames = {
        name: frame[frame["patient_id"].isin(kept)].reset_index(drop=True)
        for name in ("patients", "sessions", "placements", "measurements", "visits", "therapies")
        for frame in (getattr(found, name),)
    }
    return replace(found, **frames)


def _round(**changed) -> dict:
    settings = {"min_patients": 10, "min_cell": 5, **changed}
    return pooling.open_round(
        Coding("x", CLINICS, ("frontal", "crown"), (1.0, 6.0, 10.0, 18.0), (), "assumed", 4.8, **settings)
    )


def test_the_difference_of_two_answers_is_one_patients_own_readings(registers):
    """Why there is a ledger: the sums of 40 patients less those of 39 are the sums of one."""
    whole = registers["B"]
    coding = _coding()
    rows = design_rows(whole, coding)
    last = rows["patient"].iloc[-1]
    one, less = (part_design(f, coding, "B") for f in (rows, rows[rows["patient"].ne(last)]))
    gone = mixed.survey(one).gram - mixed.survey(less).gram
    own = rows[rows["patient"].eq(last)]
    assert gone[-1, -1] == pytest.approx(float((own["y"] ** 2).sum()), rel=1e-6)


def test_an_answer_that_differs_from_an_earlier_one_by_few_patients_is_refused(registers):
    whole, first = registers["C"], _round()
    noted = pooling.note_answer(pooling_ledger.empty_ledger(), first, _without(whole, 3), "C")
    with pytest.raises(ParameterError, match="the readings of fewer than"):
        pooling.note_answer(noted, first, whole, "C")
    with pytest.raises(ParameterError, match="the readings of fewer than"):
        pooling.note_answer(noted, _round(min_patients=11), whole, "C")
    with pytest.raises(ParameterError, match="pool summary: since an earlier one"):
        pooling.note_summary(noted, whole, "C")
    same = pooling.note_answer(noted, first, _without(whole, 3), "C")
    assert len(same["answers"]) == 1
    half = pooling.note_answer(pooling_ledger.empty_ledger(), first, _without(whole, 14), "C")
    assert len(pooling.note_answer(half, first, whole, "C")["answers"]) == 2


def test_one_changed_reading_of_one_patient_is_noticed(registers):
    found, first = registers["B"], _round()
    noted = pooling.note_answer(pooling_ledger.empty_ledger(), first, found, "B")
    counts = found.measurements.copy()
    planted = counts.index[counts["zone"].eq("frontal") & counts["month"].between(9, 14)]
    counts.loc[planted[0], "density_hairs_cm2"] += 1
    with pytest.raises(ParameterError, match="fewer than 5 patients in frontal"):
        pooling.note_answer(noted, _round(min_patients=11), replace(found, measurements=counts), "B")


def test_a_studys_later_rounds_want_the_rows_of_its_first(registers):
    whole, first = registers["C"], _round()
    answers = [pooling.answer(first, registers[c], c) for c in CLINICS]
    second = pooling.next_round(first, answers)
    half = _without(whole, 14)
    noted = pooling.note_answer(pooling_ledger.empty_ledger(), first, half, "C")
    with pytest.raises(ParameterError, match="changed since this study's first round"):
        pooling.note_answer(noted, second, whole, "C")
    fewer = [pooling.answer(second, r, c) for c, r in {**registers, "C": half}.items()]
    with pytest.raises(ParameterError, match="answer of C: its number of patients is not that of the first"):
        pooling.next_round(second, fewer)


def test_records_answer_under_one_code_and_a_code_stands_for_one_clinics_records(registers):
    first = _round()
    ledger = pooling.note_answer(pooling.read_ledger(Path("none")), first, registers["A"], "A")
    with pytest.raises(ParameterError, match="have answered under another code"):
        pooling.note_answer(ledger, first, registers["A"], "B")
    strangers = replace(registers["B"], patients=registers["B"].patients)
    with pytest.raises(ParameterError, match="none of its patients are in these records"):
        pooling.note_answer(ledger, first, _renamed(strangers), "A")


def _renamed(found: records.Records) -> records.Records:
    """Return the records with every patient's code another one."""
    frames = {
        name: frame.assign(patient_id="X" + frame["patient_id"])
        for name in ("patients", "sessions", "placements", "measurements", "visits", "therapies")
        for frame in (getattr(found, name),)
    }
    return replace(found, **frames)


def test_two_codes_with_the_very_same_sums_are_refused(registers):
    first = _round()
    mine = pooling.answer(first, registers["A"], "A")
    answers = [mine, *({**mine, "clinic": c} for c in CLINICS[1:])]
    signed = [{**a, "sha256": digest({k: v for k, v in a.items() if k != "sha256"})} for a in answers]
    with pytest.raises(ParameterError, match="one clinic's records under two codes"):
        pooling.next_round(first, signed)


def test_the_ledger_holds_no_code_and_no_reading(registers, tmp_path):
    noted = pooling.note_answer(pooling_ledger.empty_ledger(), _round(), registers["A"], "A")
    text = json.dumps(noted["answers"])
    assert not any(f'"{code}"' in text for code in registers["A"].patients["patient_id"])
    other = pooling.note_answer(pooling_ledger.empty_ledger(), _round(), registers["A"], "A")
    assert not set(noted["answers"][0]["marks"]["crown"]) & set(other["answers"][0]["marks"]["crown"])
    (tmp_path / "l.json").write_text('{"kind": "something"}')
    with pytest.raises(ParameterError, match="not a ledger of this version"):
        pooling.read_ledger(tmp_path / "l.json")


# Few patients in a cell


def test_a_class_of_the_case_mix_with_few_patients_in_one_zone_is_refused(registers):
    """X'X holds the sum of session_number over a zone: with the count, the number of second sessions."""
    coding = replace(_coding(), case_mix=("session_number",))
    rows = design_rows(registers["C"], coding)
    assert rows.groupby(["zone", "session_number"])["patient"].nunique().min() < 5
    with pytest.raises(ParameterError, match="in a cell of session_number and zone"):
        pooling.answer(pooling.open_round(coding), registers["C"], "C")


def test_readings_no_more_than_twice_the_columns_of_their_zone_are_refused(registers):
    """Frontal keeps all its readings; the crown only six, in five patients: 6 for 4 columns."""
    whole = registers["C"]
    coding = replace(_coding(), min_cell=3)
    rows = design_rows(whole, coding)
    crown = rows[rows["zone"].eq("crown")].groupby("patient").head(1).head(6)
    counts = whole.measurements
    kept = counts["zone"].ne("crown") | counts["month"].le(0)
    for row in crown.itertuples():
        kept |= (
            counts["patient_id"].eq(row.patient) & counts["zone"].eq("crown") & counts["month"].eq(row.month)
        )
    few = replace(whole, measurements=counts[kept].reset_index(drop=True))
    with pytest.raises(ParameterError, match="columns in crown; more than twice as many are needed"):
        pooling.answer(pooling.open_round(coding), few, "C")


def _coding() -> Coding:
    return Coding("x", CLINICS, ("frontal", "crown"), (1.0, 6.0, 10.0, 18.0), (), "assumed", 4.8, 10, 5)
