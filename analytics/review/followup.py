"""Who was due, who came, and how far could those who did not come move the headline?

What became of each planned visit stands in `followup.states`. Completeness of person-time is Clark's: months
observed over months that could have been observed up to the last planned visit. The usual count of visits
understates it (68 % against 92 to 93 % in one cohort: BMC Med Res Methodol 2017;17:155).

Of all who were due, some were seen (a usable reading at maturity, or an answer). Lines: as seen; with the
absent weighted back in by their chance of being seen (inverse-probability weights, stabilised, cut at their
centiles 1 and 99); bounds, which hold whatever became of the absent (all dissatisfied or all satisfied; none
of their planted hairs grown or all: Manski 1989, J Hum Resour 24:343-60); for a yield two scenarios (the
absent 10 points below or above the seen), which are no bounds; and the tipping point, how far the absent
would have to lie from the seen for the whole to reach the standard. How the two differ in what was known
beforehand is given as standardised differences, 0.1 being the usual mark of one worth a look (Austin 2009,
Commun Stat Simul Comput 38:1228-34, from memory). Weights repair nothing else.
"""

from typing import Any

import numpy as np
import pandas as pd

from analytics import followup
from analytics.errors import ParameterError
from analytics.numerics import bounds, diagnostics, proportions, regression
from analytics.records import Records
from analytics.results import LEVEL, Result, counted, line
from analytics.review.criteria import Criteria
from analytics.review.kinds import Criterion
from analytics.review.periods import View
from analytics.review.units import columns, none_declared, not_yet, with_case_mix
from analytics.review.visits import counts_due, person_time, sessions_due

NONE_DUE = "none due yet"
KNOWN_BEFORE = ("age_years", "sex", "smoker", "method", "surgeon_id", "session_number", "grafts_out")
YIELD_SHIFT_POINTS = 10.0
N_RESAMPLES = 400
SEED = 20260104
MIN_EACH = 10
CENTILES = (0.01, 0.99)


