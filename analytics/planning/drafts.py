"""What density would a draft split of grafts be expected to give, zone by zone, at 12 and 18 months?

Planted density is hairs over area. The prediction is the emergence model's, conditional on all of this
patient's own readings (`regrowth.forecast`), with prediction limits that hold parameter, between-patient,
within-patient and counting error (one marked field of 1 cm2). Native density in a zone is the patient's
latest count there, else the practice's mean, and goes on thinning at the fit's assumed rate; hair planted
before does not thin. A draft denser than this practice has planted and followed is refused: there is no
experience to predict from.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics import dictionary, regrowth, yields
from analytics.errors import ParameterError
from analytics.planning.allocate import Target, allocate
from analytics.planning.ledger import SAFE_SHARE, ledger
from analytics.planning.texts import Aim, Draft, ZoneDraft, read_aims
from analytics.records import Records
from analytics.regrowth import Emergence, PlateauDistribution
from analytics.results import LEVEL, Result, line

MONTHS = (12.0, 18.0)
DONOR_LEFT = "donor left under the safe share"
# Density past which a draft has no experience behind it: this centile of the planted densities followed in
# the zone.
EXPERIENCE_CENTILE = 99.0
# The densest published meaning of dense packing, two-hair units (Wong 2010, doi 10.1007/
# 978-4-431-99659-0_32).
DENSE_PACKING_FU_CM2 = 45


def drafts(
    records: Records,
    patient_id: str,
    plans: Sequence[Draft],
    *,
    plateaus: PlateauDistribution,
    safe_share: float = SAFE_SHARE,
    level: float = LEVEL,
) -> Result:
    """Return planted and predicted density by draft, zone and month, with limits, and the donor left.

    Parameters
    ----------
    plans
        Up to four drafts, from `read_drafts`.
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    safe_share
        As in `ledger`.

    Raises
    ------
    ParameterError
        When the patient or a zone is unknown, or a draft is denser than this practice has experience of.
    """
    fit = plateaus.fit
    account = ledger(records, patient_id, safe_share=safe_share, level=level)
    left = float(account.table().set_index("term").loc["left", "estimate"])
    visits = yields.by_visit(records, choices=fit.choices)
    rows = regrowth.rows_for(records, fit).frame
    own = rows[rows["patient_id"].eq(patient_id)]
    loss = _graft_loss(records)
    lines: list[dict] = []
    for plan in plans:
        per_graft = {z.zone: z.hairs_per_graft or _hairs_per_graft(records, z.zone) for z in plan.zones}
        planted = {z.zone: z.grafts * per_graft[z.zone] / z.area_cm2 for z in plan.zones}
        _check_experience(rows, planted, plan.name)
        before = {z.zone: _before(visits, patient_id, z.zone) for z in plan.zones}
        seen, targets = _as_rows(plan, planted, before, own, fit)
        found = regrowth.forecast(plateaus, seen, MONTHS, targets=targets, marked=True, levels=(level,))
        lines += _zone_lines(plan, planted, before, found.path, level)
        lines += _donor_lines(plan, left, loss, level)
    method = (
        "emergence model conditional on this patient's readings, no refit; prediction limits with parameter, "
        "between-patient, within-patient and counting error (a marked field of 1 cm2), "
        f"{100 * level:g} %; native hair thinning as in the fit"
    )
    notes = (
        "a prediction from this practice's own past, not a promise, and not a recommendation to operate",
        f"the practice discards {100 * loss:.1f} % of grafts out: the draft's grafts are those planted",
        "native density where no count exists is the practice's mean for the zone",
    )
    used, by = own.assign(reason=""), ("draft", "zone")
    return Result(pd.DataFrame(lines), used, method, by=by, notes=notes, picture="drafts")


def overspent(result: Result) -> pd.DataFrame:
    """Return the drafts of a result of `drafts` that would spend more than is left: `draft`, `fu_beyond`."""
    table = result.table()
    over = table[table["term"].eq(DONOR_LEFT) & (table["estimate"] < 0)]
    return pd.DataFrame({"draft": over["draft"], "fu_beyond": -over["estimate"]})


def split(
    records: Records, patient_id: str, total_grafts: int, aims: str, *, plateaus: PlateauDistribution
) -> Result:
    """Return the split of a total that falls least short of the densities aimed at (`allocate`)."""
    return allocate(total_grafts, targets_for(records, patient_id, read_aims(aims), plateaus=plateaus))


def targets_for(
    records: Records, patient_id: str, aims: Sequence[Aim], *, plateaus: PlateauDistribution
) -> tuple[Target, ...]:
    """Return what `allocate` needs for one patient, from the practice's fit and this patient's readings.

    Parameters
    ----------
    aims
        From `read_aims`.

    Raises
    ------
    ParameterError
        When a zone was not followed by this practice.
    """
    fit = plateaus.fit
    rows = regrowth.rows_for(records, fit).frame
    visits = yields.by_visit(records, choices=fit.choices)
    own = rows[rows["patient_id"].eq(patient_id)]
    targets = []
    for aim in aims:
        zone = aim.zone
        per_graft = _hairs_per_graft(records, zone)
        one_graft = Draft("target", (ZoneDraft(zone, 1, aim.area_cm2, per_graft),))
        now = {zone: _before(visits, patient_id, zone)}
        seen, ahead = _as_rows(one_graft, {zone: 1.0}, now, own, fit)
        month = float(dictionary.MATURITY_MONTH[zone])
        found = regrowth.forecast(plateaus, seen, [month], targets=ahead, marked=True).path.iloc[0]
        native = max(float(found["density"]) - float(found["yield_pct"]) / 100, 0.0)
        targets.append(
            Target(
                zone,
                aim.area_cm2,
                aim.density,
                native,
                per_graft,
                yield_pct=float(found["yield_pct"]),
                yield_sd=float(np.sqrt(found["yield_var"])),
                most_planted=_most_planted(rows, zone, "target"),
                priority=aim.priority,
                # One graft is planted: what is not counting error is doubt about the native density.
                native_sd=float(np.sqrt(max(found["density_var"] - found["count_var"], 0.0))),
            )
        )
    return tuple(targets)


def _hairs_per_graft(records: Records, zone: str) -> float:
    """Return the practice's mean hairs per graft in the zone, or over all zones where it has none there."""
    known = records.placements.dropna(subset=["hairs", "grafts"])
    own = known[known["zone"].eq(zone)]
    use = own if len(own) else known
    if use.empty:
        raise ParameterError(
            "planning.drafts: hairs per graft are not known; write them in the draft, as: ... at 2.1"
        )
    return float(use["hairs"].sum() / use["grafts"].sum())


