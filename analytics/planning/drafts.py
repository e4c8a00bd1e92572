"""What density would a draft split of grafts be expected to give, zone by zone, and what does it spend?

Planted density is hairs over area; what it adds to and how much of it grows is the patient's `outlook`.
Limits at a month are of one count of a marked field of 1 cm2; the expected density, its limits and the
chance of reaching a target are of the density itself at the zone's maturity. A zone planted denser than this
practice has followed has nothing to predict from: it says so and costs its draft that zone alone. A draft
spends attempts (FUE) or grafts out (strip) as the ledger does, at the practice's own rate.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.planning.allocate import (
    CHANCE_OF_ALL,
    GRAFTS,
    PLANTED,
    Target,
    allocate,
    chance_of_all,
    lines_of,
)
from analytics.planning.ledger import SAFE_SHARE, Donor, donor
from analytics.planning.outlook import Ahead, Outlook, outlook
from analytics.planning.texts import Aim, Draft, ZoneDraft
from analytics.records import Records
from analytics.regrowth import PlateauDistribution
from analytics.results import LEVEL, OF_ONE, Result, line

DONOR, DONOR_LEFT = "donor", "left for later sessions"
ALL = "all zones aimed at"
SPENT = "donor spent"
NO_PROMISE = "a prediction from this practice's own past, not a promise, and not a recommendation to operate"
COUNTED, AT_SESSION = "latest count", "density at the session"
# The densest published meaning of dense packing, two-hair units (Wong 2010, doi 10.1007/
# 978-4-431-99659-0_32).
DENSE_PACKING_FU_CM2 = 45


def drafts(
    records: Records,
    patient_id: str,
    plans: Sequence[Draft],
    *,
    plateaus: PlateauDistribution,
    aims: Sequence[Aim] = (),
    session_month: float = 0.0,
    safe_share: float = SAFE_SHARE,
    level: float = LEVEL,
) -> Result:
    """Return planted and predicted density by draft, zone and month with limits, and what the donor has left.

    Parameters
    ----------
    plans
        Up to four drafts, from `read_drafts`.
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    aims
        Densities aimed at, from `read_aims`.
    session_month
        Register month of the session; 0 for the newest month in the records.
    safe_share
        As in `ledger`.

    Returns
    -------
    Result
        By draft and zone: `latest count` (x: register month), `density at the session`, `grafts`, `planted
        density`, `density at month ...` with limits of a count; with an aim `target`, and at maturity
        `expected density` with limits of the density itself, `expected shortfall`, `chance of reaching the
        target`. With two aims or more, for them all: `chance of reaching every target`, a zone that the draft
        does not plant at what will stand there. For zone `donor`: `grafts`, `donor spent`, `left for later
        sessions`.

    Raises
    ------
    ParameterError
        When the patient is unknown, or the session would be before the newest count.

    Examples
    --------
    >>> from analytics import regrowth, simulate
    >>> from analytics.planning.texts import read_drafts
    >>> clinic = simulate.as_records(simulate.register(20)[0])
    >>> plans = read_drafts(["frontal 800 on 40", "frontal 1200 on 40"])
    >>> code, plateaus = clinic.patients["patient_id"].iloc[0], regrowth.fit_plateaus(clinic)
    >>> found = drafts(clinic, code, plans, plateaus=plateaus).table()
    >>> found.loc[found["term"].eq("planted density"), ["draft", "unit"]].values.tolist()
    [['A', 'hairs/cm2'], ['B', 'hairs/cm2']]
    """
    zones = tuple(dict.fromkeys([*(z.zone for plan in plans for z in plan.zones), *(a.zone for a in aims)]))
    ahead = outlook(records, patient_id, zones, plateaus=plateaus, session_month=session_month)
    holds = donor(records, patient_id, safe_share=safe_share)
    return predicted(plans, aims, ahead, holds, patient_id=patient_id, level=level)


def predicted(
    plans: Sequence[Draft],
    aims: Sequence[Aim],
    ahead: Outlook,
    holds: Donor,
    *,
    patient_id: str = "",
    level: float = LEVEL,
) -> Result:
    """Return the table of `drafts` for one patient's outlook and donor, worked out before.

    Parameters
    ----------
    plans
        Drafts, of `read_drafts`.
    aims
        Densities aimed at, of `read_aims`.
    ahead
        Of `outlook`.
    holds
        Of `donor`.

    Returns
    -------
    Result
        As `drafts`.

    Examples
    --------
    Shown with `drafts`.
    """
    wanted = {aim.zone: aim for aim in aims}
    lines: list[dict] = []
    for plan in plans:
        for zone in plan.zones:
            lines += _zone_lines(ahead, zone, wanted.get(zone.zone), plan.name, level)
        lines += _line_of_all(ahead, plan, aims)
        lines += _donor_lines(plan, holds)
    method = (
        "the practice's model given this patient's own readings, no refit: what will stand without the "
        "session (growth still to come, native hair thinning as in the fit) plus planted hair times the "
        "distribution of yields; limits of a count of a marked field of 1 cm2, "
        f"{100 * level:g} %; expected density and chance: of the density itself at maturity; that every "
        "target is reached: zones go together as one patient's do in the model"
    )
    planted = tuple(dict.fromkeys(z.zone for plan in plans for z in plan.zones))
    notes = (
        NO_PROMISE,
        f"the session is taken to be in register month {ahead.session_month:g}",
        f"a planted graft spends {holds.per_graft:.3f} {holds.unit}, by this practice's past",
        *(f"{zone}: {ahead.zones[zone].note}" for zone in planted if ahead.zones[zone].note),
    )
    used = pd.DataFrame({"patient_id": [patient_id] * len(planted), "zone": planted, "reason": ""})
    return Result(pd.DataFrame(lines), used, method, by=("draft", "zone"), notes=notes, picture="drafts")


def _zone_lines(
    ahead: Outlook, zone: ZoneDraft, aim: Aim | None, name: str, level: float = LEVEL
) -> list[dict]:
    """Return the table rows of one zone of a draft."""
    of = ahead.zones[zone.zone]
    zone = with_hairs(zone, of)
    planted = zone.grafts * float(zone.hairs_per_graft or np.nan) / zone.area_cm2
    own: dict[str, Any] = {"by": {"draft": name, "zone": zone.zone}, "level": level, **OF_ONE}
    is_dense = zone.grafts / zone.area_cm2 > DENSE_PACKING_FU_CM2
    dense = f"beyond dense packing as published (over {DENSE_PACKING_FU_CM2} FU/cm2)" if is_dense else ""
    when = None if np.isnan(of.counted_month) else of.counted_month
    lines = [
        line(
            COUNTED,
            of.counted,
            "hairs/cm2",
            x=when,
            flag="" if when else "not counted in this patient",
            **own,
        ),
        line(GRAFTS, float(zone.grafts), "FU", basis="count", flag="", **own),
        line(PLANTED, planted, "hairs/cm2", flag=dense, **own),
    ]
    why = of.why_not(planted)
    if np.isfinite(of.standing[0]):
        now = ahead.density(zone.zone, 0.0, 0.0)
        lines.insert(1, _predicted(AT_SESSION, 0.0, now, own, of.note))
    for month in of.months[1:]:
        term = f"density at month {month:g}"
        if why:
            lines.append(line(term, np.nan, "hairs/cm2", x=month, flag=why, **own))
        else:
            lines.append(_predicted(term, month, ahead.count(zone.zone, planted, month), own, of.note))
    if aim is not None and not why:
        ends = ahead.density(zone.zone, planted, of.maturity).limits(level)
        lines += lines_of(target_of(ahead, aim, zone), zone.grafts, ends=ends, flag=of.note, **own)
    return lines


def _line_of_all(ahead: Outlook, plan: Draft, aims: Sequence[Aim]) -> list[dict]:
    """Return the chance that every target is reached; nothing where there are fewer than two."""
    if len(aims) < 2:
        return []
    own: dict[str, Any] = {"by": {"draft": plan.name, "zone": ALL}, "basis": "model", **OF_ONE}
    drafted = {z.zone: z for z in plan.zones}
    judged = [(target_of(ahead, aim, drafted.get(aim.zone)), drafted.get(aim.zone)) for aim in aims]
    grafts = [zone.grafts if zone else 0 for _, zone in judged]
    targets = [target for target, _ in judged]
    planted = [n * t.hairs_per_graft / t.area_cm2 for t, n in zip(targets, grafts, strict=True)]
    whys = [ahead.zones[t.zone].why_not(p) for t, p in zip(targets, planted, strict=True)]
    if any(whys):
        return [line(CHANCE_OF_ALL, np.nan, "%", flag=next(filter(None, whys)), **own)]
    found = chance_of_all(targets, grafts)
    flag = "" if np.isfinite(found) else "nothing to predict from in one of the zones"
    return [line(CHANCE_OF_ALL, 100 * found, "%", flag=flag, **own)]


def _predicted(term: str, month: float, found, own: dict[str, Any], flag: str) -> dict:
    ends = found.limits(own["level"])
    return line(term, found.expected, "hairs/cm2", x=month, se=found.spread, ci=ends, flag=flag, **own)


def with_hairs(zone: ZoneDraft, of: Ahead) -> ZoneDraft:
    """Return the zone of a draft with hairs per graft, the practice's mean where none are given."""
    hairs = zone.hairs_per_graft or of.hairs_per_graft
    if not np.isfinite(hairs):
        raise ParameterError(
            "planning.drafts: hairs per graft are not known; write them in the draft, as: ... at 2.1"
        )
    return replace(zone, hairs_per_graft=hairs)