def follow_up(records: Records, criteria: Criteria, *, quarter: int, level: float = LEVEL) -> Result:
    """Return follow-up by planned visit and zone as it stood at the end of a quarter.

    Returns
    -------
    Result
        `by` is (visit, zone): a row per planned visit (zone `all`, unit session) and per visit and zone
        (unit placement), the percent of windows closed in which the session was seen, or the placement
        counted usably, with Wilson's interval; last the completeness of person-time. `extra["flow"]` holds
        the number of every state.

    Source
    ------
    Clark, Altman & De Stavola 2002, Lancet 359:1309-10.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> follow_up(clinic, read("data_demo/criteria.toml"), quarter=8).by
    ('visit', 'zone')
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    rows = sessions_due(view)
    both = pd.concat([rows, counts_due(view)], ignore_index=True)
    flow = _flow(both)
    waiting = rows["shown"].where(~rows["shown"].isin(followup.DUE_STATES), "")
    return Result(
        pd.DataFrame([*_lines_of_seen(flow, both, level), _line_of_person_time(person_time(view))]),
        rows.assign(reason=waiting),
        "share of due visits attended inside their window, by session (all), and of placements counted "
        "inside it with a count that is usable (zone), "
        f"Wilson {100 * level:g} % interval; completeness of person-time by Clark, Altman & De Stavola 2002",
        by=("visit", "zone"),
        picture="follow_up",
        extra={"flow": flow},
        notes=("Shares are of windows that have closed; who withdrew before is not counted as missed.",),
    )


def _flow(rows: pd.DataFrame) -> pd.DataFrame:
    counts = rows.groupby(["visit", "zone"], sort=False)["shown"].value_counts().unstack(fill_value=0)
    counts = counts.reindex(columns=list(followup.STATES), fill_value=0)
    counts.insert(0, "n_due", counts[list(followup.DUE_STATES)].sum(axis=1))
    counts.insert(1, "n_seen_in_window", counts[list(followup.SEEN_STATES)].sum(axis=1))
    named = {s: followup.n_of(s) for s in followup.STATES}
    flow = counts.rename(columns=named).reset_index().rename_axis(columns=None)
    return flow.assign(whole=flow["zone"].ne("all")).sort_values(
        ["visit", "whole", "zone"], ignore_index=True
    )[flow.columns]


def _lines_of_seen(flow: pd.DataFrame, rows: pd.DataFrame, level: float) -> list[dict[str, Any]]:
    of_sessions = flow["zone"].eq("all").to_numpy()
    n_seen = np.where(of_sessions, flow["n_seen_in_window"], flow[followup.n_of(followup.COUNTED)]).astype(
        int
    )
    n_due = flow["n_due"].to_numpy(dtype=int)
    wilson = proportions.proportion(n_seen, n_due, level=level)
    due = rows[rows["shown"].isin(followup.DUE_STATES)]
    patients = due.groupby(["visit", "zone"])["patient_id"].nunique()
    return [
        line(
            "seen in window" if of_sessions[i] else "counted in window",
            100 * wilson.estimate[i],
            "%",
            by={"visit": f"month {visit:g}", "zone": zone},
            x=visit,
            ci=(100 * wilson.low[i], 100 * wilson.high[i]),
            level=level,
            basis="share",
            numerator=n_seen[i],
            denominator=n_due[i],
            n_patients=int(patients.get((visit, zone), 0)),
            n_rows=n_due[i],
            flag="" if n_due[i] else NONE_DUE,
        )
        for i, (visit, zone) in enumerate(zip(flow["visit"], flow["zone"], strict=True))
    ]


def _line_of_person_time(months: pd.DataFrame) -> dict[str, Any]:
    observed, possible = float(months["observed"].sum()), float(months["possible"].sum())
    return line(
        "completeness of person-time",
        100 * observed / possible if possible > 0 else np.nan,
        "%",
        by={"visit": "whole follow-up", "zone": "all"},
        # Of months, not of persons.
        basis="model",
        n_patients=int(months["patient_id"].nunique()),
        n_rows=len(months),
        flag="" if possible > 0 else NONE_DUE,
    )


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
        `by` is (criterion,). Terms: as seen; weighted for who was seen; lower bound; upper bound; for yields
        two scenarios; tipping point. `extra["differences"]` has one row per characteristic and side, with
        their difference.

    Raises
    ------
    ParameterError
        When the criterion is of another kind.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> absent(clinic, read("data_demo/criteria.toml"), quarter=8, criterion_id="yield_all").by
    ('criterion',)
    """
    if not criterion_id:
        return none_declared(records, by="criterion", term="as seen", what="no criterion of this kind")
    view = View.at(records, criteria.schedule, quarter=quarter)
    criterion = criteria.named(criterion_id)
    rows = criterion.due_so_far(view)
    if rows is None:
        raise ParameterError("review.absent(criterion_id): use a criterion of yield or of an answer")
    used = rows.assign(reason=np.where(rows["seen"], "", "not seen"))[["patient_id", "session_id", "reason"]]
    n_seen = int(rows["seen"].sum())
    if min(n_seen, len(rows) - n_seen) < MIN_EACH:
        n_absent = len(rows) - n_seen
        why = f"{counted(n_seen)} seen and {counted(n_absent)} not seen; {MIN_EACH} of each are needed"
        by = {"criterion": criterion.id}
        return not_yet(used, "bounds and weights", by=by, term="as seen", unit="%", why=why)
    rows = with_case_mix(rows, view.records, KNOWN_BEFORE)
    return Result(
        pd.DataFrame(_lines(rows, criterion, level)),
        used,
        f"{criterion.title} of all due: as seen; weighted by the inverse chance of being seen (logistic on "
        f"{', '.join(n.replace('_', ' ') for n in KNOWN_BEFORE)}), stabilised, cut at centiles 1 and 99, "
        f"{N_RESAMPLES} resamples of patients, seed {SEED}; bounds",
        by=("criterion",),
        picture="intervals",
        extra={"differences": _differences(rows)},
        notes=(
            *_what_became_of(rows),
            _note_of_bounds(criterion),
            "Weights repair only what was known beforehand.",
        ),
    )


def _lines(rows: pd.DataFrame, criterion: Criterion, level: float) -> list[dict[str, Any]]:
    """Return the rows of the table, each with what it rests on: those seen, all, or the absent."""
    seen = rows["seen"].to_numpy(dtype=bool)
    value = rows["value"].to_numpy(dtype=float)
    as_seen = _as_seen(value[seen], rows["patient_id"].to_numpy()[seen], criterion, level)
    weighted = _weighted(rows, value, seen, level)
    low, high = _bounds(value, seen, criterion)
    tip = (criterion.standard - as_seen[0]) / (1 - seen.mean())
    n_seen, n_all = int(rows.loc[seen, "patient_id"].nunique()), int(rows["patient_id"].nunique())
    common: dict[str, Any] = {"by": {"criterion": criterion.id}, "level": level}
    of_seen = common | {"n_patients": n_seen, "n_rows": int(seen.sum())}
    of_all = common | {"n_patients": n_all, "n_rows": len(rows)}
    of_absent = common | {"n_patients": n_all - n_seen, "n_rows": int((~seen).sum())}
    of = _declared(value, seen, criterion)
    return [
        line("as seen", as_seen[0], "%", ci=as_seen[1:], flag="", **of["seen"], **of_seen),
        line(
            "weighted for who was seen", weighted[0], "%", ci=weighted[1:], basis="model", flag="", **of_seen
        ),
        line("lower bound", low, "%", flag="", **of["low"], **of_all),
        line("upper bound", high, "%", flag="", **of["high"], **of_all),
        *_scenarios(criterion, value[seen].mean(), seen, of["tip"] | of_all),
        line("tipping point", tip, "points", flag=_flag_of_tip(tip), **of["tip"], **of_absent),
    ]