def _graft_loss(records: Records) -> float:
    known = records.sessions[["grafts_out", "grafts_discarded"]].astype(float).dropna()
    return float(known["grafts_discarded"].sum() / known["grafts_out"].sum()) if len(known) else 0.0


def _check_experience(rows: pd.DataFrame, planted: dict[str, float], name: str) -> None:
    for zone, density in planted.items():
        most = _most_planted(rows, zone, name)
        if density > most:
            raise ParameterError(
                f"planning.drafts: draft {name} plants {density:.0f} hairs/cm2 in the {zone}; this practice "
                f"has followed up to {most:.0f}; fewer grafts or a larger area there"
            )


def _most_planted(rows: pd.DataFrame, zone: str, name: str) -> float:
    """Return the densest planting of the zone with experience behind it, hairs/cm2."""
    own = rows.loc[rows["group"].eq(zone)].drop_duplicates("placement_id")["planted"]
    if own.empty:
        raise ParameterError(
            f"planning.drafts: draft {name} plants the {zone}, which this practice has not followed; "
            "leave it out"
        )
    return float(np.percentile(own, EXPERIENCE_CENTILE))


@dataclass(frozen=True, slots=True)
class _Before:
    """What stands in a zone before the draft: density, area counted, hairs planted earlier, native share."""

    density: float
    area_cm2: float
    planted_before: float
    native_share: float
    month: float


