"""The answer to each declared question: one row with the difference and its interval first, the p after.

What may be said: a difference, none that matters, as good as, or *cannot tell* and how many would do.

A difference is said where the interval excludes none; *no difference that matters* where it lies within
what the plan says would matter; *cannot tell* otherwise. Equivalence is judged by the interval of level 1 -
2 x the one-sided alpha within the margin (two one-sided tests), non-inferiority by its lower or upper
limit. The one-sided alpha is 2.5 % unless declared, so that the interval is the usual one of 95 %.

Sources: ICH E9 1998, section 3.3.2 and 5.5 (half the two-sided size for a one-sided test); Schuirmann 1987,
J Pharmacokinet Biopharm 15:657-680 (two one-sided tests); Piaggio et al. 2012, JAMA 308:2594-2604 (non-
inferiority; from memory).
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy

from analytics.errors import FitError
from analytics.records import Records, once
from analytics.results import line
from analytics.study.effects import Columns, Effect, normal, of_plan, paired, recognised, unknown, why_short
from analytics.study.outcomes import NOTHING_HELD, milestone, of_curve, risk_difference
from analytics.study.plan import BINARY, NO_UNIT_VALUE, OF_CURVE, Analysis, Plan, digest
from analytics.study.rows import Background, Reading, Sample, sample

CANNOT_TELL = "cannot tell"
BETWEEN = "between patients"
HIGHER, LOWER = "higher", "lower"
NO_DIFFERENCE = "no difference that matters"
EQUIVALENT, NOT_EQUIVALENT = "equivalent", "not equivalent"
NOT_INFERIOR, INFERIOR = "not inferior", "inferior"
# What a small p-value stands behind.
FOUND = (HIGHER, LOWER, EQUIVALENT, NOT_INFERIOR)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What may be said of an effect.

    `said` in a word or two; `p_value` of the declared hypothesis; `low`, `high` the interval it rests on and
    its `level`, on the scale of the effect; `n_needed` patients for the declared `power` at what matters (or
    at the margin), NaN where it cannot be said.
    """

    said: str
    p_value: float
    low: float
    high: float
    level: float
    n_needed: float
    power: float


def judge(effect: Effect, analysis: Analysis, plan: Plan) -> Verdict:
    """Return what an effect lets one say under the declared hypothesis.

    Parameters
    ----------
    effect
        On the log scale for a ratio.
    """
    level = plan.level(analysis)
    if not effect.is_known:
        return Verdict(CANNOT_TELL, np.nan, np.nan, np.nan, level, np.nan, plan.power)
    low, high = effect.limits(level)
    matters, margin = _scaled(analysis.matters, effect), _scaled(analysis.margin or np.nan, effect)
    if analysis.hypothesis == "difference":
        said = _difference(low, high, matters, effect.p, plan.alpha)
        n = needed(effect, matters, plan.alpha / 2, plan.power)
        return Verdict(said, effect.p, low, high, level, n, plan.power)
    if analysis.hypothesis == "equivalence":
        said, p = _equivalence(effect, low, high, margin)
        n = needed(effect, margin, plan.tail, (1 + plan.power) / 2)
    else:
        said, p = _non_inferiority(effect, low, high, margin, analysis.better)
        n = needed(effect, margin, plan.tail, plan.power)
    return Verdict(said, p, low, high, level, n, plan.power)


def _scaled(size: float, effect: Effect) -> float:
    return float(np.log(size)) if effect.is_ratio else float(size)


def _difference(low: float, high: float, matters: float, p: float, alpha: float) -> str:
    """Return the word; the test's p-value decides where it is not the interval's own (odds, exact forms)."""
    if p < alpha and (low > 0 or high < 0):
        return HIGHER if low > 0 else LOWER
    return NO_DIFFERENCE if -matters < low and high < matters else CANNOT_TELL


def _equivalence(effect: Effect, low: float, high: float, margin: float) -> tuple[str, float]:
    below = scipy.stats.t.sf((effect.estimate + margin) / effect.se, effect.df)
    above = scipy.stats.t.sf((margin - effect.estimate) / effect.se, effect.df)
    if -margin < low and high < margin:
        return EQUIVALENT, float(max(below, above))
    outside = high < -margin or low > margin
    return (NOT_EQUIVALENT if outside else CANNOT_TELL), float(max(below, above))


def _non_inferiority(
    effect: Effect, low: float, high: float, margin: float, better: str
) -> tuple[str, float]:
    sign = 1.0 if better == "higher" else -1.0
    worst, best = (low, high) if sign > 0 else (-high, -low)
    p = float(scipy.stats.t.sf((sign * effect.estimate + margin) / effect.se, effect.df))
    if worst > -margin:
        return NOT_INFERIOR, p
    return (INFERIOR if best < -margin else CANNOT_TELL), p


def margins(analysis: Analysis) -> dict[str, pd.DataFrame]:
    """Return the margins of an analysis for its pictures, as `extra` of a result; none for a difference."""
    if analysis.hypothesis == "difference" or analysis.margin is None:
        return {}
    worse = -1.0 if analysis.better == "higher" else 1.0
    signs = [worse] if analysis.hypothesis == "non-inferiority" else [-1.0, 1.0]
    values = [analysis.margin**s if analysis.is_ratio else s * analysis.margin for s in signs]
    return {"margins": pd.DataFrame({"unit": analysis.unit, "value": values})}


