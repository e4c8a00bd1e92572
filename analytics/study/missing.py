"""What if those not seen did otherwise? The answer under four treatments of the missing, and a tipping point.

* all readings: mixed model of every reading from month 6 on, patient and placement intercepts, the group
  free to differ in slope; read off at the zone's maturity month. Unbiased where going missing depends on
  what was recorded, earlier readings included (missing at random).
* weighted for being seen: units seen, weighed by the inverse of their chance to be seen (stabilised, cut).
* imputed: missing outcomes drawn from a mixed model that knows the group, what is held equal and the last
  reading before maturity; Rubin's rules with Barnard and Rubin's df.
* tipping point: to every imputed value of the compared group so many points are added; how many until the
  conclusion changes? Whether that many is believable is for the reader.
* for yes or no: best and worst case (`outcomes.bounds`).

Sources: Rubin 1987; Barnard & Rubin 1999, Biometrika 86:948-955; Robins & Finkelstein 2000, Biometrics
56:779-788 (weights for being seen); Cro, Morris, Kenward & Carpenter 2020, Stat Med 39:2815-2842
(delta-adjusted imputation; from memory).
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd

from analytics import measurement
from analytics.errors import FitError
from analytics.numerics import diagnostics, imputation, mixed, weighting
from analytics.records import Records
from analytics.regrowth import natural_basis
from analytics.results import Curve, Result, counted, line
from analytics.study.answer import Answer, effect_row, judge, margins
from analytics.study.effects import Effect, normals, of_plan, unknown, weighted
from analytics.study.outcomes import bounds
from analytics.study.plan import BINARY, NO_UNIT_VALUE, NOT_NORMAL, Plan
from analytics.study.rows import NOT_DUE, NOT_IN_POPULATION
from analytics.yields import expected_variance

N_IMPUTATIONS = 30
N_DELTAS = 9
# The furthest shift tried, in sizes that matter.
REACH = 6.0
# Where on a scale of months to maturity the smooth course of all readings bends.
KNOTS_MONTHS = (6.0, 9.0, 12.0, 18.0, 30.0)


def treatments(records: Records, found: Answer, plan: Plan) -> Result:
    """Return the declared answer beside those under other treatments of what is missing."""
    level = plan.level(found.analysis)
    effects = {"units with an outcome (declared)": found.effect}
    kind = found.analysis.outcome.kind
    if kind == "yield_at_maturity" and found.effect.is_known:
        effects["all readings from month 6, missing at random"] = _guarded(
            _all_readings, records, found, plan
        )
    if kind not in NO_UNIT_VALUE and found.effect.is_known:
        effects["weighted for being seen"] = _guarded(_weighted_for_seen, found, plan)
        if kind not in NOT_NORMAL:
            effects["imputed, missing at random"] = _guarded(_imputed, found, plan)
    made_of = found.effect.made_of
    rows = [effect_row(e, found.analysis, term=t, level=level) | made_of for t, e in effects.items()]
    if kind in BINARY:
        rows += _bound_rows(found, level)
    drawn = f"; {N_IMPUTATIONS} imputations, seed {plan.seed}"
    method = f"{_lost(found)}{drawn if any(term.startswith('imputed') for term in effects) else ''}"
    checks = {f"{t}: {k}": bool(v) for t, e in effects.items() for k, v in e.checks.items() if not v}
    return Result(pd.DataFrame(rows), _used(found), method, checks=checks, extra=margins(found.analysis))


def _lost(found: Answer) -> str:
    """Return how many have no outcome, of those that should; of times, that have no count that serves."""
    if found.analysis.outcome.kind in NO_UNIT_VALUE:
        units = found.given.units
        inside = units[units["x"].notna() & ~units["reason"].isin([NOT_IN_POPULATION, NOT_DUE])]
        lost = counted(int(inside["reason"].ne("").sum()), of=len(inside))
        return f"{lost} units have no count that serves, and are left out"
    due = found.given.due
    return f"{counted(int(due['y'].isna().sum()), of=len(due))} units due have no outcome"


def _used(found: Answer) -> pd.DataFrame:
    return found.given.units[["patient_id", "unit_id", "zone", "reason"]]


def _guarded(question, *given) -> Effect:
    try:
        return question(*given)
    except (FitError, np.linalg.LinAlgError) as error:
        units = next(g for g in given if isinstance(g, Answer)).units
        return unknown(str(error).partition(": ")[2] or "no fit", units)


def _bound_rows(found: Answer, level: float) -> list[dict]:
    table = bounds(found.given.due, level=level)
    return [
        line(
            row.term, row.estimate, found.analysis.unit, ci=(row.ci_low, row.ci_high), level=level,
            n_patients=row.n_patients, n_rows=row.n_rows, flag="best and worst case",
            **(found.effect.made_of if found.effect.is_known else {"basis": "counts"}),
        )
        for row in table.itertuples()
    ]  # fmt: skip


def all_reading_rows(records: Records, found: Answer) -> pd.DataFrame:
    """Return every usable reading from month 6 on of the units due, with its unit's columns and variance."""
    visits = found.given.visits
    assert visits is not None
    rows = visits[visits["for_curve"] & visits["quantity"].eq("yield") & visits["yield_pct"].notna()]
    rows = rows.assign(n_repeats=1.0, y=rows["yield_pct"] / rows["planted_ratio"])
    bend = pd.cut(rows["month"], [0, *KNOTS_MONTHS[1:], np.inf], labels=False)
    mean = rows.groupby([rows["zone"], bend])["y"].transform("mean").to_numpy(dtype=float)
    rows = rows.assign(variance=expected_variance(rows, mean, measurement.error_model(records)))
    due = found.given.due.drop_duplicates("placement_id")
    columns = ["placement_id", *[c for c in due.columns if c not in rows.columns]]
    return rows.merge(due[columns], on="placement_id", how="inner", validate="many_to_one")