def _before(visits: pd.DataFrame, patient_id: str, zone: str) -> _Before:
    own = visits[visits["patient_id"].eq(patient_id) & visits["zone"].eq(zone) & visits["density"].notna()]
    if own.empty:
        return _Before(np.nan, 1.0, 0.0, 1.0, np.nan)
    last = own.loc[own["register_month"].fillna(own["patient_month"] + own["month"]).idxmax()]
    placed = own.drop_duplicates("placement_id")["planted_hairs_cm2"].fillna(0.0).sum()
    density = float(last["density"])
    native = float(last["native_density"]) if np.isfinite(last["native_density"]) else density
    share = float(np.clip(native / density, 0.0, 1.0)) if density > 0 else 1.0
    return _Before(density, float(last["counted_area_cm2"]), float(placed), share, float(last["month"]))


def _as_rows(
    plan: Draft, planted: dict[str, float], before: dict[str, _Before], own: pd.DataFrame, fit: Emergence
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the patient's readings with the draft's baselines added, and what to predict."""
    mixes = {f"mix_{i}": 0.0 for i in range(len(fit.mix))}
    if len(own):
        mixes = {m: float(own[m].iloc[-1]) for m in mixes}
    targets = pd.DataFrame(
        [
            {
                "placement_id": f"draft {plan.name} {z.zone}",
                "region_id": z.zone,
                "group": z.zone,
                "zone": z.zone,
                "planted": planted[z.zone],
                "planted_source": "zone",
                "is_later": before[z.zone].planted_before > 0,
                "planted_before": before[z.zone].planted_before,
                "native_share": before[z.zone].native_share,
                "counted_area_cm2": before[z.zone].area_cm2,
                "both_marked": True,
                "density": before[z.zone].density,
                **mixes,
            }
            for z in plan.zones
        ]
    )
    baselines = targets[targets["density"].notna()].assign(
        is_baseline=True, month=0.0, kept=1.0, shed=0.0, reader_changed=False
    )
    filled = [rows for rows in (own, baselines) if len(rows)]
    seen = pd.concat(filled, ignore_index=True) if filled else baselines
    return seen, targets.drop(columns=["density", "counted_area_cm2", "both_marked"])


def _zone_lines(
    plan: Draft, planted: dict[str, float], before: dict[str, _Before], path: pd.DataFrame, level: float
) -> list[dict]:
    """Return density now, planted and predicted, of each zone of a draft."""
    lines = []
    for zone in plan.zones:
        own: dict[str, Any] = {"by": {"draft": plan.name, "zone": zone.zone}, "level": level, "n_patients": 1}
        now = before[zone.zone].density
        why = "" if np.isfinite(now) else "not counted in this patient"
        is_dense = zone.grafts / zone.area_cm2 > DENSE_PACKING_FU_CM2
        dense = f"beyond dense packing as published (over {DENSE_PACKING_FU_CM2} FU/cm2)" if is_dense else ""
        lines += [
            line("density now", now, "hairs/cm2", **own, flag=why),
            line("planted density", planted[zone.zone], "hairs/cm2", **own, flag=dense),
        ]
        for _, row in path[path["zone"].eq(zone.zone)].iterrows():
            term, se = f"density at month {row['month']:g}", float(np.sqrt(row["density_var"]))
            ends = tuple(row[f"{side}_{100 * level:g}"] for side in ("low", "high"))
            flag = why and "native density is the practice's mean"
            ahead: dict[str, Any] = {"x": row["month"], "se": se, "ci": ends, "flag": flag}
            lines.append(line(term, row["density"], "hairs/cm2", **ahead, **own))
    return lines


def _donor_lines(plan: Draft, left: float, loss: float, level: float) -> list[dict]:
    """Return what a draft plants, what it takes out for that, and what it leaves; FU are counted grafts."""
    own: dict[str, Any] = {"by": {"draft": plan.name, "zone": "donor"}, "level": level, "n_patients": 1}
    out = plan.grafts / (1 - loss)
    after = left - out
    flag = "more than the safe share leaves" if after < 0 else ""
    flag = flag if np.isfinite(after) else "donor not measured"
    return [
        line("grafts planted", float(plan.grafts), "FU", basis="count", **own, flag=""),
        line("grafts out, with discards at the practice's rate", out, "FU", basis="counts", **own, flag=""),
        line(DONOR_LEFT, after, "FU", **own, flag=flag),
    ]
