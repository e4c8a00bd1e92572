"""Does a complication, or a yes of the patient, differ between groups? Risks, and bounds for the unseen.

Marginal logistic regression over patients (`numerics.marginal`), standardised to the study's own mix: the
difference of risks in points, with ratio beside. Where a group has no event, or nothing but events, the
odds ratio does not exist: then Newcombe's interval for two shares, one session a patient. Best and worst
case: every unit without an outcome counted against one group, then against the other.

Sources: Liang & Zeger 1986, Biometrika 73:13-22; Mancl & DeRouen 2001, Biometrics 57:126-134; Newcombe 1998,
Stat Med 17:873-890; Hollis & Campbell 1999, BMJ 319:670-674 (best and worst case; from memory).
"""

import numpy as np
import pandas as pd
from scipy import stats

from analytics.errors import FitError
from analytics.numerics import marginal, proportions
from analytics.results import LEVEL
from analytics.study_columns import Columns
from analytics.study_effects import Effect, unknown

POINTS = 100.0
GEE = (
    "marginal logistic regression, answers of a patient equally correlated, errors enlarged for few patients "
    "(Mancl & DeRouen); risks standardised to the study's own mix"
)
NEWCOMBE = (
    "two shares, one session a patient, Newcombe's interval and Fisher's exact test; nothing held equal: a "
    "group has no event"
)
# Two events a column is the least a logistic model can be asked to carry (common practice, no source).
EVENTS_A_COLUMN = 2


def risk_difference(units: pd.DataFrame, columns: Columns) -> Effect:
    """Return the difference of risks in points, compared less reference.

    `more` holds the risks in percent, their log ratio with its error, and the correlation of two answers of
    a patient.
    """
    y = units["y"].to_numpy(dtype=float)
    patient = units["patient_id"].to_numpy(dtype=object).astype(str)
    fit, X, notes = _fit(y, columns, patient)
    if fit is None:
        return _plain(units)
    found = marginal.standardised(fit, X, 0)
    return Effect(
        POINTS * found.difference, POINTS * found.difference_se, fit.df, fit.n_clusters, len(y), GEE,
        p_value=_p_odds(fit), checks=dict(fit.checks), notes=notes,
        more={
            "risk_compared": POINTS * found.compared, "risk_reference": POINTS * found.reference,
            "log_ratio": found.log_ratio, "log_ratio_se": found.log_ratio_se, "correlation": fit.correlation,
        },
    )  # fmt: skip


def _fit(y: np.ndarray, columns: Columns, patient: np.ndarray):
    """Return the fit with as much held equal as the events carry, its columns, and what is to be noted."""
    whole, notes = _carried(columns, y)
    for X, said in ((whole, notes), (columns.X[:, :2], ("nothing could be held equal: too few events",))):
        try:
            return marginal.logistic(y, X, patient), X, said
        except FitError:
            continue
    return None, columns.X, ()


def _p_odds(fit: marginal.MarginalFit) -> float:
    return float(2 * stats.t.sf(abs(fit.beta[0]) / np.sqrt(fit.cov[0, 0]), fit.df))


def _carried(columns: Columns, y: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return the columns the events carry: without those that tell yes from no, or the first two."""
    kept = [0, 1, *(j for j in range(2, columns.X.shape[1]) if not _tells(columns.X[:, j], y))]
    lost = [columns.names[j] for j in range(columns.X.shape[1]) if j not in kept]
    notes = (f"not held equal, being without an event: {', '.join(lost)}",) if lost else ()
    rarer = min(y.sum(), len(y) - y.sum())
    if rarer >= EVENTS_A_COLUMN * len(kept) or len(kept) == 2:
        return columns.X[:, kept], notes
    return columns.X[:, :2], ("nothing held equal: too few events",)


def _tells(column: np.ndarray, y: np.ndarray) -> bool:
    """Whether all units an indicator marks have the same answer."""
    values = np.unique(column)
    if len(values) != 2:
        return False
    return any(np.ptp(y[column == v]) == 0 for v in values)


def _plain(units: pd.DataFrame) -> Effect:
    """Return the difference of two shares, the first session of each patient."""
    if not set(units["x"].unique()) <= {0.0, 1.0}:
        return unknown("no event, or nothing but events, for a number as exposure", units)
    first = units.sort_values("session_id", kind="stable").drop_duplicates("patient_id")
    a, b = first[first["x"].eq(1.0)]["y"], first[first["x"].eq(0.0)]["y"]
    if not len(a) or not len(b):
        return unknown("a group is empty", units)
    found = proportions.difference(a.sum(), len(a), b.sum(), len(b))
    se = POINTS * float(found.high - found.low) / (2 * stats.norm.ppf(0.5 + LEVEL / 2))
    counts = (float(a.sum()), float(len(a)), float(b.sum()), float(len(b)))
    table = [[counts[0], counts[1] - counts[0]], [counts[2], counts[3] - counts[2]]]
    return Effect(
        POINTS * float(found.estimate), se, np.inf, len(first), len(first), NEWCOMBE,
        p_value=float(stats.fisher_exact(table).pvalue), counts=counts,
        notes=("no event in a group, or nothing but events",),
        more={
            "risk_compared": POINTS * float(a.mean()), "risk_reference": POINTS * float(b.mean()),
        },
    )  # fmt: skip


def bounds(due: pd.DataFrame, *, level: float = LEVEL) -> pd.DataFrame:
    """Return the difference in points with the unseen counted every way: term, estimate, limits, n.

    Parameters
    ----------
    due
        Units that should have an outcome: patient_id, x (0, 1), y (0, 1, NaN where not known).
    """
    cases = {
        "as seen": (np.nan, np.nan),
        "unseen all no": (0.0, 0.0),
        "unseen all yes": (1.0, 1.0),
        "fewest in the compared group": (0.0, 1.0),
        "most in the compared group": (1.0, 0.0),
    }
    out = []
    for term, (in_compared, in_reference) in cases.items():
        filled = np.where(due["x"].eq(1.0), in_compared, in_reference)
        y = due["y"].where(due["y"].notna(), filled)
        seen = due.assign(y=y)[y.notna()]
        a, b = seen[seen["x"].eq(1.0)]["y"], seen[seen["x"].eq(0.0)]["y"]
        if not len(a) or not len(b):
            continue
        found = proportions.difference(a.sum(), len(a), b.sum(), len(b), level=level)
        out.append(
            {
                "term": term,
                "estimate": POINTS * float(found.estimate),
                "ci_low": POINTS * float(found.low),
                "ci_high": POINTS * float(found.high),
                "n_patients": int(seen["patient_id"].nunique()),
                "n_rows": len(seen),
            }
        )
    return pd.DataFrame(out)
