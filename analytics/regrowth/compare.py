"""Which curve, and does zone, method or surgeon matter? Emergence models compared by likelihood.

All models are fitted by ML to the same rows with the same sampling variances, those of the first shape.
Shapes are not nested: their AIC stands beside them. Models with and without a factor are nested: twice the
gain in log-likelihood is referred to chi-square. The likelihood is that of the marginal mean with its linear
covariance (`numerics.nonlinear_marginal`).
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from scipy import stats

from analytics import measurement, yields
from analytics.measurement import CountError
from analytics.numerics.nonlinear import SHAPES
from analytics.records import Records
from analytics.regrowth import rows as regrowth_rows
from analytics.regrowth.layout import (
    HALF,
    NATIVE,
    PLATEAU,
    STEEPNESS,
    Layout,
    expected_variance,
    fit_or_simplify,
    lay_out,
)
from analytics.regrowth.rows import EmergenceRows
from analytics.results import Result

FACTORS = ("method", "surgeon_id", "session_number", "out_of_body_min")


@dataclass(frozen=True, slots=True)
class Likelihood:
    """What `regrowth.compare` needs of a fit."""

    loglik: float
    aic: float
    n_fixed: int
    known_variance: np.ndarray
    converged: bool
    curve: str
    start: tuple[np.ndarray, ...]


def likelihood(
    rows: EmergenceRows, *, error: CountError, curve: str, common: str = "", near: "Likelihood | None" = None
) -> Likelihood:
    """Return the ML fit of a model in which all zones may share one plateau or one tempo (`common`).

    `near` is a like model already fitted: its sampling variances are held, its estimates are the start.
    """
    _, found, _ = fit_or_simplify(
        partial(_laid_out, rows, curve, common, near),
        lambda layout: (
            partial(expected_variance, layout.counting, error) if near is None else near.known_variance
        ),
        "ML",
    )
    start = tuple(found.beta[s] for s in found.slices)
    return Likelihood(
        found.loglik, found.aic, len(found.beta), found.known_variance, found.converged, curve, start
    )


def _laid_out(rows: EmergenceRows, curve: str, common: str, near: Likelihood | None, sharing: int) -> Layout:
    layout = lay_out(rows, curve, False, None, sharing=sharing)
    if near is not None:
        _start_near(layout, near)
    for k in {"plateau": (PLATEAU,), "tempo": (HALF, STEEPNESS)}.get(common, ()):
        n_own = len(rows.zones) if k == PLATEAU else layout.designs[k].shape[1]
        layout.designs[k] = np.hstack([np.ones((len(layout.y), 1)), layout.designs[k][:, n_own:]])
        layout.start[k] = np.append(layout.start[k][:n_own].mean(), layout.start[k][n_own:])
    return layout


def _start_near(layout: Layout, near: Likelihood) -> None:
    """Take over the other model's estimates, but for case mix and for the tempo of another shape."""
    for k in (NATIVE, PLATEAU, HALF, STEEPNESS):
        if k >= HALF and near.curve != layout.curve_name:
            continue
        n = min(len(layout.start[k]), len(near.start[k]))
        layout.start[k][:n] = near.start[k][:n]


def compare(
    records: Records,
    *,
    shapes: tuple[str, ...] = SHAPES,
    factors: tuple[str, ...] = FACTORS,
    choices: yields.Choices = yields.USUAL,
) -> Result:
    """Compare curve shapes, and models with and without zone and each factor.

    Parameters
    ----------
    shapes
        Curve shapes to compare by AIC, the first being the one factors are tested under.
    factors
        Columns tested one at a time on the plateau.
    choices
        What the yields rest on.

    Returns
    -------
    Result
        A row a shape (AIC less that of the best) and a row a factor (likelihood-ratio statistic, df, p).
    """
    error = measurement.error_model(records)
    visits = yields.by_visit(records, choices=choices)
    plain = regrowth_rows.prepare(visits, records)
    weigh = partial(likelihood, error=error)
    first = weigh(plain, curve=shapes[0])
    by_shape = {shape: weigh(plain, curve=shape, near=first) for shape in shapes}
    held = partial(likelihood, error=error, near=by_shape[shapes[0]])
    rows = _shape_rows(by_shape)
    rows += _zone_rows(held, plain, by_shape[shapes[0]], shapes[0])
    for factor in factors:
        laid = regrowth_rows.prepare(visits, records, case_mix=(factor,))
        rows.append(_factor_row(held, laid, by_shape[shapes[0]], shapes[0], factor))
    checks = {"converged": all(f.converged for f in by_shape.values())}
    method = (
        "emergence models by ML (marginal mean, linear covariance); shapes by AIC, factors by likelihood "
        "ratio; "
        f"factors under the {shapes[0]} shape; native change {choices.native_change}"
    )
    return Result(pd.DataFrame(rows), plain.used, method, checks=checks)


def _shape_rows(by_shape: dict) -> list[dict]:
    best = min(f.aic for f in by_shape.values())
    return [
        {
            "term": f"shape: {shape}",
            "estimate": f.aic - best,
            "unit": "AIC above the best",
            "statistic": f.loglik,
            "df": np.nan,
            "p_value": np.nan,
            "flag": "" if f.converged else "did not converge",
        }
        for shape, f in by_shape.items()
    ]


def _zone_rows(fit, plain: regrowth_rows.EmergenceRows, base, shape: str) -> list[dict]:
    """Return the tests of one plateau, and of one tempo, for all zones."""
    if len(plain.zones) < 2:
        return []
    return [
        _ratio_row(fit(plain, curve=shape, common=common), base, term)
        for common, term in (("plateau", "zone: plateau"), ("tempo", "zone: tempo"))
    ]


def _factor_row(fit, rows: regrowth_rows.EmergenceRows, base, shape: str, factor: str) -> dict:
    if not rows.mix:
        flag = "one value only"
        return {**_ratio_cells(np.nan, 0, f"plateau: {factor}"), "flag": flag}
    return _ratio_row(base, fit(rows, curve=shape), f"plateau: {factor}")


def _ratio_row(smaller, larger, term: str) -> dict:
    df = larger.n_fixed - smaller.n_fixed
    row = _ratio_cells(2 * (larger.loglik - smaller.loglik), df, term)
    settled = smaller.converged and larger.converged
    return {**row, "flag": "" if settled else "did not converge"}


def _ratio_cells(statistic: float, df: int, term: str) -> dict:
    p = float(stats.chi2.sf(max(statistic, 0.0), df)) if df > 0 and np.isfinite(statistic) else np.nan
    return {
        "term": term,
        "estimate": statistic,
        "unit": "likelihood ratio",
        "statistic": statistic,
        "df": float(df),
        "p_value": p,
    }
