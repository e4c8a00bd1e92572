"""A clinic's own file becomes the tables: the same facts as its tidy twin, and every cell accounted for.

`messy/twin.py` holds the facts, written by hand; `messy/files.py` writes them as clinics keep them, and
says how many cells were counted by hand. The register in `data/register_b.xlsx` is an invented practice's
as its front desk keeps it, made by other hands; `data/register_a` is the same practice in tidy tables.
"""

import re
from pathlib import Path

import pandas as pd
import pytest
from messy import files, twin

from analytics import records
from analytics.records import mapping

DATA = Path(__file__).parent / "data"
# What the clinic of the twin states for all rows.
STATED = {
    "sessions.grafts_discarded": 0,
    "measurements.roi_area_cm2": 1.0,
    "measurements.n_fields": 1,
    "measurements.roi_marked": True,
    "measurements.standard_conditions": True,
}


def answered(text: str, **answers: str) -> str:
    """Return a proposal with its questions answered, as a person would in an editor."""
    for target, value in STATED.items():
        shown = str(value).lower() if isinstance(value, bool) else value
        text = text.replace(
            f'"{target}" = {{ value = "?", because = "?" }}',
            f'"{target}" = {{ value = {shown}, because = "it holds for every row" }}',
        )
    text = re.sub(r'register_begins = "[^"]*"', f'register_begins = "{twin.BEGINS}"', text)
    for name, value in answers.items():
        text, n = re.subn(rf'(?m)^{name} = "[^"]*"', f'{name} = "{value}"', text)
        assert n == 1, name
    return text


def _mapped(path: Path, tmp_path: Path, **answers: str):
    plan = tmp_path / "mapping.toml"
    plan.write_text(answered(mapping.propose(path), **answers), encoding="utf-8")
    out = tmp_path / "out"
    balance = mapping.apply(path, plan, out)
    return out, balance


def _table(out: Path, name: str) -> pd.DataFrame:
    ids = dict.fromkeys(("patient_id", "session_id", "placement_id", "surgeon_id"), str)
    return pd.read_csv(out / f"{name}.csv", dtype=ids)


def _same(found: pd.DataFrame, expected: pd.DataFrame, key: list[str]) -> None:
    columns = [c for c in expected.columns if c in found.columns]
    assert set(key) <= set(columns)
    pd.testing.assert_frame_equal(
        found[columns].sort_values(key).reset_index(drop=True),
        expected[columns].sort_values(key).reset_index(drop=True),
        check_dtype=False,
    )


def _is_the_twin(out: Path, *, planned: bool = False, sizes: bool = True, marks: bool = True) -> None:
    _same(_table(out, "sessions"), twin.sessions(), ["session_id"])
    placements = twin.placements()
    if not sizes:
        total = placements[[f"grafts_{n}" for n in (1, 2, 3, 4)]]
        placements = placements.assign(grafts=total.sum(axis=1), hairs=(total * [1, 2, 3, 4]).sum(axis=1))
    _same(_table(out, "placements"), placements, ["placement_id"])
    counts = twin.measurements(planned=planned)
    if not marks:
        counts = counts.drop(columns="standard_conditions")
    assert len(counts) == twin.N_COUNTS
    _same(_table(out, "measurements"), counts, ["patient_id", "zone", "month"])


def _cells(balance: mapping.Balance) -> dict[str, int]:
    return balance.cells.groupby("fate")["n_cells"].sum().to_dict()


# file, answers to the questions it leaves open, cells counted by hand, what differs from the plain twin
MESSY = [
    (files.semicolons, {}, {"heading": 16, "placed": 101, "set aside": 10}, {}),
    (files.tabs, {"mark": "*"}, {"heading": 15, "placed": 101, "stands for missing": 4}, {}),
    (files.front_desk, {}, {"heading": 18, "placed": 87, "set aside": 27}, {}),
    (files.stacked, {"mark": "*"}, {"heading": 14, "placed": 146, "set aside": 1}, {}),
    (files.beside, {"mark": "*"}, {"heading": 14, "placed": 146}, {}),
    (files.one_row_a_patient, {"mark": "*"}, {"heading": 55, "placed": 73}, {"planned": True}),
    (files.day_numbers, {"mark": "*"}, {"heading": 15, "placed": 101}, {}),
    (files.merged_codes, {"mark": "*"}, {"heading": 15, "placed": 93, "set aside": 15}, {}),
    (files.thousands, {"mark": "*"}, {"heading": 13, "placed": 87}, {"sizes": False}),
    (files.four_sheets, {}, {"heading": 21, "placed": 188}, {}),
    (files.spanish, {"mark": "*"}, {"heading": 15, "placed": 101}, {}),
    (files.sqlite_database, {}, {"heading": 15, "placed": 165}, {}),
    (files.duckdb_file, {}, {"heading": 15, "placed": 165}, {}),
    (files.parquet_folder, {}, {"heading": 15, "placed": 165}, {}),
]


@pytest.mark.parametrize(
    ("build", "answers", "cells", "twin_of"), MESSY, ids=lambda v: getattr(v, "__name__", "")
)
def test_a_messy_file_becomes_its_tidy_twin_and_no_cell_is_lost(build, answers, cells, twin_of, tmp_path):
    path = build(tmp_path)
    if build is files.day_numbers:
        text = answered(mapping.propose(path), **answers)
        text = text.replace('to = "patients.patient_id"', 'to = "patients.patient_id"\n  width = 4')
        (tmp_path / "m.toml").write_text(text, encoding="utf-8")
        out = tmp_path / "out"
        balance = mapping.apply(path, tmp_path / "m.toml", out)
    else:
        out, balance = _mapped(path, tmp_path, **answers)
    _is_the_twin(out, **twin_of)
    assert _cells(balance) == cells
    assert balance.adds_up
    assert records.check(out).is_usable
