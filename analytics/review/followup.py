"""Do those who came differ from those who did not, and how far could the absent move the headline?

Of all who were due, some were seen (a usable reading at maturity, or an answer). Four lines: as seen; with
the absent weighted back in by their chance of being seen (inverse-probability weights, stabilised, cut at
their centiles 1 and 99); bounds (the absent all dissatisfied or all satisfied; for a yield 10 points below
or above the seen); and the tipping point, how far the absent would have to lie from the seen for the whole
to reach the standard.

How the two differ in what was known beforehand is given as standardised differences, 0.1 being the usual
mark of one worth a look (Austin 2009, Commun Stat Simul Comput 38:1228-34, from memory). Weights repair
nothing else.

Who was due, who came, and do those who came differ from those who did not?

The planned visits and what became of each stand in `review.periods`. Completeness of person-time is Clark's:
months observed over months that could have been observed up to the last planned visit. The usual count of
visits understates it (68 % against 92 to 93 % in one cohort: BMC Med Res Methodol 2017;17:155).
"""

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.numerics import proportions, regression
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.review.criteria import Criteria, RatingCriterion, YieldCriterion
from analytics.review.growth import LAST_USABLE_MONTH, readings
from analytics.review.periods import (
    COUNTED_AS_DUE,
    NOT_YET,
    STATUSES,
    WITHDRAWN,
    as_at,
    check,
    counts_due,
    last_month,
    person_time,
    sessions_due,
)
from analytics.review.units import (
    NO_ANSWER,
    columns,
    exception_codes,
    independent,
    not_yet,
    units,
    with_case_mix,
)

NONE_DUE = "none due yet"


def follow_up(records: Records, criteria: Criteria, *, quarter: int, level: float = LEVEL) -> Result:
    """Return follow-up by planned visit and zone as it stood at the end of a quarter.

    Returns
    -------
    Result
        `by` is (visit, zone): a row a planned visit (zone `all`, unit session) and a row a visit and zone
        (unit placement, seen meaning counted), the percent seen in window of those due with Wilson's
        interval; last the completeness of person-time. `extra["flow"]` holds the number of every status.

    Source
    ------
    Clark, Altman & De Stavola 2002, Lancet 359:1309-10.
    """
    check(quarter, records)
    known = as_at(records, quarter)
    rows = sessions_due(known, criteria, quarter=quarter)
    both = pd.concat([rows, counts_due(known, criteria, quarter=quarter)], ignore_index=True)
    flow = _flow(both)
    clark = _person_time_row(person_time(known, criteria, quarter=quarter))
    waiting = rows["status"].where(rows["status"].isin([NOT_YET, WITHDRAWN]), "")
    return Result(
        pd.concat([_seen_rows(flow, both, level), clark], ignore_index=True),
        rows.assign(reason=waiting),
        "share of due visits attended inside their window, by session (all) and by placement counted (zone), "
        f"Wilson {100 * level:g} % interval; completeness of person-time by Clark, Altman & De Stavola 2002",
        by=("visit", "zone"),
        picture="follow_up",
        extra={"flow": flow},
        notes=("A visit is due once its window has closed; who withdrew before is not counted as missed.",),
    )


def _flow(rows: pd.DataFrame) -> pd.DataFrame:
    counts = rows.groupby(["visit", "zone"], sort=False)["status"].value_counts().unstack(fill_value=0)
    counts = counts.reindex(columns=list(STATUSES), fill_value=0)
    counts.insert(0, "n_due", counts[list(COUNTED_AS_DUE)].sum(axis=1))
    named = {s: f"n_{s.replace(' ', '_')}" for s in STATUSES}
    flow = counts.rename(columns=named).reset_index().rename_axis(columns=None)
    return flow.assign(whole=flow["zone"].ne("all")).sort_values(
        ["visit", "whole", "zone"], ignore_index=True
    )[flow.columns]


