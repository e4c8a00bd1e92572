"""What the emergence model says of a milestone, and what readings of such hair would show.

The share that has *truly* reached q percent of planted hairs by month m is the model's, marginal over
patients and placements (`regrowth.shares`). The first *reading* at or above q is another thing: it is looked
for at a few visits, each with counting error, and the error of baseline and planted density stands in all
readings of a placement. `expected_first_readings` draws readings from the fitted model at this register's own
visits and with its own errors, and asks them the same question as the register's readings are asked. What
lies between the model's share and that expectation is the work of error and of the schedule; what lies
between the expectation and the observed share is not explained by them.

*q percent of own plateau* is tempo alone: a placement reaches it at half_month x (time of q) x exp(log
tempo).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import ndtr

from analytics import regrowth
from analytics.errors import ParameterError
from analytics.milestones.first_readings import printable_median
from analytics.milestones.intervals import Question, at_planned_visits, hits, spans
from analytics.numerics import turnbull
from analytics.numerics.nonlinear import log_time_of, share
from analytics.regrowth import (
    FRONT_NAME,
    Emergence,
    PlateauDistribution,
    between_rows,
    degrees,
    parameters,
    quantities,
    variances,
)

SHARE, MEDIAN = "share reached", "median month"
UNIT = "% of placements"
# Copies of the register's readings that the expectation is averaged over; its own error is under a point.
COPIES = 40
# A spread of log tempo under this is a step as far as any reading can tell.
LEAST_SPREAD = 1e-3
STEP_MONTHS = 0.5


def planted_rows(plateaus: PlateauDistribution, percent: float, months, *, level: float) -> pd.DataFrame:
    """Return by zone the percent of placements that have reached a milestone by month, and the median."""
    table = regrowth.shares(plateaus, months, percent, level=level).table()
    is_share = table["term"].str.startswith("share_past")
    table = table.assign(term=np.where(is_share, SHARE, MEDIAN), unit=np.where(is_share, UNIT, "months"))
    return _with_printable_medians(table, plateaus.fit)


def plateau_rows(fit: Emergence, percent: float, months, *, level: float) -> pd.DataFrame:
    """Return by zone the percent at a share of their own plateau by month, the median, tempo ratios.

    Raises
    ------
    ParameterError
        Where the percent is not between 0 and 100: a plateau is never passed.
    """
    if not 0 < percent < 100:
        raise ParameterError(
            "milestones.time_to(percent): 1 value out of range; a share of the own plateau lies above 0 "
            "and under 100; "
            "choose 50 for the half month"
        )
    wanted = np.atleast_1d(np.asarray(months, dtype=float))
    rows: list[dict] = []
    for k, zone in enumerate(fit.zones):
        df = degrees(fit, zone)
        found = quantities(
            fit,
            lambda b, s, k=k: 100.0 * _share_at_plateau(fit, k, wanted, percent, b, s),
            level=level,
            df=df,
        )
        on_logit = quantities(
            fit,
            lambda b, s, k=k: _share_at_plateau(fit, k, wanted, percent, b, s),
            level=level,
            df=df,
            scale="logit",
        )
        counts = {"zone": zone, "n_patients": int(fit.n_patients[k]), "n_rows": int(fit.n_rows[k]), "df": df}
        for month, one, limits in zip(wanted, found, on_logit, strict=True):
            low, high = 100.0 * limits.ci_low, 100.0 * limits.ci_high
            rows.append({**counts, **_cells(SHARE, UNIT, one, low, high, level), "x": float(month)})
        middle = quantities(
            fit, lambda b, s, k=k: [_median_at_plateau(fit, k, percent, b)], level=level, df=df, scale="log"
        )[0]
        rows.append({**counts, **_cells(MEDIAN, "months", middle, middle.ci_low, middle.ci_high, level)})
    ratios = [r for r in between_rows(fit, level=level) if r["term"] == "tempo_ratio"]
    to_front = [
        {**r, "zone": r["zone"].split(" : ")[0], "term": "tempo ratio to front"}
        for r in ratios
        if r["zone"].endswith(f" : {FRONT_NAME}")
    ]
    return _with_printable_medians(pd.DataFrame(rows + to_front), fit)


def _cells(term, unit, found, low, high, level) -> dict:
    return {
        "term": term,
        "unit": unit,
        "estimate": found.estimate,
        "se": found.se,
        "ci_low": low,
        "ci_high": high,
        "level": level,
        "flag": "",
    }


def _log_time(fit: Emergence, k: int, percent: float, beta) -> float:
    _, log_half, log_k = parameters(fit, beta)
    return float(log_half[k] + log_time_of(fit.shape_at(beta), percent / 100.0, log_k[k])[0])


def _median_at_plateau(fit: Emergence, k: int, percent: float, beta) -> float:
    return float(np.exp(_log_time(fit, k, percent, beta)))


def _share_at_plateau(fit: Emergence, k: int, months, percent: float, beta, spread) -> np.ndarray:
    tempo = variances(fit, beta, spread)[1]
    sd = np.sqrt(max(tempo, LEAST_SPREAD**2))
    return ndtr((np.log(months) - _log_time(fit, k, percent, beta)) / sd)


def _with_printable_medians(table: pd.DataFrame, fit: Emergence) -> pd.DataFrame:
    """Replace a median whose interval lies mostly past follow-up by the reason."""
    table = table.reset_index(drop=True)
    numbers = ["estimate", "se", "ci_low", "ci_high"]
    for at, row in table[table["term"].eq(MEDIAN) & table["estimate"].notna()].iterrows():
        last = float(fit.last_month[fit.zone_index(str(row["zone"]))])
        shown = printable_median(row["estimate"], row["ci_low"], row["ci_high"], last)
        if shown["flag"]:
            here = table.index == at
            table = table.assign(
                flag=np.where(here, shown["flag"], table["flag"]), **{c: table[c].mask(here) for c in numbers}
            )
    return table


def with_course(fit: Emergence, months: np.ndarray) -> np.ndarray:
    """Return the months wanted and every half month as far as readings reach."""
    return np.union1d(months, _course_months(fit))


def at(rows: pd.DataFrame, months: np.ndarray) -> pd.DataFrame:
    """Return the shares at the months wanted alone, and all that is of no month."""
    return rows[rows["term"].ne(SHARE) | rows["x"].isin(months)]


def course(fit: Emergence, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the shares of every half month, as far as the zone's readings reach."""
    rows = rows[rows["term"].eq(SHARE) & rows["x"].isin(_course_months(fit))]
    last = dict(zip(fit.zones, fit.last_month, strict=True))
    return rows[rows["x"].to_numpy() <= rows["zone"].map(last).to_numpy(dtype=float)]


