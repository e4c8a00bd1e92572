"""Can this plan be answered by these records at all? Every mistake named, before anything is frozen.

Looks at who was operated, how, and what was recorded, never at how an outcome came out. *Refused* is what
cannot be answered or contradicts itself; *notices* are said and leave the decision to the reader. Bounds on
margins are assumed (no source): they catch percentages written as ratios, not matters of judgement.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import FitError, ParameterError
from analytics.records import Records
from analytics.study.design import closed_power
from analytics.study.effects import FEWEST_PAIRS, FEWEST_PATIENTS, design, pairs
from analytics.study.plan import (
    FAILED_PHOTOGRAPH,
    FILTERS,
    NO_UNIT_VALUE,
    THERAPY_START,
    Analysis,
    Exposure,
    Plan,
    in_words,
)
from analytics.study.rows import (
    SESSION_OUTCOMES,
    as_words,
    is_number,
    is_of_placement,
    own_variables,
    places,
    sample,
    unknown_variables,
)

# Larger than these a difference or margin is a slip of the pen (assumed; no source).
LARGEST = {
    "points of yield": 30.0, "points": 30.0, "points of 10": 4.0, "ratio": 2.0,
}  # fmt: skip
BETTER = {
    "yield_at_maturity": "higher", "plateau_yield": "higher", "satisfaction": "higher",
    "would_choose_again": "higher", "complication": "lower", "transection": "lower", "tempo": "lower",
    "milestone": "lower", "poor_growth": "lower",
}  # fmt: skip
PATIENTS_A_COLUMN = 3  # fewer patients than this per column held equal leave little to compare (assumed)
FEWEST_VALUES = 3


@dataclass(frozen=True, slots=True)
class Findings:
    """What is wrong with a plan on these records, and what a reader should know; a sentence each."""

    refused: tuple[str, ...]
    notices: tuple[str, ...]


def lint(plan: Plan, records: Records, *, name: str = "plan") -> Findings:
    """Return everything wrong with a plan, from the plan alone and held against the records.

    Parameters
    ----------
    name
        What messages call the plan.

    Returns
    -------
    Findings
        `refused`, what cannot be answered, and `notices`, a sentence each.

    Examples
    --------
    A plan that compares a variable nobody recorded is refused:

    >>> from analytics import simulate, study
    >>> compared = {"variable": "shoe_size", "reference": ["a"], "compared": ["b"], "reason": "r"}
    >>> asked = {"id": "a", "role": "primary", "matters": 5, "outcome": {"kind": "yield_at_maturity"}}
    >>> made = study.checked(
    ...     {"title": "t", "question": "q?", "seed": 1, "population": {"words": "all"}, "exposure": compared,
    ...      "analysis": [asked]}
    ... )
    >>> len(lint(made, simulate.as_records(simulate.register(40)[0])).refused)
    1
    """
    if unknown := unknown_variables(plan, records):
        return Findings(tuple(f"{name}, {said}" for said in unknown), ())
    refused = [*_of_itself(plan), *_population(plan, records)]
    notices = _strategies(plan, records)
    for k, analysis in enumerate(plan.analysis, start=1):
        at = f"analysis {k} ({analysis.id})"
        own = [
            *_sizes(analysis, at),
            *_outcome(records, analysis, at),
            *_compared(plan, records, analysis, at),
        ]
        refused += own
        if not own:
            notices += [*_wide(analysis, at), *_power(plan, records, analysis, at)]
    said = dict.fromkeys(refused)
    return Findings(
        tuple(f"{name}, {t}" for t in said), tuple(f"{name}, {t}" for t in dict.fromkeys(notices))
    )


def refuse(plan: Plan, records: Records, *, name: str = "plan") -> tuple[str, ...]:
    """Refuse a plan that cannot be answered; return the notices of one that can.

    Raises
    ------
    ParameterError
        With every mistake, one a line.
    """
    found = lint(plan, records, name=name)
    if found.refused:
        raise ParameterError("\n".join(found.refused))
    return found.notices


def _of_itself(plan: Plan) -> list[str]:
    """Return what contradicts itself in the plan."""
    said = []
    for position, entry in enumerate(plan.adjust, start=1):
        if entry.variable in [a.variable for a in plan.adjust[: position - 1]]:
            said.append(f"adjust {position} ({entry.variable}): declared before; leave one out")
    who = plan.population
    if who.age_from > who.age_to:
        said.append("population.age_from: above age_to, so that nobody is left; exchange them")
    if who.first_sessions_only and who.sessions and 1 not in who.sessions:
        said.append("population.sessions: without session 1, and first_sessions_only is set; leave one out")
    if plan.one_sided_alpha is not None and all(a.hypothesis == "difference" for a in plan.analysis):
        said.append("one_sided_alpha: no analysis is held against a margin; leave it out")
    return said


def _population(plan: Plan, records: Records) -> list[str]:
    frame = places(records, plan, plan.exposure)
    said = []
    wanted = {entry: tuple(map(str, getattr(plan.population, entry))) for entry in FILTERS}
    wanted |= {"zones": plan.population.zones, "methods": plan.population.methods}
    for entry, labels in wanted.items():
        held = set(as_words(frame[FILTERS.get(entry, entry[:-1])]).dropna())
        absent = [label for label in labels if label not in held]
        if absent:
            said.append(f"population.{entry}: not in the records: {', '.join(absent)}; use labels they hold")
    said += _own_filters(plan, frame)
    if not said and not frame["reason"].ne("outside the population of the plan").any():
        said.append("population: no placement of the records lies in it; widen it")
    return said


def _own_filters(plan: Plan, frame: pd.DataFrame) -> list[str]:
    said = []
    for variable, wanted in plan.population.own.items():
        at = f"population.own ({variable})"
        if is_number(frame[variable]):
            given = [w for w in wanted if not isinstance(w, str)]
            if len(wanted) != 2 or len(given) != 2 or given != sorted(given):
                said.append(f"{at}: is a number; give two numbers, from and to")
        elif absent := set(map(str, wanted)) - set(as_words(frame[variable]).dropna()):
            said.append(f"{at}: {len(absent)} labels are not in the records; use labels they hold")
    return said


def _strategies(plan: Plan, records: Records) -> list[str]:
    notices = []
    if plan.strategy(THERAPY_START) == "while untreated" and records.therapies.empty:
        notices.append("intercurrent (therapy start): no therapy is recorded, so that nothing ends at one")
    if (
        plan.strategy(FAILED_PHOTOGRAPH) != "keep"
        and records.measurements["standard_conditions"].isna().all()
    ):
        notices.append("intercurrent (failed photograph): no photograph says whether it failed")
    return notices


def _sizes(analysis: Analysis, at: str) -> list[str]:
    """Return what is wrong with what matters, the margin and the direction."""
    said = []
    largest = LARGEST[analysis.unit]
    for name, value in (("matters", analysis.matters), ("margin", analysis.margin)):
        if value is not None and value > largest:
            what = "as a ratio, such as 1.1" if analysis.is_ratio else f"in {analysis.unit}"
            said.append(f"{at}, {name}: over {largest:g}; expected {what}")
    if analysis.hypothesis == "difference" and analysis.margin is not None:
        said.append(f"{at}, margin: a difference has none; leave it out, or declare non-inferiority")
    is_asked = analysis.hypothesis == "non-inferiority" or "better" in analysis.model_fields_set
    if is_asked and analysis.better != BETTER[analysis.outcome.kind]:
        kind = in_words(analysis.outcome.kind)
        said.append(f'{at}, better: of {kind} {BETTER[analysis.outcome.kind]} is better; correct "better"')
    return said


def _wide(analysis: Analysis, at: str) -> list[str]:
    """Return that a margin lets through what the plan itself says would matter."""
    if analysis.margin is None or analysis.margin <= analysis.matters:
        return []
    return [f"{at}, margin: wider than what matters; a difference that matters could be let through as none"]


def _outcome(records: Records, analysis: Analysis, at: str) -> list[str]:
    """Return what was never recorded of an outcome."""
    kind = analysis.outcome.kind
    if kind == "complication" and not records.visits["complications_asked"].fillna(False).astype(bool).any():
        return [f"{at}, outcome: no visit says that complications were asked about; it cannot be answered"]
    column = {"satisfaction": "satisfaction_0_10"}.get(kind, kind)
    if kind in ("satisfaction", "would_choose_again") and not records.ratings[column].notna().any():
        return [f"{at}, outcome: no patient's answer is recorded; it cannot be answered"]
    if kind == "transection" and not records.sessions["grafts_transected"].notna().any():
        return [f"{at}, outcome: no session has its transected grafts counted; it cannot be answered"]
    if kind not in SESSION_OUTCOMES and not records.measurements["month"].gt(0).any():
        return [f"{at}, outcome: nothing was counted after a session; wait for readings"]
    return []


def _compared(plan: Plan, records: Records, analysis: Analysis, at: str) -> list[str]:
    """Return what is wrong with the comparison and with what is held equal."""
    exposure = plan.exposure_of(analysis)
    where = "exposure" if analysis.exposure is None else f"{at}, exposure"
    if analysis.outcome.kind in SESSION_OUTCOMES and is_of_placement(
        exposure.variable, own_variables(records)
    ):
        return [
            f"{at}: {in_words(exposure.variable)} belongs to a zone and the outcome to the session; compare "
            "something of the session"
        ]
    frame = places(records, plan, exposure)
    said = _form(frame, exposure, where) or _labels(frame, exposure, where)
    inside = frame[frame["reason"].eq("")].reset_index(drop=True)
    if not said:
        said = _groups(inside, exposure, where)
    if said:
        return said
    return [*_held_equal(plan, records, inside, analysis, at), *_designs(inside, analysis, at)]


def _form(frame: pd.DataFrame, exposure: Exposure, where: str) -> list[str]:
    if (exposure.cut is not None or exposure.is_number) and not is_number(frame[exposure.variable]):
        form = "per" if exposure.is_number else "cut"
        return [
            f"{where}.{form}: {in_words(exposure.variable)} is in words; name the labels of reference and "
            "compared"
        ]
    return []


def _labels(frame: pd.DataFrame, exposure: Exposure, where: str) -> list[str]:
    if exposure.cut is not None or exposure.is_number:
        return []
    held = set(as_words(frame[exposure.variable]).dropna())
    said = []
    for entry in ("reference", "compared"):
        absent = [label for label in getattr(exposure, entry) if label not in held]
        if absent:
            said.append(
                f"{where}.{entry}: not in the records: {', '.join(absent)}; use labels they hold, capital "
                "letters included"
            )
    return said


def _groups(inside: pd.DataFrame, exposure: Exposure, where: str) -> list[str]:
    if exposure.is_number:
        if inside["x"].nunique() < FEWEST_VALUES or inside["patient_id"].nunique() < 2 * FEWEST_PATIENTS:
            return [f"{where}: fewer than {FEWEST_VALUES} different values; nothing to draw a line through"]
        return []
    said = []
    for g, name in ((0.0, exposure.reference_name), (1.0, exposure.compared_name)):
        n = inside.loc[inside["x"].eq(g), "patient_id"].nunique()
        if n < FEWEST_PATIENTS:
            said.append(
                f"{where}: the group '{name}' holds {n} patients of the population; {FEWEST_PATIENTS} are "
                "needed"
            )
    return said


def _held_equal(plan: Plan, records: Records, inside: pd.DataFrame, analysis: Analysis, at: str) -> list[str]:
    """Return the adjustments that these placements cannot tell apart from each other or what is compared."""
    exposure = plan.exposure_of(analysis)
    is_session = analysis.outcome.kind in SESSION_OUTCOMES
    wanted = tuple(
        dict.fromkeys(
            v for v in plan.adjusted_for
            if v != exposure.variable and not (is_session and is_of_placement(v, own_variables(records)))
        )
    )  # fmt: skip
    said = [
        f"{at}, adjust ({v}): is not recorded for any placement; leave it out"
        for v in wanted
        if inside[v].isna().all()
    ]
    varying = tuple(v for v in wanted if inside[v].nunique(dropna=True) > 1)
    said += [
        f"{at}, adjust ({v}): is the same everywhere in the population; leave it out"
        for v in wanted
        if v not in varying and not inside[v].isna().all()
    ]
    made = design(inside, varying)
    said += [
        f"{at}, adjust ({v}): is determined by what is compared or by the adjustments before it, so that it "
        "cannot be adjusted for too; leave one of them out"
        for v in made.left_out
    ]
    n_patients = int(inside["patient_id"].nunique())
    if made.X.shape[1] * PATIENTS_A_COLUMN > n_patients:
        said.append(
            f"{at}, adjust: {made.X.shape[1]} columns for {n_patients} patients; hold fewer things equal"
        )
    return said


def _designs(inside: pd.DataFrame, analysis: Analysis, at: str) -> list[str]:
    if analysis.design not in ("split scalp", "within patients"):
        return []
    sided = inside[inside["site"].ne("whole")] if analysis.design == "split scalp" else inside
    within = ("session_id", "zone") if analysis.design == "split scalp" else ()
    n = pairs(sided.assign(y=0.0), within)["patient_id"].nunique() if len(sided) else 0
    return (
        [f"{at}, design: {n} patients hold both groups; {FEWEST_PAIRS} are needed"]
        if n < FEWEST_PAIRS
        else []
    )


def _power(plan: Plan, records: Records, analysis: Analysis, at: str) -> list[str]:
    """Return a notice where the units with an outcome today give less power than declared."""
    if analysis.outcome.kind in NO_UNIT_VALUE or plan.exposure_of(analysis).is_number:
        return []
    try:
        share, n = closed_power(sample(records, plan, analysis), plan, analysis)
    except (FitError, np.linalg.LinAlgError):
        return [f"{at}: too few outcomes yet to say what could be found"]
    if not np.isfinite(share) or share >= plan.power:
        return []
    what = "what matters" if analysis.hypothesis == "difference" else "the margin"
    return [
        f"{at}: power {100 * share:.0f} % at {what} with the {n} patients that have an outcome today; "
        f"declared {100 * plan.power:g} %"
    ]
