"""Were the groups alike, and those seen like those not seen; does the answer hang on how that is allowed for?

The declared adjustment set, four ways side by side: not at all; in the model (declared); by weights from the
propensity, stabilised and truncated; matched exactly on zone (every compared placement against the reference
placements of its zone; where zones are compared, within the patient). A fifth adds to the model what is
recorded, was not declared and lies APART: chosen after the plan, though not by any outcome. And the E-value:
how strongly something unrecorded would have to go with both exposure and outcome to explain the answer away.

Sources: Robins, Hernán & Brumback 2000, Epidemiology 11:550-560; Austin 2009, Stat Med 28:3083-3107
(standardised differences; 0.1); Stuart 2010, Stat Sci 25:1-21 (matching weights; 0.25; from memory); Austin &
Steyerberg 2015, J Clin Epidemiol 68:627-636 (two patients a column; from memory); VanderWeele & Ding 2017,
Ann Intern Med 167:268-274 (E-value; a standardised difference d is read as a risk ratio exp(0.91 d)).
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import FitError
from analytics.numerics import proportions, weighting
from analytics.results import Result, counted, limits, line
from analytics.study.answer import BETWEEN, Answer, effect_row, margins
from analytics.study.effects import Effect, common_words, design, of_plan, paired, unknown, weighted
from analytics.study.outcomes import NOTHING_HELD
from analytics.study.plan import BINARY, NO_UNIT_VALUE, POOR_GROWTH, VARIABLES, Plan, in_words
from analytics.study.report import GROUPS
from analytics.study.rows import NOT_DUE, NOT_IN_POPULATION, as_words, is_number

ALIKE = 0.1
APART = 0.25  # standard deviations, from which a variable that was not declared is added
PATIENTS_A_COLUMN = 2
ADDED = "adjusted for more (after the plan)"
PER_SD = 0.91
CENTILES = (0.05, 0.5, 0.95)
CENTILES_FROM = 20  # recorded; of fewer the outer ones are single patients
# What belongs to the patient is described once per patient of a group, the rest once per unit.
OF_PATIENT = (
    "sex", "age_years", "smoker", "diabetes", "scarring", "loss_class", "hair_calibre_um", "curl", "contrast",
)  # fmt: skip
N_CLASSES = 10
NO_WEIGHTS = "not for this outcome: weights and matching are made for numbers and for yes or no"


def balance(found: Answer, plan: Plan) -> Result:
    """Return how far the groups are apart in each recorded variable, before and after weighting.

    Terms are variables, `by` says whether plain or weighted; estimates are standardised differences
    (compared less reference; for words never negative).
    """
    units = found.units
    rows: list[dict] = []
    weight = weights(found, plan)
    for variable in shown_variables(found):
        for how, w in (("as recorded", None), ("weighted", weight)):
            if w is not None or how == "as recorded":
                rows.append(_balance_row(units, variable, how, w, plan))
    table = pd.DataFrame(rows)
    method = (
        "standardised differences of units with an outcome; weighted by stabilised inverse propensity of the "
        f"adjustment set; under {ALIKE:g} is usually called alike (Austin 2009)"
    )
    return Result(table, _used(found), method, by=("how",), picture="balance")


def _used(found: Answer) -> pd.DataFrame:
    return found.given.units[["patient_id", "unit_id", "zone", "reason"]]


def shown_variables(found: Answer) -> list[str]:
    """Return the recorded variables that vary and are not what is compared."""
    units, exposure = found.units, found.given.exposure
    return [
        v
        for v in (*VARIABLES, *found.given.own)
        if v != exposure.variable and v in units and found.given.has(v) and units[v].nunique(dropna=True) > 1
    ]


def _balance_row(units: pd.DataFrame, variable: str, how: str, weight, plan: Plan) -> dict:
    group, values = units["x"].eq(1.0).to_numpy(), units[variable]
    missing = values.isna().to_numpy()
    if is_number(values):
        gap = weighting.standardised_difference(
            pd.to_numeric(values).to_numpy(dtype=float, na_value=np.nan), group, weights=weight
        )
    else:
        words = common_words(values).astype(str)
        gap = weighting.categorical_difference(words, group, weights=weight)
    declared = "" if variable in plan.adjusted_for else "not in the adjustment set"
    unseen = f"{counted(missing.sum())} rows not recorded" if missing.any() else ""
    return line(
        in_words(variable), gap, "standard deviations", by={"how": how}, basis="model",
        n_patients=int(units.loc[~missing, "patient_id"].nunique()), n_rows=int((~missing).sum()),
        flag="; ".join(t for t in (declared, unseen) if t),
    )  # fmt: skip


def propensity(found: Answer, plan: Plan) -> weighting.Propensity:
    """Return the chance of the compared group from the adjustment set."""
    units = found.units
    columns = of_plan(units, found.given, plan)
    return weighting.propensity(units["x"].eq(1.0).to_numpy(), columns.without_exposure)


def weights(found: Answer, plan: Plan) -> np.ndarray | None:
    """Return the weights of the units, or None where nothing is adjusted for."""
    made = _weights(found, plan)
    return None if made is None else made.weight


def _weights(found: Answer, plan: Plan) -> weighting.Weights | None:
    if not _declared(found, plan):
        return None
    share = propensity(found, plan).share
    return weighting.stabilised(found.units["x"].eq(1.0).to_numpy(), share)


def table_one(found: Answer, variables: list[str]) -> pd.DataFrame:
    """Return the groups as they were, those with an outcome and those without one that should have it.

    Two rows per number (mean with SD; median with 5th and 95th centile, these from 20 recorded on), one per
    word (percent). `n_...` is how many have it recorded (the word, for words), `n_missing_...` how many have
    not; `unseen_` are those without an outcome. Standardised differences: compared less reference among the
    seen, and in each group unseen less seen, one for all words of a variable.
    """
    units = _seen_and_unseen(found)
    rows: list[dict] = []
    for variable in variables:
        is_of_patient = variable in OF_PATIENT or found.given.own.get(variable) == "patients"
        own = units.drop_duplicates(["patient_id", "x", "is_seen"]) if is_of_patient else units
        rows += _number_rows(own, variable) if is_number(own[variable]) else _word_rows(own, variable)
    told = pd.DataFrame(rows)
    is_compared = told["variable"].eq(in_words(found.given.exposure.variable))  # apart by definition
    return told.assign(standardised_difference=told["standardised_difference"].mask(is_compared))


def _seen_and_unseen(found: Answer) -> pd.DataFrame:
    """Return the units of the comparison whose outcome month was reached; a number is cut at its median."""
    units = found.given.units
    inside = units["x"].notna() & ~units["reason"].isin([NOT_IN_POPULATION, NOT_DUE])
    units = units[inside].assign(is_seen=units.loc[inside, "reason"].eq(""))
    if found.given.exposure.is_number:
        units = units.assign(x=units["x"].gt(units.loc[units["is_seen"], "x"].median()).astype(float))
    return units.reset_index(drop=True)


def _groups(own: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return who belongs to each group: seen and unseen, reference and compared."""
    return {
        f"{before}{name}": own["is_seen"].eq(seen).to_numpy() & own["x"].eq(float(g)).to_numpy()
        for before, seen in (("", True), ("unseen_", False))
        for g, name in enumerate(GROUPS)
    }


