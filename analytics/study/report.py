"""What a reader of a study must be told: who was in it by group, what was declared, what the model held.

Flow with the reasons by group, outcomes of the groups as they are and with the rest held equal,
coefficients, variance components, and the declared plan in words.

Source: ICH E9(R1) 2019 (estimands).
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import FitError
from analytics.numerics import resample
from analytics.results import Result, counted, limits, line
from analytics.study.answer import BETWEEN, Answer, effect_row, margins, of_sample
from analytics.study.effects import Columns, arrays, fitted, normal, of_plan
from analytics.study.lock import FORGED, NOT_COMPARABLE, Frozen, Status
from analytics.study.plan import (
    BINARY,
    NO_UNIT_VALUE,
    OF_CURVE,
    STRATEGIES,
    Analysis,
    Exposure,
    Plan,
    in_words,
)
from analytics.study.rows import NOT_DUE, NOT_IN_POPULATION, SESSION_OUTCOMES

OUTCOME_WORDS = {
    "yield_at_maturity": "yield at the zone's maturity month, percent of planted hairs",
    "plateau_yield": "plateau: what grows in the end, percent of planted hairs",
    "tempo": "tempo: the month of half the plateau",
    "milestone": "month of the first reading at or above {percent:g} % of planted hairs",
    "complication": "{event}, by month {by_month:g}, among those asked",
    "satisfaction": "satisfaction, 0 to 10, nearest to month {month:g}",
    "transection": "grafts visibly transected, percent of those taken out (ratio of totals)",
    "would_choose_again": "would choose the operation again, nearest to month {month:g}",
    "poor_growth": "poor growth (true yield at the zone's maturity month under {percent:g} %)",
}
GROUPS = ("reference", "compared")
STAGES = (
    "in the register", "in the population", "in a group of the comparison", "outcome month reached",
    "analysed",
)  # fmt: skip
AS_IT_IS = "mean as it is"
HANGS = "hangs on one patient"
# That the furthest of so many patients moves the answer as far. Patients do not weigh alike, so that 2 % is
# about 5 % of registers without an odd patient (simulated, tests/bench/README.md).
BY_CHANCE = 0.02
SUMMARY = {
    **dict.fromkeys(("yield_at_maturity", "plateau_yield", "satisfaction"), "difference of means"),
    "transection": "difference of ratios of totals",
    "poor_growth": "difference of shares",
}


def outcome_in_words(analysis: Analysis) -> str:
    """Return what an analysis measures.

    Parameters
    ----------
    analysis
        Of a plan.

    Returns
    -------
    str
        As *yield at maturity*.
    """
    given = analysis.outcome
    return OUTCOME_WORDS[given.kind].format(**given.model_dump())


def exposure_in_words(exposure: Exposure) -> str:
    """Return what is compared.

    Parameters
    ----------
    exposure
        Of a plan.

    Returns
    -------
    str
        As *method: FUE against FUT*.
    """
    name = in_words(exposure.variable)
    if exposure.is_number:
        return f"{name}, per {exposure.per:g}"
    if exposure.cut is not None:
        return f"{name}: {exposure.compared_name} (over {exposure.cut:g}) against {exposure.reference_name}"
    return f"{name}: {', '.join(exposure.compared)} against {', '.join(exposure.reference)}"


def flow(found: Answer) -> pd.DataFrame:
    """Return how many patients and units there are at each stage, in all and by group."""
    units = found.given.units
    inside = units["reason"].ne(NOT_IN_POPULATION)
    compared = inside & units["x"].notna()
    due = compared & units["reason"].ne(NOT_DUE)
    every = pd.Series(True, index=units.index)
    stages = dict(zip(STAGES, (every, inside, compared, due, units["reason"].eq("")), strict=True))
    if found.analysis.outcome.kind in NO_UNIT_VALUE:
        del stages[STAGES[3]]
    unit = "n_sessions" if found.analysis.outcome.kind in SESSION_OUTCOMES else "n_placements"
    rows = []
    for stage, kept in stages.items():
        own = units[kept]
        row = {"stage": stage, "n_patients": own["patient_id"].nunique(), unit: own["unit_id"].nunique()}
        rows.append(row | _patients_by_group(found, own))
    return pd.DataFrame(rows)


def flow_labels(found: Answer) -> dict[str, str]:
    """Return the headings of `flow`, `reasons`, `table_one`: the groups' columns by the groups' own names."""
    is_session = found.analysis.outcome.kind in SESSION_OUTCOMES
    labels = {
        "stage": "Stage",
        "reached": "Last stage reached",
        "left_out": "Left out",
        "n_patients": "Patients",
        "n_placements": "Planted zones",
        "n_sessions": "Sessions",
        "n_units": "Sessions" if is_session else "Planted zones",
    }
    named = (found.given.exposure.reference_name, found.given.exposure.compared_name)
    if found.given.exposure.is_number:
        named = ("up to the median", "above the median")
    for column, name in zip(GROUPS, (name[:1].upper() + name[1:] for name in named), strict=True):
        labels |= {column: name, f"n_{column}": name}
        labels |= {f"seen_{column}": f"{name}, seen", f"unseen_{column}": f"{name}, not seen"}
    return labels


def plan_in_full(plan: Plan) -> pd.DataFrame:
    """Return every entry of the plan, one row each, in the order of the file."""
    return pd.DataFrame(
        [{"entry": name, "declared": value} for name, value in _flat(plan.model_dump(mode="json"))]
    )


def _flat(content: Any, at: str = "") -> list[tuple[str, str]]:
    if isinstance(content, dict):
        return [pair for k, v in content.items() for pair in _flat(v, f"{at}.{k}" if at else str(k))]
    if isinstance(content, list) and content and isinstance(content[0], dict):
        return [pair for k, v in enumerate(content, start=1) for pair in _flat(v, f"{at} {k}")]
    if content is None or content in ([], ""):
        return []
    text = ", ".join(str(v) for v in content) if isinstance(content, list) else str(content)
    return [(at, text)]


def estimand(plan: Plan, analysis: Analysis | None = None) -> pd.DataFrame:
    """Return the five parts of the estimand of an analysis (the primary one) in words."""
    asked = analysis or plan.primary
    rows = [
        ("population", plan.population.words),
        ("comparison", f"{exposure_in_words(plan.exposure_of(asked))}. {plan.exposure_of(asked).reason}"),
        ("outcome", outcome_in_words(asked)),
        *(
            (f"intercurrent event: {event}", f"{plan.strategy(event)}: {words[plan.strategy(event)]}")
            for event, words in STRATEGIES.items()
        ),
        ("summary", f"{_summary(asked)}; adjusted for: {_named(plan.adjusted_for)}"),
        ("hypothesis", _hypothesis(asked, plan)),
    ]
    return pd.DataFrame(rows, columns=["part", "declared"])


def _named(variables: tuple[str, ...]) -> str:
    return ", ".join(in_words(v) for v in variables) or "nothing"


def _summary(analysis: Analysis) -> str:
    if analysis.is_ratio:
        return "ratio of months"
    return SUMMARY.get(analysis.outcome.kind, "difference of risks")


def _hypothesis(analysis: Analysis, plan: Plan) -> str:
    size = f"{analysis.matters:g} {'(ratio)' if analysis.is_ratio else analysis.unit}"
    if analysis.hypothesis == "difference":
        return f"difference, {100 * plan.alpha:g} % two-sided; {size} would change practice"
    return (
        f"{analysis.hypothesis}, margin {analysis.margin:g}, {100 * plan.tail:g} % one-sided, decided by the "
        f"interval of {100 * plan.level(analysis):g} %; {size} would change practice"
    )


def standing(status: Status, since: list | None, *, with_sizes: bool = True) -> pd.DataFrame:
    """Return where the plan stands, as rows of words: frozen when, on what, what was seen before.

    The register's size, then and since, is left out where exact counts are not for the reader.
    """
    rows = [("plan", status.word), *(("does not fit", fault) for fault in status.faults)]
    if status.frozen is not None:
        first = status.frozen
        rows += [
            ("frozen", first.frozen_at),
            ("plan SHA-256", first.plan_sha256),
            ("register then", ", ".join(f"{n} {t}" for t, n in first.register_size.items())),
            ("rows added since", ", ".join(f"{n:+d} {t}" for t, n in status.grown.items()) or "none"),
            ("rows changed since", _rows_in_words(status.moved.changed, status)),
            ("rows gone since", _rows_in_words(status.moved.gone, status)),
            ("entries changed since", ", ".join(status.changed) or "none"),
            ("times frozen", str(status.n_freezes)),
            ("looked at before freezing", _listed(first.reports_before if _was_searched(first) else None)),
        ]
    if not with_sizes:
        rows = [row for row in rows if not row[0].startswith(("register then", "rows "))]
    rows.append(("reports on the same data found now", _listed(since)))
    return pd.DataFrame(rows, columns=["what", "stands"])


def _was_searched(first: Frozen) -> bool:
    return bool(first.searched or first.reports_before)


def _rows_in_words(rows: dict[str, int], status: Status) -> str:
    """Return how many rows by table; where rows could not be compared, that."""
    if rows:
        return ", ".join(f"{n} {t}" for t, n in rows.items())
    return "not known" if status.word in (NOT_COMPARABLE, FORGED) else "none"


def _listed(reports) -> str:
    if reports is None:
        return "not searched"
    return "; ".join(f"{s.page} ({s.finished[:10]})" for s in reports) or "none found"


def reasons(found: Answer) -> pd.DataFrame:
    """Return why units are not in the analysis: the last stage of `flow` they reached, reason, counts."""
    units = found.given.units
    out = units[units["reason"].ne("")]
    early = [out["reason"].eq(NOT_IN_POPULATION), out["x"].isna(), out["reason"].eq(NOT_DUE)]
    last = STAGES[2] if found.analysis.outcome.kind in NO_UNIT_VALUE else STAGES[3]
    out = out.assign(reached=np.select(early, STAGES[:3], last))
    rows = []
    for (reached, why), own in out.groupby(["reached", "reason"], sort=False):
        row = {
            "reached": reached, "left_out": why,
            "n_units": own["unit_id"].nunique(), "n_patients": own["patient_id"].nunique(),
        }  # fmt: skip
        rows.append(row | _patients_by_group(found, own))
    return pd.DataFrame(sorted(rows, key=lambda row: STAGES.index(row["reached"])))


def _patients_by_group(found: Answer, own: pd.DataFrame) -> dict[str, int]:
    if found.given.exposure.is_number:
        return {}
    return {
        name: int(own.loc[own["x"].eq(float(g)), "patient_id"].nunique())
        for g, name in enumerate(f"n_{group}" for group in GROUPS)
    }


def model(found: Answer, plan: Plan) -> Result:
    """Return means by group as they are and with the rest held equal, coefficients and variance components.

    The adjusted means are those of the mean unit: what is held equal stands at its mean over all units.
    """
    units, analysis = found.units, found.analysis
    used = found.given.units[["patient_id", "unit_id", "zone", "reason"]]
    if analysis.outcome.kind in (*NO_UNIT_VALUE, *BINARY) or not found.effect.is_known:
        none = line(
            "none",
            np.nan,
            analysis.unit,
            by={"part": "model"},
            flag="made for numbers measured once per unit",
        )
        return Result(pd.DataFrame([none]), used, "not made for this answer", by=("part",))
    columns, level = of_plan(units, found.given, plan), 1 - plan.alpha
    rows = [] if found.given.exposure.is_number else _mean_rows(found, columns, level)
    for k, name in enumerate(columns.names):
        effect = normal(units, columns, contrast=np.eye(len(columns.names))[k])
        row = effect_row(effect, analysis, term=name, level=level, by={"part": "coefficient"})
        rows.append(row | _held_by(units, columns.X[:, k]))
    rows += _components(units, columns)
    method = (
        f"{found.effect.method}; outcome = constant + exposure + what is adjusted for (centred; numbers in "
        "standard deviations) + patient + rest"
    )
    return Result(pd.DataFrame(rows), used, method, by=("part",))


def _mean_rows(found: Answer, columns: Columns, level: float) -> list[dict]:
    rows = []
    units, exposure = found.units, found.given.exposure
    unit = "of 10" if found.analysis.outcome.kind == "satisfaction" else "%"
    for g, name in ((0.0, exposure.reference_name), (1.0, exposure.compared_name)):
        own = units[units["x"].eq(g)]
        counts: dict[str, Any] = {"n_patients": int(own["patient_id"].nunique()), "n_rows": len(own)}
        flag = f"SD {own['y'].std():.1f}, of single units"
        rows.append(
            line(
                name,
                float(np.average(own["y"], weights=own.get("weight"))),
                unit,
                by={"part": AS_IT_IS},
                basis="model",
                flag=flag,
                **counts,
            )
        )
        wanted = np.zeros(len(columns.names))
        wanted[:2] = g, 1.0
        effect = normal(units, columns, contrast=wanted)
        low, high = effect.limits(level)
        rows.append(
            line(
                name, effect.estimate, unit, by={"part": "mean, adjusted"}, se=effect.se,
                ci=(low, high), level=level, basis="model", df=effect.df, **counts,
            )
        )  # fmt: skip
    return rows


def by_group(found: Answer, plan: Plan) -> list[dict]:
    """Return the outcome of each group as lines: shares of yes, means as they are and adjusted, half months.

    None where nothing is estimated or a number is compared. Of a milestone, the share that some reading has
    shown at or above it.
    """
    kind, exposure = found.analysis.outcome.kind, found.given.exposure
    if exposure.is_number or not found.effect.is_known:
        return []
    if kind in OF_CURVE:
        return _curve_rows(found, 1 - plan.alpha)
    if kind not in (*BINARY, "milestone"):
        columns = of_plan(found.units, found.given, plan)
        rows = _mean_rows(found, columns, 1 - plan.alpha)
        return rows if found.design == BETWEEN else [r for r in rows if r["part"] == AS_IT_IS]
    rows = []
    for g, name in ((0.0, exposure.reference_name), (1.0, exposure.compared_name)):
        own = found.units[found.units["x"].eq(g)]
        yes = own["y"].eq(1.0) if kind in BINARY else np.isfinite(own["right"].astype(float))
        n, of = int(yes.sum()), len(own)
        rows.append(
            line(
                name, 100 * n / of, "%", by={"part": "share" if kind in BINARY else "share seen to reach it"},
                basis="share", numerator=n, denominator=of, n_patients=int(own["patient_id"].nunique()),
                n_rows=of,
            )
        )  # fmt: skip
    return rows


def _curve_rows(found: Answer, level: float) -> list[dict]:
    """Return half month, or plateau, of each group with the rest at its mean."""
    more, names = found.effect.more, found.given.exposure
    rows = []
    for key, g, name in (("reference", 0.0, names.reference_name), ("compared", 1.0, names.compared_name)):
        value, se = more[f"level_{key}"], more[f"level_{key}_se"]
        numbers = np.array([value, *limits(value, se, level=level, df=found.effect.df)])
        numbers = np.exp(numbers) if found.effect.is_ratio else numbers
        own = found.units[found.units["x"].eq(g)]
        rows.append(
            line(
                name, float(numbers[0]), "months" if found.effect.is_ratio else "%",
                by={"part": "month of half the plateau" if found.effect.is_ratio else "plateau"},
                ci=(float(numbers[1]), float(numbers[2])), level=level, basis="model",
                n_patients=int(own["patient_id"].nunique()), n_rows=len(own),
            )
        )  # fmt: skip
    return rows


def _held_by(units: pd.DataFrame, column: np.ndarray) -> dict[str, Any]:
    """Return how many patients hold a level: its coefficient is about them, and known persons if few."""
    if len(np.unique(column)) != 2:
        return {}
    n = int(units.loc[column == column.max(), "patient_id"].nunique())
    return {"basis": "counts", "numerator": n, "denominator": int(units["patient_id"].nunique())}


def _components(units: pd.DataFrame, columns: Columns) -> list[dict]:
    """Return SDs between patients, within patients and of counting; none where no patient has two units."""
    y, variance, patient = arrays(units)
    if len(np.unique(patient)) == len(y):
        return []
    try:
        fit = fitted(y, columns.X, patient, variance)
    except FitError:
        return []
    between = float(fit.covariances[0][0, 0])
    edge = "on the boundary: none could be told" if bool(fit.on_boundary[0]) else ""
    by, unit = {"part": "standard deviation"}, "points"
    rows = [
        line("between patients", float(np.sqrt(between)), unit, by=by, basis="model", flag=edge),
        line("within patients", float(fit.sigma), unit, by=by, basis="model"),
    ]
    if variance is not None:
        rows.append(line("of counting, known", float(np.sqrt(variance.mean())), unit, by=by, basis="model"))
    return rows


def influence(found: Answer, plan: Plan) -> Result:
    """Return how far the answer moves when one patient is left out, and whether it hangs on one.

    Exact refits of the declared analysis without each patient. Cook's distance uses the variance of the whole
    fit. An answer *hangs on one patient* where without that patient the conclusion is another and the answer
    moves further than the furthest of so many patients would move it by chance (2 %), or there is none. A
    conclusion that changes by less than that is near its edge, as every twentieth or so must be.
    """
    units, analysis = found.given.units, found.analysis
    used = units[["patient_id", "unit_id", "zone", "reason"]]
    if analysis.outcome.kind in NO_UNIT_VALUE or not found.effect.is_known:
        none = line("none", np.nan, analysis.unit, flag="not made for months and plateaus: it takes minutes")
        return Result(pd.DataFrame([none]), used, "not made for this answer")
    said: list[str] = []

    def refit(keep: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        again = of_sample(replace(found.given, units=seen[keep].reset_index(drop=True)), plan, analysis)
        if not again.effect.is_known:
            raise FitError("study.influence: the rest has no answer")
        said.append(again.verdict.said)
        return np.array([again.effect.estimate]), np.array([[again.effect.se**2]])

    seen = units[units["reason"].eq("")].reset_index(drop=True)
    moved = resample.leave_one_out(refit, seen["patient_id"].astype(str).to_numpy(dtype=object).astype(str))
    gone = np.isnan(moved.beta[:, 0])
    other = gone.copy()
    other[~gone] = [word != said[0] for word in said[1:]]
    hangs = other & (gone | (moved.p_furthest() < BY_CHANCE))
    return _influence_lines(found, moved, (int(other.sum()), int(hangs.sum())), used)


def _influence_flag(n_other: int, n_hangs: int) -> str:
    if n_hangs:
        who = f"{HANGS}: without one of {counted(n_hangs)} the conclusion is another"
        return f"{who}, moved further than the furthest patient would by chance"
    edge = f"near the edge: without one of {counted(n_other)} the conclusion is another"
    return f"{edge}, moved no further than chance allows" if n_other else ""


def _influence_lines(
    found: Answer, moved: resample.Influence, n_changed: tuple[int, int], used: pd.DataFrame
) -> Result:
    analysis, level = found.analysis, found.verdict.level
    flag = _influence_flag(*n_changed)
    counts: dict[str, Any] = {"n_patients": found.effect.n_patients - 1, **found.effect.made_of}
    rows = [effect_row(found.effect, analysis, term="with every patient", level=level)]
    for name, k in (
        ("lowest without one patient", np.nanargmin),
        ("highest without one patient", np.nanargmax),
    ):
        at = int(k(moved.beta[:, 0]))
        value, se = float(moved.beta[at, 0]), float(moved.se[at, 0])
        ci = limits(value, se, level=level, df=found.effect.df)
        rows.append(line(name, value, analysis.unit, se=se, ci=ci, level=level, flag=flag, **counts))
    cook = float(np.nanmax(moved.cook))
    rows.append(line("largest Cook's distance", cook, "ratio", flag="variance of the whole fit", **counts))
    each = pd.DataFrame({"patient_id": moved.groups, "without": moved.beta[:, 0], "cook": moved.cook})
    method = (
        "the declared analysis without each patient in turn, exact refits; Cook's distance by the whole fit; "
        "hangs on one patient: another conclusion, moved further than the furthest of so many by chance (2 %)"
    )
    return Result(
        pd.DataFrame(rows), used, method, checks={"hangs_on_no_single_patient": n_changed[1] == 0},
        extra={"each": each.sort_values("cook", ascending=False), **margins(analysis)},
    )  # fmt: skip
