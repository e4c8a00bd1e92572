"""How far a count swings with the season, and counts brought to the level of the year.

More hair rests in summer (Kunz, Seifert & Trueb 2009, Dermatology 219:105-10, trichograms of 823 women), so
that a count of one season set against a baseline of another is off by a few percent of the density, of
which a yield makes more: 3 % of 90 hairs/cm2 over 60 planted are 4.5 points. A register without dates has no
calendar, but its months count from one month for all patients; months of the register modulo 12 are the
calendar but for one unknown shift, and a harmonic of a year needs no more.

Density of a region's count = its own level + planted hairs x growth (a line through knots of month, by zone)
+ native change + expected density x (b1 cos + b2 sin)(2 pi register month / 12), by weighted least squares
within regions. Growth and levels are taken out first; the errors of b are those of patients (Bell & McCaffrey
2002, Surv Methodol 28:169). Season and growth are told apart because patients are operated on in different
months; where all are operated on in one, they are not, and the errors say so. Expected densities are means of
a zone: a reading's own error is not in its weight nor in its covariate.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import measurement
from analytics.errors import FitError
from analytics.measurement import CountError
from analytics.numerics import regression
from analytics.results import counted

YEAR_MONTHS = 12
GROWTH_KNOTS = (0.0, 1.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0, 24.0)
# Fewer than these and the season is not estimated; common practice, no source.
MIN_PATIENTS = 30
MIN_MONTHS = 9
# Limits wider than twice this would hold any season ever described (a few percent).
MOST_SE = 0.03
# Placements' own spread of yield, share of planted hairs, for weights only (published SDs 3 to 5 points).
SPREAD = 0.08
# Of the season's columns at least this part must be left when growth is taken out; in practice half is.
LEAST_LEFT = 0.1
# From so many patients on limits are the normal ones; the degrees of freedom would cost their number squared.
MANY_PATIENTS = 500
TOO_LIKE = "growth and season cannot be told apart well enough: too many were operated on in the same months"


@dataclass(frozen=True, slots=True)
class Season:
    """Cosine and sine of the year's swing, shares of the density, (2,), with covariance, df and numbers.

    `why_not` says in words why there is none; `swing` and `cov` are then NaN.
    """

    swing: np.ndarray
    cov: np.ndarray
    df: float
    n_rows: int
    n_patients: int
    why_not: str = ""


def harmonics(register_month) -> np.ndarray:
    """Return cosine and sine of the part of the year, (n, 2).

    >>> harmonics([3.0, 12.0]).round(12).tolist()
    [[0.0, 1.0], [1.0, -0.0]]
    """
    angle = 2 * np.pi * np.asarray(register_month, dtype=float) / YEAR_MONTHS
    return np.column_stack([np.cos(angle), np.sin(angle)])


def estimate(rows: pd.DataFrame, error: CountError) -> Season:
    """Return the swing of counts over the year from rows of `yields.by_visit`.

    Parameters
    ----------
    rows
        Every row whose reading serves the curve, and the baselines.
    error
        Counting error, for weights.
    """
    used = _series(rows)
    patients = int(used["patient_id"].nunique())
    months = int((np.floor(used["register_month"]) % YEAR_MONTHS).nunique())
    if patients < MIN_PATIENTS:
        return _none(used, patients, f"{_twice(patients)}, {MIN_PATIENTS} are needed")
    if months < MIN_MONTHS:
        return _none(
            used, patients, f"counts stand in {months} of the year's months, {MIN_MONTHS} are needed"
        )
    growth = _growth(used)
    if patients < 2 * growth.shape[1]:
        needed = 2 * growth.shape[1]
        return _none(used, patients, f"{_twice(patients)}, {needed} are needed here")
    try:
        fit = _fit(used, growth, error)
    except FitError:
        return _none(used, patients, TOO_LIKE)
    # Growth was taken out first: so many patients fewer are left to show their spread.
    cov = fit.cov * patients / (patients - growth.shape[1])
    if not np.sqrt(np.trace(cov) / 2) < MOST_SE:
        return _none(used, patients, TOO_LIKE)
    return Season(fit.beta, cov, _df(fit, patients), len(used), patients)


def levelled(rows: pd.DataFrame, season: Season) -> pd.DataFrame:
    """Return linked rows with densities at the level of the year, and what the swing's error does to each.

    Parameters
    ----------
    rows
        From `yields.rows.linked`.
    season
        From `estimate`.

    Raises
    ------
    FitError
        When no season could be estimated.
    """
    if season.why_not:
        raise FitError(f"yields.by_visit(season): {season.why_not}; use season='as counted'")
    now = harmonics(rows["session_month"] + rows["month"])
    before = harmonics(rows["session_month"] + rows["baseline_month"])
    first = harmonics(rows["first_at"])
    factor, factor_before = 1 + now @ season.swing, 1 + before @ season.swing
    density = rows["density_hairs_cm2"] / factor
    baseline = rows["baseline_density"] / factor_before
    value, axes = np.linalg.eigh(season.cov)
    shifts = {}
    for i in range(2):
        unit = axes[:, i] * np.sqrt(max(float(value[i]), 0.0))
        shifts[f"season_{i + 1}"] = (
            baseline * (before @ unit) / factor_before - density * (now @ unit) / factor
        )
    return rows.assign(
        density_hairs_cm2=density,
        baseline_density=baseline,
        first_density=rows["first_density"] / (1 + first @ season.swing),
        **shifts,
    )


def _twice(patients: int) -> str:
    return f"{counted(patients)} patient{' was' if patients == 1 else 's were'} counted twice"


def _none(used: pd.DataFrame, patients: int, why: str) -> Season:
    """Return that no season could be estimated, and why."""
    return Season(np.full(2, np.nan), np.full((2, 2), np.nan), np.nan, len(used), patients, why)


def _series(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the counts of regions counted in two months or more, with a number for each region."""
    usable = rows["for_curve"] & rows["reads_as"].eq("own session") & rows["density"].notna()
    used = rows[usable]
    code = used.groupby(["placement_id", "region_id"], sort=False).ngroup().to_numpy()
    month = used["month"].to_numpy(dtype=float)
    n = int(code.max()) + 1 if len(code) else 0
    latest, earliest = np.full(n, -np.inf), np.full(n, np.inf)
    np.maximum.at(latest, code, month)
    np.minimum.at(earliest, code, month)
    several = (latest > earliest)[code] if n else np.zeros(0, dtype=bool)
    return used[several].assign(series=pd.factorize(code[several])[0])


