"""How dense is native hair likely to be in a zone that was not counted, at this patient's age and class?

A straight line through the practice's first counts of the zone, one a patient, on age and on the place of the
class in its scale (I, II, ...), among patients of the same scale. Its error is that of the line and of one
patient about it. Classes are read with error (agreement of readers about 0.65), so the line is flatter than
the truth: it predicts for a class *as read*, which is what is asked.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import records as door
from analytics.dictionary import SCALES
from analytics.numerics.regression import least_squares
from analytics.records import Records

LEAST_PATIENTS = 20  # a choice of ours: ten for each slope


@dataclass(frozen=True, slots=True)
class Native:
    """Expected density, hairs/cm2, its standard deviation for one patient, on how many patients it rests."""

    density: float
    sd: float
    n_patients: int


def expected_native(records: Records, visits: pd.DataFrame, patient_id: str, zone: str) -> Native | None:
    """Return what the zone is expected to carry before any session; None where that cannot be told.

    Parameters
    ----------
    visits
        Rows of `yields.by_visit`.
    """
    of = door.patient(records, patient_id)
    people = records.patients.set_index("patient_id")
    if pd.isna(of["age_years"]) or pd.isna(of["loss_class"]):
        return None
    order = {name: k for k, name in enumerate(SCALES[str(of["loss_scale"])])}
    counts = _first_counts(records, visits, zone).drop(index=patient_id, errors="ignore")
    known = people.loc[counts.index]
    told = known["age_years"].notna() & known["loss_class"].isin(order)
    same = (known["loss_scale"].eq(of["loss_scale"]) & told).fillna(False).to_numpy(dtype=bool)
    known, y = known[same], counts[same].to_numpy(dtype=float)
    if len(y) < LEAST_PATIENTS:
        return None
    x = np.column_stack([known["age_years"].astype(float), known["loss_class"].map(order).astype(float)])
    centre = x.mean(axis=0)
    mine = np.array([float(of["age_years"]), float(order[str(of["loss_class"])])])
    varied = x.std(axis=0) > 0
    design = np.column_stack([np.ones(len(y)), (x - centre)[:, varied]])
    at = np.r_[1.0, (mine - centre)[varied]]
    beta, cov = least_squares(y, design, np.arange(len(y)))
    residual = float(((y - design @ beta) ** 2).sum() / (len(y) - design.shape[1]))
    sd = float(np.sqrt(residual + at @ cov @ at))
    return Native(max(float(at @ beta), 0.0), sd, len(y))


def _first_counts(records: Records, visits: pd.DataFrame, zone: str) -> pd.Series:
    """Return the mean of each patient's counts of a zone before anything was planted there."""
    usable = visits["is_baseline"] & visits["for_curve"]
    first = usable & ~visits["is_later"].astype(bool) & visits["zone"].eq(zone)
    before = visits.loc[first, ["patient_id", "density"]]
    early = records.consultations
    parts = [before]
    if len(early):
        own = early[early["zone"].eq(zone) & early["region_kind"].ne("donor")]
        parts += [own.rename(columns={"density_hairs_cm2": "density"})[before.columns]]
    known = pd.concat([part for part in parts if len(part)] or [before], ignore_index=True)
    return known.dropna().groupby("patient_id")["density"].mean()
