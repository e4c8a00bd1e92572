"""What a reader of a study must be told: flow, plan, methods, and where each reporting item is answered.

STROBE (cohort) and RECORD item numbers with our own words for what they are about; the wording of the
checklists is theirs and is not reproduced. An item the register cannot answer is left *for the author*.

Sources: von Elm et al. 2007, Lancet 370:1453-1457 (STROBE); Benchimol et al. 2015, PLoS Med 12:e1001885
(RECORD); ICH E9(R1) 2019 (estimands).
"""

from importlib import metadata
from typing import Any

import numpy as np
import pandas as pd

from analytics.records import Records
from analytics.study.answer import Answer
from analytics.study.lock import CHANGED, FORGED, NOT_COMPARABLE, NOT_FROZEN, Frozen, Status
from analytics.study.plan import RATIOS, STRATEGIES, Analysis, Exposure, Plan, digest, in_words
from analytics.study.rows import NOT_DUE, NOT_IN_POPULATION, SESSION_OUTCOMES

AUTHOR = "for the author"
LIBRARIES = ("regrowth-workbook", "numpy", "scipy", "pandas", "statsmodels", "lifelines", "surpyval")
OUTCOME_WORDS = {
    "yield_at_maturity": "yield at the zone's maturity month, percent of planted hairs",
    "tempo": "tempo: the month of half the plateau",
    "milestone": "month of the first reading at or above {percent:g} % of planted hairs",
    "complication": "{event}, by month {by_month:g}, among those asked",
    "satisfaction": "satisfaction, 0 to 10, nearest to month {month:g}",
    "would_choose_again": "would choose the operation again, nearest to month {month:g}",
}
SUMMARY = {"yield_at_maturity": "difference of means", "satisfaction": "difference of means"}


def outcome_in_words(analysis: Analysis) -> str:
    """Return what an analysis measures."""
    given = analysis.outcome
    return OUTCOME_WORDS[given.kind].format(**given.model_dump())


def exposure_in_words(exposure: Exposure) -> str:
    """Return what is compared."""
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
    is_ratio = found.analysis.outcome.kind in RATIOS
    due = compared & units["reason"].ne(NOT_DUE)
    stages = {
        "in the register": pd.Series(True, index=units.index),
        "in the population": inside,
        "in a group of the comparison": compared,
        "outcome month reached": due,
        "analysed": units["reason"].eq(""),
    }
    if is_ratio:
        del stages["outcome month reached"]
    unit = "n_sessions" if found.analysis.outcome.kind in SESSION_OUTCOMES else "n_placements"
    rows = []
    for stage, kept in stages.items():
        own = units[kept]
        row = {"stage": stage, "n_patients": own["patient_id"].nunique(), unit: own["unit_id"].nunique()}
        if not found.given.exposure.is_number:
            for g, name in enumerate(("n_reference", "n_compared")):
                row[name] = int(own.loc[own["x"].eq(float(g)), "patient_id"].nunique())
        rows.append(row)
    return pd.DataFrame(rows)


def flow_labels(found: Answer) -> dict[str, str]:
    """Return the headings of `flow`: the groups' columns by the groups' own names."""
    labels = {
        "stage": "Stage",
        "n_patients": "Patients",
        "n_placements": "Placements",
        "n_sessions": "Sessions",
    }
    if found.given.exposure.is_number:
        return labels
    named = (found.given.exposure.reference_name, found.given.exposure.compared_name)
    return labels | dict(zip(("n_reference", "n_compared"), map(_capital, named), strict=True))


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
        ("summary", f"{_summary(asked)}; held equal: {_named(plan.adjusted_for)}"),
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
    said = f"{analysis.hypothesis}, {100 * plan.alpha:g} % two-sided; {size} would change practice"
    return f"{said}; margin {analysis.margin:g}" if analysis.margin is not None else said


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


def methods_paragraph(found: Answer, plan: Plan, status: Status, n_tests: dict[str, int]) -> pd.DataFrame:
    """Return a methods paragraph in plain words, ready to paste, one sentence or two a row."""
    e = found.effect
    lost = int(found.given.due["y"].isna().sum()) if not found.analysis.is_ratio else 0
    rows = [
        ("Design", f"A cohort from one practice's own register; {_frozen_words(status)}."),
        ("Patients", plan.population.words),
        ("Comparison", f"{_capital(exposure_in_words(found.given.exposure))}."),
        ("Outcome", f"{_capital(outcome_in_words(found.analysis))}."),
        ("Model", f"{_capital(e.method)}; held equal: {_named(found.held)}. The patient was "
                  "the independent unit throughout."),
        ("Missing", _missing_words(found, lost)),
        ("Confounding", "The answer was repeated not adjusted, weighted by the propensity and matched on "
                        "zone; the E-value is given."),
        ("Several tests", f"One primary test at {100 * plan.alpha:g} %; {n_tests.get('secondary', 0)} "
                          f"secondary (Holm), {n_tests.get('exploratory', 0)} exploratory "
                          "(Benjamini-Hochberg)."),
        ("Software", ", ".join(f"{k} {v}" for k, v in versions().items()) + f"; plan {digest(plan)[:12]}."),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["part", "text"])


