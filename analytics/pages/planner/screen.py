"""The first screen of the session planner: key numbers, and a head for each draft."""

from dataclasses import replace
from typing import Any

import numpy as np
from markupsafe import Markup

from analytics.numbers import MINUS, readable
from analytics.pages import first_screen
from analytics.pages.first_screen import KeyNumber
from analytics.pages.page import Page, result_of
from analytics.pages.planner.sentences import CHANCE, GRAFTS, LEFT, SPENT, in_100

CAPTION = (
    "Expected density and target at maturity, hairs/cm², and the chance of reaching it in 100 such patients. "
    "White: not planted, or cannot be told."
)


def head_maps(page: Page) -> None:
    """Draw a head for each draft with aims: expected density, its target, and the chance of reaching it."""
    for one in _maps(page):
        first_screen.head_map(page, "drafts", one.pop("title"), slot="pair", **one)


def map_blocks(page: Page) -> list[Markup]:
    """Return the same heads as HTML, for whoever shows them elsewhere."""
    return [first_screen.head_block(page, "drafts", one.pop("title"), **one) for one in _maps(page)]


def _maps(page: Page) -> list[dict[str, Any]]:
    if result_of(page, "drafts").gap is not None:
        return []
    table = result_of(page, "drafts").table()
    with_aims = list(table.loc[table["term"].eq(CHANCE), "draft"].drop_duplicates())
    made: list[dict[str, Any]] = []
    for name in with_aims:
        own = table[table["draft"].eq(name) & table["term"].eq("grafts") & table["zone"].ne("donor")]
        grafts = ", ".join(f"{row.estimate:,.0f} {readable(row.zone)}" for row in own.itertuples())
        made.append(
            {
                "title": f"Draft {name}: {grafts}",
                "draft": name,
                "term": "expected density",
                "beside": "target",
                "beneath": CHANCE,
                "colour": CHANCE,
                "words": in_100,
                "caption": CAPTION if name == with_aims[0] else "",
            }
        )
    return made


def key_numbers(page: Page) -> list[KeyNumber]:
    """Return what the donor has left, and what each draft spends of it."""
    left = first_screen.key_number(page, "ledger", label="Left under your limit", rests_on=" ", term="left")
    if left.value.startswith(MINUS):
        left = replace(left, verdict="not met", why="passed by earlier sessions")
    shown = [left]
    if result_of(page, "drafts").gap is not None:
        return shown
    table = result_of(page, "drafts").table()
    for name in table["draft"].drop_duplicates():
        of = {"draft": name, "zone": "donor"}
        total = table["draft"].eq(name) & table["zone"].eq("donor") & table["term"].eq(GRAFTS)
        grafts = table.loc[total, "estimate"].sum()
        spent = first_screen.key_number(
            page,
            "drafts",
            label=f"Draft {name} spends",
            rests_on=f"for {grafts:,.0f} planted",
            term=SPENT,
            **of,
        )
        after = table.loc[table["draft"].eq(name) & table["term"].eq(LEFT), "estimate"].iloc[0]
        told = {True: "met", False: "not met"}.get(bool(after >= 0)) if np.isfinite(after) else ""
        why = f"{abs(after):,.0f} {'left for later' if after >= 0 else 'over the limit'}" if told else ""
        shown.append(replace(spent, verdict=str(told), why=why))
    return shown