def _course_months(fit: Emergence) -> np.ndarray:
    return np.arange(STEP_MONTHS, float(fit.last_month.max()) + 1e-9, STEP_MONTHS)


def expected_first_readings(
    plateaus: PlateauDistribution,
    rows: pd.DataFrame,
    question: Question,
    months,
    *,
    seed: int,
    copies: int = COPIES,
) -> pd.DataFrame:
    """Return by zone and month the percent with a first reading at or above, were the model the whole truth.

    Parameters
    ----------
    plateaus
        The emergence model and how plateaus are spread.
    rows
        From `yields.by_visit`: whose visits and errors are used.
    question
        Of family planted.
    months
        Months wanted.
    seed
        Seed of the drawn readings.
    copies
        How often the register is drawn.

    Returns
    -------
    pandas.DataFrame
        zone, x, expected.
    """
    fit = plateaus.fit
    seen = rows[
        rows["for_milestone"] & ~rows["is_baseline"] & rows["month"].gt(0) & rows["zone"].isin(fit.zones)
    ]
    seen = seen.dropna(subset=["yield_pct", "yield_pct_se"]).sort_values(
        ["placement_id", "month"], ignore_index=True
    )
    rng = np.random.default_rng(seed)
    wanted = np.atleast_1d(np.asarray(months, dtype=float))
    place = pd.factorize(seen["placement_id"])[0]
    first = np.unique(place, return_index=True)[1]
    drawn = [_spans_of_a_copy(plateaus, seen, (place, first), question, rng) for _ in range(copies)]
    zone = np.tile(seen["zone"].astype(str).to_numpy()[first], copies)
    left, right = (np.concatenate([d[side] for d in drawn]) for side in (0, 1))
    parts = []
    for name in fit.zones:
        own = zone == name
        if own.any():
            curve = turnbull.fit(left[own], right[own])
            parts.append(
                pd.DataFrame({"zone": name, "x": wanted, "expected": 100 * (1 - curve.interpolated(wanted))})
            )
    return pd.concat(parts, ignore_index=True)


def _spans_of_a_copy(
    plateaus: PlateauDistribution, seen: pd.DataFrame, placements: tuple, question: Question, rng
):
    """Return left, right of every placement for one drawn copy; `placements` number rows, and first rows."""
    place, first = placements
    planted = seen["planted_hairs_cm2"].to_numpy(dtype=float)
    truth = _true_yield(plateaus, seen, place, first, rng)
    own_planted = (
        1.0 + (seen["planted_se"].to_numpy(dtype=float) / planted)[first] * rng.normal(size=first.size)
    )[place]
    base = (seen["baseline_se"].to_numpy(dtype=float) / planted)[first] * rng.normal(size=first.size)
    noise = 100.0 * seen["density_se"].to_numpy(dtype=float) / planted * rng.normal(size=len(seen))
    value = truth * np.maximum(own_planted, 0.0) + noise - 100.0 * np.nan_to_num(base)[place]
    visit = np.flatnonzero(
        np.r_[True, (np.diff(place) != 0) | (np.diff(seen["month"].to_numpy(dtype=float)) > 0)]
    )
    n_counts = np.diff(np.r_[visit, len(seen)])
    months = seen["month"].to_numpy(dtype=float)[visit]
    table = pd.DataFrame(
        {
            "placement_id": place[visit],
            "yield_pct": np.add.reduceat(value, visit) / n_counts,
            "yield_pct_se": seen["yield_pct_se"].to_numpy(dtype=float)[visit] / np.sqrt(n_counts),
        }
    )
    starts = np.flatnonzero(np.r_[True, np.diff(place[visit]) != 0])
    left, right = spans(months, hits(table, replace(question)), starts)
    if question.planned_months is not None:
        left, right = at_planned_visits(left, right, question.planned_months)
    return left, right


def _true_yield(plateaus: PlateauDistribution, seen: pd.DataFrame, place, first, rng) -> np.ndarray:
    """Draw each placement's plateau and tempo from the model; return the true yield at every reading."""
    fit = plateaus.fit
    _, log_half, log_k = parameters(fit, fit.beta)
    k = pd.Index(fit.zones).get_indexer(pd.Index(seen["zone"]))
    drawn = np.empty((2, first.size))
    for zone in np.unique(k[first]):
        own = k[first] == zone
        drawn[:, own] = regrowth.drawn(plateaus, fit.zones[zone], int(own.sum()), rng)
    plateau, tempo = drawn[:, place]
    ratio = seen["month"].to_numpy(dtype=float) * np.exp(-log_half[k] - tempo)
    return plateau * share(fit.shape, ratio, log_k[k])[0]
