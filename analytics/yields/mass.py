"""How much hair is there, in mm2 of shaft per cm2 of skin, and did it change?

Hair cross-section is density x pi/4 x calibre^2, in mm2 of hair per cm2 of skin. Calibres of different
methods are never mixed: on the same hairs two methods gave 77 and 109 micrometres, a factor of 2 in
cross-section (Arch Aesthetic Plast Surg, caliper against phototrichogram, 10 women).
"""

import numpy as np
import pandas as pd

from analytics.errors import FitError
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line


def cross_section(density, calibre_um) -> np.ndarray:
    """Return hair cross-section in mm2 of hair per cm2 of skin: density x pi/4 x calibre^2.

    Parameters
    ----------
    density
        Hairs/cm2, (n,).
    calibre_um
        Shaft diameter in micrometres, (n,).

    Returns
    -------
    numpy.ndarray
        Shape (n,), mm2 of hair per cm2 of skin.

    Examples
    --------
    >>> round(float(cross_section(180.0, 70.0)), 2)
    0.69
    """
    return np.asarray(density, dtype=float) * np.pi / 4 * (np.asarray(calibre_um, dtype=float) / 1000) ** 2


def cross_section_se(density, density_se, calibre_um, calibre_cv) -> np.ndarray:
    """Return the standard error of `cross_section`, by the delta method: an error of calibre counts double.

    Parameters
    ----------
    density, density_se
        Hairs/cm2, (n,).
    calibre_um, calibre_cv
        Shaft diameter in micrometres, (n,), and its error as a share of it.

    Returns
    -------
    numpy.ndarray
        Shape (n,), mm2 of hair per cm2 of skin.

    Examples
    --------
    A calibre off by 5 % alone puts the mass off by 10 %:

    >>> round(float(cross_section_se(180.0, 0.0, 70.0, 0.05) / cross_section(180.0, 70.0)), 3)
    0.1
    """
    by_count = cross_section(density_se, calibre_um)
    return np.hypot(by_count, 2 * np.asarray(calibre_cv) * cross_section(density, calibre_um))


def hair_mass(records: Records, *, level: float = LEVEL) -> Result:
    """Return the mean change of hair cross-section, baseline to last mature count, by zone and method.

    Pairs of counts measured by different calibre methods are left out with that reason. Where the donor zone
    was measured by the same method on the same day, the ratio of recipient to donor calibre is in
    `extra["relative_to_donor"]`.

    Returns
    -------
    Result
        One line per zone and method of measurement: percent, interval, numbers.

    Raises
    ------
    FitError
        When no region has two counts with calibres of one method.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(set(hair_mass(clinic).table()["term"]))
    ['change of hair cross-section']
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
    table = _change_by_zone(pairs[same], level)
    method = (
        f"change of hair cross-section, mm2 per cm2, mean over patients, t limits, {100 * level:g} %; "
        "one calibre method a pair"
    )
    extra = {"relative_to_donor": _relative_to_donor(mass)}
    return Result(table, pairs, method, by=("zone", "calibre_method"), extra=extra)


def _change_by_zone(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return one line per zone and calibre method: the mean change over patients, each patient once."""
    lines = []
    for (zone, method), group in pairs.groupby(["zone", "calibre_method_before"]):
        change = (group["mass_after"] - group["mass_before"]).groupby(group["patient_id"]).mean().to_numpy()
        n = len(change)
        mean, se = float(change.mean()), float(change.std(ddof=1) / np.sqrt(n)) if n > 1 else np.nan
        of_change = line(
            "change of hair cross-section",
            mean,
            "mm2/cm2",
            by={"zone": zone, "calibre_method": method},
            se=se,
            ci=limits(mean, se, level=level, df=n - 1) if n > 1 else (np.nan, np.nan),
            level=level,
            basis="model",
            n_patients=n,
            n_rows=len(group),
        )
        lines.append(of_change)
    return pd.DataFrame(lines)


def _relative_to_donor(mass: pd.DataFrame) -> pd.DataFrame:
    """Return one row per recipient region and donor zone measured alike on one day: the ratio of calibres."""
    day = ["patient_id", "session_id", "month", "calibre_method"]
    donor = mass[mass["zone"].eq("donor")].groupby(day, as_index=False)["hair_calibre_um"].mean()
    both = mass[mass["region_kind"].eq("planted")].merge(
        donor, on=day, suffixes=("", "_donor"), validate="many_to_one"
    )
    ratio = both["hair_calibre_um"] / both["hair_calibre_um_donor"]
    return both.assign(calibre_ratio=ratio)[[*day, "zone", "region_id", "calibre_ratio"]]