def target_of(ahead: Outlook, aim: Aim, zone: ZoneDraft | None = None) -> Target:
    """Return what a zone is judged by: its aim, on the area and with the hairs of a draft if given."""
    of = ahead.zones[aim.zone]
    area = aim.area_cm2 if zone is None else zone.area_cm2
    given = with_hairs(zone or ZoneDraft(aim.zone, 1, area), of)
    m = of.at(of.maturity)
    return Target(
        aim.zone,
        area,
        aim.density,
        standing=float(max(of.standing[m], 0.0)),
        hairs_per_graft=float(given.hairs_per_graft or np.nan),
        yields=of.yields[m],
        weights=of.weights,
        most_planted=of.most_planted,
        priority=aim.priority,
        standing_sd=float(np.sqrt(of.standing_var[m])),
        planted_cv=ahead.planted_cv,
        together=of.together,
    )


def _donor_lines(plan: Draft, holds: Donor) -> list[dict]:
    """Return what a draft plants, what it spends for that, and what it leaves; FU are counted grafts."""
    own: dict[str, Any] = {"by": {"draft": plan.name, "zone": DONOR}, **OF_ONE}
    spent = plan.grafts * holds.per_graft
    after = holds.left - spent
    flag = "more than the safe share leaves" if after < 0 else ""
    flag = flag if np.isfinite(after) else "donor not measured"
    return [
        line(GRAFTS, float(plan.grafts), "FU", basis="count", flag="", **own),
        line(SPENT, spent, "FU", basis="counts", flag=holds.unit, **own),
        line(DONOR_LEFT, after, "FU", flag=flag, **own),
    ]


