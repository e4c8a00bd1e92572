"""How far is one operator from the others at equal case mix, and would a difference have been seen?

The patient is the cluster of error; the degrees of freedom follow from how few sessions an operator has
(`numerics.clustered`). The expected value is what the others' model says for this operator's own cases.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from analytics.errors import FitError
from analytics.numerics import clustered, funnel, means, proportions
from analytics.review_design import columns

YIELD_SHIFT_POINTS = 5.0
DOUBLING = 2.0
FEW_EVENTS = 5


@dataclass(frozen=True, slots=True)
class Compared:
    """One operator: counts, raw value, what the others would have had, difference, power (0 to 1)."""

    name: str
    n_sessions: int
    n_patients: int
    n_events: float
    raw: means.Mean
    expected: float
    versus: clustered.Contrast
    power: float


def shares(rows: pd.DataFrame, by: str, case_mix: tuple[str, ...], level: float) -> list[Compared]:
    """Compare shares on the logit scale; no difference where one side has no event."""
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    who = rows["patient_id"].to_numpy()
    design, _ = columns(rows, case_mix)
    overall = clustered.shares(part, whole, design, who)

    def fit(X: np.ndarray) -> clustered.Fit:
        return clustered.shares(part, whole, X, who)

    found = []
    for name, mine in _each(rows, by):
        decided = 0 < part[mine].sum() < whole[mine].sum() and 0 < part[~mine].sum() < whole[~mine].sum()
        versus, others = _contrast(fit, design, mine, level) if decided else (_none(level), None)
        expected = np.nan
        if others is not None:
            expected = float(np.average(special.expit(design[mine] @ others), weights=whole[mine]))
        raw = _raw_share(part[mine], whole[mine], who[mine], level)
        df = versus.df if np.isfinite(versus.df) else max(float(mine.sum()) - 1.0, 1.0)
        power = _power_of_doubling(overall, whole, mine, df)
        found.append(_compared(name, rows, mine, part[mine].sum(), raw, expected, versus, power))
    return found


def values(rows: pd.DataFrame, by: str, case_mix: tuple[str, ...], level: float) -> list[Compared]:
    """Compare yields (percent) by weighted least squares, weights from counting error and spread."""
    y = rows["part"].to_numpy(dtype=float)
    who = rows["patient_id"].to_numpy()
    weights = 1 / (rows["yield_pct_se"].to_numpy(dtype=float) ** 2 + np.var(y))
    design, _ = columns(rows, case_mix)

    def fit(X: np.ndarray) -> clustered.Fit:
        return clustered.values(y, X, who, weights=weights)

    found = []
    for name, mine in _each(rows, by):
        versus, _ = _contrast(fit, design, mine, level)
        raw = means.mean(pd.Series(y[mine]).groupby(who[mine]).mean(), level=level)
        power = _chance(YIELD_SHIFT_POINTS, versus.se, versus.df)
        expected = raw.estimate - versus.estimate
        found.append(_compared(name, rows, mine, np.nan, raw, expected, versus, power))
    return found


def shrunken(found: list[Compared], of_shares: bool, level: float) -> list[tuple[float, float, float]]:
    """Return raw values drawn towards the whole (logit scale for shares); NaN where there is no error."""
    value = np.array([c.raw.estimate for c in found])
    se = np.array([c.raw.se for c in found])
    if of_shares:
        with np.errstate(divide="ignore", invalid="ignore"):
            se, value = se / (value * (1 - value)), special.logit(value)
    usable = np.isfinite(value) & np.isfinite(se) & (se > 0)
    out = [(np.nan, np.nan, np.nan)] * len(found)
    if usable.sum() < 2:
        return out
    drawn = funnel.shrink(value[usable], se[usable], level=level)
    for i, k in enumerate(np.flatnonzero(usable)):
        three = np.array([drawn.estimate[i], drawn.low[i], drawn.high[i]])
        a, b, c = special.expit(three) if of_shares else three
        out[k] = (float(a), float(b), float(c))
    return out


def _raw_share(part: np.ndarray, whole: np.ndarray, who: np.ndarray, level: float) -> means.Mean:
    """Return the plain share: Wilson's interval for sessions counted yes or no, else the session as unit."""
    if not np.all(whole == 1):
        return means.ratio_of_totals(part, whole, clusters=who, level=level)
    found = proportions.proportion(part.sum(), len(part), level=level)
    p, n = float(found.estimate), len(part)
    se = float(np.sqrt(p * (1 - p) / n))
    return means.Mean(p, se, n - 1.0, float(found.low), float(found.high), level, n)


def _each(rows: pd.DataFrame, by: str) -> list[tuple[str, np.ndarray]]:
    return [(str(name), rows[by].eq(name).to_numpy(dtype=bool)) for name in sorted(rows[by].unique())]


def _contrast(
    fit: Callable[[np.ndarray], clustered.Fit], design: np.ndarray, mine: np.ndarray, level: float
) -> tuple[clustered.Contrast, np.ndarray | None]:
    try:
        found = fit(np.column_stack([design, mine.astype(float)]))
    except FitError:
        return _none(level), None
    picked = clustered.contrast(found, [*np.zeros(design.shape[1]), 1.0], level=level)
    return picked, found.beta[:-1]


def _none(level: float) -> clustered.Contrast:
    return clustered.Contrast(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, level)


def _power_of_doubling(overall: clustered.Fit, whole: np.ndarray, mine: np.ndarray, df: float) -> float:
    """Return the chance that doubled odds would have been flagged, at this operator's sessions.

    Variance of a logit rate over sessions: sum of n (1 + (n - 1) rho) / (N^2 p q).
    """
    p = float(np.average(overall.fitted[mine], weights=whole[mine]))
    doubled = DOUBLING * p / (1 + (DOUBLING - 1) * p)
    rho = overall.correlation

    def variance(chosen: np.ndarray, share: float) -> float:
        n = whole[chosen]
        return float((n * (1 + (n - 1) * rho)).sum() / (n.sum() ** 2 * share * (1 - share)))

    return _chance(float(np.log(DOUBLING)), float(np.sqrt(variance(mine, doubled) + variance(~mine, p))), df)


def _chance(shift: float, se: float, df: float) -> float:
    """Return the chance that a 95 % interval excludes no difference, on the side of a true shift."""
    if not (np.isfinite(se) and np.isfinite(df) and se > 0):
        return np.nan
    return float(stats.nct.sf(stats.t.ppf(0.975, df), df, shift / se))


def _compared(name, rows, mine, n_events, raw, expected, versus, power) -> Compared:
    here = rows[mine]
    n_sessions, n_patients = int(here["session_id"].nunique()), int(here["patient_id"].nunique())
    return Compared(name, n_sessions, n_patients, float(n_events), raw, expected, versus, power)
