"""At what planted density does yield begin to fall, within zone?

A bend: yield is level up to a density k and changes in a straight line beyond it, adjusted for zone and case
mix, with a patient intercept and known counting variances (two-phase regression, Hinkley 1971, Biometrika
58:91-94; segmented regression, Muggeo 2003, Stat Med 22:3055-3071). The variance components are those of the
model without a bend. k is searched over the middle of the densities; the chance that a bend as steep would
be found where yield is level is that of the smallest of as many correlated t values, drawn (the search is
paid for). Limits of k and of the slope are profile limits of that likelihood. The smooth curve beside it is
a natural cubic spline.

Only planted zones whose hairs were counted in the region stand here. Elsewhere the traced area makes both
the density and the yield, and an error of it would look like a fall. Density is that of the whole zone:
where regions differ from it, a true fall looks a little flatter.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics import bench, yields
from analytics.factors.adjusted import (
    CANNOT_TELL,
    FALLS,
    NO_MORE,
    USED,
    adjusted_for,
    formula,
    too_few,
    would_do,
)
from analytics.records import Records
from analytics.results import LEVEL, Result, line

SEARCHED = (0.10, 0.85)  # quantiles of density between which a bend is looked for
STEPS = 24
DRAWS = 4000
POWERED = 2.8  # standard errors: what is found four times in five (1.96 + 0.84)
MATTERS = 1.0  # points of yield a graft/cm2: 10 points over 10 grafts/cm2
NOT_COUNTED = "planted hairs not counted in the region"
UNIT = "grafts/cm2"


@dataclass(frozen=True, slots=True)
class Bend:
    """A bend in yield: its density, slope beyond it, profile limits, and the chance under a level yield."""

    at: float
    at_limits: tuple[float, float]
    slope: float
    slope_limits: tuple[float, float]
    p_value: float
    middle_se: float


def by_density(
    records: Records, *, choices: yields.Choices = yields.USUAL, level: float = LEVEL, seed: int = 1
) -> Result:
    """Return the planted density from which yield is established to fall, or that it cannot be told.

    Parameters
    ----------
    seed
        Of the draws behind the chance under a level yield.

    Returns
    -------
    Result
        `falls from` (grafts/cm2), `slope beyond it`, and `yield at` densities, the smooth curve.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> by_density(clinic).table()["unit"].unique().tolist()
    ['grafts/cm2', 'points a graft/cm2', '% of planted hairs']
    """
    frame = bench.units(records, choices=choices).frame
    counted = frame["roi_planted_hairs_cm2"].notna()
    frame = frame.assign(
        density=frame["grafts"] / frame["area_cm2"],
        reason=frame["reason"].where(frame["reason"].ne("") | counted, NOT_COUNTED),
    )
    analysed = frame[frame["reason"].eq("") & frame["density"].notna()].reset_index(drop=True)
    if gap := too_few(analysed, "yield by planted density"):
        return gap
    level_fit = bench.model(formula(analysed, "yield_pct"), analysed)
    found = bend(level_fit, level_fit.frame["density"].to_numpy(dtype=float), level=level, seed=seed)
    lines = [*_said(found, level_fit, level), *_smooth(analysed, level)]
    method = (
        f"a bend in yield searched over {STEPS} densities, variances those of the model without it, "
        f"{DRAWS} draws, seed {seed}; matters from {MATTERS:g} point a graft/cm2, a choice of this "
        f"workbook; {adjusted_for(level_fit)}"
    )
    return Result(pd.DataFrame(lines), frame[USED], method, checks=level_fit.checks)


def bend(fitted: bench.Model, x: np.ndarray, *, level: float = LEVEL, seed: int = 1) -> Bend:
    """Return where an outcome begins to fall with x, given a model without x.

    Parameters
    ----------
    fitted
        The level model: its columns, outcome, patients and variances.
    x
        Shape (n,).
    """
    root = _whitening(fitted)
    columns, y = root(fitted.X), root(fitted.y[:, None])[:, 0]
    q = scipy.linalg.orth(columns)
    y = y - q @ (q.T @ y)
    places = np.unique(np.quantile(x, np.linspace(*SEARCHED, STEPS)))
    hinges = root(np.maximum(x[:, None] - places, 0.0))
    hinges = hinges - q @ (q.T @ hinges)
    size = np.sqrt(np.maximum((hinges**2).sum(axis=0), 1e-12))
    slope, t = hinges.T @ y / size**2, hinges.T @ y / size
    lowest = int(np.argmin(t))
    df = max(len(np.unique(fitted.patient)) - columns.shape[1] - 1, 1)
    rng = np.random.default_rng(seed)
    alike = (hinges / size).T @ (hinges / size)
    drawn = rng.multivariate_normal(np.zeros(len(places)), alike, size=DRAWS, method="eigh")
    drawn = drawn.min(axis=1) / np.sqrt(rng.chisquare(df, DRAWS) / df)
    p = float((1 + (drawn <= t[lowest]).sum()) / (DRAWS + 1))
    left = scipy.stats.chi2.ppf(level, 1) - (t[lowest] ** 2 - t**2)
    inside = (left >= 0) & (t < 0) if t[lowest] < 0 else np.ones(len(t), dtype=bool)
    half = np.sqrt(np.maximum(left, 0.0)) / size
    middle = int(np.argmin(np.abs(places - np.median(x))))
    return Bend(
        float(places[lowest]),
        (float(places[inside].min()), float(places[inside].max())),
        float(slope[lowest]),
        (float((slope - half)[inside].min()), float((slope + half)[inside].max())),
        p,
        float(1 / size[middle]),
    )


def _whitening(fitted: bench.Model):
    """Return the function that takes the model's covariance out of columns (n, m), patient by patient."""
    known = np.zeros(len(fitted.y)) if fitted.variance is None else fitted.variance
    if fitted.mixed_fit is None:
        rest = fitted.y - fitted.X @ np.linalg.lstsq(fitted.X, fitted.y, rcond=None)[0]
        own = np.full(len(rest), rest @ rest / max(len(rest) - fitted.X.shape[1], 1))
        between = 0.0
    else:
        own = fitted.mixed_fit.sigma**2 + known
        between = float(fitted.mixed_fit.covariances[0][0, 0])
    patients = fitted.patient
    groups = [np.flatnonzero(patients == g) for g in np.unique(patients)]
    roots = [np.linalg.cholesky(np.diag(own[g]) + between) for g in groups]

    def whiten(columns: np.ndarray) -> np.ndarray:
        out = np.empty_like(columns, dtype=float)
        for g, root in zip(groups, roots, strict=True):
            out[g] = scipy.linalg.solve_triangular(root, columns[g], lower=True)
        return out

    return whiten


