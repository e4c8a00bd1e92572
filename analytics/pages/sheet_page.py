"""The page that is being written, and its numbers in words."""

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from analytics.errors import ParameterError
from analytics.pages import disclosure, words
from analytics.results import Result

OUTSIDE = "For readers outside this clinic: small numbers are withheld."


@dataclass(frozen=True, slots=True)
class Page:
    """One page being written: records, settings, results (protected), and what was written so far."""

    name: str
    settings: dict[str, Any]
    records: Any  # Records, or None on a page that reads none; Any so that notebooks need no check
    data_sha256: str
    results: dict[str, Result] = field(default_factory=dict)
    written: list[dict[str, Any]] = field(default_factory=list)

    @property
    def audience(self) -> str:
        """Return who will read the page."""
        return str(self.settings.get("audience", "internal"))


def about(page: Page) -> str:
    """Return whose numbers the page holds, from when, and who may read it; codes for this clinic alone."""
    parts = []
    if page.audience == "internal":
        named = {name: page.settings.get(name) for name in ("patient", "surgeon", "team")}
        parts += [f"{name.capitalize()} {code}." for name, code in named.items() if code]
    if page.settings.get("as_of"):
        parts.append(f"As of {page.settings['as_of']}.")
    if page.records is not None:
        parts.append(disclosure.BANNER.get(page.audience, "") or OUTSIDE)
    return " ".join(parts)


def say(page: Page, name: str, *, counts: bool = True, **where: Any) -> str:
    """Return one number of a result in words: value, unit, interval, number of patients.

    A number that this audience may not see is said to be withheld.
    """
    row = _row(page, name, where)
    return disclosure.WITHHELD if row is None else words.full(row, counts=counts)


def verdict(
    page: Page, name: str, *, below: str, above: str, unsure: str, null: float = 0.0, **where: Any
) -> str:
    """Return the sentence that the interval of one number supports.

    `below` when the whole interval lies under `null`, `above` when it lies over it, `unsure` when it holds it
    or there is no interval. `{value}` in a sentence is replaced by the number in words.
    """
    row = _row(page, name, where)
    if row is None:
        return unsure.replace("{value}", disclosure.WITHHELD)
    chosen = unsure
    if pd.notna(row.get("ci_high")) and row["ci_high"] < null:
        chosen = below
    if pd.notna(row.get("ci_low")) and row["ci_low"] > null:
        chosen = above
    return chosen.replace("{value}", words.full(row))


def _row(page: Page, name: str, where: dict[str, Any]) -> pd.Series | None:
    """Return the row asked for; None where the audience's rule took the whole row away."""
    result = result_of(page, name)
    if page.audience != "internal" and result.table().empty:
        return None
    return words.pick(result, **where)


def result_of(page: Page, name: str) -> Result:
    """Return a result of the page by the name it was handed over under; refuse any other name."""
    if name not in page.results:
        raise ParameterError(
            "sheet: no result was handed over under that name; this page has "
            f"{', '.join(page.results) or 'none'}"
        )
    return page.results[name]
