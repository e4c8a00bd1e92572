"""Each operator against the others at equal case mix: shares by odds, values by differences, and the power.

One who lies far off is no yardstick: who is beyond 99.8 % is left out of the others of everybody else, and
everybody is compared anew. The patient is the cluster of error.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from analytics.errors import FitError
from analytics.numerics import meta, proportions, regression
from analytics.review.units import columns

YIELD_SHIFT_POINTS = 5.0
DOUBLING = 2.0
BEYOND = 0.002  # p-value of an operator who is set apart from the others of everybody else
Versus = tuple[regression.Contrast, np.ndarray | None]
Against = Callable[[np.ndarray, np.ndarray], Versus]


@dataclass(frozen=True, slots=True)
class Compared:
    """One operator: counts, raw value, what the others would have had, difference, power (0 to 1).

    `part` and `whole` are the totals of a share; NaN for values.
    """

    name: str
    n_sessions: int
    n_patients: int
    part: float
    whole: float
    raw: proportions.Mean
    expected: float
    versus: regression.Contrast
    power: float


def shares(rows: pd.DataFrame, by: str, case_mix: tuple[str, ...], level: float) -> list[Compared]:
    """Compare shares on the logit scale; no difference where one side has no event."""
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    who = rows["patient_id"].to_numpy()
    design, _ = columns(rows, case_mix)
    overall = regression.shares(part, whole, design, who)

    def against(mine: np.ndarray, others: np.ndarray) -> tuple[regression.Contrast, np.ndarray | None]:
        here = mine | others
        if not all(0 < part[side].sum() < whole[side].sum() for side in (mine, others)):
            return _none(level), None

        def fit(X: np.ndarray) -> regression.Fit:
            return regression.shares(part[here], whole[here], X, who[here])

        return _contrast(fit, design[here], mine[here], level)

    compared = []
    for name, mine, (versus, others) in _set_apart(_each(rows, by), against):
        expected = np.nan
        if others is not None:
            expected = float(np.average(scipy.special.expit(design[mine] @ others), weights=whole[mine]))
        raw = _raw_share(part[mine], whole[mine], who[mine], level)
        df = versus.df if np.isfinite(versus.df) else max(float(mine.sum()) - 1.0, 1.0)
        power = _power_of_doubling(overall, whole, mine, df)
        compared.append(_compared(name, rows, mine, raw, expected, versus, power))
    return compared


def values(rows: pd.DataFrame, by: str, case_mix: tuple[str, ...], level: float) -> list[Compared]:
    """Compare yields (percent) by weighted least squares, weights from counting error and spread."""
    y = rows["part"].to_numpy(dtype=float)
    who = rows["patient_id"].to_numpy()
    weights = 1 / (rows["yield_pct_se"].to_numpy(dtype=float) ** 2 + np.var(y))
    design, _ = columns(rows, case_mix)

    def against(mine: np.ndarray, others: np.ndarray) -> tuple[regression.Contrast, np.ndarray | None]:
        here = mine | others

        def fit(X: np.ndarray) -> regression.Fit:
            return regression.values(y[here], X, who[here], weights=weights[here])

        return _contrast(fit, design[here], mine[here], level)

    compared = []
    for name, mine, (versus, _) in _set_apart(_each(rows, by), against):
        raw = proportions.mean(pd.Series(y[mine]).groupby(who[mine]).mean(), level=level)
        power = _chance(YIELD_SHIFT_POINTS, versus.se, versus.df)
        expected = raw.estimate - versus.estimate
        compared.append(_compared(name, rows, mine, raw, expected, versus, power, of_odds=False))
    return compared


def _set_apart(each: list[tuple[str, np.ndarray]], against: Against) -> list[tuple[str, np.ndarray, Versus]]:
    """Return each operator against the others, those far off left out of everybody else's others.

    The one farthest beyond 99.8 % is set apart and all are compared anew, until nobody is left beyond it; at
    least two always stay, so that there are others.
    """
    apart: set[str] = set()
    while True:
        usual = np.any([mine for name, mine in each if name not in apart], axis=0)
        found = [(name, mine, against(mine, usual & ~mine)) for name, mine in each]
        far = {
            name: abs(versus.estimate / versus.se)
            for name, _, (versus, _) in found
            if name not in apart and versus.p_value < BEYOND
        }
        if not far or len(each) - len(apart) <= 2:
            return found
        apart.add(max(far, key=lambda name: far[name]))


def shrunken(compared: list[Compared], of_odds: bool, level: float) -> list[tuple[float, float, float]]:
    """Return raw values drawn towards the whole (logit scale for shares); NaN where there is no error.

    How far operators differ is summed over, not taken from a few of them as known (`numerics.meta.few`).
    """
    value = np.array([c.raw.estimate for c in compared])
    se = np.array([c.raw.se for c in compared])
    if of_odds:
        with np.errstate(divide="ignore", invalid="ignore"):
            se, value = se / (value * (1 - value)), scipy.special.logit(value)
    usable = np.isfinite(value) & np.isfinite(se) & (se > 0)
    out = [(np.nan, np.nan, np.nan)] * len(compared)
    if usable.sum() < 2:
        return out
    scale = meta.SCALE_OF_LOGS if of_odds else meta.SCALE_OF_POINTS
    fit = meta.few(value[usable], se[usable] ** 2, scale=scale)
    for own, k in zip(fit.groups, np.flatnonzero(usable), strict=True):
        three = np.array([own.mean, *own.interval(level)])
        a, b, c = scipy.special.expit(three) if of_odds else three
        out[k] = (float(a), float(b), float(c))
    return out


def _raw_share(part: np.ndarray, whole: np.ndarray, who: np.ndarray, level: float) -> proportions.Mean:
    """Return the plain share: Wilson's interval for sessions counted yes or no, else the session as unit."""
    if not np.all(whole == 1):
        return proportions.ratio_of_totals(part, whole, clusters=who, level=level)
    wilson = proportions.proportion(part.sum(), len(part), level=level)
    p, n = float(wilson.estimate), len(part)
    se = float(np.sqrt(p * (1 - p) / n))
    return proportions.Mean(p, se, n - 1.0, float(wilson.low), float(wilson.high), level, n)


