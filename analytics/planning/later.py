"""What would two sessions over a life give, and leave of the donor?

Each draft is followed by a later session some years on. Then, in a zone,

    density = standing + (planted first + planted later) x yield / 100

*standing* is what would stand there by then with no session (`outlook`: native hair thinning at the
practice's rate, therapy as it is now); the first planting is mature and, like all planted hair in this model,
taken to stay: how many planted hairs are lost over many years is not published to rest on. Both plantings
have one yield. The later session is the one given, or the same split again as far as the safe share goes.
Limits are of the density itself. They hold the error of the rate at which native hair thins, but neither that
patients differ in it nor what a practice or a hair loss may become.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.planning.drafts import NO_PROMISE, with_hairs
from analytics.planning.ledger import SAFE_SHARE, donor
from analytics.planning.outlook import Outlook, outlook
from analytics.planning.texts import Draft, ZoneDraft
from analytics.records import Records
from analytics.regrowth import PlateauDistribution
from analytics.results import LEVEL, OF_ONE, Result, line

LEAST_YEARS, MOST_YEARS = 1, 40
FIRST, BEFORE, BOTH = "after the first session", "before the later session", "after both sessions"
PLANTS, LEAVES = "grafts of the later session", "left after both"


def two_sessions(
    records: Records,
    patient_id: str,
    plans: Sequence[Draft],
    *,
    plateaus: PlateauDistribution,
    later: Sequence[Draft] = (),
    years: int = 10,
    session_month: float = 0.0,
    safe_share: float = SAFE_SHARE,
    level: float = LEVEL,
) -> Result:
    """Return the densities that each draft and a later session would give, and what both leave of the donor.

    Parameters
    ----------
    plans, later
        Drafts from `read_drafts`; the first of `later` follows each plan. None: the plan again, as far as the
        donor goes.
    plateaus, session_month, safe_share, level
        As in `drafts`.
    years
        Between the sessions, 1 to 40.

    Returns
    -------
    Result
        By draft and zone: density after the first session, before the later one and after both, each mature,
        with limits; grafts of the later session; for zone `donor` what is left after both.

    Raises
    ------
    ParameterError
        When the years are out of range, or as in `drafts`.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> two_sessions(clinic, clinic.patients["patient_id"].iloc[0], (), plateaus=None, years=60)
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: planning.two_sessions(years): out of range; expected 1 to 40 years
    """
    if not LEAST_YEARS <= years <= MOST_YEARS:
        raise ParameterError(
            f"planning.two_sessions(years): out of range; expected {LEAST_YEARS} to {MOST_YEARS} years"
        )
    holds = donor(records, patient_id, safe_share=safe_share)
    written = [*plans, *later[:1]]
    zones = tuple(dict.fromkeys(z.zone for plan in written for z in plan.zones))
    now = outlook(records, patient_id, zones, plateaus=plateaus, session_month=session_month)
    month = now.session_month + 12 * years
    then = outlook(records, patient_id, zones, plateaus=plateaus, session_month=month)
    lines: list[dict] = []
    for plan in plans:
        second = later[0] if later else _again(plan, holds.plants - plan.grafts)
        for zone in zones:
            lines += _zone_lines(now, then, plan, second, zone, level)
        own: dict[str, Any] = {"by": {"draft": plan.name, "zone": "donor"}, **OF_ONE}
        left = holds.left - (plan.grafts + second.grafts) * holds.per_graft
        flag = "more than the safe share leaves" if left < 0 else ""
        flag = flag if np.isfinite(left) else "donor not measured: give the split of the later session"
        lines.append(line(PLANTS, float(second.grafts), "FU", basis="count", flag="", **own))
        lines.append(line(LEAVES, left, "FU", flag=flag, **own))
    method = (
        f"what will stand {years} years on with no session (native hair thinning as in the fit, therapy as "
        "it is) plus both plantings by the practice's distribution of yields; planted hair taken to stay; "
        f"{100 * level:g} % limits of the density at the zone's maturity"
    )
    used = pd.DataFrame({"patient_id": [patient_id] * len(zones), "zone": zones, "reason": ""})
    return Result(pd.DataFrame(lines), used, method, by=("draft", "zone"), notes=(NO_PROMISE,))


def _again(plan: Draft, fits: float) -> Draft:
    """Return a plan once more, scaled down to as many grafts as fit; none where the donor is not known."""
    share = min(max(fits / plan.grafts, 0.0), 1.0) if np.isfinite(fits) else 0.0
    return Draft(plan.name, tuple(replace(z, grafts=int(z.grafts * share)) for z in plan.zones))


def _zone_lines(
    now: Outlook, then: Outlook, plan: Draft, second: Draft, zone: str, level: float
) -> list[dict]:
    """Return the lines of one zone; what cannot be predicted says why."""
    mature = now.zones[zone].maturity
    planted, more = (_planted(draft, zone, now) for draft in (plan, second))
    own: dict[str, Any] = {"by": {"draft": plan.name, "zone": zone}, "level": level, **OF_ONE}
    why = now.zones[zone].why_not(max(planted, more))
    lines = []
    for term, ahead, at, first, new in (
        (FIRST, now, mature, 0.0, planted),
        (BEFORE, then, 0.0, planted, 0.0),
        (BOTH, then, mature, planted, more),
    ):
        if why:
            lines.append(line(term, np.nan, "hairs/cm2", flag=why, **own))
            continue
        found = ahead.density(zone, new, at, before=first)
        ends = found.limits(level)
        flag = ahead.zones[zone].note
        lines.append(line(term, found.expected, "hairs/cm2", se=found.spread, ci=ends, flag=flag, **own))
    return lines


def _planted(draft: Draft, zone: str, ahead: Outlook) -> float:
    """Return the hairs/cm2 that a draft plants in a zone."""
    found: list[ZoneDraft] = [with_hairs(z, ahead.zones[zone]) for z in draft.zones if z.zone == zone]
    return sum(z.grafts * float(z.hairs_per_graft or np.nan) / z.area_cm2 for z in found)
