"""One reported number as a row, its limits, and from how many patients it has any."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError

# The only columns a table may hold after its `by` columns, in this order.
TABLE_COLUMNS = (
    "term",
    "x",
    "estimate",
    "se",
    "ci_low",
    "ci_high",
    "level",
    "unit",
    "basis",
    "numerator",
    "denominator",
    "n_patients",
    "n_rows",
    "statistic",
    "df",
    "p_value",
    "flag",
)
# What a number is made of, which decides how it is treated where small counts are withheld (`disclosure`).
BASES = {
    "model": "estimated; gives no count of persons back",
    "count": "a count of persons or things: the estimate itself, or its numerator",
    "share": "numerator over denominator, both declared",
    "counts": "computed from counts of persons, and would give them back: a limit of a chart, a difference",
    "quantile": "a quantile of persons, which is one person's value where they are few",
}
LEVEL = 0.95
# Patients from which an interval over patients is given, of whatever number (`line`): Student's is 13 errors
# either way with two, 4.3 with three, 2.8 with five. That of a share must be narrower than 90 points too.
# Choices of ours.
LEAST_FOR_INTERVAL, WIDEST_SHARE = 5, 90.0
NO_INTERVAL = f"fewer than {LEAST_FOR_INTERVAL} patients: no interval"
# What a line about one patient declares: its limits are of a count or of what is to come, not over patients.
OF_ONE: dict[str, Any] = {"n_patients": 1, "over_patients": False}
SAYS_NOTHING = "no interval: it would span nearly 0 to 100 %; more patients are needed"


def line(
    term: str,
    estimate: ArrayLike,
    unit: str,
    *,
    by: Mapping[str, Any] | None = None,
    x: ArrayLike | None = None,
    se: ArrayLike | None = None,
    ci: tuple[ArrayLike, ArrayLike] | None = None,
    level: float | None = None,
    basis: str | None = None,
    numerator: float | None = None,
    denominator: float | None = None,
    n_patients: int | None = None,
    n_rows: int | None = None,
    statistic: float | None = None,
    df: float | None = None,
    p_value: float | None = None,
    flag: ArrayLike | None = None,
    over_patients: bool = True,
) -> dict[str, Any]:
    """Return one line of a result's table: the groups, then what is known of the number, in the fixed order.

    Of arrays (a curve: `x` and what changes along it) a frame of the line holds a row each. An interval over
    fewer than LEAST_FOR_INTERVAL patients is left out, and the flag says so.

    Parameters
    ----------
    term, estimate, unit
        Name of the number, its value, its unit in words.
    by
        The groups it belongs to, e.g. `{"zone": "crown"}`.
    ci
        Lower and upper limit, for example of `limits`.
    x, se, level, numerator, denominator, n_patients, n_rows, statistic, df, p_value, flag
        Columns of TABLE_COLUMNS, where they are known; counts are whole numbers, the flag is in words.
    basis
        One of BASES; a `share` declares its numerator and denominator.
    over_patients
        False where the limits are not over patients: of one count, of one patient's outcome, of a bound.

    Returns
    -------
    dict
        Column of TABLE_COLUMNS to value; what is not known is left out.

    Raises
    ------
    ParameterError
        When the basis is unknown, or a share hands over no counts.

    Examples
    --------
    >>> list(line("seen", 75.0, "%", basis="share", numerator=3, denominator=4).items())[3:]
    [('basis', 'share'), ('numerator', 3), ('denominator', 4)]
    """
    if basis is not None and basis not in BASES:
        raise ParameterError(f"results.line(basis): unknown; use one of {', '.join(BASES)}")
    if basis == "share" and (numerator is None or denominator is None):
        raise ParameterError("results.line(basis): a share declares its numerator and denominator")
    if over_patients and ci is not None and is_few(n_patients):
        had = bool(np.isfinite(np.asarray(ci, dtype=float)).any())
        ci, flag = (np.nan, np.nan), _without_interval(flag, had)
    low, high = ci if ci is not None else (None, None)
    given = {
        "term": term,
        "x": x,
        "estimate": estimate,
        "se": se,
        "ci_low": low,
        "ci_high": high,
        "level": level,
        "unit": unit,
        "basis": basis,
        "numerator": numerator,
        "denominator": denominator,
        "n_patients": n_patients,
        "n_rows": n_rows,
        "statistic": statistic,
        "df": df,
        "p_value": p_value,
        "flag": flag,
    }
    return {**(by or {}), **{name: value for name, value in given.items() if value is not None}}


def is_few(n_patients: float | None) -> bool:
    """Return whether so many patients, where their number is known, are too few for an interval."""
    return n_patients is not None and n_patients < LEAST_FOR_INTERVAL


def _without_interval(flag: Any, had_one: bool) -> Any:
    """Return a flag, or several, that says that few patients give no interval, unless it says why."""
    if flag is not None and np.ndim(flag):
        return [_without_interval(each, had_one) for each in flag]
    said = str(flag or "")
    if said and (not had_one or NO_INTERVAL in said):
        return said
    return f"{said}; {NO_INTERVAL}" if said else NO_INTERVAL


def limits(estimate: ArrayLike, se: ArrayLike, *, level: float = LEVEL, df: ArrayLike = np.inf) -> tuple:
    """Return lower and upper limit: estimate -+ the quantile of t (normal for infinite df) times its error.

    Parameters
    ----------
    estimate, se, df
        Numbers, or arrays of one shape; the limits have that shape.

    Returns
    -------
    tuple
        Lower and upper limit.

    Examples
    --------
    >>> low, high = limits(10.0, 1.0, level=0.95)
    >>> round(float(low), 2), round(float(high), 2)
    (8.04, 11.96)
    """
    centre, error = np.asarray(estimate, dtype=float), np.asarray(se, dtype=float)
    half = scipy.stats.t.ppf(0.5 + level / 2, np.asarray(df, dtype=float)) * error
    low, high = centre - half, centre + half
    return (float(low), float(high)) if low.ndim == 0 else (low, high)


def of_share(low: float, high: float, n_patients: float) -> tuple[tuple[float, float], str]:
    """Return the limits of a share in percent, or none and why: too few patients, or limits that say nothing.

    Parameters
    ----------
    low, high
        Limits in percent.
    n_patients
        Patients it rests on, 0 or more.

    Returns
    -------
    tuple
        The limits, NaN where none are said, and the reason, empty where they are.

    Examples
    --------
    >>> of_share(12.0, 71.0, 6)
    ((12.0, 71.0), '')
    >>> of_share(0.0, 99.9, 6)[1] == SAYS_NOTHING, of_share(12.0, 71.0, 4)[1] == NO_INTERVAL
    (True, True)
    """
    why = NO_INTERVAL if is_few(n_patients) else SAYS_NOTHING if high - low > WIDEST_SHARE else ""
    return ((np.nan, np.nan) if why else (low, high)), why