def _all_readings(records: Records, found: Answer, plan: Plan) -> Effect:
    rows = all_reading_rows(records, found)
    columns = of_plan(rows, found.given, plan)
    ahead = rows["month"].to_numpy(dtype=float)
    mature = rows["maturity_month"].to_numpy(dtype=float)
    course = natural_basis(ahead, KNOTS_MONTHS) - natural_basis(mature, KNOTS_MONTHS)
    x = rows["x"].to_numpy(dtype=float)
    crown = rows["zone"].eq("crown").to_numpy(dtype=float)
    slope = (ahead - mature) / 12.0
    X = np.column_stack([columns.X, course, crown * slope, (x - x.mean()) * slope])
    X = X[:, diagnostics.independent(X)]
    patient = pd.factorize(rows["patient_id"])[0]
    placement = pd.factorize(rows["placement_id"])[0]
    one = np.ones((len(rows), 1))
    fit = mixed.fit(
        rows["y"].to_numpy(dtype=float), X, [(patient, one), (placement, one)],
        known_variance=rows["variance"].to_numpy(dtype=float),
    )  # fmt: skip
    tested = fit.contrast(np.eye(X.shape[1])[0], method="kenward-roger")
    return Effect(
        float(tested.estimate), float(tested.se), float(np.min(tested.df)), int(patient.max()) + 1, len(rows),
        "mixed model of all readings", checks=dict(fit.checks),
    )  # fmt: skip


def _weighted_for_seen(found: Answer, plan: Plan) -> Effect:
    due = found.given.due
    seen = due["y"].notna().to_numpy()
    if seen.all():
        return unknown("nothing is missing", found.units)
    columns = of_plan(due, found.given, plan)
    chance = weighting.propensity(seen, np.column_stack([columns.X[:, 0], columns.X[:, 2:], _early(due)]))
    weight = weighting.truncated(seen.mean() / chance.share[seen])
    units = due[seen].reset_index(drop=True)
    if found.analysis.outcome.kind in BINARY:
        units = units.assign(y=100 * units["y"])
    own = of_plan(units, found.given, plan)
    effect = weighted(units, own.X, weight.weight, "weighted for being seen")
    worth = counted(round(weight.effective), of=len(units))
    note = f"weights {weight.smallest:.2f} to {weight.largest:.2f}; worth {worth}"
    return replace(effect, notes=(note,))


def _early(due: pd.DataFrame) -> np.ndarray:
    """Return the last reading before maturity (mean where none) and whether there is none, (n, 2)."""
    early = due["early"].to_numpy(dtype=float)
    none = np.isnan(early)
    filled = np.where(none, np.nanmean(early) if (~none).any() else 0.0, early)
    return np.column_stack([filled - filled.mean(), none.astype(float)])


def _imputed(found: Answer, plan: Plan) -> Effect:
    sets = completed(found, plan)
    pooled = _pooled(sets, 0.0, found, plan)
    return Effect(
        pooled.estimate, pooled.se, pooled.df, int(found.given.due["patient_id"].nunique()),
        len(found.given.due), "imputed",
        notes=(f"missing information {100 * pooled.missing_information:.0f} %",),
    )  # fmt: skip


def completed(found: Answer, plan: Plan) -> np.ndarray:
    """Return the outcomes of all units due, missing ones drawn, shape (imputations, units).

    Raises
    ------
    FitError
        When nothing is missing, or too little is observed.
    """
    due = found.given.due
    if due["y"].notna().all():
        raise FitError("study.completed: nothing is missing")
    columns = of_plan(due, found.given, plan)
    seen = due["y"].notna().to_numpy()
    X = np.column_stack([columns.X, _early(due)])
    # Only columns that the observed units determine can carry a draw.
    X = X[:, diagnostics.independent(X[seen])]
    made = imputation.imputer(
        due["y"].to_numpy(dtype=float), X, due["patient_id"].astype(str).to_numpy(dtype=object).astype(str),
        known_variance=_known(due),
    )  # fmt: skip
    rng = np.random.default_rng(plan.seed)
    return np.array([made.draw(rng) for _ in range(N_IMPUTATIONS)])


