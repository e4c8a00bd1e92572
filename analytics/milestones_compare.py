"""Do groups reach a milestone at different times? Score tests and restricted means of first readings.

The patient is the unit. Score tests (`numerics.scores`) exchange patients within session number; the number
beside each group is by how many more of its placements were early than expected. The restricted mean is the
mean of the months without the milestone up to tau, from the first-reading curve; its error, and that of a
difference between two groups of the same patients, comes from resampling patients.
"""

from functools import partial

import numpy as np
import pandas as pd
from scipy.stats import norm

from analytics.errors import ParameterError
from analytics.milestones_curves import FEW_PATIENTS, GroupCurve
from analytics.milestones_ratios import ALL
from analytics.numerics import resample, scores, turnbull_batch

KINDS = ("sun", "wilcoxon")
LATEST_TAU = 18.0
READ_GROUPS = "a test of all groups: read the groups' own rows for size"


def score_rows(
    table: pd.DataFrame,
    group: pd.Series,
    *,
    kinds: tuple[str, ...],
    n_permutations: int,
    seed: int,
    level: float,
) -> list[dict]:
    """Return, for every kind of score, each group against the rest and all groups at once."""
    stratum = table["session_number"].to_numpy()
    left, right = table["left"].to_numpy(dtype=float), table["right"].to_numpy(dtype=float)
    patients = table.groupby(group.to_numpy())["patient_id"]
    rows = []
    for kind in kinds:
        test = scores.permutation_test(
            scores.interval_scores(left, right, kind=kind, stratum=stratum),
            group.to_numpy(),
            patient=table["patient_id"].astype(str).to_numpy(),
            stratum=stratum,
            n_permutations=n_permutations,
            seed=seed,
        )
        excess, se = test.sums - test.expected, np.sqrt(np.diag(test.covariance))
        for k, name in enumerate(test.groups):
            term = f"early placements beyond expectation ({kind})"
            counts = {"n_patients": int(patients.nunique()[name]), "n_rows": int(patients.size()[name])}
            row = _normal(excess[k], se[k], "placements", level)
            rows.append({"group": str(name), "term": term, **row, **counts, "flag": ""})
        rows.append(_overall(test, kind))
    return rows


def _overall(test: scores.ScoreTest, kind: str) -> dict:
    exchanged = test.n_permutations > 0
    return {
        "group": ALL,
        "term": f"any difference ({kind})",
        "unit": "placements",
        "estimate": np.nan,
        "n_patients": test.n_patients,
        "n_rows": test.n_rows,
        "statistic": test.statistic,
        "df": float(test.df),
        "p_value": test.p_monte_carlo if exchanged else test.p_value,
        "flag": READ_GROUPS + (f"; p by {test.n_permutations} exchanges" if exchanged else ""),
    }


def restricted_rows(
    table: pd.DataFrame,
    groups: list[GroupCurve],
    *,
    reference: str,
    tau: float | None,
    n: int,
    seed: int,
    n_jobs: int,
    level: float,
) -> list[dict]:
    """Return the restricted mean of each group, and its difference from the reference.

    Raises
    ------
    ParameterError
        Where tau lies past the last visit of a group.
    """
    seen = min(g.known_to for g in groups)
    tau = min(seen, LATEST_TAU) if tau is None else tau
    if not 0 < tau <= seen:
        raise ParameterError(
            f"milestones.compare(tau): 1 value outside what every group was seen, 0 to {seen:g} months; "
            "the area "
            "needs the curves up to tau; choose an earlier tau"
        )
    statistic = partial(
        _restricted_means, fits=[g.fit for g in groups], rows=[g.rows for g in groups], tau=tau
    )
    codes = table["patient_id"].astype(str).to_numpy()
    drawn = resample.patients(codes, statistic, n=n, seed=seed, n_jobs=n_jobs, together=True)
    names = [str(g.name[0]) for g in groups]
    base, term = names.index(reference), f"restricted mean to month {tau:g}"
    rows = [
        {"group": name, "term": term, **_normal(mean, se, "months", level, against=None), **_counts(group)}
        for name, group, mean, se in zip(names, groups, drawn.estimate, drawn.se(), strict=True)
    ]
    for k, group in enumerate(groups):
        if k != base:
            gap = drawn.estimate[k] - drawn.estimate[base]
            few = min(group.n_patients, groups[base].n_patients) < FEW_PATIENTS
            se = np.nan if few else float(np.nanstd(drawn.draws[:, k] - drawn.draws[:, base], ddof=1))
            row = {"group": f"{names[k]} : {reference}", "term": f"difference in {term}"}
            rows.append({**row, **_normal(gap, se, "months", level), **_counts(group)})
    return rows


def _restricted_means(weights, *, fits, rows, tau) -> np.ndarray:
    found = [
        turnbull_batch.summaries(fit, weights[:, index], [], tau=tau)
        for fit, index in zip(fits, rows, strict=True)
    ]
    return np.column_stack([one.restricted_mean for one in found])


def _normal(estimate: float, se: float, unit: str, level: float, *, against: float | None = 0.0) -> dict:
    """Return a number with normal limits, and its test against a value where there is one."""
    z = norm.isf((1.0 - level) / 2.0)
    row = {
        "unit": unit,
        "estimate": estimate,
        "se": se,
        "ci_low": estimate - z * se,
        "ci_high": estimate + z * se,
    }
    if against is not None and se > 0:
        statistic = (estimate - against) / se
        row |= {"statistic": statistic, "p_value": 2.0 * float(norm.sf(abs(statistic)))}
    return {**row, "level": level}


def _counts(group: GroupCurve) -> dict:
    return {"n_patients": group.n_patients, "n_rows": int(group.rows.size), "flag": group.flag}