def _each(rows: pd.DataFrame, by: str) -> list[tuple[str, np.ndarray]]:
    return [(str(name), rows[by].eq(name).to_numpy(dtype=bool)) for name in sorted(rows[by].unique())]


def _contrast(
    fit: Callable[[np.ndarray], regression.Fit], design: np.ndarray, mine: np.ndarray, level: float
) -> tuple[regression.Contrast, np.ndarray | None]:
    """Return this operator less the others, and the others' model; no contrast where it cannot be fitted."""
    try:
        both = fit(np.column_stack([design, mine.astype(float)]))
    except FitError:
        return _none(level), None
    versus = regression.contrast(both, [*np.zeros(design.shape[1]), 1.0], level=level)
    return versus, both.beta[:-1]


def _none(level: float) -> regression.Contrast:
    return regression.Contrast(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, level)


def _power_of_doubling(overall: regression.Fit, whole: np.ndarray, mine: np.ndarray, df: float) -> float:
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
    return float(scipy.stats.nct.sf(scipy.stats.t.ppf(0.975, df), df, shift / se))


def _compared(
    name: str,
    rows: pd.DataFrame,
    mine: np.ndarray,
    raw: proportions.Mean,
    expected: float,
    versus: regression.Contrast,
    power: float,
    *,
    of_odds: bool = True,
) -> Compared:
    here = rows[mine]
    return Compared(
        name,
        int(here["session_id"].nunique()),
        int(here["patient_id"].nunique()),
        float(here["part"].sum()) if of_odds else np.nan,
        float(here["whole"].sum()) if of_odds else np.nan,
        raw,
        expected,
        versus,
        power,
    )
