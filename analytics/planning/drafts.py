"""What drafts say in words: side by side in one table, and which of them spend more than is left.

What density would a draft split of grafts be expected to give, zone by zone, at 12 and 18 months?

A draft names grafts and area by zone, e.g. `frontal 1200 on 45, crown 1800 on 90 at 2.1` (grafts, area in
cm2, hairs per graft; where those are not given, the practice's own mean of the zone). Planted density is
hairs over area. The prediction is the emergence model's, conditional on all of this patient's own readings
(`regrowth.forecast`), with prediction limits that hold parameter, between-patient, within-patient and
counting error (one marked field of 1 cm2). Native density in a zone is the patient's latest count there,
else the practice's mean, and goes on thinning at the fit's assumed rate; hair planted before does not thin.
A draft denser than this practice has planted and followed is refused: there is no experience to predict from.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import dictionary, regrowth, yields
from analytics.errors import ParameterError
from analytics.planning.allocate import Target, allocate
from analytics.planning.ledger import SAFE_SHARE, ledger
from analytics.records import Records
from analytics.regrowth import Emergence, PlateauDistribution
from analytics.results import LEVEL, Result

MONTHS = (12.0, 18.0)
MAX_DRAFTS = 4
DONOR_LEFT = "donor left under the safe share"
# Density past which a draft has no experience behind it: this centile of the planted densities followed in
# the zone.
EXPERIENCE_CENTILE = 99.0
_NUMBER = r"(\d+(?:\.\d+)?)"
_AIM = re.compile(rf"^\s*(\w+)\s+{_NUMBER}\s+to\s+{_NUMBER}(?:\s+priority\s+{_NUMBER})?\s*$")
_ZONE = re.compile(
    rf"^\s*(\w+)\s+(\d+)(?:\s+(?:grafts|FU))?\s+on\s+{_NUMBER}(?:\s*cm2)?(?:\s+at\s+{_NUMBER})?\s*$"
)
_HAIRS = re.compile(r"\d\s*hairs?\b")


@dataclass(frozen=True, slots=True)
class ZoneDraft:
    """Grafts for one zone: how many, on what area, with how many hairs each (None: the practice's mean)."""

    zone: str
    grafts: int
    area_cm2: float
    hairs_per_graft: float | None = None


@dataclass(frozen=True, slots=True)
class Draft:
    """A named split of grafts over zones."""

    name: str
    zones: tuple[ZoneDraft, ...]

    @property
    def grafts(self) -> int:
        """Return all grafts of the draft."""
        return sum(z.grafts for z in self.zones)


def read_drafts(texts: Sequence[str]) -> tuple[Draft, ...]:
    """Return drafts from lines such as `frontal 1200 on 45, crown 1800 on 90 at 2.1`; skip empty lines.

    Raises
    ------
    ParameterError
        When a line cannot be read, a zone is unknown or named twice, or a number is out of range.

    Examples
    --------
    >>> read_drafts(["frontal 800 on 40, crown 2200 on 90 at 2.1"])[0].grafts
    3000
    """
    written = [text for text in texts if text.strip()]
    if not written:
        raise ParameterError(
            "planning.read_drafts: none given; write one as: frontal 800 on 40, crown 2200 on 90"
        )
    if len(written) > MAX_DRAFTS:
        raise ParameterError(
            f"planning.read_drafts: {len(written)} drafts; compare up to {MAX_DRAFTS} at a time"
        )
    return tuple(_draft(chr(ord("A") + i), text) for i, text in enumerate(written))


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
    tables = []
    for plan in plans:
        per_graft = {z.zone: z.hairs_per_graft or _hairs_per_graft(records, z.zone) for z in plan.zones}
        planted = {z.zone: z.grafts * per_graft[z.zone] / z.area_cm2 for z in plan.zones}
        _check_experience(rows, planted, plan.name)
        before = {z.zone: _before(visits, patient_id, z.zone) for z in plan.zones}
        seen, targets = _as_rows(plan, planted, before, own, fit)
        found = regrowth.forecast(plateaus, seen, list(MONTHS), targets=targets, marked=True, levels=(level,))
        tables.append(_table(plan, planted, before, found.path, level))
        tables.append(_donor_lines(plan, left, loss, level))
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
    table = pd.concat(tables, ignore_index=True)
    used = own.assign(reason="")
    return Result(
        table,
        used,
        method,
        by=("draft", "zone"),
        notes=notes,
        picture="drafts",
    )


def read_aims(text: str) -> tuple[tuple[str, float, float, float], ...]:
    """Return (zone, area in cm2, density aimed at, priority) from a line of aims.

    Raises
    ------
    ParameterError
        When the line cannot be read.

    Examples
    --------
    >>> read_aims("frontal 45 to 110 priority 2, crown 90 to 80")
    (('frontal', 45.0, 110.0, 2.0), ('crown', 90.0, 80.0, 1.0))
    """
    aims = []
    for part in text.split(","):
        found = _AIM.match(part)
        if not found or found[1].lower() not in dictionary.ZONES:
            raise ParameterError(
                "planning.read_aims: cannot be read; write each zone as: zone cm2 to hairs/cm2, for instance "
                "frontal 45 to 110 priority 2, crown 90 to 80"
            )
        aims.append((found[1].lower(), float(found[2]), float(found[3]), float(found[4] or 1)))
    return tuple(aims)


def split(
    records: Records, patient_id: str, total_grafts: int, aims: str, *, plateaus: PlateauDistribution
) -> Result:
    """Return the split of a total that falls least short of the densities aimed at (`allocate`)."""
    return allocate(total_grafts, targets_for(records, patient_id, read_aims(aims), plateaus=plateaus))


def targets_for(
    records: Records,
    patient_id: str,
    wanted: Sequence[tuple[str, float, float, float]],
    *,
    plateaus: PlateauDistribution,
) -> tuple[Target, ...]:
    """Return what `allocate` needs for one patient, from the practice's fit and this patient's readings.

    Parameters
    ----------
    wanted
        One (zone, area in cm2, density aimed at in hairs/cm2, priority) a zone.

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
    for zone, area, aim, priority in wanted:
        per_graft = _hairs_per_graft(records, zone)
        unit = Draft("target", (ZoneDraft(zone, 1, area, per_graft),))
        now = {zone: _before(visits, patient_id, zone)}
        seen, ahead = _as_rows(unit, {zone: 1.0}, now, own, fit)
        month = float(dictionary.MATURITY_MONTH[zone])
        found = regrowth.forecast(plateaus, seen, [month], targets=ahead, marked=True).path.iloc[0]
        native = max(float(found["density"]) - float(found["yield_pct"]) / 100, 0.0)
        targets.append(
            Target(
                zone,
                area,
                aim,
                native,
                per_graft,
                yield_pct=float(found["yield_pct"]),
                yield_sd=float(np.sqrt(found["yield_var"])),
                most_planted=_most_planted(rows, zone, "target"),
                priority=priority,
                # One graft is planted: what is not counting error is doubt about the native density.
                native_sd=float(np.sqrt(max(found["density_var"] - found["count_var"], 0.0))),
            )
        )
    return tuple(targets)


def _draft(name: str, text: str) -> Draft:
    plain = re.sub(r"(\d),(\d{3})\b", r"\1\2", text)
    zones = [_zone(part, name) for part in plain.split(",") if part.strip()]
    if len({z.zone for z in zones}) < len(zones):
        raise ParameterError(f"planning.read_drafts: draft {name} names a zone twice; name each zone once")
    return Draft(name, tuple(zones))


def _zone(part: str, name: str) -> ZoneDraft:
    found = _ZONE.match(part)
    if not found and _HAIRS.search(part):
        raise ParameterError(
            f"planning.read_drafts: draft {name} counts hairs; a draft counts grafts (follicular units): "
            "divide by the hairs per graft and name them after at, for instance crown 2200 on 90 at 2.1"
        )
    if not found:
        raise ParameterError(
            f"planning.read_drafts: draft {name} cannot be read; write each zone as: zone grafts on cm2 at "
            "hairs per graft (which may be left out), for instance crown 2200 on 90 at 2.1"
        )
    zone = found[1].lower()
    grafts, area = int(found[2]), float(found[3])
    per_graft = float(found[4]) if found[4] else None
    limits = (
        (zone in dictionary.ZONES, f"has an unknown zone; use one of {', '.join(dictionary.ZONES)}"),
        (1 <= grafts <= 8000, "has grafts out of range; expected 1 to 8000 a zone"),
        (0.5 <= area <= 300, "has an area out of range; expected 0.5 to 300 cm2"),
        (per_graft is None or 1 <= per_graft <= 4.5, "has hairs per graft out of range; expected 1 to 4.5"),
    )
    for holds, words in limits:
        if not holds:
            raise ParameterError(f"planning.read_drafts: draft {name} {words}")
    return ZoneDraft(zone, grafts, area, per_graft)


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


def _table(
    plan: Draft, planted: dict[str, float], before: dict[str, _Before], path: pd.DataFrame, level: float
) -> pd.DataFrame:
    tag = f"{100 * level:g}"
    lines = []
    for zone in plan.zones:
        now = before[zone.zone]
        common = {"draft": plan.name, "zone": zone.zone, "unit": "hairs/cm2", "level": level, "n_patients": 1}
        why = "" if np.isfinite(now.density) else "not counted in this patient"
        lines.append({**common, "term": "density now", "estimate": now.density, "flag": why})
        flag = (
            "beyond dense packing as published (over 45 FU/cm2)" if zone.grafts / zone.area_cm2 > 45 else ""
        )
        lines.append({**common, "term": "planted density", "estimate": planted[zone.zone], "flag": flag})
        for _, row in path[path["zone"].eq(zone.zone)].iterrows():
            lines.append(
                {
                    **common,
                    "term": f"density at month {row['month']:g}",
                    "x": row["month"],
                    "estimate": row["density"],
                    "se": float(np.sqrt(row["density_var"])),
                    "ci_low": row[f"low_{tag}"],
                    "ci_high": row[f"high_{tag}"],
                    "flag": why and "native density is the practice's mean",
                }
            )
    return pd.DataFrame(lines)


def _donor_lines(plan: Draft, left: float, loss: float, level: float) -> pd.DataFrame:
    out = plan.grafts / (1 - loss)
    after = left - out
    flag = (
        "more than the safe share leaves"
        if after < 0
        else ("donor not measured" if not np.isfinite(after) else "")
    )
    common = {"draft": plan.name, "zone": "donor", "level": level, "n_patients": 1, "unit": "FU"}
    return pd.DataFrame(
        [
            {**common, "term": "grafts planted", "estimate": float(plan.grafts), "flag": ""},
            {
                **common,
                "term": "grafts out, with discards at the practice's rate",
                "estimate": out,
                "flag": "",
            },
            {**common, "term": DONOR_LEFT, "estimate": after, "flag": flag},
        ]
    )


def side_by_side(result: Result) -> pd.DataFrame:
    """Return the table of `drafts` with one column a draft: a number, with its limits where it has them."""
    table = result.table()
    said = [_in_full(row) if np.isfinite(row.estimate) else row.flag for row in table.itertuples()]
    wide = table.assign(said=said, draft="draft " + table["draft"].astype(str))
    wide = wide.pivot_table(
        index=["zone", "term", "unit"], columns="draft", values="said", aggfunc="first", sort=False
    )
    return wide.fillna("not planted").reset_index()


def beyond(result: Result) -> pd.DataFrame:
    """Return the drafts that would spend more than the safe share leaves: draft, FU beyond it."""
    table = result.table()
    over = table[table["term"].eq(DONOR_LEFT) & (table["estimate"] < 0)]
    return pd.DataFrame({"draft": over["draft"], "fu_beyond": -over["estimate"]})


def in_words(over: pd.DataFrame) -> str:
    """Return one sentence on the drafts of `beyond`.

    Examples
    --------
    >>> in_words(pd.DataFrame({"draft": ["A", "B"], "fu_beyond": [618.0, 20.4]}))
    'Draft A would spend 618 FU, draft B 20 FU more than the safe share chosen leaves.'
    """
    parts = [
        f"draft {row.draft} {'' if i else 'would spend '}{row.fu_beyond:,.0f} FU"
        for i, row in enumerate(over.itertuples())
    ]
    said = ", ".join(parts)
    return f"{said[:1].upper()}{said[1:]} more than the safe share chosen leaves."


def _in_full(row) -> str:
    limits = f" ({row.ci_low:,.0f} to {row.ci_high:,.0f})" if np.isfinite(row.ci_low) else ""
    return f"{row.estimate:,.0f}{limits}".replace("-", "−")
