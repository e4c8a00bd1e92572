"""Small hand-written registers for the tests: plain tables, written as CSV and read through the one door."""

from dataclasses import replace
from pathlib import Path

import pandas as pd

from analytics import records, simulate
from analytics.records.frames import Records

PATIENT = {
    "sex": "male",
    "age_years": 40,
    "loss_class": "IV",
    "hair_calibre_um": 70,
    "calibre_method": "optical",
    "curl": "straight",
    "contrast": "medium",
    "smoker": False,
    "diabetes": False,
    "scarring": False,
    "donor_area_cm2": 180,
    "donor_fu_cm2": 80,
    "donor_hairs_cm2": 170,
}
SESSION = {
    "register_month": 1,
    "session_number": 1,
    "method": "FUE",
    "surgeon_id": "S1",
    "team_id": "T1",
    "attempts": 1050,
    "grafts_out": 1000,
    "grafts_transected": 40,
    "grafts_discarded": 0,
    "holding_medium": "saline",
    "holding_temperature_c": 4,
    "out_of_body_min": 180,
}
# 1,000 grafts of two hairs on 40 cm2: 50 hairs planted per cm2.
PLACEMENT = {
    "zone": "frontal",
    "area_cm2": 40.0,
    "grafts_1": 0,
    "grafts_2": 1000,
    "grafts_3": 0,
    "grafts_4": 0,
    "roi_planted_hairs_cm2": 50.0,
}
COUNT = {
    "zone": "frontal",
    "roi_area_cm2": 1.0,
    "n_fields": 1,
    "roi_marked": True,
    "reader_id": "R1",
    "device_class": "D1",
    "hair_length": "short",
    "standard_conditions": True,
    "condition_reason": "",
}


def drawn(n=150, *, seed, months=36, **changes):
    """Return a simulated register whose traps are off but for the changes, and its truth."""
    truth = replace(simulate.plain(), **{"planted_counted": 1.0, **changes})
    tables, latent = simulate.register(n, truth=truth, seed=seed, months=months + 24, entry_months=months)
    return simulate.as_records(tables), latent


def patient(code: str, **changed) -> dict:
    """Return one row of `patients`."""
    return {"patient_id": code, **PATIENT, **changed}


def session(code: str, patient_id: str, **changed) -> dict:
    """Return one row of `sessions`."""
    return {"session_id": code, "patient_id": patient_id, **SESSION, **changed}


def placement(session_id: str, **changed) -> dict:
    """Return one row of `placements`."""
    row = {"session_id": session_id, **PLACEMENT, **changed}
    return {"placement_id": f"{session_id}-{row['zone']}", **row}


def count(patient_id: str, session_id: str, month: float, density: float, **changed) -> dict:
    """Return one row of `measurements`."""
    row = {"patient_id": patient_id, "session_id": session_id, "month": month, "density_hairs_cm2": density}
    return {**COUNT, **row, **changed}


def load(folder: Path, **tables: list[dict]) -> Records:
    """Write the tables as CSV and load them."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False)
    return records.load(folder)


def one_session_each(folder: Path, people: list[str], counts: list[dict], **placed) -> Records:
    """Return a register in which everyone has one session in one zone, with the counts given."""
    return load(
        folder,
        patients=[patient(p) for p in people],
        sessions=[session(f"{p}-1", p) for p in people],
        placements=[placement(f"{p}-1", **placed) for p in people],
        measurements=counts,
    )


def one_case(folder: Path, readings: list[tuple[float, float]], **therapies) -> Records:
    """Return a register of one patient, one frontal session and the (month, density) readings given."""
    tables = {
        "patients": [patient("P1")],
        "sessions": [session("P1-1", "P1", register_month=1)],
        "placements": [placement("P1-1")],
        "measurements": [count("P1", "P1-1", month, density) for month, density in readings],
    }
    return load(folder, **tables, **therapies)
