"""Is a register plausible as a whole?

Each cell may be in its range while all of them are wrong together: counts per mm2 in one zone, follicular
units
counted as hairs, sizes of grafts in each other's columns. Here means over the register are held against
what is
published. A sentence says what was found, the range with its source, and what it may be because of; nothing
stops, because a practice may be unlike those that published.

Ranges
------
Mean yield of a zone, mature readings: 60 to 110 %. Published means are 72.5 to 98 % (Mayer, Keene &
Perez-Meza
2005 at 20 to 50 FU/cm2; pooled 85 %, 79 to 91, Stoneburner et al. 2020); the margin is assumed.
Hairs per graft, whole register: 1.6 to 2.7. Published 1.8 to 2.0 in Asian and 2.2 to 2.7 in other patients
(Bernstein & Wolfeld 2016, Dermatol Surg 42:710-14; Guo et al. 2017, Plast Aesthet Res 4:150-4); lower
margin assumed.
Grafts of four hairs: at most 15 % of all. Published 1.3 to 5 % (Guo et al. 2017, table 3); margin assumed.
Hairs per follicular unit where both are counted: 1.5 to 2.7 (published 1.8 to 2.3, same and Dermatol Surg
2017;43(5)).
Planted density, mean of a zone: 15 to 60 grafts/cm2 (published, see the dictionary).
Months of counts: planned visits are at months 3, 6, 9, 12, 15, 18, 24 and yearly after (common practice,
no source).
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analytics.dictionary import ZONES
from analytics.records import Records
from analytics.yields import by_visit

YIELD_PCT = (60.0, 110.0)
HAIRS_PER_GRAFT = (1.6, 2.7)
MOST_FOURS_PCT = 15.0
HAIRS_PER_FU = (1.5, 2.7)
GRAFTS_CM2 = (15.0, 60.0)
PLANNED_MONTHS = (1, 3, 6, 9, 12, 15, 18, 24, 36, 48, 60)
NEAR_PLANNED, FEWEST_NEAR_PCT = 1.0, 75.0  # assumed: months spread evenly would give 67 %
FEWEST_PATIENTS = 5  # a mean over fewer says little, and may be one person's


def implausible(records: Records) -> list[str]:
    """Return a sentence for each mean of a register that lies outside what is published; none where all fit.

    >>> said("placements", "hairs per graft", 2.95, 30, (1.6, 2.7), "published", "swapped")
    'placements: hairs per graft are 2.95 on average over 30; published 1.6 to 2.7; may be because swapped'
    """
    return [
        *_yields(records),
        *_sizes(records.placements),
        *_planted(records.placements),
        *_units(records.measurements),
        *_months(records.measurements),
    ]


def said(
    where: str, what: str, mean: float, n: int, limits: tuple[float, float], basis: str, because: str
) -> str:
    """Return the sentence of one mean outside its limits."""
    return (
        f"{where}: {what} are {mean:.3g} on average over {n}; {basis} {limits[0]:g} to {limits[1]:g}; "
        f"may be because {because}"
    )


def _outside(mean: float, limits: tuple[float, float]) -> bool:
    return bool(mean < limits[0] or mean > limits[1])


def _yields(records: Records) -> Iterator[str]:
    """Yield what is odd about the mean yield of each zone."""
    rows = by_visit(records)
    rows = rows[rows["is_mature"] & rows["yield_pct"].notna() & rows["for_headline"]]
    for zone, found in rows.groupby("zone", sort=True, observed=True):
        mean = float(found["yield_pct"].mean())
        if found["patient_id"].nunique() >= FEWEST_PATIENTS and _outside(mean, YIELD_PCT):
            because = _why_low(mean) if mean < YIELD_PCT[0] else _WHY_HIGH
            yield said(
                "measurements",
                f"mature yields of the zone {zone} (percent)",
                mean,
                len(found),
                YIELD_PCT,
                "published, with a margin,",
                because,
            )


_WHY_HIGH = (
    "the area is too large or in another unit, grafts or hairs planted are too few, sizes of grafts stand in "
    "each other's columns, or native hair grew under therapy"
)


def _why_low(mean: float) -> str:
    """Return what a low mean yield may come from."""
    if mean < 5:
        return "counts of this zone are per mm2, or a column that is no count was taken for one"
    return (
        "follicular units were counted and not hairs, sizes of grafts stand in each other's columns, "
        "the area is "
        "too small, or a column that is no count was taken for one"
    )


def _sizes(placements: pd.DataFrame) -> Iterator[str]:
    """Yield what is odd about hairs per graft, and about the sizes of grafts."""
    known = placements[placements["hairs"].notna() & placements["grafts"].gt(0)]
    if len(known) < FEWEST_PATIENTS:
        return
    mean = float(known["hairs"].sum() / known["grafts"].sum())
    if _outside(mean, HAIRS_PER_GRAFT):
        because = "sizes stand in each other's columns, hairs and grafts are mixed up, or a size is missing"
        yield said("placements", "hairs per graft", mean, len(known), HAIRS_PER_GRAFT, "published", because)
    sizes = placements[[f"grafts_{n}" for n in (1, 2, 3, 4)]].dropna()
    if len(sizes) < FEWEST_PATIENTS or not sizes.to_numpy().sum():
        return
    share = 100 * float(sizes["grafts_4"].sum() / sizes.to_numpy().sum())
    if share > MOST_FOURS_PCT:
        yield (
            f"placements: {share:.3g} % of grafts have four hairs, over {len(sizes)} placements; "
            f"published 1.3 to 5, "
            f"{MOST_FOURS_PCT:g} with a margin; may be because sizes of grafts stand in each other's columns"
        )


def _planted(placements: pd.DataFrame) -> Iterator[str]:
    """Yield what is odd about the planted density of each zone."""
    density = placements["grafts"] / placements["area_cm2"]
    for zone in ZONES:
        here = density[placements["zone"].eq(zone) & np.isfinite(density)]
        if len(here) >= FEWEST_PATIENTS and _outside(float(here.mean()), GRAFTS_CM2):
            because = "areas are in another unit or of another zone, or grafts of other zones are among them"
            yield said(
                "placements",
                f"grafts per cm2 of the zone {zone}",
                float(here.mean()),
                len(here),
                GRAFTS_CM2,
                "published",
                because,
            )


def _units(measurements: pd.DataFrame) -> Iterator[str]:
    """Yield what is odd about hairs per follicular unit where both were counted."""
    both = measurements[measurements["density_fu_cm2"].gt(0) & measurements["density_hairs_cm2"].notna()]
    if both["patient_id"].nunique() < FEWEST_PATIENTS:
        return
    mean = float(both["density_hairs_cm2"].sum() / both["density_fu_cm2"].sum())
    if _outside(mean, HAIRS_PER_FU):
        because = "the two columns are mixed up, or one of them is in another unit"
        yield said(
            "measurements", "hairs per follicular unit", mean, len(both), HAIRS_PER_FU, "published", because
        )


def _months(measurements: pd.DataFrame) -> Iterator[str]:
    """Yield what is odd about the months of counts against planned visits."""
    after = measurements[measurements["month"].gt(0.5) & measurements["region_kind"].eq("planted")]
    if after["patient_id"].nunique() < FEWEST_PATIENTS:
        return
    away = np.abs(after["month"].to_numpy()[:, None] - np.array(PLANNED_MONTHS)).min(axis=1)
    near = 100 * float((away <= NEAR_PLANNED).mean())
    if near < FEWEST_NEAR_PCT:
        yield (
            f"measurements: {near:.3g} % of {len(after)} counts lie within a month of a usual visit "
            f"(months 3, 6, 9, "
            f"12, 15, 18, 24, then yearly; common practice), fewer than {FEWEST_NEAR_PCT:g}; may be "
            f"because dates "
            "have day and month turned round or a wrong year, counts are timed from another operation, "
            "or the "
            "practice sees patients at other months"
        )