def _frozen_words(status: Status) -> str:
    if status.frozen is not None and status.is_confirmatory:
        return f"the plan was frozen on {status.frozen.frozen_at[:10]} and not changed since"
    return f"the plan is {status.word}"


def _missing_words(found: Answer, lost: int) -> str:
    if found.analysis.is_ratio:
        return "Times not reached were taken as censored at the last visit."
    return (
        f"{lost} of {len(found.given.due)} units due had no outcome; the answer was repeated with all "
        "readings, with weights for being seen, with multiple imputation, and shifted until it tipped."
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def versions() -> dict[str, str]:
    """Return the exact versions of what computed the answer."""
    return {name: metadata.version(name) for name in LIBRARIES}


def items(records: Records, found: Answer, plan: Plan, status: Status) -> pd.DataFrame:
    """Return the reporting items with where each is answered, or that it is for the author."""
    frozen = status.word not in (NOT_FROZEN, CHANGED)
    n_all = int(records.patients["patient_id"].nunique())
    missing = int(found.given.due["y"].isna().sum()) if not found.analysis.is_ratio else 0
    months = records.sessions["register_month"].max() - records.sessions["register_month"].min() + 1
    seen, word = np.isfinite(found.effect.estimate), "frozen, " if frozen else ""
    rows = [
        ("STROBE", "1", "design named in title and abstract", AUTHOR),
        ("STROBE", "2-3", "background, aims and hypotheses", f"question: {plan.question}"),
        ("STROBE", "4", "design", "cohort from a register; the plan in full"),
        ("STROBE", "5", "setting, places, dates", f"{months:.0f} months; places, dates {AUTHOR}"),
        ("STROBE", "6", "who was eligible, how followed", f"population of the plan; flow ({n_all} patients)"),
        ("STROBE", "7", "variables defined", "plan in full; data dictionary"),
        ("STROBE", "8", "how measured, alike in both groups", "counting error; devices " + AUTHOR),
        ("STROBE", "9", "bias", "confounding, missing data, robustness"),
        ("STROBE", "10", "how the size came about", "design check; all of the register, no sample drawn"),
        ("STROBE", "11", "numbers grouped or not", exposure_in_words(found.given.exposure)),
        ("STROBE", "12a", "methods, confounding", "methods paragraph; side by side"),
        ("STROBE", "12b", "subgroups, interactions", "by zone"),
        ("STROBE", "12c", "missing data", "missing data"),
        ("STROBE", "12d", "loss to follow-up", "missing data; weighted for being seen"),
        ("STROBE", "12e", "sensitivity", "robustness grid; tipping point"),
        ("STROBE", "13", "numbers at each stage", "flow"),
        ("STROBE", "14", "who they were, missing values", f"balance; {missing} units due without outcome"),
        ("STROBE", "15", "outcomes", "answer" if seen else "not estimated"),
        ("STROBE", "16", "plain and adjusted answers with intervals", "side by side"),
        ("STROBE", "17", "other analyses", "all tests that were run"),
        ("STROBE", "18-21", "key results, limits, meaning, for whom", AUTHOR),
        ("STROBE", "22", "funding", AUTHOR),
        ("RECORD", "1.1", "type of data named", "a practice's own outcome register"),
        ("RECORD", "1.2", "region and time named", AUTHOR),
        ("RECORD", "1.3", "linkage named", "none: one register"),
        ("RECORD", "6.1", "how people were selected", "population of the plan"),
        ("RECORD", "6.2", "codes checked", "check on reading: every table against the dictionary"),
        ("RECORD", "6.3", "linkage as a picture", "none"),
        ("RECORD", "7.1", "all codes listed", "data dictionary; plan in full"),
        ("RECORD", "12.1", "access to the register", AUTHOR),
        ("RECORD", "12.2", "cleaning", "rows read, used and left out, at the foot of the page"),
        ("RECORD", "12.3", "linkage methods", "none"),
        ("RECORD", "13.1", "selection with reasons", "flow; what was left out"),
        ("RECORD", "19.1", "limits of data not collected for this", AUTHOR),
        ("RECORD", "22.1", "protocol, data, code", f"plan {word}{digest(plan)[:12]}; code at the foot"),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["guideline", "item", "about", "answered"])
