"""One term of a formula as a line: its estimate adjusted for zone and case mix, and what it tells.

    higher, lower     the interval leaves out 0
    no such difference    it includes 0 and lies within the difference that would matter
    cannot be told    it includes 0 and reaches further; about n (h / w)^2 patients would do, with h the
                      interval's half width now and w the half width that would decide if the estimate e
                      stayed: the larger of m - |e| and |e|, m being the difference that would matter

The difference that matters is 10 points of yield, a choice of ours (no source).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics import bench, results
from analytics.results import LEVEL, Gap, Result

MATTERS = 10.0  # points of yield, or of a chance in percent
CASE_MIX = ("age_years", "curl", "on_therapy")
FEWEST_PATIENTS = 12  # under which nothing is fitted; a choice of ours
FEWEST_A_SIDE = 5  # patients on the smaller side of a comparison; a choice of ours
LEAST_DF = 1.0  # behind an error, under which Student's limits say nothing; a choice of ours
HIGHER, LOWER, NO_MORE, CANNOT_TELL = "higher", "lower", "no difference that matters", "cannot be told"
FALLS = "falls"
KNOWN = " and known sampling variances"
USED = ["patient_id", "placement_id", "zone", "reason"]


def formula(frame: pd.DataFrame, outcome: str, *terms: str, mix: Sequence[str] = CASE_MIX) -> str:
    """Return the formula of an outcome on zone, case mix and terms; what does not vary is left out."""
    varies = [c for c in ("zone", *mix) if frame[c].nunique() > 1]
    return f"{outcome} ~ {' + '.join([*varies, *terms]) or '1'}"


def told(low: float, high: float, n_patients: int, matters: float = MATTERS) -> str:
    """Return what an interval of a difference tells; where nothing, about how many patients would do.

    >>> told(-3.0, 5.0, 80), told(-20.0, 20.0, 80)
    ('no difference that matters', 'cannot be told; about 320 patients would do')
    """
    if low > 0 or high < 0:
        return HIGHER if low > 0 else LOWER
    if -matters < low and high < matters:
        return NO_MORE
    off = abs(low + high) / 2
    return f"{CANNOT_TELL}; {would_do((high - low) / 2, n_patients, max(matters - off, off))}"


def would_do(half: float, n_patients: int, wanted: float) -> str:
    """Return in words about how many patients like these bring the half width down to the one wanted."""
    if not np.isfinite(half):
        return "the records do not part it from zone and case mix"
    needed = n_patients * (half / wanted) ** 2
    step = 10.0 ** max(np.floor(np.log10(needed)) - 1, 0.0)
    return f"about {int(np.ceil(needed / step) * step):,} patients would do"


def difference(
    fitted: bench.Model,
    term: str,
    name: str,
    unit: str,
    *,
    matters: float = MATTERS,
    level: float = LEVEL,
    level_used: float | None = None,
    most_df: float = np.inf,
    by: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return one coefficient as a line of a result.

    Parameters
    ----------
    term
        Of the model; NaN limits where it is not estimated.
    name, unit
        As the line says them.
    level_used
        Of one interval where `level` is that of several together.
    most_df
        Degrees of freedom at most, where fewer stand behind the error than the fit can know. Under LEAST_DF
        there is no number: the spread of a patient's own sessions then rests on one who came twice.
    """
    used = level if level_used is None else level_used
    rows = fitted.tidy(level=used).set_index("term")
    n = int(fitted.frame["patient_id"].nunique())
    if term not in rows.index:
        return results.line(name, np.nan, unit, by=by, n_patients=n, flag=f"{CANNOT_TELL}; not parted")
    row = rows.loc[term]
    estimate, se, df = (float(row[c]) for c in ("estimate", "std_error", "df"))
    df = min(df, most_df)
    if df < LEAST_DF:
        why = f"{CANNOT_TELL}; too few patients came more than once to know its error"
        return results.line(name, np.nan, unit, by=by, n_patients=n, n_rows=len(fitted.frame), flag=why)
    low, high = results.limits(estimate, se, level=used, df=df)
    return results.line(
        name,
        estimate,
        unit,
        by=by,
        se=se,
        ci=(low, high),
        level=level,
        basis="model",
        n_patients=n,
        n_rows=len(fitted.frame),
        statistic=float(row["statistic"]),
        df=df,
        p_value=float(2 * scipy.stats.t.sf(abs(row["statistic"]), df)),
        flag=told(low, high, n, matters),
    )


def too_few(frame: pd.DataFrame, what: str, compared: pd.Series | None = None) -> Result | None:
    """Return a result without an answer where patients are too few, in all or on a side; else None."""
    n = frame["patient_id"].nunique()
    if n < FEWEST_PATIENTS:
        return results.unanswered(
            Gap(f"Cannot be told: {what} needs {FEWEST_PATIENTS} patients with a usable count, and there "
                f"{are(n)}.")
        )  # fmt: skip
    if compared is None:
        return None
    sides = [frame.loc[compared.eq(side), "patient_id"].nunique() for side in (True, False)]
    if min(sides) >= FEWEST_A_SIDE:
        return None
    return results.unanswered(
        Gap(f"Cannot be told: {what} needs {FEWEST_A_SIDE} patients on the smaller side, and there "
            f"{are(min(sides))}.")
    )  # fmt: skip


def are(n: int) -> str:
    """Return a number as it goes on after *there*: `is 1`, `are 3`."""
    return "is 1" if n == 1 else f"are {n}"


def adjusted_for(fitted: bench.Model, *, matters: str = f"{MATTERS:g} points") -> str:
    """Return the method of an adjusted difference in words."""
    # The bench names the counting variances that only a yield has.
    done = fitted.method if fitted.variance is not None else fitted.method.replace(KNOWN, "")
    return (
        f"{fitted.formula}; {done}; matters from {matters}, a choice of this workbook; observational: a "
        "difference may be that of the cases"
    )
