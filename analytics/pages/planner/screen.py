"""The first screen of the session planner: what the donor has left, and what each draft takes and reaches."""

from dataclasses import replace

import numpy as np
from markupsafe import Markup

from analytics.numbers import MINUS, number
from analytics.pages import first_screen
from analytics.pages.figures import draw, drawing
from analytics.pages.first_screen import OVER, WITHIN, KeyNumber
from analytics.pages.page import Page, result_of
from analytics.pages.planner.sentences import (
    CHANCE_OF_ALL,
    GRAFTS,
    LEFT,
    SPENT,
    chance_parts,
    per_graft,
    targets,
)
from analytics.pages.words import of_page
from analytics.results import Result


def picture(result: Result) -> Markup:
    """Return the drafts drawn as the report draws them, for whoever shows them elsewhere."""
    alternative = of_page("05_session_plan")["alt"]["drafts"]
    return drawing.inline(drawing.svg(draw(result).figure), "drafts", alternative)  # type: ignore[arg-type]


def key_numbers(page: Page) -> list[KeyNumber]:
    """Return what the donor has left, and how likely each draft reaches its targets, with what it takes."""
    left = first_screen.key_number(
        page, "ledger", label="Donor left under your limit", rests_on=" ", term="left"
    )
    if left.value.startswith(MINUS):
        left = replace(left, verdict=OVER, why="passed by earlier sessions")
    if result_of(page, "drafts").gap is not None:
        return [left]
    each = per_graft(page)
    if np.isfinite(each) and left.unit:
        left = replace(left, rests_on=f"a planted graft takes {number(each, 2)}{left.unit}")
    return [left, *(_of_draft(page, name) for name in result_of(page, "drafts").table()["draft"].unique())]


def _of_draft(page: Page, name: str) -> KeyNumber:
    """Return the chance that a draft reaches every target; what it takes, where it has fewer than two."""
    table = result_of(page, "drafts").table()
    own = table[table["draft"].eq(name)]
    donor = own[own["zone"].eq("donor")].set_index("term")["estimate"]
    spent, grafts = number(donor[SPENT]), f"for {number(donor[GRAFTS])} grafts"
    after = float(donor[LEFT])
    verdict, why = "", ""
    if np.isfinite(after):
        verdict = WITHIN if after >= 0 else OVER
        why = f"{number(abs(after))} FU left for later" if after >= 0 else f"by {number(abs(after))} FU"
    chance = own.loc[own["term"].eq(CHANCE_OF_ALL), "estimate"].dropna()
    if chance.empty:
        return KeyNumber(f"Draft {name} takes", spent, "FU", rests_on=grafts, verdict=verdict, why=why)
    value, unit = chance_parts(chance.iloc[0])
    label = f"Draft {name}: {targets(own)} reached"
    return KeyNumber(label, value, unit, rests_on=f"takes {spent}\u00a0FU {grafts}", verdict=verdict, why=why)
