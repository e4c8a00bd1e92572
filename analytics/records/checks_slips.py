"""Look for slips that break no rule: one code spelt in two ways, counts that cannot both be right."""

import pandas as pd

from analytics.records import limits
from analytics.records.clocks import MISSING, Clock, paired
from analytics.records.messages import Problem
from analytics.records.sentences import found

Frames = dict[str, pd.DataFrame]
SPELT = {
    "sessions": ("surgeon_id", "team_id", "harvested_by", "technique"),
    "placements": ("planted_by",),
    "measurements": ("reader_id", "device_class"),
}


def check(frames: Frames, given: Frames, clock: Clock) -> list[Problem]:
    """Return warnings of likely slips; `given` are the tables as handed in, before defaults."""
    spelt = [
        p
        for table, columns in SPELT.items()
        for column in columns
        for p in _spelling(given[table], table, column)
    ]
    return [
        *spelt,
        *_per_mm2(clock.counts),
        *_repeats_apart(clock.counts),
        *_beyond_planted(frames["placements"], clock),
    ]


def _spelling(frame: pd.DataFrame, table: str, column: str) -> list[Problem]:
    """Tell of the rarer spelling of codes that differ only by capitals, spaces, dashes or zeros."""
    counts = frame[column].value_counts()
    bare = (
        counts.index.to_series()
        .str.casefold()
        .str.replace(r"[\s_.-]+", "", regex=True)
        .str.replace(r"(?<!\d)0+(?=\d)", "", regex=True)
    )
    rarer = counts.index[bare.duplicated().to_numpy()]
    return found(frame, frame[column].isin(rarer), f"{table}.{column}", "two_spellings")


def _per_mm2(counts: pd.DataFrame) -> list[Problem]:
    """Tell of a table whose densities are all so low that they are likelier per mm2."""
    density = counts["density_hairs_cm2"]
    known = density.notna()
    all_low = known.sum() >= limits.FEWEST_FOR_A_UNIT and density.max() < limits.PER_MM2_BELOW
    return found(counts, known & all_low, "measurements.density_hairs_cm2", "per_mm2")


def _repeats_apart(counts: pd.DataFrame) -> list[Problem]:
    """Compare counts of one marked region at one visit; of an unmarked one other fields may be counted."""
    visit = paired(counts["course"].to_numpy(), pd.factorize(counts["month"])[0])
    marked = counts["roi_marked"].eq(True).fillna(False) & (visit != MISSING)
    visits = pd.Series(visit, counts.index)[marked]
    repeated = visits[visits.duplicated(keep=False)]
    density = counts["density_hairs_cm2"].reindex(repeated.index).groupby(repeated)
    low, high = density.transform("min"), density.transform("max")
    apart = (high > limits.REPEAT_RATIO * low) & (high - low > limits.REPEAT_HAIRS_CM2)
    later = apart & repeated.duplicated()
    where = "measurements.density_hairs_cm2"
    return found(counts, later.reindex(counts.index, fill_value=False), where, "repeats_apart")


def _beyond_planted(placements: pd.DataFrame, clock: Clock) -> list[Problem]:
    """Compare the gain since the session's own baseline with what the session planted in the zone."""
    counts, planted = clock.counts, clock.planted
    planted_kind = counts["region_kind"].eq("planted").fillna(False) & (counts["course"] != MISSING)
    baseline = counts[planted_kind & (counts["month"] <= 0)]
    before = counts["course"].map(baseline.groupby("course")["density_hairs_cm2"].mean())
    average = placements["hairs"] / placements["area_cm2"]
    hairs_cm2 = placements["roi_planted_hairs_cm2"].fillna(average)
    by_zone = (
        hairs_cm2.groupby([placements["session_id"], placements["zone"]])
        .max()
        .rename("hairs_cm2")
        .reset_index()
    )
    known = planted.merge(by_zone, on=["session_id", "zone"], how="left", validate="one_to_one")
    most = counts["planting"].map(known.set_index("planting")["hairs_cm2"]) * limits.MOST_YIELD_PCT / 100
    beyond = planted_kind & ((counts["density_hairs_cm2"] - before) > most)
    return found(counts, beyond, "measurements.density_hairs_cm2", "beyond_planted")
