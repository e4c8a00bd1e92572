"""The short answers of the review's folds, from the indicators as the page may show them."""

from collections.abc import Mapping

import pandas as pd

from analytics import numbers as words
from analytics.pages.quarter.sentences import said
from analytics.pages.review_tables import audit, part
from analytics.results import Result, why_not
from analytics.review import CANNOT_TELL


def in_short(results: Mapping[str, Result], title: Mapping[str, str]) -> dict[str, str]:
    """Return the short answers of the folds by the panel each is about, the criterion named.

    Parameters
    ----------
    results
        Of the page, as they may be shown.
    title
        Of `sentences.titles`.
    """
    indicators, lists, of_panels = results["indicators"], results["lists"], said(results)
    return {
        **of_panels,
        **{panel: f"{title[of]}: {_went_on(of_panels[panel])}" for panel, of in NAMED.items()},
        "told": _told(indicators),
        "moved": _changed(indicators),
        "on_lists": _lists(lists),
        "sources": _sources(indicators),
    }


# Panels about one criterion, and the role it has.
OPENINGS = ("No", "Not", "None", "Cannot", "Whether", "Of", "Too", "There", "Nobody")
NAMED = {"grafts": "grafts", "cases": "grafts", "growth": "growth", "absent": "growth", "poor_growth": "poor",
         "answers": "answers"}  # fmt: skip


def _went_on(sentence: str) -> str:
    """Return a sentence as it goes on after a colon; one that begins with the code of a person stays.

    >>> _went_on("No signal in 9 cases."), _went_on("S2 signalled once.")
    ('no signal in 9 cases.', 'S2 signalled once.')
    """
    is_word = sentence.partition(" ")[0] in OPENINGS
    return f"{sentence[:1].lower()}{sentence[1:]}" if is_word else sentence


def _changed(result: Result) -> str:
    """Return which criteria differ from the last quarter by more than chance, in a line."""
    if why := why_not(result):
        return why
    rows = audit(result)
    moved = rows[rows["change_low"].gt(0) | rows["change_high"].lt(0)]
    if len(moved):
        return f"Beyond chance: {'; '.join(moved['name'])}."
    n = int(rows["change_low"].notna().sum())
    if not n:
        return "No difference from the last quarter can be told yet."
    return (
        f"{f'None of {n} differences' if n > 1 else 'No difference'} from the last quarter is beyond chance."
    )


def _told(result: Result) -> str:
    """Return which criterion that cannot be told yet is told first, and how many are not within 5 years."""
    told = part(result, "told")
    told = told[told["outcome"].eq(CANNOT_TELL)] if len(told) else told
    if told.empty:
        return why_not(result) or "Every criterion is told."
    told = told.merge(part(result, "declared")[["criterion", "name"]], on="criterion", validate="one_to_one")
    n, never = len(told), int(told["told_in"].isna().sum())
    late = f"{never} of {n} not within 5 years"
    if never == n:
        return f"{late}."
    first = told.loc[told["told_in"].idxmin()]
    return f"First “{first['name']}”, in quarter {first['told_in']:.0f}{'; ' + late if never else ''}."


def _sources(result: Result) -> str:
    """Return how many standards rest on what, in a line."""
    counts = part(result, "declared").get("source_kind", pd.Series(dtype=str)).value_counts()
    return (
        f"{words.title_case(words.listed([f'{n} {kind}' for kind, n in counts.items()]))}."
        if len(counts)
        else ""
    )


def _lists(result: Result) -> str:
    """Return how many stand on each work list, in a line."""
    if why := why_not(result):
        return why
    rows = result.table()
    known = [
        f"{words.readable(row.term)}: {words.number(row.estimate)}"
        for row in rows.itertuples()
        if pd.notna(row.estimate)
    ]
    return f"{words.title_case('; '.join(known))}." if known else ""
