"""The planner with hands: sliders for grafts, areas and targets, beside what the page prints.

Only where a person has the notebook open; a report is made without it and holds the same numbers. The sliders
ask `planning.predicted`, as the page and the command do, and the command that gives the report is printed
beneath. No slider goes past what the donor holds under the safe share.
"""

import html
import os
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import ipywidgets as widgets
import numpy as np
from IPython import get_ipython
from IPython.display import display

from analytics import pages, planning, results
from analytics.planning import Aim, Donor, Draft, Outlook, ZoneDraft
from analytics.reports import RUN_VARIABLE, Question
from analytics.results import Result

LABELS = {"description_width": "7rem"}
MOST_GRAFTS = 8000  # of one zone, where the donor was not measured
STEP = 10
NAME = "A"


@dataclass(frozen=True, slots=True)
class Hands:
    """The sliders by zone, what they stand on, and where the answer is shown."""

    patient: str
    data: str
    ahead: Outlook
    donor: Donor
    grafts: dict[str, widgets.IntSlider]
    areas: dict[str, widgets.BoundedFloatText]
    targets: dict[str, widgets.BoundedFloatText]
    answer: widgets.HTML
    safe_share: float
    beside: tuple[Draft, ...]

    @property
    def draft(self) -> Draft:
        """Return what the sliders say."""
        zones = (ZoneDraft(z, s.value, self.areas[z].value) for z, s in self.grafts.items() if s.value)
        return Draft(NAME, tuple(zones))

    @property
    def aims(self) -> tuple[Aim, ...]:
        """Return the targets that are given."""
        given = {z: t.value for z, t in self.targets.items() if t.value}
        return tuple(Aim(zone, self.areas[zone].value, density) for zone, density in given.items())

    def predicted(self) -> Result:
        """Return what the page would print of this draft, and of the page's others beside it."""
        return planning.predicted(
            [self.draft, *self.beside], self.aims, self.ahead, self.donor, patient_id=self.patient
        )


def show(
    page: pages.Page,
    plans: Sequence[Draft],
    aims: Sequence[Aim],
    *,
    plateaus: Question,
    patient_id: str,
    session_month: float,
    safe_share: float,
) -> Hands | None:
    """Display sliders that begin at the first draft, the others beside it; nothing in a report.

    Parameters
    ----------
    page
        The page, begun.
    plans, aims
        As read by `planning.read_drafts` and `planning.read_aims`.
    plateaus
        The question of the practice's model, as the page asks it.
    patient_id, session_month, safe_share
        As the page was set.
    """
    if os.environ.get(RUN_VARIABLE) or get_ipython() is None:
        return None
    zones = tuple(dict.fromkeys([*(z.zone for plan in plans for z in plan.zones), *(a.zone for a in aims)]))
    asked = pages.ask(
        page,
        ahead=pages.question(
            planning.outlook,
            patient_id=patient_id,
            zones=zones,
            plateaus=plateaus,
            session_month=session_month,
        ),
        donor=pages.question(planning.donor, patient_id=patient_id, safe_share=safe_share),
    )
    if results.why_not(asked["ahead"]) or results.why_not(asked["donor"]):
        return None
    hands = _hands(page, plans[0], plans, aims, asked["ahead"], asked["donor"], patient_id, safe_share)
    for field in (*hands.grafts.values(), *hands.areas.values(), *hands.targets.values()):
        field.observe(partial(_moved, hands), names="value")
    _moved(hands)
    rows = [
        widgets.HBox(
            [hands.grafts[z], hands.areas[z], hands.targets[z]], layout=widgets.Layout(flex_flow="row wrap")
        )
        for z in zones
    ]
    display(widgets.VBox([*rows, hands.answer]))
    return hands


def _hands(
    page, first: Draft, plans, aims, ahead: Outlook, donor: Donor, patient: str, safe_share: float
) -> Hands:
    area = {a.zone: a.area_cm2 for a in aims} | {z.zone: z.area_cm2 for plan in plans for z in plan.zones}
    area |= {z.zone: z.area_cm2 for z in first.zones}
    target = {a.zone: a.density for a in aims}
    fits = min(1.0, donor.plants / first.grafts) if np.isfinite(donor.left) else 1.0
    given = {z.zone: int(z.grafts * fits) // STEP * STEP if fits < 1 else z.grafts for z in first.zones}

    def number(value: float, least: float, most: float, words: str) -> widgets.BoundedFloatText:
        return widgets.BoundedFloatText(
            value=value,
            min=least,
            max=most,
            step=1.0,
            description=words,
            style=LABELS,
            layout={"width": "13rem"},
        )

    return Hands(
        patient=patient,
        data=str(page.settings.get("data", "")),
        ahead=ahead,
        donor=donor,
        grafts={
            zone: widgets.IntSlider(
                value=given.get(zone, 0), min=0, max=MOST_GRAFTS, step=STEP, description=f"{zone} grafts",
                style=LABELS, layout={"width": "24rem"}, continuous_update=False,
            )
            for zone in ahead.zones
        },
        areas={zone: number(area[zone], 0.5, 300.0, "on cm²") for zone in ahead.zones},
        targets={zone: number(target.get(zone, 0.0), 0.0, 260.0, "to hairs/cm²") for zone in ahead.zones},
        answer=widgets.HTML(),
        safe_share=safe_share,
        beside=tuple(plans[1:]),
    )  # fmt: skip


def _moved(hands: Hands, *_: object) -> None:
    """Cap every slider by what the others leave, and write what the draft is expected to give."""
    _cap(hands)
    if not hands.draft.zones:
        hands.answer.value = "<p>Move a slider: no graft is planned yet.</p>"
        return
    result = hands.predicted()
    page = pages.Page("05_session_plan", {}, None, "", results={"drafts": result})
    said = pages.planner.headline(page)
    parts = [
        f"<p><strong>{html.escape(said)}</strong></p>",
        f'<div style="max-width:48rem">{pages.planner.picture(result)}</div>',
        pages.planner.table(result),
        _command(hands),
    ]
    hands.answer.value = f'<div role="status">{"".join(parts)}</div>'


def _cap(hands: Hands) -> None:
    """Let no slider go past what is left once the others have theirs."""
    total = int(hands.donor.plants) if np.isfinite(hands.donor.left) else MOST_GRAFTS * len(hands.grafts)
    planned = sum(slider.value for slider in hands.grafts.values())
    for slider in hands.grafts.values():
        room = max(total - (planned - slider.value), 0)
        slider.max = min(room, MOST_GRAFTS) // STEP * STEP
        planned = sum(one.value for one in hands.grafts.values())


def _command(hands: Hands) -> str:
    """Return the command that makes the report of what the sliders say."""
    drafts = {
        f"draft_{d.name.lower()}": ", ".join(f"{z.zone} {z.grafts} on {z.area_cm2:g}" for z in d.zones)
        for d in (hands.draft, *hands.beside)
    }
    aims = ", ".join(f"{a.zone} {a.area_cm2:g} to {a.density:g}" for a in hands.aims)
    settings = {
        "patient": hands.patient,
        "session_month": f"{hands.ahead.session_month:g}",
        "safe_share": f"{hands.safe_share:g}",
        **drafts,
        **({"aims": aims} if aims else {}),
    }
    words = ["regrowth", "report", "05", hands.data]
    words += [part for name, value in settings.items() for part in ("--set", f"{name}={value}")]
    return f"<p>The report of this draft:</p><pre>{html.escape(shlex.join(words))}</pre>"