def _gaps(own: pd.DataFrame, gap: Callable[[np.ndarray, np.ndarray], float]) -> dict[str, float]:
    """Return the standardised differences of a variable; `gap` gives one of the rows named, second group."""
    seen, is_compared = own["is_seen"].to_numpy(dtype=bool), own["x"].eq(1.0).to_numpy()
    made = {"standardised_difference": gap(seen, is_compared)}
    for g, name in enumerate(GROUPS):
        made[f"difference_{name}"] = gap(is_compared == bool(g), ~seen)
    return made


def _number_rows(own: pd.DataFrame, variable: str) -> list[dict]:
    values = pd.to_numeric(own[variable], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    mean: dict[str, Any] = {"variable": in_words(variable), "level": "mean"}
    median: dict[str, Any] = {"variable": in_words(variable), "level": "median", "basis": "quantile"}
    sizes = []
    for name, inside in _groups(own).items():
        known = values[inside & ~np.isnan(values)]
        n = {f"n_{name}": len(known), f"n_missing_{name}": int(inside.sum()) - len(known)}
        spread = known.std(ddof=1) if len(known) > 1 else np.nan
        mean |= n | {name: known.mean() if len(known) else np.nan, f"sd_{name}": spread}
        low, middle, high = np.quantile(known, CENTILES) if len(known) else (np.nan,) * 3
        told = len(known) >= CENTILES_FROM
        median |= n | {name: middle}
        median |= {f"low_{name}": low if told else np.nan, f"high_{name}": high if told else np.nan}
        sizes.append(own.loc[inside & ~np.isnan(values), "patient_id"].nunique())
    gaps = _gaps(own, lambda rows, second: weighting.standardised_difference(values[rows], second[rows]))
    return [mean | gaps, median | {"n_patients": min((n for n in sizes if n), default=0)}]


def _word_rows(own: pd.DataFrame, variable: str) -> list[dict]:
    words = as_words(own[variable])
    known = words.notna().to_numpy()
    labels = words.fillna("").to_numpy(dtype=object).astype(str)

    def gap(rows: np.ndarray, second: np.ndarray) -> float:
        told = second[rows & known]
        return weighting.categorical_difference(labels[rows & known], told) if len(set(told)) == 2 else np.nan

    gaps, groups = _gaps(own, gap), _groups(own)
    rows = []
    for word in words[known].value_counts().index:
        row: dict[str, Any] = {"variable": in_words(variable), "level": f"{word}, %"}
        for name, inside in groups.items():
            n, of = int((labels == word)[inside & known].sum()), int((inside & known).sum())
            row |= {
                f"n_{name}": n, f"n_missing_{name}": int((inside & ~known).sum()),
                name: 100 * n / of if of else np.nan,
            }  # fmt: skip
        rows.append(row | gaps)
    return rows


def _declared(found: Answer, plan: Plan) -> tuple[str, ...]:
    """Return what of the plan's adjustment set the units tell apart, whatever the outcome could bear."""
    return of_plan(found.units, found.given, plan).held if len(found.units) else ()


def overlap(found: Answer, plan: Plan) -> Result:
    """Return the distribution of the propensity in both groups, in ten classes of equal width."""
    units, exposure = found.units, found.given.exposure
    made = propensity(found, plan)
    middle = (np.arange(N_CLASSES) + 0.5) / N_CLASSES
    place = np.clip((made.share * N_CLASSES).astype(int), 0, N_CLASSES - 1)
    rows = []
    for g, name in enumerate((exposure.reference_name, exposure.compared_name)):
        own = units["x"].eq(float(g)).to_numpy()
        for k in range(N_CLASSES):
            inside = own & (place == k)
            rows.append(
                line(
                    "propensity", 100 * inside.sum() / max(own.sum(), 1), "% of the group",
                    by={"group": name}, x=middle[k], basis="share", numerator=int(inside.sum()),
                    denominator=int(own.sum()), n_rows=int(inside.sum()),
                    n_patients=int(units.loc[inside, "patient_id"].nunique()),
                )
            )  # fmt: skip
    weight = _weights(found, plan)
    notes = [
        f"common area of the two distributions {made.overlap:.2f}; {100 * made.outside:.0f} % of rows have "
        "a propensity the other group never has"
    ]
    if weight is not None:
        notes.append(
            f"weights from {weight.smallest:.2f} to {weight.largest:.2f} after cutting "
            f"{counted(weight.n_truncated)} at the 1st and 99th centile; "
            f"{counted(len(units))} rows are worth {weight.effective:.0f}"
        )
    checks = {"groups_not_told_apart_wholly": not made.separated, "enough_overlap": made.overlap >= 0.5}
    method = "propensity of the compared group by logistic regression on the adjustment set"
    table = pd.DataFrame(rows)
    return Result(
        table, _used(found), method, by=("group",), checks=checks, picture="overlap", notes=tuple(notes)
    )


def undeclared(found: Answer, plan: Plan) -> tuple[list[str], list[str]]:
    """Return what is recorded, not in the plan and APART, furthest first; and of it what does not fit in."""
    units = found.units
    if found.given.exposure.is_number or not found.effect.is_known or found.design != BETWEEN:
        return [], []
    variables = [v for v in shown_variables(found) if v not in plan.adjusted_for]
    gaps = {v: abs(_balance_row(units, v, "", None, plan)["estimate"]) for v in variables}
    far = sorted((v for v in variables if gaps[v] >= APART), key=lambda v: -gaps[v])
    declared = _declared(found, plan)
    kept: list[str] = []
    too_many: list[str] = []
    for variable in far:
        tried = design(units, (*declared, *kept, variable))
        if variable in tried.held:  # else it says nothing that the others do not
            fits = tried.X.shape[1] * PATIENTS_A_COLUMN <= _carries(found)
            (kept if fits else too_many).append(variable)
    return kept, too_many


def _carries(found: Answer) -> int:
    """Return what bears columns: patients; of yes or no, the rarer answer."""
    if found.analysis.outcome.kind not in BINARY:
        return int(found.units["patient_id"].nunique())
    yes = found.units["y"].sum()
    return int(min(yes, len(found.units) - yes))


def side_by_side(
    found: Answer, plain: Answer, plan: Plan, wide: Answer | None = None, too_many: list[str] | None = None
) -> Result:
    """Return the answer not adjusted, adjusted (declared), weighted, matched, adjusted for more.

    Parameters
    ----------
    found
        The declared answer.
    plain
        The same with nothing held equal.
    wide
        The same with what is `undeclared` held equal too; none where nothing is.
    too_many
        Of what is undeclared, what could not be added.
    """
    level = plan.level(found.analysis)
    effects = {"unadjusted": plain.effect, "adjusted in the model (declared)": found.effect}
    effects |= _weighted_and_matched(found, plan)
    if wide is not None and not any(note.startswith(NOTHING_HELD) for note in wide.effect.notes):
        effects[ADDED] = replace(wide.effect, notes=(*_added(found, wide, plan), *wide.effect.notes))
    made_of = found.effect.made_of
    rows = [effect_row(e, found.analysis, term=term, level=level) | made_of for term, e in effects.items()]
    checks = {f"{term}: {k}": bool(v) for term, e in effects.items() for k, v in e.checks.items() if not v}
    declared = ", ".join(in_words(v) for v in _declared(found, plan)) or "empty"
    method = (
        f"adjustment set {declared}; weighted: inverse "
        "propensity, stabilised, cut at the 1st and 99th centile; matched: reference placements weighed to "
        "the compared group's zones; errors by patient"
    )
    notes = (
        *(f"could not be adjusted for: {v}" for v in map(in_words, found.not_held)),
        f"the declared answer is not adjusted for: {', '.join(not_adjusted(found, plan))}",
        *(f"too few patients to add: {v}" for v in [", ".join(map(in_words, too_many or []))] if v),
    )
    extra = margins(found.analysis)
    return Result(pd.DataFrame(rows), _used(found), method, checks=checks, notes=notes, extra=extra)


def _added(found: Answer, wide: Answer, plan: Plan) -> tuple[str, ...]:
    """Return what was added after the plan, and that the conclusion is another where it is."""
    words = ", ".join(in_words(v) for v in wide.held if v not in plan.adjusted_for)
    another = f"another verdict: {wide.verdict.said}" if wide.verdict.said != found.verdict.said else ""
    return tuple(text for text in (f"added after the plan: {words}", another) if text)


def _weighted_and_matched(found: Answer, plan: Plan) -> dict[str, Effect]:
    units = found.units
    if found.analysis.outcome.kind in NO_UNIT_VALUE or found.given.exposure.is_number or not len(units):
        none = unknown(NO_WEIGHTS, units, is_ratio=found.effect.is_ratio)
        return {"weighted by propensity": none, "matched on zone": none}
    if not found.effect.is_known:
        return dict.fromkeys(("weighted by propensity", "matched on zone"), found.effect)
    if found.analysis.outcome.kind in BINARY:
        units = units.assign(y=100 * units["y"])
    return {"weighted by propensity": _by_propensity(found, units, plan), **_by_zone(found, units)}


def _by_propensity(found: Answer, units: pd.DataFrame, plan: Plan) -> Effect:
    weight = weights(found, plan)
    if weight is None:
        return unknown("the adjustment set is empty", units)
    X = np.column_stack([units["x"].to_numpy(dtype=float), np.ones(len(units))])
    try:
        return weighted(units, X, weight, "inverse propensity")
    except FitError as error:
        return unknown(str(error), units)


def _by_zone(found: Answer, units: pd.DataFrame) -> dict[str, Effect]:
    if found.given.exposure.variable == "zone":
        return {"within patients who hold both": paired(units, ())}
    if not found.given.has_zone:
        return {"matched on zone": unknown("the outcome belongs to the session", units)}
    n = units.groupby(["zone", "x"]).size().unstack("x").reindex(columns=[0.0, 1.0]).dropna()
    shared = units[units["zone"].isin(n.index)]
    if not len(shared):
        return {"matched on zone": unknown("no zone holds both groups", units)}
    ratio = shared["zone"].map(n[1.0] / n[0.0]).to_numpy(dtype=float)
    weight = np.where(shared["x"].eq(1.0), 1.0, ratio)
    X = np.column_stack([shared["x"].to_numpy(dtype=float), np.ones(len(shared))])
    try:
        effect = weighted(shared, X, weight, "matched on zone")
    except FitError as error:
        effect = unknown(str(error), units)
    return {"matched on zone": effect}


def e_values(found: Answer) -> Result:
    """Return the E-value of the declared answer and of the limit nearer to none."""
    ratio, low, high, how = _as_risk_ratio(found)
    rows = []
    if np.isfinite(ratio):
        point, limit = proportions.e_value(ratio, low, high)
        counts: dict[str, Any] = {"n_patients": found.effect.n_patients, "n_rows": found.effect.n_rows}
        counts |= found.effect.made_of
        rows = [
            line("E-value of the answer", point, "risk ratio", **counts),
            line("E-value of its nearer limit", limit, "risk ratio", **counts),
        ]
    table = pd.DataFrame(rows or [line("E-value", np.nan, "risk ratio", flag=how)])
    method = f"E-value (VanderWeele & Ding 2017); {how}"
    note = "how strongly, as a risk ratio, something unrecorded would have to go with both to explain it away"
    return Result(table, _used(found), method, notes=(note,))


def _as_risk_ratio(found: Answer) -> tuple[float, float, float, str]:
    """Return the answer as a risk ratio with its limits, and how it became one."""
    effect = found.effect
    is_poor_growth = found.analysis.outcome.kind == POOR_GROWTH
    if not effect.is_known or found.given.exposure.is_number or is_poor_growth:
        return np.nan, np.nan, np.nan, "no E-value for this answer"
    low, high = effect.limits(found.verdict.level)
    if "log_ratio" in effect.more:
        centre = effect.more["log_ratio"]
        low, high = limits(centre, effect.more["log_ratio_se"], level=found.verdict.level)
        return float(np.exp(centre)), float(np.exp(low)), float(np.exp(high)), "risk ratio"
    if effect.is_ratio:
        return (
            float(np.exp(effect.estimate)),
            float(np.exp(low)),
            float(np.exp(high)),
            "time ratio read as a risk ratio",
        )
    if found.analysis.outcome.kind in BINARY:
        return np.nan, np.nan, np.nan, "a group without events has no risk ratio"
    units = found.units
    spread = float(np.sqrt(np.mean([units.loc[units["x"].eq(g), "y"].var(ddof=1) for g in (0.0, 1.0)])))
    scaled = np.exp(PER_SD * np.array([effect.estimate, low, high]) / spread)
    return (
        float(scaled[0]),
        float(scaled[1]),
        float(scaled[2]),
        "difference over the standard deviation, read as a risk ratio",
    )


def not_adjusted(found: Answer, plan: Plan) -> list[str]:
    """Return what is recorded, varies and is not held equal, and then what no register holds."""
    recorded = [v for v in shown_variables(found) if v not in found.held]
    return [*(in_words(v) for v in recorded), "anything not recorded"]
