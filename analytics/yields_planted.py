"""How many hairs were planted per cm2 where the counting is done?

Counted in the region of interest after planting where the clinic did so (CV 0.06), else the zone's average,
hairs over area, whose error about the region is CV 0.2 (both common practice, no source). Where a clinic has
both for enough placements, the error of the zone average is re-estimated from their ratio, and so is the
ratio itself. `planted_ratio` is the mean of region over zone; means divide by it, single rows do not. Its
standard error is one and the same error in every such row.

Where the clinic cannot tell, the ratio is 1 and its standard error CV^2, 0.04. If regions spread about a
right average, or the traced area errs (it multiplies yield), the mean is not moved: the ratio is 1. If the
hairs of the zone err (they divide yield), it is E(1 / error) = 1 + CV^2, and yield from the average reads 4 %
too high. Nothing in such a register tells these apart, so the number is left as it is and the whole
difference stands in the interval.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.records import Records

REGION_CV = 0.06
ZONE_CV = 0.2
MIN_BOTH = 20
ZONE_CV_FLOOR = 0.02


@dataclass(frozen=True, slots=True)
class PlantedError:
    """Error of planted densities: CV in region and of zone average, mean of region over zone with its SE."""

    region_cv: float = REGION_CV
    zone_cv: float = ZONE_CV
    zone_ratio: float = 1.0
    n_both: int = 0
    source: str = "common practice, no source"
    zone_ratio_se: float = ZONE_CV**2


def planted_error(records: Records) -> PlantedError:
    """Estimate the error of zone averages from the placements that were also counted in the region.

    The log ratio of region to zone varies by both errors; the region's own is taken out. Fewer than MIN_BOTH
    such placements: the defaults.
    """
    both = records.placements[["roi_planted_hairs_cm2", "hairs", "area_cm2"]].dropna()
    both = both[(both > 0).all(axis=1)]
    if len(both) < MIN_BOTH:
        return PlantedError(n_both=len(both))
    ratio = (both["roi_planted_hairs_cm2"] * both["area_cm2"] / both["hairs"]).to_numpy(dtype=float)
    spread = float(np.var(np.log(ratio), ddof=1)) - REGION_CV**2
    zone_cv = max(float(np.sqrt(max(spread, 0.0))), ZONE_CV_FLOOR)
    return PlantedError(
        REGION_CV,
        zone_cv,
        float(ratio.mean()),
        len(both),
        f"the clinic's own {len(both)} double counts",
        float(ratio.std(ddof=1) / np.sqrt(len(ratio))),
    )


def planted_density(rows: pd.DataFrame, error: PlantedError, *, choice: str = "best") -> pd.DataFrame:
    """Add planted density with its error and source to rows that carry their placement's columns.

    Parameters
    ----------
    rows
        Columns `roi_planted_hairs_cm2`, `hairs`, `area_cm2`.
    choice
        `best` (region where counted, else zone), `region` (region or nothing), `zone` (always the average).
    """
    region = rows["roi_planted_hairs_cm2"].to_numpy(dtype=float)
    zone = (rows["hairs"] / rows["area_cm2"]).to_numpy(dtype=float)
    in_region = np.isfinite(region) & (region > 0) & (choice != "zone")
    value = np.where(in_region, region, np.nan if choice == "region" else zone)
    value = np.where(value > 0, value, np.nan)
    cv = np.where(in_region, error.region_cv, error.zone_cv)
    return rows.assign(
        planted_hairs_cm2=value,
        planted_cv=cv,
        planted_se=cv * value,
        planted_source=np.where(in_region, "region", "zone"),
        planted_ratio=np.where(in_region, 1.0, error.zone_ratio),
        planted_ratio_se=np.where(in_region, 0.0, error.zone_ratio_se),
    )