def needed(effect: Effect, size: float, tail: float, power: float) -> float:
    """Return the patients needed: those there are, times the square of how much too large the error is.

    Parameters
    ----------
    size
        What is to be found, or the margin, on the scale of the effect.
    tail
        Size of the test in one tail.

    Examples
    --------
    >>> from analytics.study.effects import Effect
    >>> int(needed(Effect(0.0, 2.0, 1e9, 100, 100, ""), 5.6, 0.025, 0.8))
    101
    """
    if not (effect.is_known and size > 0):
        return np.nan
    wanted = size / (scipy.stats.norm.isf(tail) + scipy.stats.norm.ppf(power))
    return float(np.ceil(effect.n_patients * (effect.se / wanted) ** 2))


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
    records: Records, plan: Plan, analysis: Analysis, *, reading: Reading | None = None,
    visits: pd.DataFrame | None = None,
    known: Background | None = None,
) -> Answer:  # fmt: skip
    """Return the answer to one analysis of a plan.

    Parameters
    ----------
    reading, visits, known
        As in `rows.sample`.
    """
    if analysis.role == "primary" and reading is None and visits is None and known is None:
        # Every question of a study's page begins with it.
        asked = (digest(plan), analysis.model_dump_json())
        return once(
            records, "study answer", asked, lambda: _answer(records, plan, analysis, None, None, None)
        )
    return _answer(records, plan, analysis, reading, visits, known)


def _answer(
    records: Records, plan: Plan, analysis: Analysis, reading: Reading | None, visits: pd.DataFrame | None,
    known: Background | None,
) -> Answer:  # fmt: skip
    given = sample(records, plan, analysis, reading=reading, visits=visits, known=known)
    if analysis.outcome.kind in NO_UNIT_VALUE:
        return _of_times(records, plan, analysis, given)
    return of_sample(given, plan, analysis)


def of_sample(given: Sample, plan: Plan, analysis: Analysis, *, adjusted: bool = True) -> Answer:
    """Return the answer of units at hand, for outcomes that are one number, or yes or no, a unit."""
    seen = given.analysed
    few = why_short(given, seen)
    if few:
        effect = unknown(few, seen)
        return Answer(analysis, given, "", effect, judge(effect, analysis, plan), (), ())
    columns = of_plan(seen, given, plan, adjusted=adjusted)
    form = _form(analysis, given, seen)
    effect = _estimated(analysis, form, seen, columns)
    held = columns.held if effect.held is None else effect.held
    lost = (*(v for v in columns.held if v not in held), *columns.left_out)
    return Answer(analysis, given, form, effect, judge(effect, analysis, plan), held, lost)


def _form(analysis: Analysis, given: Sample, seen: pd.DataFrame) -> str:
    if given.exposure.is_number or analysis.outcome.kind in BINARY:
        return BETWEEN
    if analysis.design != "as recorded":
        return analysis.design
    found = recognised(seen)
    # Both groups in most patients: the mixed model uses them within the patient, and those with one too.
    return found if found == "split scalp" else BETWEEN


def _estimated(analysis: Analysis, form: str, seen: pd.DataFrame, columns: Columns) -> Effect:
    try:
        if analysis.outcome.kind in BINARY:
            return risk_difference(seen, columns)
        if form == "split scalp":
            return paired(seen[seen["site"].ne("whole")], ("session_id", "zone"))
        if form == "within patients":
            return paired(seen, ())
        return normal(seen, columns)
    except FitError as error:
        return unknown(str(error).partition(": ")[2] or str(error), seen)


def _of_times(records: Records, plan: Plan, analysis: Analysis, given: Sample) -> Answer:
    if analysis.outcome.kind in OF_CURVE:
        effect, units = of_curve(records, plan, analysis, given)
    else:
        effect, units = milestone(records, plan, analysis, given)
    held = tuple(v for v in plan.adjusted_for if v != given.exposure.variable)
    held = () if NOTHING_HELD in effect.notes else held
    changed = replace(given, units=units)
    return Answer(analysis, changed, BETWEEN, effect, judge(effect, analysis, plan), held, ())


def row(found: Answer, *, term: str = "", level: float | None = None) -> dict:
    """Return an answer as a row of a table, a ratio as a ratio."""
    return effect_row(
        found.effect, found.analysis, term=term or found.analysis.id, level=level or found.verdict.level
    ) | {"p_value": found.verdict.p_value}


def effect_row(
    effect: Effect, analysis: Analysis, *, term: str, level: float, by: dict[str, str] | None = None
) -> dict:
    """Return an effect as a line of a table, a ratio as a ratio; computed from counts where it is."""
    low, high = effect.limits(level) if effect.is_known else (np.nan, np.nan)
    values = np.array([effect.estimate, low, high], dtype=float)
    values = np.exp(values) if effect.is_ratio else values
    return line(
        term, float(values[0]), analysis.unit, by=by,
        se=np.nan if effect.is_ratio else effect.se, ci=(float(values[1]), float(values[2])), level=level,
        n_patients=effect.n_patients, n_rows=effect.n_rows, **effect.made_of,
        statistic=effect.estimate / effect.se if effect.is_known else np.nan, df=effect.df,
        p_value=effect.p, flag="; ".join(effect.notes),
    )  # fmt: skip
