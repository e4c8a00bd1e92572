"""Does one surgeon's planted hair grow like the others', zone for zone?

Each surgeon is set against *the others* together, never ranked: a mixed model of yield at maturity on zone
and whose placement it is, with a patient intercept and known sampling variances (as `yields.means`). A
surgeon's own mean counts in his own line only. Because a patient has one surgeon as a rule, the difference
is between patients: case mix can be in it, and what was adjusted for is said.
"""

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import pandas as pd

from analytics import measurement, numbers
from analytics.errors import FitError
from analytics.measurement import CountError
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line
from analytics.yields.choices import USUAL, Choices
from analytics.yields.means import (
    estimate,
    expected_variance,
    indicators,
    one_reading,
    with_case_mix,
)
from analytics.yields.rows import by_visit, with_reason


def against_others(
    records: Records,
    *,
    who: str = "surgeon_id",
    adjust: Sequence[str] = ("session_number",),
    level: float = LEVEL,
    choices: Choices = USUAL,
    rows: pd.DataFrame | None = None,
) -> Result:
    """Return each operator's yield at maturity minus the others', zone for zone, in points of yield.

    Parameters
    ----------
    who
        Column that names the operator: `surgeon_id` or `team_id`.
    adjust
        Case-mix columns held equal beside the zone.
    rows
        Rows of `by_visit` under these choices, where the caller has them already.

    Returns
    -------
    Result
        One line per operator: points of yield, interval, numbers of patients of both sides.

    Raises
    ------
    FitError
        When there is only one operator, or no reading is usable.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(against_others(clinic).table()["surgeon_id"].unique())
    ['S1', 'S2', 'S3']
    """
    visits = with_case_mix(by_visit(records, choices=choices) if rows is None else rows, records, adjust)
    picked = one_reading(visits).dropna(subset=[who])
    codes = sorted(visits[who].dropna().astype(str).unique())
    if picked[who].nunique() < 2:
        raise FitError(
            f"yields.against_others: {numbers.heading(who).lower()}: fewer than two have a mature count; "
            "nothing to compare"
        )
    error = measurement.error_model(records)
    lines: list[dict] = []
    checks: dict[str, bool] = {}
    for code in codes:
        row, of_fit = _own_minus_others(picked, (who, code), adjust, level, error)
        lines.append(row)
        checks |= {name: passed and checks.get(name, True) for name, passed in of_fit.items()}
    held = ", ".join(("zone", *adjust))
    method = (
        f"not a ranking: yield at maturity, own minus the others', adjusted for {held}; mixed model with a "
        f"patient intercept and known sampling variances, REML, Satterthwaite df, {100 * level:g} % interval"
    )
    return Result(pd.DataFrame(lines), with_reason(visits, "headline"), method, by=(who,), checks=checks)


def _own_minus_others(
    picked: pd.DataFrame, own_of: tuple[str, str], adjust: Sequence[str], level: float, error: CountError
) -> tuple[dict, dict[str, bool]]:
    """Return the line of one operator, in the zones he has planted, and the checks of its fit."""
    who, code = own_of
    is_own = picked[who].astype(str).eq(code)
    zones = sorted(set(picked.loc[is_own, "zone"]))
    same = picked[picked["zone"].isin(zones)]
    own = same[who].astype(str).eq(code).to_numpy()
    patients = int(same.loc[own, "patient_id"].nunique())
    report = _reporter(own_of, level, patients, int(own.sum()))
    if not own.any():
        return report(np.nan, flag="no mature reading"), {}
    if own.all() or patients < 2 or same.loc[~own, "patient_id"].nunique() < 2:
        return report(np.nan, flag="too few patients to compare"), {}
    zone = np.column_stack([same["zone"].eq(z).to_numpy(dtype=float) for z in zones])
    X = np.column_stack([own.astype(float), zone, indicators(same, list(adjust))])
    y = (same["yield_pct"] / same["planted_ratio"]).to_numpy(dtype=float)
    mean = same["zone"].map(pd.Series(y, index=same.index).groupby(same["zone"]).mean()).to_numpy(dtype=float)
    fit = estimate(y, X, same, expected_variance(same, mean, error), 1)
    value, se, df = (float(column[0]) for column in (fit.beta, fit.se, fit.df))
    return report(value, se=se, ci=limits(value, se, level=level, df=df), df=df), fit.checks


def _reporter(own_of: tuple[str, str], level: float, patients: int, rows: int) -> Callable[..., dict]:
    """Return `results.line` with all that does not hang on the fit filled in."""
    who, code = own_of
    return partial(
        line,
        "own minus the others",
        unit="points of yield",
        by={who: code},
        level=level,
        basis="model",
        n_patients=patients,
        n_rows=rows,
    )