def _seen_rows(flow: pd.DataFrame, rows: pd.DataFrame, level: float) -> pd.DataFrame:
    found = proportions.proportion(flow["n_seen_in_window"], flow["n_due"], level=level)
    counted = rows[rows["status"].isin(COUNTED_AS_DUE)]
    patients = counted.groupby(["visit", "zone"])["patient_id"].nunique()
    keys = list(zip(flow["visit"], flow["zone"], strict=True))
    return pd.DataFrame(
        {
            "visit": [f"month {v:g}" for v in flow["visit"]],
            "zone": flow["zone"],
            "term": "seen in window",
            "x": flow["visit"],
            "estimate": 100 * found.estimate,
            "ci_low": 100 * found.low,
            "ci_high": 100 * found.high,
            "level": level,
            "unit": "%",
            "n_patients": [int(patients.get(k, 0)) for k in keys],
            "n_rows": flow["n_due"],
            "flag": np.where(flow["n_due"] == 0, NONE_DUE, ""),
        }
    )


def _person_time_row(months: pd.DataFrame) -> pd.DataFrame:
    possible = float(months["possible"].sum())
    share = 100 * float(months["observed"].sum()) / possible if possible > 0 else np.nan
    return pd.DataFrame(
        {
            "visit": ["whole follow-up"],
            "zone": ["all"],
            "term": ["completeness of person-time"],
            "estimate": [share],
            "unit": ["%"],
            "n_patients": [months["patient_id"].nunique()],
            "n_rows": [len(months)],
            "flag": ["" if possible > 0 else NONE_DUE],
        }
    )


KNOWN_BEFORE = ("age_years", "sex", "smoker", "method", "surgeon_id", "session_number", "grafts_out")
YIELD_SHIFT_POINTS = 10.0
N_RESAMPLES = 400
SEED = 20260104
MIN_EACH = 10
CENTILES = (0.01, 0.99)


def absent(
    records: Records, criteria: Criteria, *, quarter: int, criterion_id: str, level: float = LEVEL
) -> Result:
    """Return the headline as seen, weighted, and at its bounds; and how the seen and the absent differ.

    Parameters
    ----------
    criterion_id
        A criterion of yield or of an answer. All due so far are taken, not one quarter's.

    Returns
    -------
    Result
        `by` is (criterion,). Terms: as seen; weighted for who was seen; lower bound; upper bound; tipping
        point. `extra["differences"]` has one row a characteristic: seen, absent, standardised difference.

    Raises
    ------
    ParameterError
        When the criterion is of another kind.
    """
    check(quarter, records)
    criterion = criteria.named(criterion_id)
    known = as_at(records, quarter)
    if isinstance(criterion, YieldCriterion):
        rows = _placements_due(known, criterion, quarter)
    elif isinstance(criterion, RatingCriterion):
        rows = _answers_due(known, criteria, criterion, quarter)
    else:
        raise ParameterError("review.absent(criterion_id): use a criterion of yield or of an answer")
    used = rows.assign(reason=np.where(rows["seen"], "", "not seen"))[["patient_id", "session_id", "reason"]]
    n_seen = int(rows["seen"].sum())
    if min(n_seen, len(rows) - n_seen) < MIN_EACH:
        why = f"{n_seen} seen and {len(rows) - n_seen} not seen; {MIN_EACH} of each are needed"
        return not_yet(
            used, "bounds and weights", by={"criterion": criterion.id}, term="as seen", unit="%", why=why
        )
    rows = with_case_mix(rows, known, KNOWN_BEFORE)
    return Result(
        _table(rows, criterion, level),
        used,
        f"{criterion.title} of all due: as seen; weighted by the inverse chance of being seen (logistic on "
        f"{', '.join(n.replace('_', ' ') for n in KNOWN_BEFORE)}), stabilised, cut at centiles 1 and 99, "
        f"{N_RESAMPLES} resamples of patients, seed {SEED}; bounds",
        by=("criterion",),
        picture="intervals",
        extra={"differences": _differences(rows)},
        notes=(_bounds_in_words(criterion), "Weights repair only what was known beforehand."),
    )


