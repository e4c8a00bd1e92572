"""What was planned, what was planted, and what has grown?

A draft that was chosen is kept with its case (in the clinic's state folder, not in the records): grafts, area
and hairs by zone, and what it was expected to give at maturity. It belongs to the patient's next session
after it was kept; the last draft kept before that session counts. Set beside it: the grafts, area and density
that the session planted, and the first count at the zone's maturity or later (from one month before).

Over the practice: planted less planned, and how often counts lay within the 95 % limits of the plan.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from analytics import dictionary, followup, yields
from analytics import records as door
from analytics.numerics.proportions import mean, ratio_of_totals
from analytics.planning.drafts import drafts, with_hairs
from analytics.planning.outlook import outlook
from analytics.planning.texts import Aim, Draft
from analytics.records import Records
from analytics.regrowth import PlateauDistribution
from analytics.results import LEVEL, OF_ONE, Result, line

LOG = "plans"
Entry = dict[str, Any]
# Of a session that has not been done.
UNKNOWN = (
    "grafts_planted", "area_planted", "planted", "in_region", "counted", "counted_month", "yield_pct",
    "why_not",
)  # fmt: skip


def entry(
    records: Records,
    patient_id: str,
    plan: Draft,
    *,
    plateaus: PlateauDistribution,
    aims: Sequence[Aim] = (),
    session_month: float = 0.0,
) -> Entry:
    """Return a chosen draft as it is kept: plain values, with what it is expected to give.

    Parameters
    ----------
    plan
        The draft chosen, of `read_drafts`.
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    aims
        Densities aimed at, of `read_aims`.
    session_month
        Register month of the session; 0 for the newest month in the records.

    Returns
    -------
    dict
        Plain values, ready for JSON: patient, sessions before, month, and by zone grafts, area, hairs a
        graft, expected density with limits.

    Raises
    ------
    ParameterError
        When the patient is unknown.

    Examples
    --------
    As `regrowth keep` writes it; `against_plan` reads it.
    """
    door.patient(records, patient_id)
    zones = tuple(z.zone for z in plan.zones)
    ahead = outlook(records, patient_id, zones, plateaus=plateaus, session_month=session_month)
    asked: dict[str, Any] = {"plateaus": plateaus, "aims": aims, "session_month": session_month}
    table = drafts(records, patient_id, [plan], **asked).table().set_index(["zone", "term"])
    kept = []
    for zone in plan.zones:
        month = float(dictionary.MATURITY_MONTH[zone.zone])
        row = table.loc[(zone.zone, f"density at month {month:g}")]
        hairs = float(with_hairs(zone, ahead.zones[zone.zone]).hairs_per_graft or np.nan)
        kept.append(
            {
                "zone": zone.zone, "grafts": zone.grafts, "area_cm2": zone.area_cm2, "hairs_per_graft": hairs,
                "month": month,
                **{k: float(row[k]) if pd.notna(row[k]) else None for k in ("estimate", "ci_low", "ci_high")},
            }
        )  # fmt: skip
    before = int(records.sessions["patient_id"].eq(patient_id).sum())
    return {
        "patient": patient_id,
        "sessions_before": before,
        "session_month": ahead.session_month,
        "zones": kept,
    }


def against_plan(records: Records, patient_id: str, kept: Iterable[Entry], *, level: float = LEVEL) -> Result:
    """Return planned, planted and grown of one patient's sessions for which a draft was kept.

    Parameters
    ----------
    kept
        Entries of the log, oldest first.

    Returns
    -------
    Result
        By session (its number) and zone: `grafts planned`, `grafts planted`, `area planned`, `area planted`,
        `density planned`, `density planted`, `density planted in the region`, `density expected` with limits,
        `density counted` with its month, `yield`. One row that says so where no draft was
        kept.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> against_plan(clinic, clinic.patients["patient_id"].iloc[0], []).table()["flag"].iloc[0]
    'No draft was kept for this patient: choose one and keep it with regrowth keep.'
    """
    own = _chosen(entry for entry in kept if entry["patient"] == patient_id)
    if not own:
        why = "No draft was kept for this patient: choose one and keep it with regrowth keep."
        return _told(why, {"session": "none", "zone": "all"})
    rows = pd.concat([_case(records, one) for one in own], ignore_index=True)
    lines = [made for _, row in rows.iterrows() for made in _lines(row, level)]
    method = (
        "the draft kept before the session beside what the session planted (grafts, hairs over area) and the "
        "first count at maturity or later; limits as they were predicted"
    )
    return Result(pd.DataFrame(lines), rows.assign(reason=""), method, by=("session", "zone"))


def over_the_practice(records: Records, kept: Iterable[Entry], *, level: float = LEVEL) -> Result:
    """Return how far what was planted departs from what was planned, and how often the limits held.

    Parameters
    ----------
    kept
        Entries of the log, oldest first.

    Returns
    -------
    Result
        By zone (`all zones` first): `grafts planted less planned`, `density planted over planned`, `counts
        within the limits`. One row that says so where no kept draft has been operated on.

    Examples
    --------
    >>> from analytics import simulate
    >>> over_the_practice(simulate.as_records(simulate.register(40)[0]), []).table()["flag"].iloc[0]
    'No kept draft has been operated on yet: nothing to set beside the plans.'
    """
    cases = [_case(records, one) for one in _chosen(kept)]
    rows = pd.concat(cases, ignore_index=True) if cases else pd.DataFrame(columns=["grafts_planted"])
    rows = rows[rows["grafts_planted"].notna()]
    if rows.empty:
        why = "No kept draft has been operated on yet: nothing to set beside the plans."
        return _told(why, {"zone": "all"})
    parts = [("all zones", rows), *((str(zone), own) for zone, own in rows.groupby("zone", sort=False))]
    lines = [made for zone, own in parts for made in _practice_lines(zone, own, level)]
    method = (
        "means over planted zones with the patient as unit, t interval; share of first counts at maturity or "
        "later within the limits that were predicted"
    )
    return Result(pd.DataFrame(lines), rows.assign(reason=""), method, by=("zone",))


def _chosen(kept: Iterable[Entry]) -> list[Entry]:
    """Return the last entry before each session of each patient."""
    last: dict[tuple[str, int], Entry] = {}
    for one in kept:
        last[one["patient"], one["sessions_before"]] = one
    return list(last.values())


def _case(records: Records, one: Entry) -> pd.DataFrame:
    """Return one row a zone planned or planted of the session that a kept draft belongs to."""
    own = records.sessions[records.sessions["patient_id"].eq(one["patient"])]
    own = own.sort_values("register_month")
    planned = pd.DataFrame(one["zones"]).assign(
        planned=lambda z: z["grafts"] * z["hairs_per_graft"] / z["area_cm2"]
    )
    planned = planned.rename(columns={"grafts": "grafts_planned", "area_cm2": "area_planned"})
    done = own.iloc[one["sessions_before"] : one["sessions_before"] + 1]
    named = {"patient_id": one["patient"], "session": one["sessions_before"] + 1}
    if done.empty:
        return planned.assign(**named, **dict.fromkeys(UNKNOWN, np.nan))
    session = str(done["session_id"].iloc[0])
    placed = records.placements[records.placements["session_id"].eq(session)]
    by_zone = placed.groupby("zone").agg(
        grafts_planted=("grafts", "sum"), hairs=("hairs", "sum"), area_planted=("area_cm2", "sum"),
        in_region=("roi_planted_hairs_cm2", "mean"),
    )  # fmt: skip
    by_zone["planted"] = by_zone["hairs"].astype(float) / by_zone["area_planted"].astype(float)
    rows = planned.merge(by_zone.reset_index(), on="zone", how="outer", validate="one_to_one")
    rows = rows.assign(**named, grafts_planted=rows["grafts_planted"].astype(float).fillna(0.0))
    return rows.merge(_grown(records, session), on="zone", how="left", validate="one_to_one")


def _grown(records: Records, session: str) -> pd.DataFrame:
    """Return the first usable count of each zone at maturity or later: zone, counted, its month, yield.

    Of a zone whose ripe counts all are of no use, `why_not` alone.
    """
    visits = yields.with_reason(yields.by_visit(records), "headline")
    own = visits[visits["session_id"].eq(session) & visits["reads_as"].eq("own session")]
    ripe = own["month"] >= own["zone"].map(dictionary.MATURITY_MONTH).astype(float) - followup.OPENS_EARLY
    own = own[ripe & own["density"].notna()].sort_values(["for_headline", "month"], ascending=[False, True])
    first = own.drop_duplicates("zone").rename(columns={"density": "counted", "month": "counted_month"})
    read = ["counted", "counted_month", "yield_pct"]
    first[read] = first[read].where(first["for_headline"])
    return first.assign(why_not=first["reason"])[["zone", *read, "why_not"]]


def _lines(row: pd.Series, level: float) -> list[dict[str, Any]]:
    own: dict[str, Any] = {"by": {"session": str(row["session"]), "zone": row["zone"]}, **OF_ONE}
    waits = "not operated on yet" if pd.isna(row["grafts_planted"]) else "not planted"
    not_planned = "not planned"
    uncounted = waits if pd.isna(row["grafts_planted"]) else "not counted at maturity yet"
    uncounted = f"counted, not usable: {row['why_not']}" if pd.notna(row["why_not"]) else uncounted

    def one(term: str, name: str, unit: str, why: str, **more: Any) -> dict[str, Any]:
        value = float(row[name]) if pd.notna(row[name]) else np.nan
        return line(term, value, unit, flag="" if np.isfinite(value) else why, **own, **more)

    ends = tuple(float(row[k]) if pd.notna(row[k]) else np.nan for k in ("ci_low", "ci_high"))
    expected = one(
        "density expected", "estimate", "hairs/cm2", not_planned, ci=ends, level=level, x=row["month"]
    )
    counted = one("density counted", "counted", "hairs/cm2", uncounted, x=row["counted_month"])
    if pd.notna(row["counted"]) and np.isfinite(ends[0]):
        inside = ends[0] <= row["counted"] <= ends[1]
        counted["flag"] = "within the limits expected" if inside else "outside the limits expected"
    return [
        one("grafts planned", "grafts_planned", "FU", not_planned, basis="count"),
        one("grafts planted", "grafts_planted", "FU", waits, basis="count"),
        one("area planned", "area_planned", "cm2", not_planned),
        one("area planted", "area_planted", "cm2", waits),
        one("density planned", "planned", "hairs/cm2", not_planned),
        one("density planted", "planted", "hairs/cm2", waits),
        one("density planted in the region", "in_region", "hairs/cm2", "not counted in the region"),
        expected,
        counted,
        one("yield", "yield_pct", "%", uncounted, x=row["counted_month"]),
    ]


def _practice_lines(zone: str, rows: pd.DataFrame, level: float) -> list[dict[str, Any]]:
    own: dict[str, Any] = {"by": {"zone": zone}, "level": level}
    both = rows.dropna(subset=["grafts_planned", "grafts_planted"])
    lines = []
    for term, value, unit in (
        ("grafts planted less planned", both["grafts_planted"] - both["grafts_planned"], "FU"),
        ("density planted over planned", 100 * both["planted"] / both["planned"], "% of planned"),
    ):
        known = value.astype(float).dropna()
        by_patient = known.groupby(both.loc[known.index, "patient_id"]).mean()
        made, n = mean(by_patient, level=level), len(by_patient)
        more: dict[str, Any] = {"ci": (made.low, made.high), "n_patients": n, "n_rows": len(known)}
        lines.append(line(term, made.estimate, unit, basis="model", **more, **own))
    ripe = rows.dropna(subset=["counted", "ci_low"])
    inside = ripe["counted"].between(ripe["ci_low"].astype(float), ripe["ci_high"].astype(float))
    if len(ripe):
        made = ratio_of_totals(
            (~inside).astype(float), np.ones(len(ripe)), clusters=ripe["patient_id"], level=level
        )
        share: dict[str, Any] = {"basis": "share", "numerator": int(inside.sum()), "denominator": len(ripe)}
        ends = (100 * (1 - made.high), 100 * (1 - made.low))
        share |= {"n_patients": int(ripe["patient_id"].nunique())}
        lines.append(
            line("counts within the limits", 100 * inside.mean(), "%", ci=ends, flag="", **share, **own)
        )
    return lines


def _told(why: str, by: dict[str, str]) -> Result:
    """Return one row without a number, whose flag says why there is none."""
    row = line("grafts planned", np.nan, "FU", by=by, flag=why)
    used = pd.DataFrame({"patient_id": pd.Series(dtype=str), "reason": pd.Series(dtype=str)})
    return Result(pd.DataFrame([row]), used, "no kept draft to compare with", by=tuple(by))
