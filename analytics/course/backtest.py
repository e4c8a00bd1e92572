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

from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

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
    records: Records, *, quarters: int = 4, curve: str = regrowth.USUAL_CURVE, level: float = LEVEL
) -> Result:
    """Return how past predictions did: coverage, CRPS and skill, all zones and by zone.

    Parameters
    ----------
    quarters
        How many past quarters to refit and predict from, 1 to 12.
    curve
        Shape of the emergence curve.

    Raises
    ------
    FitError
        When no past quarter has enough placements to fit and a count to predict.
    ParameterError
        When the number of quarters is out of range.
    """
    if not 1 <= quarters <= 12:
        raise ParameterError("course.backtest(quarters): out of range; expected 1 to 12")
    cases = predictions(records, quarters=quarters, curve=curve)
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


def predictions(records: Records, *, quarters: int, curve: str) -> pd.DataFrame:
    """Return one row per predicted count: what was observed and predicted, means and SDs; the rivals'."""
    whole = regrowth.rows_for(records, regrowth.fit_emergence(records, curve=curve)).frame
    whole = whole.assign(at=whole["register_month"])
    end = int(np.floor(whole["at"].max() / MONTHS_A_QUARTER)) * MONTHS_A_QUARTER
    parts = []
    for back in range(quarters, 0, -1):
        cut = end - back * MONTHS_A_QUARTER
        found = _one_quarter(records, whole, cut, curve)
        if found is not None:
            parts.append(found)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def closed_form_crps(observed, mean, sd) -> np.ndarray:
    """Return the CRPS of a normal forecast, (n,), in the unit of the observation.

    Examples
    --------
    A count at the forecast mean scores sd (sqrt 2 - 1) / sqrt pi.

    >>> round(float(closed_form_crps(0.0, 0.0, 1.0)), 6)
    0.233695
    """
    z = (np.asarray(observed, dtype=float) - mean) / sd
    return sd * (z * (2 * stats.norm.cdf(z) - 1) + 2 * stats.norm.pdf(z) - 1 / np.sqrt(np.pi))


def _one_quarter(records: Records, whole: pd.DataFrame, cut: int, curve: str) -> pd.DataFrame | None:
    if cut < 1 or not (records.sessions["register_month"] <= cut).any():
        return None
    then = door.as_of(records, cut)
    try:
        fit = regrowth.fit_emergence(then, curve=curve)
        plateaus = regrowth.fit_plateaus(then, fit=fit)
    except FitError:
        return None
    known = regrowth.rows_for(then, fit).frame
    followed = known[~known["is_baseline"].astype(bool)]
    if followed["placement_id"].nunique() < MIN_PLACEMENTS:
        return None
    ahead = whole[
        whole["at"].gt(cut) & whole["at"].le(cut + HORIZON_MONTHS) & ~whole["is_baseline"].astype(bool)
    ]
    ahead = ahead[ahead["placement_id"].isin(set(known["placement_id"])) & ahead["group"].isin(fit.zones)]
    ahead = ahead[ahead["reads_as"].eq("own session")].sort_values("at").drop_duplicates("placement_id")
    if ahead.empty:
        return None
    rivals = _rivals(known, followed, ahead)
    rows = [_predicted(plateaus, known, row) for _, row in ahead.iterrows()]
    return pd.DataFrame(rows).join(rivals.reset_index(drop=True)).assign(quarter_month=cut)


def _predicted(plateaus: PlateauDistribution, known: pd.DataFrame, row: pd.Series) -> dict:
    own = known[known["patient_id"].eq(row["patient_id"])]
    target = (
        own[own["placement_id"].eq(row["placement_id"])]
        .drop_duplicates(["placement_id", "region_id"])
        .head(1)
    )
    marked = bool(row["both_marked"])
    found = regrowth.forecast(
        plateaus,
        own,
        [float(row["month"])],
        targets=target,
        counted_area_cm2=float(row["counted_area_cm2"]),
        marked=marked,
        reader_changed=bool(row["reader_changed"]),
    )
    observed = float(row["density"])
    n_before = int((own["placement_id"].eq(row["placement_id"]) & ~own["is_baseline"].astype(bool)).sum())
    line = found.path.iloc[0]
    return {
        "patient_id": row["patient_id"],
        "placement_id": row["placement_id"],
        "zone": row["group"],
        "month": float(row["month"]),
        "n_before": n_before,
        "observed": observed,
        "mean": float(line["density"]),
        "sd": float(np.sqrt(line["density_var"])),
        "pit": float(found.below([observed])[0]),
        "crps": _crps(found, observed),
    }


def _crps(found: Forecast, observed: float) -> float:
    """Return the CRPS of the forecast of one count, a mixture of normals."""
    # Imported here: a third of a second, and no other page scores.
    from scoringrules import crps_mixnorm

    mean, sd, weight = (part[0] for part in found.mixture(LIGHT))
    return float(crps_mixnorm(observed, mean, sd, weight / weight.sum()))


def _rivals(known: pd.DataFrame, followed: pd.DataFrame, ahead: pd.DataFrame) -> pd.DataFrame:
    """Return means and SDs of two rivals: practice mean at that month, last reading carried forward."""
    gained = followed.assign(y=followed["yield_pct"], late=followed["month"])
    means, sds = [], []
    for _, row in ahead.iterrows():
        near = gained[gained["group"].eq(row["group"]) & (gained["late"] - row["month"]).abs().le(1.5)]
        near = near if len(near) >= 5 else gained[(gained["late"] - row["month"]).abs().le(3.0)]
        near = near if len(near) >= 5 else gained
        baseline = float(row["baseline_density"]) * float(row["kept"])
        means.append(baseline + float(row["planted"]) * float(near["y"].mean()) / 100)
        sds.append(max(float(near["y"].std(ddof=1)) * float(row["planted"]) / 100, 1.0))
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
