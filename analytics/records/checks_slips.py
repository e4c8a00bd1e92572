"""Look for slips that break no rule: one code spelt in two ways, counts that cannot both be right."""

import numpy as np
import pandas as pd

from analytics.records import limits
from analytics.records.messages import Problem
from analytics.records.sentences import found

Frames = dict[str, pd.DataFrame]
SPELT = {
    "sessions": ("surgeon_id", "team_id", "harvested_by", "technique"),
    "placements": ("planted_by",),
    "measurements": ("reader_id", "device_class"),
}
VISIT = ["patient_id", "zone", "region_id", "session_id", "month"]


def check(frames: Frames, given: Frames) -> list[Problem]:
    """Return warnings of likely slips; `given` are the tables as handed in, before defaults."""
    spelt = [
        p
        for table, columns in SPELT.items()
        for column in columns
        for p in _spelling(given[table], table, column)
    ]
    return [*spelt, *_repeats_apart(frames["measurements"]), *_beyond_planted(frames)]


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


def _repeats_apart(counts: pd.DataFrame) -> list[Problem]:
    """Compare counts of one marked region at one visit; of an unmarked one other fields may be counted."""
    marked = counts["roi_marked"].eq(True).fillna(False) & counts[VISIT].notna().all(axis=1)
    marked_counts = counts[marked]
    repeated = marked_counts[marked_counts[VISIT].duplicated(keep=False)]
    density = repeated["density_hairs_cm2"].groupby([repeated[k] for k in VISIT])
    low, high = density.transform("min"), density.transform("max")
    apart = (high > limits.REPEAT_RATIO * low) & (high - low > limits.REPEAT_HAIRS_CM2)
    later = apart & repeated["density_hairs_cm2"].ne(density.transform("first"))
    return found(
        counts,
        later.reindex(counts.index, fill_value=False),
        "measurements.density_hairs_cm2",
        "repeats_apart",
    )


def _beyond_planted(frames: Frames) -> list[Problem]:
    """Compare the gain since the session's own baseline with what the session planted in the zone."""
    counts = frames["measurements"]
    key = ["patient_id", "zone", "region_id", "session_id"]
    baseline = counts[(counts["month"] <= 0) & counts["region_kind"].eq("planted").fillna(False)]
    before = baseline.groupby(key)["density_hairs_cm2"].mean().rename("before").reset_index()
    placements = frames["placements"].dropna(subset=["session_id", "zone"])
    average = placements["hairs"] / placements["area_cm2"]
    planted = placements.assign(planted=placements["roi_planted_hairs_cm2"].fillna(average))
    planted = planted.groupby(["session_id", "zone"])["planted"].max().reset_index()
    keys = counts[key].reset_index(names="row").merge(before, on=key, validate="many_to_one")
    rows = keys.merge(planted, on=["session_id", "zone"], validate="many_to_one").set_index("row")
    gain = counts["density_hairs_cm2"].reindex(rows.index) - rows["before"]
    beyond = np.asarray(gain > limits.MOST_YIELD_PCT / 100 * rows["planted"])
    return found(
        counts, counts.index.isin(rows.index[beyond]), "measurements.density_hairs_cm2", "beyond_planted"
    )
