"""The answer to each declared question: one row with the difference and its interval first, the p after."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import study_columns, study_effects, study_events, study_times
from analytics.errors import FitError
from analytics.records import Records
from analytics.study_effects import Effect
from analytics.study_plan import RATIOS, Analysis, Plan
from analytics.study_rows import Background, Choices, Sample, sample
from analytics.study_verdict import Verdict, judge

BINARY = ("complication", "would_choose_again")


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """One analysis: what was asked, the units, the design recognised, the effect and what may be said."""

    analysis: Analysis
    given: Sample
    design: str
    effect: Effect
    verdict: Verdict
    held: tuple[str, ...]
    not_held: tuple[str, ...]

    @property
    def units(self) -> pd.DataFrame:
        """Units analysed."""
        return self.given.analysed


def answer(
    records: Records, plan: Plan, analysis: Analysis, *, choices: Choices | None = None,
    visits: pd.DataFrame | None = None,
    known: Background | None = None,
) -> Answer:  # fmt: skip
    """Return the answer to one analysis of a plan.

    Parameters
    ----------
    choices, visits, known
        As in `study_rows.sample`.
    """
    given = sample(records, plan, analysis, choices=choices, visits=visits, known=known)
    if analysis.outcome.kind in RATIOS:
        return _of_times(records, plan, analysis, given)
    return of_sample(given, plan, analysis)


def of_sample(given: Sample, plan: Plan, analysis: Analysis, *, adjusted: bool = True) -> Answer:
    """Return the answer of units at hand, for outcomes that are one number, or yes or no, a unit."""
    seen = given.analysed
    few = study_effects.too_few(seen, is_number=given.exposure.is_number)
    if few:
        effect = study_effects.unknown(few, seen)
        return Answer(analysis, given, "", effect, judge(effect, analysis, plan), (), ())
    columns = study_columns.of_plan(seen, given, plan, adjusted=adjusted)
    form = _form(analysis, given, seen)
    effect = _estimated(analysis, form, seen, columns)
    return Answer(
        analysis, given, form, effect, judge(effect, analysis, plan), columns.held, columns.left_out
    )


def _form(analysis: Analysis, given: Sample, seen: pd.DataFrame) -> str:
    if given.exposure.is_number or analysis.outcome.kind in BINARY:
        return "between patients"
    if analysis.design != "as recorded":
        return analysis.design
    found = study_effects.recognised(seen)
    # Both groups in most patients: the mixed model uses them within the patient, and those with one too.
    return found if found == "split scalp" else "between patients"


def _estimated(analysis: Analysis, form: str, seen: pd.DataFrame, columns: study_columns.Columns) -> Effect:
    try:
        if analysis.outcome.kind in BINARY:
            return study_events.risk_difference(seen, columns)
        if form == "split scalp":
            return study_effects.paired(seen[seen["site"].ne("whole")], ("session_id", "zone"))
        if form == "within patients":
            return study_effects.paired(seen, ())
        return study_effects.normal(seen, columns)
    except FitError as error:
        return study_effects.unknown(str(error).partition(": ")[2] or str(error), seen)


def _of_times(records: Records, plan: Plan, analysis: Analysis, given: Sample) -> Answer:
    if analysis.outcome.kind == "tempo":
        effect, units = study_times.tempo(records, plan, given)
    else:
        effect, units = study_times.milestone(records, plan, analysis, given)
    held = tuple(v for v in plan.adjusted_for if v != given.exposure.variable)
    changed = Sample(units, given.has_zone, given.exposure, given.visits)
    return Answer(analysis, changed, "between patients", effect, judge(effect, analysis, plan), held, ())


def row(found: Answer, *, term: str = "", level: float | None = None) -> dict:
    """Return an answer as a row of a table, a ratio as a ratio."""
    return effect_row(
        found.effect, found.analysis, term=term or found.analysis.id, level=level or found.verdict.level
    ) | {"p_value": found.verdict.p_value}


def effect_row(effect: Effect, analysis: Analysis, *, term: str, level: float) -> dict:
    """Return an effect as a row of a table, a ratio as a ratio."""
    low, high = effect.limits(level) if effect.is_known else (np.nan, np.nan)
    values = np.array([effect.estimate, low, high], dtype=float)
    values = np.exp(values) if effect.is_ratio else values
    return {
        "term": term,
        "estimate": float(values[0]),
        "se": np.nan if effect.is_ratio else effect.se,
        "ci_low": float(values[1]),
        "ci_high": float(values[2]),
        "level": level,
        "unit": analysis.unit,
        "n_patients": effect.n_patients,
        "n_rows": effect.n_rows,
        "statistic": effect.estimate / effect.se if effect.is_known else np.nan,
        "df": effect.df,
        "p_value": effect.p,
        "flag": "; ".join(effect.notes),
    }
