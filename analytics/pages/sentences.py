"""What the numbers of a page say in a sentence: one number in words, and what its interval supports.

Made from the protected results alone, so that a sentence never says more than the table beneath it.
"""

from typing import Any

import pandas as pd

from analytics import disclosure, numbers, study
from analytics.pages.page import Page, result_of
from analytics.results import Result, why_not


def say(page: Page, name: str, *, counts: bool = True, **where: Any) -> str:
    """Return one number of a result in words: value, unit, interval, number of patients.

    A number that this audience may not see is said to be withheld.
    """
    row = _row(page, name, where)
    return disclosure.WITHHELD if row is None else numbers.full(row, counts=counts)


def verdict(
    page: Page, name: str, *, below: str, above: str, unsure: str, null: float = 0.0, **where: Any
) -> str:
    """Return the sentence that the interval of one number supports.

    `below` when the whole interval lies under `null`, `above` when it lies over it, `unsure` when it holds it
    or there is no interval. `{value}` in a sentence is replaced by the number in words.
    """
    if why := why_not(result_of(page, name)):
        return why
    row = _row(page, name, where)
    if row is None:
        return unsure.replace("{value}", disclosure.WITHHELD)
    chosen = unsure
    if pd.notna(row.get("ci_high")) and row["ci_high"] < null:
        chosen = below
    if pd.notna(row.get("ci_low")) and row["ci_low"] > null:
        chosen = above
    return chosen.replace("{value}", numbers.full(row))


def _row(page: Page, name: str, where: dict[str, Any]) -> pd.Series | None:
    """Return the row asked for; None where the audience's rule took the whole row away."""
    result = result_of(page, name)
    if result.gap is not None:
        return numbers.pick(result, **where)
    if page.audience != "internal" and result.table().empty:
        return None
    return numbers.pick(result, **where)


def pooled_yield(page: Page) -> str:
    """Return the answer of the pooled page: yield at maturity over the clinics, crown and frontal zone."""
    said = []
    for name, where in (("crown", "in the crown"), ("frontal", "in the frontal zone")):
        if why := why_not(result_of(page, name)):
            return f"Over the clinics nothing can be told yet. {why}"
        row = _row(page, name, {"term": "pooled"})
        if row is not None and pd.isna(row["estimate"]):
            return f"Nothing is pooled: {row['flag']}."
        said.append(f"{say(page, name, term='pooled')} {where}")
    return f"Over the clinics, of the planted hair there has grown at maturity {said[0]}, and {said[1]}."


def crown_against_front(page: Page, surgeon: str) -> str:
    """Return the answer of the surgeon audit: is the crown lower, or later, and what of one surgeon?"""
    if why := why_not(result_of(page, "crown_front")):
        return f"Whether the crown is lower or later than the front cannot be told yet. {why}"
    lower = verdict(
        page,
        "crown_front",
        zone="crown : front",
        term="yield_difference_at_maturity",
        below="At maturity the crown carries less of its planted hair than the front, by {value}",
        above="At maturity the crown carries more of its planted hair than the front, by {value}",
        unsure="Whether the crown ends lower than the front these records cannot tell: the difference is "
        "{value}",
    )
    later = verdict(
        page,
        "crown_front",
        zone="crown : front",
        term="tempo_ratio",
        null=1.0,
        below="and it is earlier: its half month is the front's times {value}.",
        above="and it is later: its half month is the front's times {value}.",
        unsure="and whether it is later they cannot tell either: its half month is the front's times "
        "{value}.",
    )
    own = f" {_one_surgeon(page, surgeon).strip()}" if surgeon else ""
    return f"{lower}; {later}{own}"


def _one_surgeon(page: Page, surgeon: str) -> str:
    return verdict(
        page,
        "own",
        surgeon_id=surgeon,
        below=f" That is of all surgeons; {surgeon}'s placements yield less than the others', by {{value}}.",
        above=f" That is of all surgeons; {surgeon}'s placements yield more than the others', by {{value}}.",
        unsure=f" That is of all surgeons; whether {surgeon}'s placements differ from the others' they "
        "cannot tell: {value}.",
    )


def study_answer(result: Result, plan: study.Plan, value: str, standing: study.Status) -> str:
    """Return the one-line answer of a study from its protected result.

    Parameters
    ----------
    result
        Of `study.answers`, as the page may show it.
    value
        The answer in words (number, unit, interval).
    standing
        Of `study.status`.
    """
    if why := why_not(result):
        return why
    row = result.table().iloc[0] if len(result.table()) else pd.Series({"flag": ""})
    words = str(row.get("flag", ""))
    groups = plan.exposure
    who = (
        study.in_words(groups.variable)
        if groups.is_number
        else f"{groups.compared_name} against {groups.reference_name}"
    )
    start = (
        ""
        if standing.is_confirmatory
        else f"Exploratory, the plan being {standing.word.removesuffix(': exploratory')}. "
    )
    lead = {
        study.CANNOT_TELL: "The records cannot tell",
        "higher": "A difference was found",
        "lower": "A difference was found",
        "no difference that matters": "No difference that would matter",
    }.get(words.partition(":")[0], words.partition(":")[0].capitalize() or "Withheld")
    rest = f";{words.partition(':')[2]}" if words.startswith(f"{study.CANNOT_TELL}:") else ""
    return f"{start}{lead}: {who}, {study.outcome_in_words(plan.primary)}: {value}{rest}."


def study_warning(where: study.Status) -> str:
    """Return what a reader must know first of the plan's standing; `{n}` stands for the number of points."""
    return f"The plan is {where.word}; {{n}} point(s) under *What was declared, and when?*"
