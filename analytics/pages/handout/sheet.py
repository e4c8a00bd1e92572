"""The handout as one page of HTML: own counts and visits in plain words.

Every sentence is short. Reading ease is tested (Flesch-Kincaid grade 8 or less; Kincaid et al. 1975, US Navy
Research Branch Report 8-75, formula from memory).
"""

from typing import Any

import pandas as pd
from markupsafe import Markup

from analytics import course, numbers
from analytics.dictionary import ZONES
from analytics.pages import head
from analytics.pages.handout.settings import Handout
from analytics.reports import filled
from analytics.results import line

TITLE = "Your hair count"
DEFAULT_MESSAGE = "Here is what we counted on your head."
NOT_YET = "We have no clear count of your new hair yet."
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
SCALE = {"from": 0, "to": 150, "ticks": [0, 50, 100, 150], "says": "Hairs on 1 cm²; darker means more hair"}
KEEP_IN_MIND = (
    "Two counts of the same spot can differ by a few hairs when nothing has changed.",
    "A count does not show how your hair looks or feels.",
    "This page is not a diagnosis. It makes no promise about how your hair will grow.",
    "It does not take the place of a visit. Ask us if anything is not clear, or if something worries you.",
)
WIDE, HIGH, MONTHS = 150.0, 44.0, 24.0


def html(
    chosen: Handout, counts: pd.DataFrame, visits: pd.DataFrame, *, n_sessions: int, invented: bool
) -> str:
    """Return the handout.

    Parameters
    ----------
    chosen
        What the surgeon says.
    counts
        From `course.own_counts`, of this patient's records alone.
    visits
        From `course.next_visits`, of this patient.
    n_sessions
        How many operations the patient had.
    invented
        Whether the data are those of the invented clinic.
    """
    # One scale for every part: a part that hardly grew must not look like one that did.
    top = float(counts[["density", "before"]].max().max()) if len(counts) else 1.0
    parts = [_part(own, chosen, n_sessions, top) for _, own in _in_order(counts)]
    return str(
        filled(
            "handout",
            title=TITLE,
            message=chosen.message or (DEFAULT_MESSAGE if parts else NOT_YET),
            as_of=chosen.as_of,
            map=_map(counts),
            parts=parts,
            visits=_next(visits, n_sessions),
            unusual=[text for text in chosen.unusual.split("\n") if text.strip()],
            cautions=KEEP_IN_MIND,
            invented=invented,
        )
    )


def _in_order(counts: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    by_zone = dict(list(counts.groupby("zone", sort=False)))
    return [(zone, by_zone[zone]) for zone in ZONES if zone in by_zone]


def _part(own: pd.DataFrame, chosen: Handout, n_sessions: int, top: float) -> dict[str, Any]:
    last = own.iloc[-1]
    zone, when = str(last["zone"]), float(last["month"])
    said = "" if pd.isna(last["before"]) else numbers.number(last["before"])
    return {
        "name": numbers.title_case(_plain(zone)),
        "since": f"{_months(when)} after your {_operation(int(last['session_number']), n_sessions)}",
        "before": said,
        "now": numbers.number(last["density"]),
        "all": ", ".join(
            f"{numbers.number(row.density)} at month {numbers.number(row.month)}" for row in own.itertuples()
        ),
        "points": _points(own, top),
        "verdict": chosen.verdicts.get(zone, ""),
    }


def _points(own: pd.DataFrame, top: float) -> list[tuple[float, float]]:
    """Return the counts as places in a small picture, the one before at the left; zero is its foot."""
    first = own["before"].iloc[0]
    pairs = ([] if pd.isna(first) else [(0.0, float(first))]) + [
        (float(m), float(d)) for m, d in zip(own["month"], own["density"], strict=True)
    ]
    end = max(*(m for m, _ in pairs), MONTHS)
    return [
        (round(4 + (WIDE - 8) * m / end, 1), round(HIGH - 4 - (HIGH - 8) * d / max(top, 1.0), 1))
        for m, d in pairs
    ]


def _map(counts: pd.DataFrame) -> Markup | str:
    lines = [
        line("density", float(own["density"].iloc[-1]), "hairs/cm2", by={"zone": zone})
        for zone, own in _in_order(counts)
    ]
    if not lines:
        return ""
    by_zone = {str(row["zone"]): row for _, row in pd.DataFrame(lines).iterrows()}
    blank = "" if set(head.OUTLINE) <= set(by_zone) else "White: no count to show."
    return head.block({"printed": by_zone}, "Your scalp at the last count, seen from above", SCALE, blank)


def _next(visits: pd.DataFrame, n_sessions: int) -> list[str]:
    """Return the visits to come as sentences, soonest first."""
    said = []
    keys = ["opens_in", "session_number", "visit", "counted"]
    for (_, session, visit, counted), rows in visits.groupby(keys, sort=True):
        when = f"{_months(visit)} after your {_operation(int(session), n_sessions)}"
        if rows["state"].eq(course.OVERDUE).any():
            said.append(f"A visit is due: it was planned for {when}. Please call us.")
        elif counted:
            zones = numbers.listed([_plain(z) for z in sorted(rows["zone"], key=ZONES.index)])
            said.append(f"{numbers.title_case(when)}: we count your {zones}.")
        else:
            said.append(f"{numbers.title_case(when)}: we see you.")
    return said or ["We have planned no further count. Ask us if you would like one."]


def _plain(zone: str) -> str:
    return {"frontal": "frontal area", "other": "other part"}.get(zone, zone)


def _months(month: float) -> str:
    whole = round(month)
    return f"{whole} month{'' if whole == 1 else 's'}"


def _operation(number: int, n_sessions: int) -> str:
    if n_sessions == 1:
        return "operation"
    return f"{ORDINALS[number - 1]} operation" if number <= len(ORDINALS) else f"operation {number}"
