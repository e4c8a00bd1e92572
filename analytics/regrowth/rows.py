"""From the rows of yields to the arrays of the emergence model.

One row per count of a planted region that serves the curve, its baseline counts included; repeated counts of
one attendance are averaged (the error of one is kept: the same field recounted is not a new sample).
Planted density is *calibrated*: the expected true density given what is known. A zone's average is
multiplied by the clinic's mean ratio of region over zone; a count in the region, itself noisy, is drawn
towards the calibrated average by its reliability. What then remains of the planted error is left as a
spread by placement, with its size `planted_cv` (regression calibration: Carroll, Ruppert, Stefanski &
Crainiceanu 2006, Measurement Error in Nonlinear Models, 2nd ed., chapter 4, from memory).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import yields
from analytics.dictionary import ZONES
from analytics.errors import FitError, ParameterError
from analytics.records import Records, once

SOURCES = ("region", "zone")
# Native hair shed by surgery: off by month 1.5, back by month 9 (practitioner texts, low; no counts).
SHED_MONTHS = (0.0, 1.5, 3.0, 9.0)
SHED_SHARES = (0.0, 1.0, 1.0, 0.0)
MIN_PLACEMENTS = 3
FROM_PATIENTS = ("smoker", "diabetes", "scarring", "sex", "age_years", "curl", "hair_calibre_um")


@dataclass(frozen=True, slots=True)
class CaseMix:
    """How a covariate became a column: its name, the word it stands for ("" for a number), its centre."""

    column: str
    word: str
    centre: float

    @property
    def term(self) -> str:
        """Return the name of its effect."""
        return f"{self.column}: {self.word}" if self.word else self.column


KNOWN = yields.UntreatedRate(0.0)


@dataclass(frozen=True, slots=True)
class EmergenceRows:
    """What the emergence model is fitted to, one entry per row: see the module's words.

    `ratio_cv` is the error of the mean ratio of region over zone, one and the same in all rows that lean on
    it; column `leans` says how much a row does (1: a zone average; less: a count drawn towards it).
    `native` is the yearly loss of native hair they rest on; column `kept_se` what its error, one for all
    rows, does to the share of native hair kept. `choices`, `from_month` and `by` say how the rows were made.
    All travel with the fit.
    """

    frame: pd.DataFrame
    used: pd.DataFrame
    zones: tuple[str, ...]
    mix: tuple[CaseMix, ...]
    planted_cv: dict[str, float]
    ratio_cv: float = 0.0
    native: yields.UntreatedRate = KNOWN
    choices: yields.Choices = yields.USUAL
    from_month: float | None = None
    by: str = "zone"


def select(
    records: Records,
    *,
    choices: yields.Choices = yields.USUAL,
    case_mix: tuple[str, ...] = (),
    coded: tuple[CaseMix, ...] | None = None,
    from_month: float | None = None,
    by: str = "zone",
) -> EmergenceRows:
    """Return the rows of the emergence model.

    Case mix is coded anew from `case_mix`, or as in an earlier fit from `coded`.

    Parameters
    ----------
    case_mix
        Columns of `yields.by_visit` or of patients.
    coded
        Case mix as an earlier fit coded it; instead of `case_mix`.
    from_month
        Leave out readings after the session and before this month.
    by
        Column that plays the zone's part.

    Returns
    -------
    EmergenceRows
        Rows of the model, and every row with the reason where it is not among them.

    Raises
    ------
    FitError
        When fewer than MIN_PLACEMENTS placements of any zone are followed.
    ParameterError
        When a case-mix column is unknown.
    """

    def make() -> EmergenceRows:
        visits = yields.by_visit(records, choices=choices)
        return prepare(
            visits, records, case_mix=case_mix, coded=coded, from_month=from_month, by=by, choices=choices
        )

    asked = (choices, case_mix, coded or (), from_month, by)
    return once(records, "growth rows", asked, make)


def prepare(
    visits: pd.DataFrame,
    records: Records,
    *,
    case_mix: tuple[str, ...] = (),
    coded: tuple[CaseMix, ...] | None = None,
    from_month: float | None = None,
    by: str = "zone",
    choices: yields.Choices = yields.USUAL,
) -> EmergenceRows:
    """Return the rows of the emergence model from rows of `yields.by_visit` made under these choices."""
    used = yields.with_reason(visits, "curve")
    error = yields.planted_error(records)
    rows = _averaged(used[used["reason"].eq("") & used["density"].notna()])
    if from_month is not None:
        rows = rows[rows["is_baseline"] | rows["month"].ge(from_month)]
    rows, left = _followed_zones(_with_planted(rows, records, error), by)
    used = _as_used(used, rows, used[by].isin(left), from_month)
    rows = rows.assign(
        kept=_kept_share(rows),
        kept_se=_kept_se(rows),
        shed=np.interp(rows["month"], SHED_MONTHS, SHED_SHARES),
        group=rows[by].astype(str),
    )
    rows, mix = _with_case_mix(rows, records, case_mix) if coded is None else _as_coded(rows, records, coded)
    zones = tuple(z for z in ZONES if z in set(rows["group"]))
    zones += tuple(sorted(set(rows["group"]) - set(zones)))
    reliability = _reliability(error)
    cv = {"region": float(np.sqrt(reliability)) * error.region_cv, "zone": error.zone_cv}
    ratio_cv = error.zone_ratio_se / error.zone_ratio
    rate = yields.native_rate(records, choices)
    rows = rows.reset_index(drop=True)
    return EmergenceRows(rows, used, zones, mix, cv, ratio_cv, rate, choices, from_month, by)


def _as_used(used: pd.DataFrame, rows: pd.DataFrame, is_rare: pd.Series, from_month) -> pd.DataFrame:
    """Return all counts with why one is no reading of growth in the model."""
    served = used["reason"].eq("")
    is_baseline = used["is_baseline"].astype(bool)
    followed = set(rows.loc[~rows["is_baseline"].astype(bool), "placement_id"])
    early = False if from_month is None else used["month"].lt(from_month)
    why = np.select(
        [
            is_rare,
            ~used["placement_id"].isin(followed),
            is_baseline,
            used["density"].isna(),
            early,
            ~used.index.isin(rows.index),
        ],
        [
            f"fewer than {MIN_PLACEMENTS} placements of this zone",
            "the placement has no usable count after the session",
            "the count before the session: it tells native hair, not growth",
            "no density",
            f"before month {from_month}",
            "averaged with another count of the same attendance",
        ],
        default="",
    )
    return used.assign(reason=np.where(served, why, used["reason"]))


def _averaged(rows: pd.DataFrame) -> pd.DataFrame:
    keys = ["placement_id", "region_id", "month"]
    mean = rows.groupby(keys, sort=False)["density"].transform("mean")
    first = ~rows.duplicated(keys)
    return rows.assign(density=mean)[first]


def _reliability(error) -> float:
    between = error.zone_cv**2
    return between / (between + error.region_cv**2)


def _with_planted(rows: pd.DataFrame, records: Records, error) -> pd.DataFrame:
    """Replace planted density by its expectation given what is known."""
    zone = (records.placements["hairs"] / records.placements["area_cm2"]).astype(float)
    average = pd.Series(zone.to_numpy(), index=records.placements["placement_id"])
    expected = rows["placement_id"].map(average).to_numpy(dtype=float) * error.zone_ratio
    counted = rows["planted_hairs_cm2"].to_numpy(dtype=float)
    in_region = rows["planted_source"].eq("region").to_numpy()
    share = _reliability(error)
    known = np.where(np.isfinite(expected) & (expected > 0), expected, counted)
    drawn = known + share * (counted - known)
    return rows.assign(planted=np.where(in_region, drawn, known), leans=np.where(in_region, 1 - share, 1.0))


def _kept_share(rows: pd.DataFrame) -> np.ndarray:
    """Return the share of the baseline density still standing; earlier planted hair does not decline."""
    factor = rows["native_factor"].to_numpy(dtype=float)
    baseline = rows["baseline_density"].to_numpy(dtype=float)
    change = rows["native_change"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        of_all = 1 + change / baseline
    later = rows["is_later"].to_numpy(dtype=bool) & np.isfinite(of_all)
    kept = np.where(later, of_all, factor)
    return np.where(rows["is_baseline"].to_numpy(dtype=bool) | ~np.isfinite(kept), 1.0, kept)


def _kept_se(rows: pd.DataFrame) -> np.ndarray:
    """Return what one standard error of the practice's rate of native loss does to that share."""
    change = rows["native_shared_se"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = change / rows["baseline_density"].to_numpy(dtype=float)
    return np.where(rows["is_baseline"].to_numpy(dtype=bool) | ~np.isfinite(share), 0.0, share)


def _followed_zones(rows: pd.DataFrame, by: str) -> tuple[pd.DataFrame, list[str]]:
    followed = rows[~rows["is_baseline"].astype(bool)].groupby(by)["placement_id"].nunique()
    enough = followed[followed >= MIN_PLACEMENTS].index
    if not len(enough):
        raise FitError(
            f"regrowth.fit_emergence: no zone has {MIN_PLACEMENTS} plantings that were usably counted "
            "after the session; a growth curve needs them: count more, or later"
        )
    left = [z for z in rows[by].unique() if z not in set(enough)]
    return rows[rows[by].isin(enough)], left


def _with_case_mix(
    rows: pd.DataFrame, records: Records, case_mix
) -> tuple[pd.DataFrame, tuple[CaseMix, ...]]:
    """Add one centred column per covariate (a number) or a word of it (all but the most frequent)."""
    columns: dict[str, np.ndarray] = {}
    mix: list[CaseMix] = []
    for name in case_mix:
        values = _covariate(rows, records, name)
        once = values[~rows.duplicated("placement_id")]
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            centre = float(once.mean())
            mix.append(CaseMix(name, "", centre))
            columns[f"mix_{len(mix) - 1}"] = values.fillna(centre).to_numpy(dtype=float) - centre
            continue
        words = values.astype("string").fillna("not stated")
        counts = words[~rows.duplicated("placement_id")].value_counts()
        for word in sorted(counts.index[1:]):
            is_word = words.eq(word).to_numpy(dtype=float)
            centre = float(counts[word] / counts.sum())
            mix.append(CaseMix(name, str(word), centre))
            columns[f"mix_{len(mix) - 1}"] = is_word - centre
    return rows.assign(**columns), tuple(mix)


def _as_coded(rows: pd.DataFrame, records: Records, coded: tuple[CaseMix, ...]):
    """Add the columns of an earlier fit's case mix."""
    columns = {}
    for i, mix in enumerate(coded):
        values = _covariate(rows, records, mix.column)
        if mix.word:
            raw = values.astype("string").fillna("not stated").eq(mix.word).to_numpy(dtype=float)
        else:
            raw = values.fillna(mix.centre).to_numpy(dtype=float)
        columns[f"mix_{i}"] = raw - mix.centre
    return rows.assign(**columns), coded


def _covariate(rows: pd.DataFrame, records: Records, name: str) -> pd.Series:
    if name in rows.columns:
        return rows[name]
    if name in records.patients.columns:
        by_patient = records.patients.set_index("patient_id")[name]
        return rows["patient_id"].map(by_patient)
    raise ParameterError(
        f"regrowth.fit_emergence(case_mix): '{name}' is no column of patients or of yields.by_visit; "
        f"use such as method, surgeon_id, session_number, out_of_body_min, {', '.join(FROM_PATIENTS[:3])}"
    )