def _known(due: pd.DataFrame) -> np.ndarray:
    """Return known variances, for a missing outcome that of a reading of its zone."""
    mean = due.groupby("zone")["variance"].transform("mean").fillna(due["variance"].mean()).fillna(0.0)
    return due["variance"].fillna(mean).to_numpy(dtype=float)


def _pooled(sets: np.ndarray, delta: float, found: Answer, plan: Plan) -> imputation.Pooled:
    due = found.given.due
    shifted = delta * (due["y"].isna() & due["x"].eq(1.0)).to_numpy(dtype=float)
    # A drawn outcome holds its own counting error, so that one variance a row serves all.
    variance = _known(due) if due["variance"].notna().any() else np.nan
    units = due.assign(variance=variance)
    columns = of_plan(due, found.given, plan)
    fitted = normals(units, columns, sets + shifted)
    estimate, se, df = fitted[:, np.isfinite(fitted[:2]).all(axis=0) & (fitted[1] > 0)]
    return imputation.rubin(estimate, se**2, complete_df=float(df.mean()))


def tipping(found: Answer, plan: Plan) -> Result:
    """Return the answer as points are added to the imputed outcomes of the compared group.

    Returns
    -------
    Curve
        Terms: missing at random, and the tipping points down and up (NaN where none within reach). `path`
        is the answer by points added. A plain Result with a flag where nothing can be imputed.
    """
    analysis = found.analysis
    fits = analysis.outcome.kind not in (*NO_UNIT_VALUE, *NOT_NORMAL) and not found.given.exposure.is_number
    if not fits or not found.effect.is_known:
        return _no_tipping(found, "a tipping point is made for numbers in two groups; see the bounds")
    try:
        sets = completed(found, plan)
    except FitError as error:
        return _no_tipping(found, str(error).partition(": ")[2])
    level = found.verdict.level
    reach = REACH * analysis.matters
    deltas = np.linspace(-reach, reach, N_DELTAS)
    path = [_at(delta, sets, found, plan) for delta in deltas]
    middle = path[N_DELTAS // 2]
    rows = [{k: v for k, v in middle[0].items() if k != "x"} | {"term": "imputed, missing at random"}]
    for name, step in (("tipping point, worse", -1), ("tipping point, better", 1)):
        rows.append(_tip(name, (path if step > 0 else path[::-1])[N_DELTAS // 2 :], middle[1], rows[0]))
    frame = pd.DataFrame([p[0] for p in path])
    method = (
        f"delta-adjusted imputation: {N_IMPUTATIONS} imputations, Rubin's rules, seed {plan.seed}, interval "
        f"of level {level:g}; points are added to imputed outcomes of the compared group alone"
    )
    return Curve(
        pd.DataFrame(rows), _used(found), method, picture="tipping", path=frame,
        x_name="points added to missing outcomes of the compared group", extra=margins(analysis),
    )  # fmt: skip


def _at(delta: float, sets: np.ndarray, found: Answer, plan: Plan) -> tuple[dict, str]:
    pooled = _pooled(sets, delta, found, plan)
    due = found.given.due
    effect = Effect(
        pooled.estimate, pooled.se, pooled.df, int(due["patient_id"].nunique()), len(due), "imputed"
    )
    verdict = judge(effect, found.analysis, plan)
    row = effect_row(effect, found.analysis, term="answer", level=verdict.level)
    return {**row, "x": float(delta), "flag": "", "p_value": verdict.p_value}, verdict.said


def _tip(name: str, path: list[tuple[dict, str]], said: str, like: dict) -> dict:
    """Return where the conclusion changes, between two points of the path by the interval's limits."""
    of = {"basis": "model", "n_patients": like["n_patients"], "n_rows": like["n_rows"]}
    for (before, _), (after, now) in pairwise(path):
        if now != said:
            where = _crossing(before, after)
            return line(name, where, like["unit"], flag=f"from there on: {now}", **of)
    reach = abs(path[-1][0]["x"])
    return line(name, np.nan, like["unit"], flag=f"none within {reach:g} points: still {said}", **of)


def _crossing(before: dict, after: dict) -> float:
    """Return where a limit crosses none between two points, their middle where none does."""
    for side in ("ci_low", "ci_high"):
        a, b = before[side], after[side]
        if a * b < 0:
            return float(before["x"] + (after["x"] - before["x"]) * a / (a - b))
    return float((before["x"] + after["x"]) / 2)


def _no_tipping(found: Answer, why: str) -> Result:
    none = line("tipping point", np.nan, found.analysis.unit, flag=why)
    return Result(pd.DataFrame([none]), _used(found), "no tipping point", picture="intervals")