def _declared(value: np.ndarray, seen: np.ndarray, criterion: Criterion) -> dict[str, dict[str, Any]]:
    """Return what each number is made of.

    For answers the mean and the bounds are shares. The bounds of a yield and every tipping point would give
    back how many were absent.
    """
    n, n_absent = len(seen), int((~seen).sum())
    absent_of_due = {"basis": "counts", "numerator": n_absent, "denominator": n}
    if criterion.scale != "odds":
        return {"seen": {"basis": "model"}} | dict.fromkeys(("low", "high", "tip"), absent_of_due)
    n_yes = int((value[seen] > 0).sum())
    return {
        "seen": {"basis": "share", "numerator": n_yes, "denominator": n - n_absent},
        "low": {"basis": "share", "numerator": n_yes, "denominator": n},
        "high": {"basis": "share", "numerator": n_yes + n_absent, "denominator": n},
        "tip": absent_of_due,
    }


def _flag_of_tip(tip: float) -> str:
    side = "below" if tip < 0 else "above"
    return f"the absent would have to lie this far {side} the seen for the whole to reach the standard"


def _as_seen(
    value: np.ndarray, who: np.ndarray, criterion: Criterion, level: float
) -> tuple[float, float, float]:
    """Return the mean of those seen with limits: Wilson's for answers, by patient for yields."""
    if criterion.scale == "odds":
        wilson = proportions.proportion((value > 0).sum(), len(value), level=level)
        return 100 * float(wilson.estimate), 100 * float(wilson.low), 100 * float(wilson.high)
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
    chance = _chance_of_being_seen(design[:, diagnostics.independent(design)], seen)
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


def _bounds(value: np.ndarray, seen: np.ndarray, criterion: Criterion) -> tuple[float, float]:
    """Return the whole with the absent at their worst and at their best: 0 or 100, of answers and yields."""
    return bounds.mean(float(value[seen].mean()), int(seen.sum()), len(seen))


def _scenarios(criterion: Criterion, mean: float, seen: np.ndarray, about: dict[str, Any]) -> list[dict]:
    """Return the whole with the absent some points away from the seen: what is thought of, and no bound."""
    if criterion.scale == "odds":
        return []
    shift = (1 - seen.mean()) * YIELD_SHIFT_POINTS
    return [
        line(f"scenario: the absent {YIELD_SHIFT_POINTS:g} points {side}", value, "%", flag="", **about)
        for side, value in (("lower", mean - shift), ("higher", mean + shift))
    ]


def _what_became_of(rows: pd.DataFrame) -> tuple[str, ...]:
    """Return in words what became of those without a usable reading; nothing for answers."""
    if "state" not in rows:
        return ()
    absent = rows.loc[~rows["seen"], "state"]
    parts = [f"{counted(int(absent.eq(s).sum()))} {s}" for s in followup.STATES if absent.eq(s).any()]
    return (f"Of {counted(len(absent))} without a usable reading: {', '.join(parts)}.",)


def _note_of_bounds(criterion: Criterion) -> str:
    if criterion.scale == "odds":
        return "Bounds: all who did not answer dissatisfied, or all satisfied."
    return "Bounds: no planted hair of the absent grown, or every one. A scenario is no bound."


def _differences(rows: pd.DataFrame) -> pd.DataFrame:
    """Return a row per characteristic and side, what it is a share of, and how far the sides lie apart."""
    out: list[dict[str, Any]] = []
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
            for side, values in (("seen", a), ("absent", b)):
                made_of = {"basis": "share", "numerator": int(values.sum()), "denominator": len(values)}
                out.append(
                    {
                        "variable": name,
                        "characteristic": _readable(label),
                        "side": side,
                        "estimate": scale * values.mean() + offset,
                        "unit": "" if numeric else "%",
                        **({"basis": "model"} if numeric else made_of),
                        "n_rows": len(values),
                        "standardised_difference": float(gap),
                        "is_staff": name == "surgeon_id",
                    }
                )
    return pd.DataFrame(out)


def _readable(label: str) -> str:
    """Return a coded column in words."""
    return label.replace("_id", "").replace("_", " ").replace("True", "yes").replace("False", "no")