def _said(found: Bend, fitted: bench.Model, level: float) -> list[dict]:
    n = int(fitted.frame["patient_id"].nunique())
    known: dict[str, Any] = {"level": level, "basis": "model", "n_patients": n, "n_rows": len(fitted.frame)}
    is_told = found.p_value < 1 - level
    if is_told:
        flag = FALLS
    elif POWERED * found.middle_se <= MATTERS:
        flag = NO_MORE
    else:
        flag = f"{CANNOT_TELL}; {would_do(POWERED * found.middle_se, n, MATTERS)}"
    at = found.at if is_told else np.nan
    limits = found.at_limits if is_told else None
    return [
        line("falls from", at, UNIT, ci=limits, p_value=found.p_value, flag=flag, **known),
        line("slope beyond it", found.slope if is_told else np.nan, "points a graft/cm2",
             ci=found.slope_limits if is_told else None, flag=None if is_told else flag, **known),
    ]  # fmt: skip


def _smooth(analysed: pd.DataFrame, level: float) -> list[dict]:
    """Return the smooth curve at five densities, in the zone most often planted, of a middle case."""
    fitted = bench.model(formula(analysed, "yield_pct", "cr(density, df=3)"), analysed)
    usual = {c: fitted.frame[c].mode().iloc[0] for c in ("zone", "curl", "on_therapy")}
    # Whole grafts: a quantile would be one patient's density.
    at = np.unique(np.round(np.quantile(fitted.frame["density"], [0.1, 0.3, 0.5, 0.7, 0.9])))
    rows = pd.DataFrame({"density": at, "age_years": fitted.frame["age_years"].median(), **usual})
    told = fitted.predict(rows, level=level)
    n = int(fitted.frame["patient_id"].nunique())
    return [
        line(f"yield at {x:.0f} {UNIT}, {usual['zone']}", one.estimate, "% of planted hairs",
             se=one.std_error, ci=(one.conf_low, one.conf_high), level=level, basis="model", n_patients=n,
             n_rows=len(fitted.frame))
        for x, one in zip(at, told.itertuples(), strict=True)
    ]  # fmt: skip
