"""Who is this patient, and what was done and told? The head of a case summary, from the records alone.

No number of another patient is in it; errors of a count and of a calibre are the practice's. Age is said as a
band of ten years, as anybody who finds the page need not know more.
"""

import numpy as np
import pandas as pd

from analytics import measurement, yields
from analytics import records as door
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line

AGE_BAND_YEARS = 10


def person(records: Records, *, patient_id: str) -> Result:
    """Return what the records hold of one patient.

    Returns
    -------
    Result
        By zone and session: `grafts planted`, `area planted` and `hairs planted per cm2 of the zone`.
        `extra`: `who` (one row: sex, age_from, loss_scale, loss_class, hair_calibre_um, curl), `sessions`,
        `therapies`, `events`, `ratings`, each with its rows of this patient, oldest first; `thickness`: every
        count with a calibre, with its hair cross-section, limits, and the calibre's error.

    Raises
    ------
    ParameterError
        When the patient is not in the records.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> person(clinic, patient_id=clinic.patients["patient_id"].iloc[0]).table()["unit"].unique().tolist()
    ['grafts', 'cm2', 'hairs/cm2']
    """
    who = door.patient(records, patient_id)
    own = door.subset(records, [patient_id])
    sessions = own.sessions.sort_values("session_number").reset_index(drop=True)
    number = sessions.set_index("session_id")["session_number"]
    placed = own.placements.assign(session_number=own.placements["session_id"].map(number))
    lines = []
    for (session, zone), rows in placed.groupby(["session_number", "zone"], sort=True):
        by = {"zone": str(zone), "session_number": int(session)}
        area = float(rows["area_cm2"].sum())
        for term, value, unit in (
            ("grafts planted", float(rows["grafts"].sum()), "grafts"),
            ("area planted", area, "cm2"),
            (
                "hairs planted per cm2 of the zone",
                float(rows["hairs"].sum()) / area if area > 0 else np.nan,
                "hairs/cm2",
            ),
        ):
            lines.append(line(term, value, unit, by=by, n_patients=1))
    age = who["age_years"]
    head = {
        **{c: who[c] for c in ("sex", "loss_scale", "loss_class", "hair_calibre_um", "curl")},
        "age_from": np.nan if pd.isna(age) else int(age) // AGE_BAND_YEARS * AGE_BAND_YEARS,
    }
    extra = {
        "who": pd.DataFrame([head]),
        "sessions": sessions[["session_number", "method", "register_month", "grafts_out"]],
        "therapies": own.therapies.sort_values("start_register_month").reset_index(drop=True),
        **{name: _of_sessions(getattr(own, name), number) for name in ("events", "ratings")},
    }
    extra["thickness"] = _thickness(own, number, measurement.error_model(records))
    used = placed.assign(reason="")[["patient_id", "session_id", "zone", "reason"]]
    method = "as recorded: grafts and areas of every session, what was asked and told"
    return Result(pd.DataFrame(lines), used, method, by=("zone", "session_number"), extra=extra)


def _of_sessions(rows: pd.DataFrame, number: pd.Series) -> pd.DataFrame:
    """Return rows of a table with the number of their session, oldest first."""
    numbered = rows.assign(session_number=rows["session_id"].map(number))
    return numbered.sort_values(["session_number", "month"]).reset_index(drop=True)


def _thickness(own: Records, number: pd.Series, error: measurement.CountError) -> pd.DataFrame:
    """Return counts with a calibre, with density x pi/4 x calibre^2 (`yields.cross_section`) and limits."""
    counts = _of_sessions(own.measurements, number)
    counts = counts[counts["hair_calibre_um"].notna()]
    density, calibre = (counts[c].to_numpy(dtype=float) for c in ("density_hairs_cm2", "hair_calibre_um"))
    area = (counts["roi_area_cm2"] * counts["n_fields"]).to_numpy(dtype=float)
    marked = counts["roi_marked"].fillna(False).to_numpy(dtype=bool)
    expected = measurement.plus_one_hair(density, area)
    variance = measurement.count_variance(expected, area, marked=marked, reader_changed=False, error=error)
    mass = yields.cross_section(density, calibre)
    se = yields.cross_section_se(density, np.sqrt(variance), calibre, error.calibre_cv)
    low, high = limits(mass, se, level=LEVEL)
    shown = ["zone", "session_number", "month", "density_hairs_cm2", "hair_calibre_um", "calibre_method"]
    found = counts[shown].assign(
        cross_section_mm2_cm2=mass, ci_low=low, ci_high=high,
        calibre_cv=error.calibre_cv, calibre_source=error.calibre_source,
    )  # fmt: skip
    return found.sort_values(["zone", "session_number", "month"])