def _df(fit: regression.Fit, patients: int) -> float:
    """Return degrees of freedom of the swing in its own direction."""
    if patients >= MANY_PATIENTS:
        return np.inf
    size = float(np.hypot(*fit.beta))
    return regression.contrast(fit, fit.beta / size if size > 0 else [1.0, 0.0]).df


def _fit(used: pd.DataFrame, growth: np.ndarray, error: CountError) -> regression.Fit:
    """Fit twice: growth alone for the expected densities, then weighted, the two harmonics beside it."""
    series = used["series"].to_numpy()
    planted = used["planted_hairs_cm2"].to_numpy(dtype=float)
    native = used["native_change"].to_numpy(dtype=float)
    y = used["density"].to_numpy(dtype=float) - native
    growth = growth * planted[:, None]
    level = used.groupby("zone")["baseline_density"].transform("mean").to_numpy(dtype=float)
    plain, out = _within(np.column_stack([growth, y]), series, np.ones(len(y)))
    expected = np.maximum(level + growth @ np.linalg.lstsq(plain, out, rcond=None)[0], 1.0)
    weight = 1 / (
        measurement.count_variance(
            expected,
            used["counted_area_cm2"].to_numpy(dtype=float),
            marked=used["both_marked"].to_numpy(dtype=bool),
            reader_changed=np.zeros(len(y), dtype=bool),
            error=error,
        )
        + (SPREAD * planted) ** 2
    )
    # What repeats itself every twelve months after a session is growth or season, nobody knows: it goes too.
    growth = np.column_stack([growth, harmonics(used["month"]) * expected[:, None]])
    swing = harmonics(used["register_month"]) * expected[:, None]
    inside, out = _within(np.column_stack([growth, swing, y]), series, weight)
    root = np.sqrt(weight)[:, None]
    nuisance = inside[:, :-2] * root
    both = np.column_stack([inside[:, -2:], out]) * root
    rest = both - nuisance @ np.linalg.lstsq(nuisance, both, rcond=None)[0]
    if not (np.linalg.norm(rest[:, :2], axis=0) > LEAST_LEFT * np.linalg.norm(both[:, :2], axis=0)).all():
        raise FitError(f"yields.season: {TOO_LIKE}")
    return regression.values(rest[:, 2], rest[:, :2], used["patient_id"].to_numpy(dtype=str))


def _growth(used: pd.DataFrame) -> np.ndarray:
    """Return a column for each zone and knot of month but the first that some reading touches, (n, k)."""
    month = np.clip(used["month"].to_numpy(dtype=float), GROWTH_KNOTS[0], GROWTH_KNOTS[-1])
    hats = [np.interp(month, GROWTH_KNOTS, row) for row in np.eye(len(GROWTH_KNOTS))[1:]]
    zone = used["zone"].to_numpy(dtype=str)
    columns = [hat * (zone == z) for z in np.unique(zone) for hat in hats]
    return np.column_stack([c for c in columns if c.any()])


def _within(columns: np.ndarray, series: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the columns less their weighted mean of the series; the last one apart."""
    order = np.argsort(series, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(series[order]) > 0])
    sums = np.add.reduceat((columns * weight[:, None])[order], starts, axis=0)
    means = sums / np.add.reduceat(weight[order], starts)[:, None]
    inside = columns - means[series]
    return inside[:, :-1], inside[:, -1]
