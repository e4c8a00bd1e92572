"""What is missing in the records, and what does each gap cost the headline?

The headline is mean yield at maturity over all zones, its interval as `yields.average` gives it. A gap costs

    a wider interval    no count before the session, a failed photograph: planted zones that were due have no
                        yield. With m of them beside n that have one the half width h would have been about
                        h sqrt(n / (n + m)): at most so much, for errors that all share do not shrink
    a wider interval    planted hairs not counted in the region: what the wider error of a zone's average, and
                        that of the mean ratio of region over zone, add to the variance of the mean
    a shift             therapy not known: those without a course of therapy who were not asked about it are
                        taken as untreated; the shift is that of all of them having begun at the session

A recorded *none* (`patients.therapy_asked`) is no gap. Grafts by size do not enter a yield of hairs: what
they cost is the share of grafts that grow, and the answer on single-hair grafts.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics import bench, yields
from analytics.errors import FitError
from analytics.measurement import error_model
from analytics.numerics import proportions
from analytics.records import Records
from analytics.results import LEAST_FOR_INTERVAL, LEVEL, Gap, Result, line, unanswered

COST = "cost to the headline"
WIDER, SHIFT = "points of half width", "points of yield"
ALL = "all zones"


def missing_records(
    records: Records, *, choices: yields.Choices = yields.USUAL, level: float = LEVEL
) -> Result:
    """Return what is missing of what was due, and what each gap costs the headline.

    Returns
    -------
    Result
        By `missing`: `lacking`, percent of planted zones or patients; `cost to the headline`, points.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(set(missing_records(clinic).table()["term"]))
    ['cost to the headline', 'lacking']
    """
    rows = yields.by_visit(records, choices=choices)
    try:
        now = _headline(records, rows, level)
    except FitError:
        return unanswered(Gap("Cannot be told: no yield at maturity yet, so that no gap costs one."))
    if not np.isfinite(now["half"]):
        few = f"a yield at maturity from fewer than {LEAST_FOR_INTERVAL} patients has no interval to widen"
        return unanswered(Gap(f"Cannot be told: {few}."))
    units = bench.units(records, choices=choices).frame
    lines = []
    for gap, codes in (
        ("count before the session", ("no_baseline", "baseline_not_standard", "no_new_baseline")),
        ("photograph as the standard asks", ("not_standard", "hair_length", "cut_off")),
    ):
        due = units[units["is_due"].astype(bool)]
        lacks = due["reason"].isin([yields.REASONS[c] for c in codes])
        n, m = int(due["reason"].eq("").sum()), int(lacks.sum())
        lines += _gap(gap, due, lacks, now["half"] * (1 - np.sqrt(n / max(n + m, 1))), WIDER, level)
    read = yields.one_reading(rows)
    uncounted = read["planted_source"].eq("zone")
    cost = now["half"] * (1 - np.sqrt(max(1 - _of_averages(read, records, now["mean"]) / now["se"] ** 2, 0)))
    lines += _gap("planted hairs counted in the region", read, uncounted, cost, WIDER, level)
    lines += _of_therapy(records, choices, now["mean"], level)
    sizes = records.placements
    lacks = sizes[["grafts_1", "grafts_2", "grafts_3", "grafts_4"]].isna().any(axis=1)
    lines += _gap("grafts by size", sizes, lacks, 0.0, WIDER, level)
    method = (
        f"mean yield at maturity over all zones, half width of its {100 * level:g} % interval now "
        f"{now['half']:.2f} points; each gap alone, as if it were filled"
    )
    return Result(
        pd.DataFrame(lines), units[["patient_id", "placement_id", "reason"]], method, by=("missing",)
    )


def _gap(gap: str, rows: pd.DataFrame, lacks: pd.Series, cost: float, unit: str, level: float) -> list[dict]:
    k, n = int(lacks.sum()), len(rows)
    share = proportions.proportion(k, n, level=level)
    patients = int(rows["patient_id"].nunique())
    by = {"missing": gap}
    return [
        line("lacking", 100 * k / n if n else np.nan, "%", by=by,
             ci=(100 * float(share.low), 100 * float(share.high)), level=level, basis="share", numerator=k,
             denominator=n, n_patients=patients, n_rows=n),
        # Half widths and counts would give the count back.
        line(COST, cost if k else 0.0, unit, by=by, basis="counts", numerator=k, denominator=n,
             n_patients=patients, n_rows=n),
    ]  # fmt: skip


def _headline(records: Records, rows: pd.DataFrame, level: float) -> dict[str, float]:
    one = yields.average(records, by="headline", level=level, rows=rows.assign(headline=ALL)).table().iloc[0]
    half = float(one["ci_high"] - one["ci_low"]) / 2
    return {"mean": float(one["estimate"]), "se": float(one["se"]), "half": half}


def _of_averages(read: pd.DataFrame, records: Records, mean: float) -> float:
    """Return what planted densities of a zone's average add to the variance of the mean, squared points."""
    error, from_zone = yields.planted_error(records), read["planted_source"].eq("zone")
    own = from_zone.sum() * (error.zone_cv**2 - error.region_cv**2) / len(read) ** 2
    shared = (from_zone.mean() * error.zone_ratio_se / error.zone_ratio) ** 2
    return float(mean**2 * (own + shared))


def _of_therapy(records: Records, choices: yields.Choices, mean: float, level: float) -> list[dict]:
    patients = records.patients
    asked = patients["therapy_asked"].fillna(False).astype(bool)
    unknown = ~asked & ~patients["patient_id"].isin(set(records.therapies["patient_id"]))
    first = records.sessions.groupby("patient_id")["register_month"].min()
    told = patients.loc[unknown, ["patient_id"]].assign(
        kind="other", start_register_month=lambda f: f["patient_id"].map(first), stop_register_month=np.nan
    ).dropna(subset="start_register_month")  # fmt: skip
    courses = pd.concat([records.therapies, told.astype(records.therapies.dtypes)], ignore_index=True)
    # The error of counting is left as it is: a course changes no count.
    treated = replace(records, therapies=courses)
    rows = yields.by_visit(treated, choices=choices, count_error=error_model(records))
    shift = _headline(treated, rows, level)["mean"] - mean
    return _gap("therapy, or that there was none", patients, unknown, shift, SHIFT, level)
