"""By what factor is one group later at a milestone than another, and does a share never reach it?

A log-logistic time-ratio model (`numerics.time_ratios`) of first readings at or above the milestone, at exact
months; errors clustered in patients. A ratio says how many times as long a group takes as the front. Above
25 % of planted hairs tempo and survival mix (a crown that keeps fewer hairs seems later: a true ratio of 1.00
reads 1.15 at 80 % with a crown plateau of 84, own simulation), so there a share that never reaches stands in
the model, by group. A group's own never-reaching share, and its test against none, come from its rows alone.
"""

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.dictionary import FRONT
from analytics.errors import ParameterError
from analytics.numerics import time_ratios
from analytics.numerics.time_ratios import TimeRatioFit
from analytics.results import line, of_share

REFERENCE = "front"
FAMILY = "log-logistic"
# Up to here nearly every placement that grows reaches the milestone, so that a time ratio is one of tempo.
PURE_TEMPO_PERCENT = 25.0
UNIT = "% of placements"
MIXED = "a share that never reaches stands beside it: above 25 % time and survival mix"
NOT_SEEN = "no placement of the group was seen to reach it"
NONE_FOUND = "none: the likelihood is highest without such a share"


@dataclass(frozen=True, slots=True)
class RatioFit:
    """The time-ratio model of a table of placements, with the groups it compares, the front first.

    `has_never`: a never-reaching share by group stands in the model. `left_out`: groups never seen to reach.
    """

    model: TimeRatioFit
    groups: tuple[str, ...]
    has_never: bool
    left_out: tuple[str, ...]
    n_patients: dict[str, int]
    n_rows: dict[str, int]

    def counts(self, group: str) -> dict[str, Any]:
        """Return patients and placements of a group."""
        return {"n_patients": self.n_patients[group], "n_rows": self.n_rows[group]}


def grouped(table: pd.DataFrame) -> pd.Series:
    """Return the group of each placement: its zone, hairline and frontal together as the front."""
    return table["zone"].astype("string").replace(dict.fromkeys(FRONT, REFERENCE))


def fit_ratios(table: pd.DataFrame, group: pd.Series, *, percent: float) -> RatioFit:
    """Fit the time-ratio model to the groups of a table of placements with intervals at exact months.

    Parameters
    ----------
    table
        Columns `left`, `right` (months), `patient_id`; one row per placement.
    group
        The group of each placement, from `grouped`.
    percent
        The milestone; above PURE_TEMPO_PERCENT a never-reaching share by group is fitted too.

    Raises
    ------
    ParameterError
        Where fewer than two groups hold a placement that reached, or the front is not among them.
    FitError
        As `numerics.time_ratios.fit`.
    """
    right = table["right"].to_numpy(dtype=float)
    reached = pd.Series(np.isfinite(right), index=table.index).groupby(group).any()
    usable = [str(g) for g in reached.index[reached]]
    if REFERENCE not in usable or len(usable) < 2:
        raise ParameterError(
            f"milestones.time_to(records): {len(usable)} group(s) with a placement that reached; a ratio "
            "needs the front and another zone; choose a lower percent"
        )
    names = (REFERENCE, *(g for g in usable if g != REFERENCE))
    own = group.isin(names).to_numpy()
    indicators = np.column_stack([group[own].eq(g).to_numpy(dtype=float) for g in names])
    fit = partial(
        time_ratios.fit,
        table["left"].to_numpy(dtype=float)[own],
        right[own],
        np.column_stack([np.ones(int(own.sum())), indicators[:, 1:]]),
        family=FAMILY,
        patient=table["patient_id"][own],
    )
    model = fit()
    has_never = percent > PURE_TEMPO_PERCENT
    if has_never:
        model = fit(never_design=indicators, starts=[model.parameters])
    patients = table[own].groupby(group[own])["patient_id"]
    return RatioFit(
        model=model,
        groups=names,
        has_never=has_never,
        left_out=tuple(str(g) for g in reached.index if str(g) not in names),
        n_patients={str(k): int(v) for k, v in patients.nunique().items()},
        n_rows={str(k): int(v) for k, v in patients.size().items()},
    )


def ratio_rows(found: RatioFit, *, level: float) -> list[dict]:
    """Return the time ratio of every group to the front; a group never seen to reach has none."""
    rows = [_ratio_row(found, k, group, level) for k, group in enumerate(found.groups[1:], start=1)]
    return rows + [
        line("time ratio", np.nan, "ratio", by=_against_front(group), level=level, flag=NOT_SEEN)
        for group in found.left_out
    ]


def _ratio_row(found: RatioFit, k: int, group: str, level: float) -> dict:
    model = found.model
    direction = np.zeros(model.beta.size)
    direction[k] = 1.0
    # The smaller group says how well the clustered error is known.
    df = max(min(found.n_patients[group], found.n_patients[REFERENCE]) - 1, 1)
    ratio, low, high = model.time_ratio(direction, level=level, df=df)
    se = float(np.sqrt(model.cov_robust[k, k]))
    statistic = float(np.log(ratio)) / se if se > 0 else np.nan
    failed = "" if model.checks["converged"] and model.checks["finite_se"] else "the fit failed a check"
    return line(
        f"time ratio ({FAMILY})",
        ratio,
        "ratio",
        by=_against_front(group),
        se=ratio * se,
        ci=(low, high),
        level=level,
        **found.counts(group),
        statistic=statistic,
        df=float(df),
        p_value=2.0 * float(scipy.stats.t.sf(abs(statistic), df)),
        flag="; ".join(said for said in (failed, MIXED if found.has_never else "") if said),
    )


def _against_front(group: str) -> dict[str, str]:
    return {"zone": f"{group} : {REFERENCE}"}


def never_rows(table: pd.DataFrame, group: pd.Series, found: RatioFit, *, level: float) -> list[dict]:
    """Return the share of each group that never reaches, and its test against none.

    Each group is fitted alone, so that its share rests on its own curve; the model of all gives the start.
    """
    model, rows = found.model, []
    for k, name in enumerate(found.groups):
        place = model.beta[0] + (model.beta[k] if k else 0.0)
        start = np.array([place, np.log(model.scale)])
        own = table[group.eq(name).to_numpy()]
        rows.append(_never_row(own, name, start, level, found.counts(name)))
    return rows


def _never_row(own: pd.DataFrame, name: str, start: np.ndarray, level: float, counts: dict[str, Any]) -> dict:
    one = np.ones((len(own), 1))
    fit = partial(
        time_ratios.fit,
        own["left"].to_numpy(dtype=float),
        own["right"].to_numpy(dtype=float),
        one,
        family=FAMILY,
        patient=own["patient_id"],
    )
    without = fit(starts=[start])
    with_share = fit(never_design=one, starts=[without.parameters])
    test = time_ratios.never_test(without, with_share)
    is_none = not with_share.checks["not_on_boundary"]
    share, low, high = (
        (0.0, np.nan, np.nan) if is_none else (100.0 * v for v in with_share.never_share(level=level))
    )
    ci, why = of_share(low, high, counts["n_patients"])
    return line(
        f"never reaches ({FAMILY})",
        share,
        UNIT,
        by={"zone": name},
        ci=ci,
        level=level,
        **counts,
        statistic=test.scaled,
        p_value=test.p_value,
        flag=NONE_FOUND if is_none else why,
    )
