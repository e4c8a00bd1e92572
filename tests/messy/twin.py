"""The tidy twin of every messy file: four invented patients, five operations, seven plantings, 19 counts.

Written by hand. Months are days over 30.4375 to one decimal, worked out here: 91 days 2.99 -> 3.0; 183 days
6.01 -> 6.0; 365 days 11.99 -> 12.0; 370 days 12.16 -> 12.2; 548 days 18.004 -> 18.0; 200 days 6.57 -> 6.6.
"""

import datetime
from dataclasses import dataclass, field

import pandas as pd

BEGINS = "2022-01"
D = datetime.date
# patient -> sex, born, age at the first operation (full years)
PATIENTS = {
    "0007": ("male", D(1980, 5, 2), 41),
    "0012": ("female", D(1990, 5, 9), 32),
    "0101": ("male", D(1975, 12, 31), 46),
    "0110": ("male", D(1968, 7, 19), 53),
}
MONTHS = {0: 0.0, 91: 3.0, 183: 6.0, 200: 6.6, 365: 12.0, 370: 12.2, 548: 18.0}


@dataclass(frozen=True)
class Planting:
    """One planting: whose, which operation, its date, method, surgeon, zone, area, grafts by size, counts.

    `counts`: planned visit -> (days after the operation, hairs/cm2, standard photograph).
    """

    patient: str
    session: int
    date: datetime.date
    register_month: int
    method: str
    surgeon: str
    zone: str
    area: float
    grafts: tuple[int, int, int, int]
    counts: dict[int, tuple[int, float, bool]] = field(default_factory=dict)


PLANTINGS = (
    Planting(
        "0007",
        1,
        D(2022, 3, 14),
        3,
        "FUE",
        "S1",
        "hairline",
        20.5,
        (300, 200, 20, 0),
        {0: (0, 12.0, True), 6: (183, 41.5, True), 12: (365, 60.0, True)},
    ),
    Planting(
        "0007",
        1,
        D(2022, 3, 14),
        3,
        "FUE",
        "S1",
        "frontal",
        35.0,
        (250, 600, 300, 50),
        {0: (0, 20.5, True), 6: (183, 55.0, False), 12: (365, 88.4, True)},
    ),
    Planting(
        "0007",
        2,
        D(2023, 6, 20),
        18,
        "FUE",
        "S1",
        "crown",
        40.2,
        (200, 700, 250, 20),
        {0: (0, 33.3, True), 6: (200, 47.1, True), 12: (370, 70.2, True)},
    ),
    Planting(
        "0012",
        1,
        D(2022, 5, 9),
        5,
        "FUT",
        "S2",
        "frontal",
        30.1,
        (220, 500, 310, 40),
        {0: (0, 25.0, True), 6: (183, 61.7, True), 12: (365, 90.0, False)},
    ),
    Planting(
        "0101",
        1,
        D(2022, 4, 25),
        4,
        "FUE",
        "S2",
        "crown",
        45.0,
        (150, 650, 300, 30),
        {0: (0, 18.8, True), 6: (183, 30.0, True), 12: (365, 52.6, True)},
    ),
    Planting(
        "0101",
        1,
        D(2022, 4, 25),
        4,
        "FUE",
        "S2",
        "midscalp",
        38.4,
        (180, 620, 280, 25),
        {0: (0, 22.2, True), 6: (183, 50.5, True)},
    ),
    Planting(
        "0110",
        1,
        D(2022, 7, 18),
        7,
        "FUT",
        "S1",
        "temples",
        8.8,
        (210, 120, 10, 0),
        {0: (0, 30.0, True), 6: (183, 44.4, True)},
    ),
)
N_COUNTS = 19


def sessions() -> pd.DataFrame:
    """Return the five operations; grafts out as planted, since nothing was discarded."""
    rows: dict[str, dict] = {}
    for p in PLANTINGS:
        row = rows.setdefault(
            f"{p.patient}-{p.session}",
            {
                "patient_id": p.patient,
                "register_month": p.register_month,
                "session_number": p.session,
                "method": p.method,
                "surgeon_id": p.surgeon,
                "grafts_out": 0,
            },
        )
        row["grafts_out"] += sum(p.grafts)
    return pd.DataFrame([{"session_id": k, **v} for k, v in rows.items()])


def placements() -> pd.DataFrame:
    """Return the seven plantings."""
    return pd.DataFrame(
        [
            {
                "placement_id": f"{p.patient}-{p.session}-{p.zone}",
                "session_id": f"{p.patient}-{p.session}",
                "zone": p.zone,
                "area_cm2": p.area,
                **{f"grafts_{n}": g for n, g in enumerate(p.grafts, 1)},
            }
            for p in PLANTINGS
        ]
    )


def measurements(*, planned: bool = False) -> pd.DataFrame:
    """Return the nineteen counts; `planned`: at the month of the heading, where a file has no dates."""
    return pd.DataFrame(
        [
            {
                "patient_id": p.patient,
                "zone": p.zone,
                "session_id": f"{p.patient}-{p.session}",
                "month": float(visit) if planned else MONTHS[days],
                "density_hairs_cm2": density,
                "standard_conditions": standard,
            }
            for p in PLANTINGS
            for visit, (days, density, standard) in p.counts.items()
        ]
    )


def patients() -> pd.DataFrame:
    """Return the four patients."""
    return pd.DataFrame(
        [{"patient_id": k, "sex": sex, "age_years": age} for k, (sex, _, age) in PATIENTS.items()]
    )
