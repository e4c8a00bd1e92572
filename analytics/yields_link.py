"""Which placement, baseline and history does a count have?

Every count of a planted region is joined to its session, to the placement that put hair there, to the
baseline of the same region, and to what earlier sessions left in the same zone. Rows are added in one case
only: a baseline in a zone planted before is also the earlier session's last reading (`reads_as` says which).
"""

import numpy as np
import pandas as pd

from analytics.records import Records, dictionary

BASELINE_FROM_MONTH = dictionary.BASELINE_FROM_MONTH


def counts(records: Records) -> pd.DataFrame:
    """Return the counts of planted regions with the session and the placement that each belongs to."""
    counts = records.measurements
    counts = counts[counts["region_kind"].eq("planted") & counts["zone"].ne("donor")].copy()
    counts["count_row"] = np.arange(len(counts))
    sessions = records.sessions.drop(columns=["patient_id"]).rename(
        columns={"register_month": "session_month"}
    )
    rows = counts.merge(sessions, on="session_id", how="left", validate="many_to_one")
    rows = rows.merge(
        _placement_of(counts, records.placements), on="count_row", how="left", validate="one_to_one"
    )
    for own in ("method", "holding_medium", "out_of_body_min"):
        rows[own] = rows[f"placement_{own}"].fillna(rows[own])
    return rows.assign(reads_as="own session")


def _placement_of(counts: pd.DataFrame, placements: pd.DataFrame) -> pd.DataFrame:
    """Match each count to its placement by session and zone, and by region where a zone has two sites."""
    wanted = [
        "placement_id",
        "session_id",
        "zone",
        "site",
        "area_cm2",
        "grafts",
        "hairs",
        "roi_planted_hairs_cm2",
    ]
    own = ["method", "holding_medium", "out_of_body_min"]
    renamed = placements[[*wanted, *own]].rename(columns={c: f"placement_{c}" for c in own})
    pairs = counts[["count_row", "session_id", "zone", "region_id"]].merge(
        renamed, on=["session_id", "zone"], how="inner", validate="many_to_many"
    )
    only = pairs.groupby("count_row")["placement_id"].transform("size").eq(1)
    region = pairs["region_id"].astype(str)
    site = pairs["site"].astype(str)
    named = region.eq(site) | region.eq(pairs["placement_id"].astype(str)) | _ends_with(region, site)
    return pairs[only | named].drop_duplicates("count_row").drop(columns=["session_id", "zone", "region_id"])


def _ends_with(region: pd.Series, site: pd.Series) -> pd.Series:
    ends = [r.endswith((f"-{s}", f"_{s}", f" {s}")) for r, s in zip(region, site, strict=True)]
    return pd.Series(ends, index=region.index, dtype=bool)


def with_earlier_readings(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Add, for a baseline in a zone planted before, the same count as the earlier session's last reading."""
    places = rows.dropna(subset=["placement_id"]).drop_duplicates("placement_id")
    keys = ["patient_id", "zone", "site"]
    places = places.sort_values([*keys, "patient_month"])
    earlier = places.groupby(keys, dropna=False)["placement_id"].shift(1)
    link = places.assign(earlier_id=earlier)[["placement_id", "earlier_id", "patient_month"]].dropna(
        subset=["earlier_id"]
    )
    if link.empty:
        return rows
    columns = (
        "session_id session_number session_month patient_month surgeon_id team_id method holding_medium "
        "out_of_body_min placement_id area_cm2 grafts hairs roi_planted_hairs_cm2"
    ).split()
    at_baseline = rows[rows["month"].between(BASELINE_FROM_MONTH, 0)].merge(
        link.rename(columns={"patient_month": "later_month"}),
        on="placement_id",
        how="inner",
        validate="many_to_one",
    )
    before = places[columns].rename(columns={"placement_id": "earlier_id"})
    again = at_baseline.drop(columns=columns).merge(
        before, on="earlier_id", how="left", validate="many_to_one"
    )
    again = again.rename(columns={"earlier_id": "placement_id"}).assign(reads_as="earlier session")
    again["month"] = again["month"] + again["later_month"] - again["patient_month"]
    return pd.concat([rows, again[again["month"].gt(0)][rows.columns]], ignore_index=True)


def with_baseline(rows: pd.DataFrame, photographs: str) -> pd.DataFrame:
    """Add the baseline of each session, zone and region: density, counted area, reader, hair length."""
    rows = rows.assign(
        counted_area_cm2=rows["roi_area_cm2"] * rows["n_fields"],
        is_baseline=rows["month"].between(BASELINE_FROM_MONTH, 0) & rows["reads_as"].eq("own session"),
        is_standard=rows["standard_conditions"].fillna(True).astype(bool),
    )
    key = ["session_id", "zone", "region_id"]
    before = rows[rows["is_baseline"] & rows["density_hairs_cm2"].notna()]
    usable_before = before if photographs == "all" else before[before["is_standard"]]
    nearest = usable_before[usable_before["month"].eq(usable_before.groupby(key)["month"].transform("max"))]
    baseline = nearest.groupby(key, as_index=False).agg(
        baseline_density=("density_hairs_cm2", "mean"),
        baseline_area=("counted_area_cm2", "sum"),
        baseline_month=("month", "max"),
        baseline_marked=("roi_marked", "min"),
        baseline_length=("hair_length", "first"),
        baseline_reader=("reader_id", "first"),
        n_baseline=("month", "size"),
    )
    rows = rows.merge(baseline, on=key, how="left", validate="many_to_one")
    any_before = before[key].drop_duplicates().assign(any_baseline=True)
    rows = rows.merge(any_before, on=key, how="left", validate="many_to_one")
    rows["any_baseline"] = rows["any_baseline"].eq(True)
    return rows


def with_history(rows: pd.DataFrame) -> pd.DataFrame:
    """Add what earlier sessions left in the zone: first baseline and month, hairs planted, maturity."""
    keys = ["patient_id", "zone", "site"]
    places = (
        rows[rows["reads_as"].eq("own session")]
        .dropna(subset=["placement_id"])
        .drop_duplicates("placement_id")
    )
    places = places.sort_values([*keys, "patient_month"])
    groups = places.groupby(keys, dropna=False)
    before = groups["planted_hairs_cm2"].cumsum() - places["planted_hairs_cm2"]
    gap = places["patient_month"] - groups["patient_month"].shift(1)
    maturity = places["zone"].map(dictionary.MATURITY_MONTH)
    history = pd.DataFrame(
        {
            "placement_id": places["placement_id"],
            "planted_before": before.fillna(0.0),
            "is_overlap": (gap < maturity).fillna(False).astype(bool),
            "first_density": groups["baseline_density"].transform("first"),
            "first_at": groups["session_month"].transform("first"),
            "is_later": groups.cumcount().gt(0),
        }
    )
    rows = rows.merge(history, on="placement_id", how="left", validate="many_to_one")
    for column in ("is_overlap", "is_later"):
        rows[column] = rows[column].eq(True)
    rows["maturity_month"] = rows["zone"].map(dictionary.MATURITY_MONTH).astype(float)
    return rows
