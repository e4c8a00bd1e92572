"""How much hair is there, in mm2 of shaft per cm2 of skin, and did it change?

Hair cross-section is density x pi/4 x calibre^2, in mm2 of hair per cm2 of skin. Calibres of different
methods are never mixed: on the same hairs two methods gave 77 and 109 micrometres, a factor of 2 in
cross-section (Arch Aesthetic Plast Surg, caliper against phototrichogram, 10 women).
"""

import numpy as np
import pandas as pd
from scipy import stats

from analytics.errors import FitError
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.yields.means import FEW, MIN_PATIENTS


def cross_section(density, calibre_um) -> np.ndarray:
    """Return hair cross-section in mm2 of hair per cm2 of skin: density x pi/4 x calibre^2.

    Parameters
    ----------
    density
        Hairs/cm2, (n,).
    calibre_um
        Shaft diameter in micrometres, (n,).

    Examples
    --------
    >>> round(float(cross_section(180.0, 70.0)), 2)
    0.69
    """
    return np.asarray(density, dtype=float) * np.pi / 4 * (np.asarray(calibre_um, dtype=float) / 1000) ** 2


def hair_mass(records: Records, *, level: float = LEVEL) -> Result:
    """Return the mean change of hair cross-section, baseline to last mature count, by zone and method.

    Pairs of counts measured by different calibre methods are left out with that reason. Where the donor zone
    was measured by the same method on the same day, the ratio of recipient to donor calibre is in
    `extra["relative_to_donor"]`.
    """
    counts = records.measurements
    counts = counts[counts["hair_calibre_um"].notna() & counts["calibre_method"].notna()]
    mass = counts.assign(mass=cross_section(counts["density_hairs_cm2"], counts["hair_calibre_um"]))
    key = ["patient_id", "session_id", "zone", "region_id"]
    planted = mass[mass["region_kind"].eq("planted")]
    before = planted[planted["month"].le(0)].sort_values("month").drop_duplicates(key, keep="last")
    after = planted[planted["month"].ge(11)].sort_values("month").drop_duplicates(key, keep="last")
    pairs = before.merge(after, on=key, suffixes=("_before", "_after"), validate="1:1")
    if pairs.empty:
        raise FitError(
            "yields.hair_mass: no region has calibre and density before the session and at month 11 or later"
        )
    same = pairs["calibre_method_before"].eq(pairs["calibre_method_after"])
    pairs["reason"] = np.where(
        same, "", "calibre measured by another method than at the baseline: never mixed"
    )
    if not same.any():
        raise FitError(
            "yields.hair_mass: calibre was measured by another method before than after in every region, and "
            "methods are never mixed; measure both by one"
        )
    table = _mass_table(pairs[same], level)
    method = (
        f"change of hair cross-section, mm2 per cm2, mean over patients, t limits, {100 * level:g} %; "
        "one calibre method a pair"
    )
    extra = {"relative_to_donor": _relative_to_donor(mass)}
    return Result(table, pairs, method, by=("zone", "calibre_method"), extra=extra)


def _mass_table(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    rows = []
    for (zone, method), group in pairs.groupby(["zone", "calibre_method_before"]):
        change = (group["mass_after"] - group["mass_before"]).groupby(group["patient_id"]).mean().to_numpy()
        n = len(change)
        se = float(change.std(ddof=1) / np.sqrt(n)) if n > 1 else np.nan
        half = float(stats.t.ppf((1 + level) / 2, n - 1) * se) if n > 1 else np.nan
        mean = float(change.mean())
        rows.append(
            {
                "zone": zone,
                "calibre_method": method,
                "term": "change of hair cross-section",
                "estimate": mean,
                "se": se,
                "ci_low": mean - half,
                "ci_high": mean + half,
                "level": level,
                "unit": "mm2/cm2",
                "n_patients": n,
                "n_rows": len(group),
                "flag": FEW if n < MIN_PATIENTS else "",
            }
        )
    return pd.DataFrame(rows)


def _relative_to_donor(mass: pd.DataFrame) -> pd.DataFrame:
    day = ["patient_id", "session_id", "month", "calibre_method"]
    donor = mass[mass["zone"].eq("donor")].groupby(day, as_index=False)["hair_calibre_um"].mean()
    both = mass[mass["region_kind"].eq("planted")].merge(
        donor, on=day, suffixes=("", "_donor"), validate="many_to_one"
    )
    ratio = both["hair_calibre_um"] / both["hair_calibre_um_donor"]
    return both.assign(calibre_ratio=ratio)[[*day, "zone", "region_id", "calibre_ratio"]]