def _placements_due(known: Records, criterion: YieldCriterion, quarter: int) -> pd.DataFrame:
    """Return placements in zones planted once and mature by now; seen: a usable reading at maturity."""
    codes = exception_codes(known.sessions, known, criterion)
    placed = known.placements[known.placements["zone"].isin(criterion.zones)]
    placed = placed[placed["session_id"].map(codes).fillna("").eq("")]
    operated = placed["session_id"].map(known.sessions.set_index("session_id")["register_month"])
    again = placed.groupby(["patient_id", "zone"])["session_id"].transform("nunique") > 1
    mature = operated + placed["zone"].map(LAST_USABLE_MONTH) <= last_month(quarter)
    rows = placed[mature & ~again]
    value = readings(known).groupby("placement_id")["yield_pct"].mean()
    value = rows["placement_id"].map(value)
    return (
        rows[["patient_id", "session_id", "zone"]]
        .assign(value=value, seen=value.notna())
        .reset_index(drop=True)
    )


def _answers_due(
    known: Records, criteria: Criteria, criterion: RatingCriterion, quarter: int
) -> pd.DataFrame:
    rows = units(known, criteria, criterion, quarter=quarter)
    rows = rows[rows["reason"].isin(["", NO_ANSWER])]
    return (
        rows[["patient_id", "session_id"]]
        .assign(value=100 * rows["part"], seen=rows["reason"].eq(""))
        .reset_index(drop=True)
    )


def _table(rows: pd.DataFrame, criterion, level: float) -> pd.DataFrame:
    seen = rows["seen"].to_numpy(dtype=bool)
    value = rows["value"].to_numpy(dtype=float)
    plain = _plain(value[seen], rows["patient_id"].to_numpy()[seen], criterion, level)
    weighted = _weighted(rows, value, seen, level)
    low, high = _bounds(value, seen, criterion)
    share_absent = 1 - seen.mean()
    tip = (criterion.standard - plain[0]) / share_absent
    counts = {"criterion": criterion.id, "level": level}
    n_seen, n_all = int(rows.loc[seen, "patient_id"].nunique()), int(rows["patient_id"].nunique())
    lines = [
        ("as seen", *plain, "%", n_seen, int(seen.sum()), ""),
        ("weighted for who was seen", *weighted, "%", n_seen, int(seen.sum()), ""),
        ("lower bound", low, np.nan, np.nan, "%", n_all, len(rows), ""),
        ("upper bound", high, np.nan, np.nan, "%", n_all, len(rows), ""),
        ("tipping point", tip, np.nan, np.nan, "points", n_all - n_seen, int((~seen).sum()), _tip_words(tip)),
    ]
    names = ["term", "estimate", "ci_low", "ci_high", "unit", "n_patients", "n_rows", "flag"]
    return pd.DataFrame([counts | dict(zip(names, line, strict=True)) for line in lines])


def _tip_words(tip: float) -> str:
    side = "below" if tip < 0 else "above"
    return f"the absent would have to lie this far {side} the seen for the whole to reach the standard"


def _plain(value: np.ndarray, who: np.ndarray, criterion, level: float) -> tuple[float, float, float]:
    if isinstance(criterion, RatingCriterion):
        found = proportions.proportion((value > 0).sum(), len(value), level=level)
        return 100 * float(found.estimate), 100 * float(found.low), 100 * float(found.high)
    fit = regression.values(value, np.ones((len(value), 1)), who)
    mean = regression.contrast(fit, [1.0], level=level)
    return mean.estimate, mean.low, mean.high


