"""Each headline of the audit beside what is published of it: never a verdict."""

from collections.abc import Mapping

import pandas as pd

from analytics import disclosure, numbers
from analytics.pages.page import Page
from analytics.pages.writing import frame, lead
from analytics.published import PUBLISHED_RANGES, Published
from analytics.results import Result

NOT_TOLD = "cannot be told"


def beside_published(page: Page) -> None:
    """Write the headlines of a page beside published numbers: source, how many, how far they compare."""
    rows = published_table(page.results)
    first = rows.iloc[0]
    lead(
        page,
        f"{numbers.title_case(first['headline'])}: here {first['here']}; published {first['published']}.",
    )
    frame(page, rows, "Beside what is published")


def published_table(shown: Mapping[str, Result]) -> pd.DataFrame:
    """Return one row per headline: here with interval and patients, published with source and definition.

    Parameters
    ----------
    shown
        Results of the page, as they may be shown.
    """
    return pd.DataFrame([_row(one, shown) for one in PUBLISHED_RANGES])


def _row(one: Published, shown: Mapping[str, Result]) -> dict[str, str | float]:
    here, n = _here(one, shown)
    return {
        "headline": f"{one.headline}, {one.unit}",
        "here": here,
        "n_patients": n,
        "published": f"{one.value}, {one.of}" if one.of else one.value,
        "source, and definition there": f"{one.source}: {one.definition}" if one.source else "",
        "how far it compares": one.compares,
    }


def _here(one: Published, shown: Mapping[str, Result]) -> tuple[str, float]:
    """Return a headline in words with its interval, and its number of patients."""
    nothing = NOT_TOLD, float("nan")
    result = shown[one.panel]
    if result.gap is not None or "term" not in result.table():
        return nothing
    rows = result.table()
    rows = rows[rows["term"].eq(one.term)]
    if one.zone and "zone" in rows:
        rows = rows[rows["zone"].eq(one.zone)]
    if rows.empty:
        return nothing
    row = rows.iloc[0]
    if pd.isna(row["estimate"]):
        return disclosure.WITHHELD, float("nan")
    places = 2 if one.unit == "hairs" else 1
    inside = numbers.limits(row["ci_low"], row["ci_high"], places)
    told = f"{numbers.number(row['estimate'], places)} (95{numbers.THIN}% interval {inside})"
    return told, float(row["n_patients"]) if "n_patients" in rows else float("nan")
