"""Likely slips that break no rule: one code spelt in two ways, counts that cannot both be right."""

import re

import pandas as pd

from analytics.records.codes import MISSING, numbered
from analytics.records.rules.counts import visit_of
from analytics.records.rules.rule import Register, Rule, at_all, is_true, is_word

# Published densities are 100 to 260 hairs/cm2, 1 to 2.6 per mm2: Guo et al. 2017, Plast Aesthet Res 4:150-4.
PER_MM2_BELOW = 5.0
FEWEST_FOR_A_UNIT = 8  # assumed: fewer low counts may be true ones
# published readings up to 133 %: Beehner 2010, Hair Transplant Forum Int 20(1):1; margin assumed
MOST_YIELD_PCT = 200.0
REPEAT_RATIO = 2.0  # published repeatability CV is 2.6 to 9.8 %; twice is assumed to be a slip
REPEAT_HAIRS_CM2 = 20.0  # assumed: below this two honest counts of a small field may differ twofold
SPELT = {
    "sessions": ("surgeon_id", "team_id", "harvested_by", "technique"),
    "placements": ("planted_by",),
    "measurements": ("reader_id", "device_class"),
}


def two_spellings(table: str, column: str) -> Rule:
    """Return the rule that a code is spelt one way; capitals, spaces, dashes and zeros make another."""
    return Rule(
        "two_spellings",
        f"{table}.{column}",
        lambda r: _is_rarer_spelling(r.given[table][column]),
        "code is spelt in another way than elsewhere",
        "codes are spelt in another way than elsewhere",
        "one person, team or device has one code, to the letter",
        "write it as most rows do, or leave it if it is another",
        "warning",
    )


def _is_rarer_spelling(codes: pd.Series) -> pd.Series:
    bare = codes.dropna().drop_duplicates().map(_bare)
    if not bare.duplicated().any():
        return codes.isna() & False
    spellings = codes.value_counts().index
    return codes.isin(spellings[spellings.map(_bare).duplicated()])


def _bare(code: str) -> str:
    """Return a code without what the same code is at times spelt with: capitals, dashes, leading zeros."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[\s_.-]+", "", code.casefold()))


def _per_mm2(register: Register) -> pd.Series:
    """Return the densities of a table that are all so low that they are likelier per mm2."""
    density = register.clock.counts["density_hairs_cm2"]
    is_known = density.notna()
    return is_known & (is_known.sum() >= FEWEST_FOR_A_UNIT and density.max() < PER_MM2_BELOW)


def _repeats_apart(register: Register) -> pd.Series:
    """Return the later of two counts of one marked region at one visit that lie far apart.

    Of an unmarked region other fields may be counted.
    """
    counts = register.clock.counts
    visit = visit_of(counts)
    visits = visit[is_true(counts["roi_marked"]) & (visit != MISSING)]
    repeated = visits[visits.duplicated(keep=False)]
    density = counts["density_hairs_cm2"].reindex(repeated.index).groupby(repeated)
    low, high = density.transform("min"), density.transform("max")
    apart = (high > REPEAT_RATIO * low) & (high - low > REPEAT_HAIRS_CM2)
    return at_all(apart & repeated.duplicated(), counts)


def _beyond_planted(register: Register) -> pd.Series:
    """Return the counts that gained far more since their session's baseline than it planted in the zone."""
    counts, planted, _ = register.clock
    placements = register.tables["placements"]
    is_planted = is_word(counts["region_kind"], "planted") & (counts["course"] != MISSING)
    baseline = counts[is_planted & (counts["month"] <= 0)]
    before = counts["course"].map(baseline.groupby("course")["density_hairs_cm2"].mean())
    average = placements["hairs"] / placements["area_cm2"]
    hairs_cm2 = placements["roi_planted_hairs_cm2"].fillna(average)
    place, planting = numbered(["session_id", "zone"], placements, planted)
    by_zone = hairs_cm2.groupby(place).max().reindex(planting).set_axis(planted["planting"])
    most = counts["planting"].map(by_zone) * MOST_YIELD_PCT / 100
    return is_planted & ((counts["density_hairs_cm2"] - before) > most)


RULES = (
    *(two_spellings(table, column) for table, columns in SPELT.items() for column in columns),
    Rule(
        "per_mm2",
        "measurements.density_hairs_cm2",
        _per_mm2,
        "density is so low, like all others, that it may be per mm2",
        "densities are all so low that they may be per mm2",
        "density is in hairs per cm2, a hundred times the number per mm2",
        "look at the unit",
        "warning",
    ),
    Rule(
        "repeats_apart",
        "measurements.density_hairs_cm2",
        _repeats_apart,
        "repeated count is far from the first",
        "repeated counts are far from the first",
        f"two counts of a marked region at one visit differ less than {REPEAT_RATIO:g}-fold",
        "look whether one is of another region, or misses a digit",
        "warning",
    ),
    Rule(
        "beyond_planted",
        "measurements.density_hairs_cm2",
        _beyond_planted,
        "count gained far more hairs than were planted",
        "counts gained far more hairs than were planted",
        f"gain since the baseline is at most {MOST_YIELD_PCT:g} % of the hairs planted per cm2",
        "look at the two counts and at what was planted; the reading is used as it is",
        "warning",
    ),
)
