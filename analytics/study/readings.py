"""Which reading is the outcome of a planted zone, whether it is due, and why it is missing."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics import yields
from analytics.errors import FitError
from analytics.measurement import CountError
from analytics.yields import expected_variance, one_reading

OF_READING = ("month", "reader_id", "reader_changed")  # of the count that is the outcome
# What of a row of `yields.by_visit` makes an outcome; a row has many more columns, and each is copied.
READ = (
    *("patient_id", "placement_id", "region_id", "zone", "month", "maturity_month", "count_number"),
    *("for_headline", "for_curve", "quantity", "yield_pct", "density", "planted_ratio", "planted_source"),
    *("planted_hairs_cm2", "planted_cv", "baseline_density", "baseline_area", "native_factor"),
    *("native_change_se", "native_shared_se", "both_marked", "reader_id", "reader_changed"),
    *("counted_area_cm2", "is_later", "season_1", "season_2"),
)
NOT_DUE = "outcome month not reached by the end of the register"
REPLANTED = "the zone was planted again"


@dataclass(frozen=True, slots=True)
class Reading:
    """Which reading is a placement's outcome, under which choices; the robustness grid walks through them.

    The reading nearest to `month` (the zone's maturity month where None), at most `late_months` past it.
    """

    choices: yields.Choices = yields.USUAL
    late_months: float = 6.0
    month: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """What all choices share: placements with exposure, counting error, end of register, zones replanted.

    `told`, of `with_told`: what the rows at hand say by placement, whatever reading is the outcome.
    """

    places: pd.DataFrame
    error: CountError
    end: float
    replanted: frozenset[str]
    told: pd.DataFrame | None = None


def with_told(known: Background, rows: pd.DataFrame) -> Background:
    """Return a background that knows what rows say by placement: several readings of them ask it."""
    return replace(known, told=_told(rows))


def with_yields(
    known: Background, rows: pd.DataFrame, reading: Reading, *, leave_out_replanted: bool
) -> pd.DataFrame:
    """Return the placements with the yield of their reading, whether it is due, and why it is missing."""
    picked = _read(rows, reading)
    if len(picked):
        y = picked["yield_pct"] / picked["planted_ratio"]
        mean = picked["zone"].map(y.groupby(picked["zone"]).mean()).to_numpy(dtype=float)
        variance = expected_variance(picked, mean, known.error)
        changed = picked["reader_changed"].astype("boolean")
        picked = picked.assign(y=y, variance=variance, reader_changed=changed)
    else:
        picked = picked.assign(y=np.nan, variance=np.nan)
    columns = ["placement_id", "region_id", "y", "variance", *OF_READING]
    units = known.places.merge(picked[columns], on="placement_id", how="left", validate="one_to_many")
    told = _told(rows) if known.told is None else known.told
    units = units.assign(early=units["placement_id"].map(told["early"]))
    reached = units["register_month"] + units["maturity_month"] <= known.end
    again = units["placement_id"].isin(known.replanted)
    if leave_out_replanted:
        units = units.assign(reason=units["reason"].mask(units["reason"].eq("") & again, REPLANTED))
    inside = units["reason"].eq("")
    units = units.assign(is_due=inside & (reached | units["y"].notna()))
    why = pd.Series(
        np.where(~units["is_due"], NOT_DUE, np.where(again, REPLANTED, _why_missing(units, told["why"]))),
        index=units.index,
    )
    units = units.assign(reason=units["reason"].mask(inside & units["y"].isna(), why))
    return units.reset_index(drop=True)


def _read(rows: pd.DataFrame, reading: Reading) -> pd.DataFrame:
    target = rows["maturity_month"] if reading.month is None else reading.month
    inside = rows["month"] - target <= reading.late_months
    try:
        return one_reading(rows.loc[inside, list(READ)], month=reading.month)
    except (KeyError, ValueError):
        raise FitError("study: no reading is usable; regrowth check says what was left out") from None


def _told(rows: pd.DataFrame) -> pd.DataFrame:
    """Return by placement the last yield before maturity, `early`, and the code `why` no reading serves."""
    return pd.DataFrame({"early": _early(rows), "why": _why_not(rows)})


def _early(rows: pd.DataFrame) -> pd.Series:
    """Return the last yield of each placement before its window of maturity."""
    is_early = rows["for_curve"] & rows["quantity"].eq("yield") & ~rows["is_mature"].astype(bool)
    before = rows.loc[is_early, ["placement_id", "month", "yield_pct"]]
    return before.sort_values("month").groupby("placement_id")["yield_pct"].last()


def _why_not(rows: pd.DataFrame) -> pd.Series:
    """Return by placement the best reason that any of its late readings gives for being of no use."""
    is_late = ~rows["is_baseline"].astype(bool) & (rows["month"] >= rows["maturity_month"] - 1.0)
    return rows[is_late].groupby("placement_id")["why_not_headline"].first()


def _why_missing(units: pd.DataFrame, codes: pd.Series) -> np.ndarray:
    """Return why a due placement has no usable reading, from the reason's code by placement."""
    reason = units["placement_id"].map(codes).map(yields.REASONS)
    return reason.fillna("no reading at maturity: not seen").to_numpy(dtype=object)