def _weighted(
    rows: pd.DataFrame, value: np.ndarray, seen: np.ndarray, level: float
) -> tuple[float, float, float]:
    """Return the weighted mean with a patient-resampled percentile interval."""
    names = (*KNOWN_BEFORE, "zone") if "zone" in rows else KNOWN_BEFORE
    design, _ = columns(rows, names)
    who = pd.factorize(rows["patient_id"])[0]
    estimate = _weighted_mean(design, value, seen)
    rng = np.random.default_rng(SEED)
    members = np.split(np.argsort(who, kind="stable"), np.cumsum(np.bincount(who))[:-1])
    drawn = []
    for _ in range(N_RESAMPLES):
        chosen = np.concatenate([members[i] for i in rng.integers(0, len(members), len(members))])
        drawn.append(_weighted_mean(design[chosen], value[chosen], seen[chosen]))
    low, high = np.nanquantile(drawn, [(1 - level) / 2, (1 + level) / 2])
    return estimate, float(low), float(high)


def _weighted_mean(design: np.ndarray, value: np.ndarray, seen: np.ndarray) -> float:
    if seen.all() or not seen.any():
        return float(np.nanmean(value[seen])) if seen.any() else np.nan
    chance = _chance_of_being_seen(design[:, independent(design)], seen)
    weight = seen.mean() / np.clip(chance[seen], 1e-3, 1)
    weight = np.clip(weight, *np.quantile(weight, CENTILES))
    return float(np.average(value[seen], weights=weight))


def _chance_of_being_seen(
    design: np.ndarray, seen: np.ndarray, *, steps: int = 25, ridge: float = 1e-3
) -> np.ndarray:
    """Return fitted chances of a logistic regression.

    A trace of ridge keeps resamples finite in which a group was always, or never, seen; statsmodels' Logit
    stops there.
    """
    beta = np.zeros(design.shape[1])
    for _ in range(steps):
        mu = 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))
        slope = design.T @ (seen - mu) - ridge * beta
        curve = (design * (mu * (1 - mu))[:, None]).T @ design + ridge * np.eye(design.shape[1])
        step = np.linalg.solve(curve, slope)
        beta = beta + step
        if np.abs(step).max() < 1e-8:
            break
    return 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))


def _bounds(value: np.ndarray, seen: np.ndarray, criterion) -> tuple[float, float]:
    """Return the whole with the absent at their worst and at their best."""
    mean, share = float(value[seen].mean()), seen.mean()
    if isinstance(criterion, RatingCriterion):
        return share * mean, share * mean + (1 - share) * 100
    shift = (1 - share) * YIELD_SHIFT_POINTS
    return mean - shift, mean + shift


def _bounds_in_words(criterion) -> str:
    if isinstance(criterion, RatingCriterion):
        return "Bounds: all who did not answer dissatisfied, or all satisfied."
    return f"Bounds: the absent {YIELD_SHIFT_POINTS:g} points below, or above, those seen."


def _differences(rows: pd.DataFrame) -> pd.DataFrame:
    """Return seen and absent side by side, with the standardised difference of each characteristic."""
    out = []
    seen = rows["seen"].to_numpy(dtype=bool)
    for name in KNOWN_BEFORE:
        design, labels = columns(rows, (name,))
        for j, label in enumerate(labels[1:], start=1):
            a, b = design[seen, j], design[~seen, j]
            numeric = not label.startswith(f"{name}:") and label != "repeat session"
            offset = float(rows[name].astype(float).mean()) if numeric else 0.0
            scale = 1.0 if numeric else 100.0
            spread = np.sqrt((a.var() + b.var()) / 2)
            gap = (a.mean() - b.mean()) / spread if spread > 0 else 0.0
            counts = {"n_seen": len(a), "n_absent": len(b)}
            if not numeric:
                counts |= {"n_seen_with": int(a.sum()), "n_absent_with": int(b.sum())}
            out.append(
                {
                    "characteristic": _readable(label),
                    "seen": scale * a.mean() + offset,
                    "absent": scale * b.mean() + offset,
                    "unit": "" if numeric else "%",
                    "standardised_difference": float(gap),
                    **counts,
                }
            )
    return pd.DataFrame(out)


def _readable(label: str) -> str:
    """Return a coded column in words."""
    return label.replace("_id", "").replace("_", " ").replace("True", "yes").replace("False", "no")