def split(
    records: Records,
    patient_id: str,
    aims: Sequence[Aim],
    *,
    plateaus: PlateauDistribution,
    total_grafts: int = 0,
    session_month: float = 0.0,
    safe_share: float = SAFE_SHARE,
) -> Result:
    """Return the split that falls least short of the densities aimed at, of no more grafts than are left.

    Parameters
    ----------
    aims
        Densities aimed at, of `read_aims`.
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    total_grafts
        Grafts to divide; 0 for all that are left under the safe share. More than that, or than the zones take
        at the densest planting followed, is lowered, and a note says so.
    session_month
        Register month of the session; 0 for the newest month in the records.
    safe_share
        As in `ledger`.

    Returns
    -------
    Result
        As of `allocate`; one row without a number that says why where nothing can be divided.

    Examples
    --------
    Without an aim there is nothing to divide:

    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> split(clinic, clinic.patients["patient_id"].iloc[0], (), plateaus=None).table()["flag"].iloc[0]
    'No densities are aimed at: give aims, as: frontal 45 to 110, crown 90 to 80.'
    """
    if not aims:
        return _told("No densities are aimed at: give aims, as: frontal 45 to 110, crown 90 to 80.")
    holds = donor(records, patient_id, safe_share=safe_share)
    zones = tuple(aim.zone for aim in aims)
    ahead = outlook(records, patient_id, zones, plateaus=plateaus, session_month=session_month)
    targets = [target_of(ahead, aim) for aim in aims if not ahead.zones[aim.zone].why_not(0.0)]
    fits = holds.plants if np.isfinite(holds.left) else np.inf
    most = min(total_grafts or np.inf, fits, sum(t.most_grafts for t in targets))
    if not targets:
        return _told("This practice has followed no zone that is aimed at.")
    if not (total_grafts or np.isfinite(fits)):
        return _told("The donor has not been measured: measure it, or give a total.")
    if most < 1:
        return _told("Nothing is left of the donor under the limit chosen.")
    total = int(most)
    found = allocate(total, targets)
    notes = [f"{total:,} grafts planted spend {total * holds.per_graft:,.0f} {holds.unit}"]
    if np.isfinite(fits):
        notes.append(f"under the safe share {holds.left:,.0f} FU are left, which plant {fits:,.0f} grafts")
    if total_grafts > total:
        notes.append(
            f"{total_grafts:,} grafts were asked for: lowered to what is left and what the zones take"
        )
    return replace(found, notes=(*notes, *found.notes))


def _told(why: str) -> Result:
    """Return one row without a number, whose flag says why nothing was divided."""
    row = line(GRAFTS, np.nan, "FU", by={"zone": "all"}, flag=why)
    used = pd.DataFrame({"zone": pd.Series(dtype=str), "reason": pd.Series(dtype=str)})
    return Result(pd.DataFrame([row]), used, "nothing was divided", by=("zone",))
