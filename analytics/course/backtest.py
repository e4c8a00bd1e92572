"""Did last period's limits hold?

The model is refitted as of the end of each past quarter, and predicts the next count of every placement
already planted and followed, with nothing that came later. Each count is compared with its prediction: how
often 50, 80 and 95 % limits held, where it fell in its predictive distribution (PIT: flat
if honest), and the continuous ranked probability score (CRPS; Gneiting & Raftery 2007, JASA 102:359, from
memory) beside two simple rivals with normal limits of their own past errors: the practice's mean yield at
that month, and the last reading carried forward. Skill is 1 - CRPS / rival's CRPS.

A count may be predicted from several quarters, and a patient has several counts: so the patient is the unit
of the interval of how often limits held, as of the skill's.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics import records as door
from analytics import regrowth
from analytics.errors import FitError, ParameterError
from analytics.numerics.proportions import ratio_of_totals
from analytics.records import Records
from analytics.regrowth import Forecast, PlateauDistribution
from analytics.results import LEVEL, Result, counted, line, of_share

MONTHS_A_QUARTER = 3
HORIZON_MONTHS = 9.0
MIN_PLACEMENTS = 30
LEVELS = (0.5, 0.8, 0.95)
PIT_BINS = 10
FEW_COUNTS = 20
COUNT = ["placement_id", "month"]
LIGHT = 1e-4  # weight of a part of a forecast that its score does without


def backtest(
    records: Records,
    *,
    quarters: int = 4,
    curve: str = regrowth.USUAL_CURVE,
    level: float = LEVEL,
    predicted: Sequence[pd.DataFrame] = (),
) -> Result:
    """Return how past predictions did: coverage, CRPS and skill, all zones and by zone.

    Parameters
    ----------
    quarters
        How many past quarters to refit and predict from, 1 to 12.
    curve
        Shape of the emergence curve.
    predicted
        `past_quarter` of each of these quarters, the earliest first, where they were asked for already.

    Returns
    -------
    Result
        By zone, `all zones` first: coverage of the limits in percent, CRPS (hairs/cm2), skill over the
        practice's mean. `extra["pit"]` is the histogram of where counts fell in their predictions.

    Raises
    ------
    FitError
        When no past quarter has enough placements to fit and a count to predict.
    ParameterError
        When the number of quarters is out of range.

    Source
    ------
    Gneiting & Raftery 2007, JASA 102:359 (CRPS; from memory).

    Examples
    --------
    >>> from analytics import simulate
    >>> backtest(simulate.as_records(simulate.register(40)[0]), quarters=13)
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: course.backtest(quarters): out of range; expected 1 to 12
    """
    if not 1 <= quarters <= 12:
        raise ParameterError("course.backtest(quarters): out of range; expected 1 to 12")
    parts = predicted or [past_quarter(records, back=n, curve=curve) for n in range(quarters, 0, -1)]
    parts = [part for part in parts if len(part)]
    cases = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    if cases.empty:
        raise FitError(
            f"course.backtest: no past quarter had {MIN_PLACEMENTS} followed placements and a count to "
            "predict; wait a quarter"
        )
    tables = [scored(cases, "all zones", level)]
    tables += [scored(rows, str(zone), level) for zone, rows in cases.groupby("zone", sort=False)]
    pit = np.histogram(cases["pit"], bins=PIT_BINS, range=(0, 1))[0]
    histogram = pd.DataFrame(
        {"pit": (np.arange(PIT_BINS) + 0.5) / PIT_BINS, "n": pit, "expected": len(cases) / PIT_BINS}
    )
    method = (
        f"refitted as of the end of {cases['quarter_month'].nunique()} past quarters; each placement's "
        f"next count within {HORIZON_MONTHS:g} months predicted from what was known then; "
        f"{counted(len(cases.drop_duplicates(COUNT)))} counts predicted {counted(len(cases))} times, the "
        "patient as the unit of the intervals"
    )
    return Result(
        pd.concat(tables, ignore_index=True),
        cases.assign(reason=""),
        method,
        by=("zone",),
        extra={"pit": histogram},
    )


def past_quarter(records: Records, *, back: int, curve: str = regrowth.USUAL_CURVE) -> pd.DataFrame:
    """Return what was to come as of the end of a past quarter, beside what then was counted.

    Parameters
    ----------
    back
        How many quarters before the last full one, 1 or more.
    curve
        Shape of the emergence curve.

    Returns
    -------
    DataFrame
        One row per predicted count: `patient_id, placement_id, month, zone, n_before, observed,
        quarter_month, mean, sd, pit, crps` and means and SDs of the rivals; none where too little was known.

    Examples
    --------
    >>> from analytics import simulate
    >>> len(past_quarter(simulate.as_records(simulate.register(40)[0]), back=40))
    0
    """
    whole = regrowth.select(records).frame
    whole = whole.assign(at=whole["register_month"])
    end = int(np.floor(whole["at"].max() / MONTHS_A_QUARTER)) * MONTHS_A_QUARTER
    cut = end - back * MONTHS_A_QUARTER
    if cut < 1 or not (records.sessions["register_month"] <= cut).any():
        return pd.DataFrame()
    with door.unchanged(door.as_of(records, cut)) as then:
        try:
            fit = regrowth.fit_emergence(then, curve=curve)
            plateaus = regrowth.fit_plateaus(then, fit=fit)
        except FitError:
            return pd.DataFrame()
        return _one_quarter(plateaus, regrowth.rows_for(then, fit).frame, whole, cut)


def closed_form_crps(observed, mean, sd) -> np.ndarray:
    """Return the CRPS of a normal forecast, (n,), in the unit of the observation.

    Examples
    --------
    A count at the forecast mean scores sd (sqrt 2 - 1) / sqrt pi.

    >>> round(float(closed_form_crps(0.0, 0.0, 1.0)), 6)
    0.233695
    """
    z = (np.asarray(observed, dtype=float) - mean) / sd
    return sd * (z * (2 * scipy.stats.norm.cdf(z) - 1) + 2 * scipy.stats.norm.pdf(z) - 1 / np.sqrt(np.pi))


def _one_quarter(
    plateaus: PlateauDistribution, known: pd.DataFrame, whole: pd.DataFrame, cut: int
) -> pd.DataFrame:
    """Return what was predicted of the counts after a register month from the rows known then."""
    followed = known[~known["is_baseline"].astype(bool)]
    if followed["placement_id"].nunique() < MIN_PLACEMENTS:
        return pd.DataFrame()
    ahead = whole[
        whole["at"].gt(cut) & whole["at"].le(cut + HORIZON_MONTHS) & ~whole["is_baseline"].astype(bool)
    ]
    ahead = ahead[ahead["placement_id"].isin(set(known["placement_id"]))]
    ahead = ahead[ahead["group"].isin(plateaus.fit.zones) & ahead["reads_as"].eq("own session")]
    ahead = ahead.sort_values("at").drop_duplicates("placement_id")
    if ahead.empty:
        return pd.DataFrame()
    rivals = _rivals(known, followed, ahead)
    n_before = ahead["placement_id"].map(followed["placement_id"].value_counts()).fillna(0).astype(int)
    cases = ahead[["patient_id", "placement_id", "month"]].assign(
        zone=ahead["group"], n_before=n_before, observed=ahead["density"].astype(float), quarter_month=cut
    )
    found = _predicted(plateaus, known, ahead)
    return cases.reset_index(drop=True).join(found).join(rivals.reset_index(drop=True))


def _predicted(plateaus: PlateauDistribution, known: pd.DataFrame, ahead: pd.DataFrame) -> pd.DataFrame:
    """Return what is predicted of each count and how it did: columns mean, sd, pit, crps."""
    observed = ahead["density"].to_numpy(dtype=float)
    out = np.empty((len(ahead), 4))
    for at, found in regrowth.forecasts_of_each(plateaus, known, ahead):
        mean, variance = found.moments()
        crps = [_crps(found, i, seen) for i, seen in enumerate(observed[at])]
        out[at] = np.column_stack([mean, np.sqrt(variance), found.below(observed[at]), crps])
    return pd.DataFrame(out, columns=["mean", "sd", "pit", "crps"])


def _crps(found: Forecast, i: int, observed: float) -> float:
    """Return the CRPS of a forecast of one count, a mixture of normals."""
    # Imported here: a third of a second, and no other page scores.
    from scoringrules import crps_mixnorm

    likely = found.weight[i] > LIGHT
    mean, sd, weight = found.mean[i, likely], found.sd[i, likely], found.weight[i, likely]
    return float(crps_mixnorm(observed, mean, sd, weight / weight.sum()))


def _rivals(known: pd.DataFrame, followed: pd.DataFrame, ahead: pd.DataFrame) -> pd.DataFrame:
    """Return means and SDs of two rivals: practice mean at that month, last reading carried forward."""
    group, month = followed["group"].to_numpy(), followed["month"].to_numpy(dtype=float)
    gained = followed["yield_pct"].to_numpy(dtype=float)
    planted = ahead["planted"].to_numpy(dtype=float)
    means, sds = np.empty(len(ahead)), np.empty(len(ahead))
    for i, (zone, at) in enumerate(zip(ahead["group"], ahead["month"], strict=True)):
        apart = np.abs(month - at)
        near = gained[(group == zone) & (apart <= 1.5)]
        near = near if len(near) >= 5 else gained[apart <= 3.0]
        near = near if len(near) >= 5 else gained
        means[i], sds[i] = np.nanmean(near), np.nanstd(near, ddof=1)
    baseline = (ahead["baseline_density"] * ahead["kept"]).to_numpy(dtype=float)
    means, sds = baseline + planted * means / 100, np.maximum(sds * planted / 100, 1.0)
    before = known.sort_values("month").groupby("placement_id")["density"].last()
    steps = known.sort_values("month").groupby("placement_id")["density"].diff().dropna()
    last = ahead["placement_id"].map(before).to_numpy(dtype=float)
    spread = max(float(np.sqrt((steps**2).mean())), 1.0)
    return pd.DataFrame(
        {"mean_rival": means, "mean_rival_sd": sds, "last_rival": last, "last_rival_sd": spread}
    )


def scored(cases: pd.DataFrame, zone: str, level: float) -> pd.DataFrame:
    """Return the table of `backtest` for the predictions of a zone."""
    n = len(cases)
    own: dict[str, Any] = {"by": {"zone": zone}, "level": level, "n_rows": n}
    own["n_patients"] = int(cases["patient_id"].nunique())
    lines = []
    for inside in LEVELS:
        missed = cases["pit"].sub(0.5).abs().gt(inside / 2).to_numpy(dtype=float)
        made = ratio_of_totals(missed, np.ones(n), clusters=cases["patient_id"], level=level)
        ends, why = of_share(100 * (1 - made.high), 100 * (1 - made.low), own["n_patients"])
        held = n - int(missed.sum())
        share: dict[str, Any] = {"basis": "share", "numerator": held, "denominator": n}
        told = 100 * held / n
        lines.append(line(f"{100 * inside:g} % limits held", told, "%", ci=ends, flag=why, **share, **own))
    score = cases["crps"].to_numpy(dtype=float)
    lines.append(line("CRPS", float(score.mean()), "hairs/cm2", **own))
    for name, mean, sd in (
        ("practice mean", "mean_rival", "mean_rival_sd"),
        ("last reading", "last_rival", "last_rival_sd"),
    ):
        rival = closed_form_crps(cases["observed"], cases[mean], cases[sd])
        value, low, high = _skill(score, rival, cases["patient_id"].to_numpy(), level)
        lines.append(line(f"skill over the {name}", 100 * value, "%", ci=(100 * low, 100 * high), **own))
    few = "few counts" if n < FEW_COUNTS else ""
    return pd.DataFrame([{**one, "flag": one.get("flag") or few} for one in lines])


def _skill(
    score: np.ndarray, rival: np.ndarray, patient: np.ndarray, level: float
) -> tuple[float, float, float]:
    """Return 1 - ratio of mean scores with limits from 500 resamples of patients, seed 1."""
    codes = pd.factorize(patient)[0]
    k = codes.max() + 1
    ours, theirs = np.bincount(codes, score, k), np.bincount(codes, rival, k)
    weights = np.random.default_rng(1).multinomial(k, np.full(k, 1 / k), size=500)
    drawn = 1 - (weights @ ours) / (weights @ theirs)
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2])
    return float(1 - ours.sum() / theirs.sum()), float(low), float(high)
