"""Which placement, baseline and history does a count have, and how many hairs were planted where it was made?

Every count of a planted region is joined to its session, to the placement that put hair there, to the
baseline of the same region, and to what earlier sessions left in the same zone. Rows are added in one case
only: a baseline in a zone planted before is also the earlier session's last reading (`reads_as` says which).

Planted density is counted in the region of interest after planting where the clinic did so (CV 0.06), else it
is the zone's average, hairs over area, whose error about the region is CV 0.2 (both common practice, no
source). Where a clinic has both for enough placements, the error of the zone average is re-estimated from
their ratio, and so is the ratio itself. `planted_ratio` is the mean of region over zone; means divide by it,
single rows do not. Its standard error is one and the same error in every such row.

Where the clinic cannot tell, the ratio is 1 and its standard error CV^2, 0.04. If regions spread about a
right average, or the traced area errs (it multiplies yield), the mean is not moved: the ratio is 1. If the
hairs of the zone err (they divide yield), it is E(1 / error) = 1 + CV^2, and yield from the average reads 4 %
too high. Nothing in such a register tells these apart, so the number is left as it is and the whole
difference stands in the interval.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import dictionary, followup
from analytics.records import Records
from analytics.results import counted

REGION_CV = 0.06
ZONE_CV = 0.2
MIN_BOTH = 20
ZONE_CV_FLOOR = 0.02
BASELINE_FROM_MONTH = dictionary.BASELINE_FROM_MONTH
SERIES = ["session_id", "zone", "region_id"]
OF_PLACEMENT = ["method", "holding_medium", "out_of_body_min"]


@dataclass(frozen=True, slots=True)
class PlantedError:
    """Error of planted densities: CV in region and of zone average, mean of region over zone with its SE."""

    region_cv: float = REGION_CV
    zone_cv: float = ZONE_CV
    zone_ratio: float = 1.0
    n_both: int = 0
    source: str = "common practice, no source"
    zone_ratio_se: float = ZONE_CV**2


def counts(records: Records) -> pd.DataFrame:
    """Return the counts of planted regions with the session and the placement that each belongs to."""
    counts = records.measurements
    counts = counts[counts["region_kind"].eq("planted") & counts["zone"].ne("donor")]
    counts = counts.assign(count_row=np.arange(len(counts)))
    sessions = records.sessions.drop(columns=["patient_id"]).rename(
        columns={"register_month": "session_month"}
    )
    rows = counts.merge(sessions, on="session_id", how="left", validate="many_to_one")
    rows = rows.merge(
        _placement_of(counts, records.placements), on="count_row", how="left", validate="one_to_one"
    )
    by_placement = {c: rows[f"placement_{c}"].fillna(rows[c]) for c in OF_PLACEMENT}
    return rows.assign(**by_placement, reads_as="own session")


def _placement_of(counts: pd.DataFrame, placements: pd.DataFrame) -> pd.DataFrame:
    """Match each count to its placement by session and zone, and by region where a zone has two sites."""
    wanted = "placement_id session_id zone site area_cm2 grafts hairs roi_planted_hairs_cm2".split()
    renamed = placements[[*wanted, *OF_PLACEMENT]].rename(columns={c: f"placement_{c}" for c in OF_PLACEMENT})
    pairs = counts[["count_row", "session_id", "zone", "region_id"]].merge(
        renamed, on=["session_id", "zone"], how="inner", validate="many_to_many"
    )
    is_own = pairs.groupby("count_row")["placement_id"].transform("size").eq(1).to_numpy(copy=True)
    others = pairs[~is_own]
    is_own[~is_own] = [
        r in (s, p) or r.endswith((f"-{s}", f"_{s}", f" {s}"))
        for r, s, p in zip(
            *(others[c].astype(str) for c in ("region_id", "site", "placement_id")), strict=True
        )
    ]
    return pairs[is_own].drop_duplicates("count_row").drop(columns=["session_id", "zone", "region_id"])


def with_earlier_readings(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Add, for a baseline in a zone planted before, the same count as the earlier session's last reading.

    The earlier session is the one planted last before, whether it was ever counted or not: an uncounted one
    in between takes the reading with it, for it grew there too.
    """
    link = _planted_last_before(records)
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
    places = rows.dropna(subset=["placement_id"]).drop_duplicates("placement_id")
    before = places[columns].rename(columns={"placement_id": "earlier_id"})
    again = at_baseline.drop(columns=columns).merge(
        before, on="earlier_id", how="inner", validate="many_to_one"
    )
    again = again.rename(columns={"earlier_id": "placement_id"}).assign(reads_as="earlier session")
    again = again.assign(month=again["month"] + again["later_month"] - again["patient_month"])
    return pd.concat([rows, again[again["month"].gt(0)][rows.columns]], ignore_index=True)


def _planted_last_before(records: Records) -> pd.DataFrame:
    """Return each placement with the one planted last before it in the same zone and site."""
    months = records.sessions[["session_id", "patient_month"]]
    places = records.placements.merge(months, on="session_id", how="inner", validate="many_to_one")
    keys = ["patient_id", "zone", "site"]
    places = places.sort_values([*keys, "patient_month"])
    earlier = places.groupby(keys, dropna=False)["placement_id"].shift(1)
    link = places.assign(earlier_id=earlier)[["placement_id", "earlier_id", "patient_month"]]
    return link.dropna(subset=["earlier_id"])


def with_baseline(rows: pd.DataFrame, photographs: str, *, rule: str = "nearest") -> pd.DataFrame:
    """Add the baseline of each session, zone and region: density, counted area, reader, hair length.

    Parameters
    ----------
    rule
        `nearest` takes the counts of the month nearest to 0, `mean` all from month -6 to 0.
    """
    rows = rows.assign(
        counted_area_cm2=rows["roi_area_cm2"] * rows["n_fields"],
        is_baseline=rows["month"].between(BASELINE_FROM_MONTH, 0) & rows["reads_as"].eq("own session"),
        is_standard=rows["standard_conditions"].fillna(True).astype(bool),
    )
    # One number for each series of a session, zone and region: three names compared once.
    number = rows.groupby(SERIES, sort=False).ngroup()
    series = number.where(number.ge(0))
    before = rows[rows["is_baseline"] & rows["density_hairs_cm2"].notna()]
    usable_before = before if photographs == "all" else before[before["is_standard"]]
    is_nearest = usable_before["month"].eq(usable_before.groupby(series)["month"].transform("max"))
    taken = usable_before[is_nearest] if rule == "nearest" else usable_before
    # Reader, hair length, thinnest hair of repeats are the first count's, whatever the order of rows.
    taken = taken.sort_values(["month", "count_number"], ascending=[False, True], kind="stable")
    baseline = taken.groupby(series).agg(
        baseline_density=("density_hairs_cm2", "mean"),
        baseline_area=("counted_area_cm2", "sum"),
        baseline_month=("month", "mean"),
        baseline_marked=("roi_marked", "min"),
        baseline_length=("hair_length", "first"),
        baseline_thinnest=("thinnest_counted_um", "first"),
        baseline_reader=("reader_id", "first"),
        baseline_device=("device_class", "first"),
        n_baseline=("month", "size"),
    )
    own_baseline = baseline.reindex(series.to_numpy()).set_axis(rows.index)
    any_baseline = np.isin(series.to_numpy(), series[before.index].to_numpy())
    return pd.concat([rows, own_baseline], axis=1).assign(any_baseline=any_baseline)


def with_bridge(rows: pd.DataFrame, by: str, shifts: pd.DataFrame) -> pd.DataFrame:
    """Add whose shift was taken out of the reading and of its baseline, with the standard error of its log.

    Parameters
    ----------
    by
        `reader_id`, `device_class`, or empty where nothing was bridged.
    shifts
        `measurement.bridge(...).extra["shifts"]`: name, log_ratio, se.
    """
    if not by:
        return rows.assign(bridge_of="", bridge_se=0.0, baseline_bridge_of="", baseline_bridge_se=0.0)
    se = shifts.set_index("name")["se"].fillna(0.0)
    before = {"reader_id": "baseline_reader", "device_class": "baseline_device"}[by]
    added: dict[str, pd.Series] = {}
    for column, to in ((by, "bridge"), (before, "baseline_bridge")):
        name = rows[column].astype("string").fillna("")
        added |= {f"{to}_of": name, f"{to}_se": name.map(se).astype(float).fillna(0.0)}
    return rows.assign(**added)


def with_history(rows: pd.DataFrame, history: pd.DataFrame) -> pd.DataFrame:
    """Add what earlier sessions left in the zone: first baseline and month, hairs planted, maturity.

    Sessions are those that planted, counted or not. A whole zone and one of its sides share ground; the two
    sides of one session count as one planting. A region's first baseline is its count before the first of
    these sessions, never a later one.

    Parameters
    ----------
    history
        Of `history`.
    """
    rows = rows.merge(history, on="placement_id", how="left", validate="many_to_one")
    is_later = rows["first_session"].notna()
    rows = rows.assign(
        is_later=is_later,
        is_overlap=rows["is_overlap"].eq(True),
        planted_before=rows["planted_before"].where(is_later, 0.0),
    )
    at_first = (
        rows.loc[rows["is_baseline"], ["session_id", "zone", "region_id", "baseline_density"]]
        .drop_duplicates(["session_id", "zone", "region_id"])
        .rename(columns={"session_id": "first_session", "baseline_density": "first_density"})
    )
    rows = rows.merge(at_first, on=["first_session", "zone", "region_id"], how="left", validate="many_to_one")
    return rows.assign(maturity_month=rows["zone"].map(dictionary.MATURITY_MONTH).astype(float))


def history(placements: pd.DataFrame) -> pd.DataFrame:
    """Return one row a placement planted over others; one session of unknown density makes the sum unknown.

    Parameters
    ----------
    placements
        Of `placed`: all, with `session_month, patient_month, planted_hairs_cm2`.
    """
    pairs = on_the_same_ground(placements).sort_values(["placement_id", "patient_month_before"])
    gap = pairs["patient_month"] - pairs["patient_month_before"]
    pairs = pairs.assign(immature=gap < pairs["zone"].map(dictionary.MATURITY_MONTH))
    sessions = sessions_before(
        pairs, immature=("immature", "max"), first_at=("session_month_before", "first")
    )
    summed = sessions.assign(unknown=sessions["planted"].isna()).groupby(
        "placement_id", sort=False, as_index=False
    )
    summed = summed.agg(
        planted_before=("planted", "sum"),
        unknown=("unknown", "any"),
        is_overlap=("immature", "max"),
        first_session=("session_id_before", "first"),
        first_at=("first_at", "first"),
    )
    known = summed["planted_before"].where(~summed["unknown"])
    return summed.assign(planted_before=known).drop(columns="unknown")


def placed(records: Records, error: PlantedError, *, choice: str = "best") -> pd.DataFrame:
    """Return all placements with planted density and the months of their sessions."""
    months = records.sessions[["session_id", "register_month", "patient_month"]]
    months = months.rename(columns={"register_month": "session_month"})
    placements = planted_density(records.placements, error, choice=choice)
    return placements.merge(months, on="session_id", how="inner", validate="many_to_one")


def on_the_same_ground(placements: pd.DataFrame) -> pd.DataFrame:
    """Return every placement with each earlier one whose ground it shares (its columns: `..._before`)."""
    return followup.same_ground(placements, carried=("session_month", "planted_hairs_cm2"))


def sessions_before(pairs: pd.DataFrame, **more: tuple[str, str]) -> pd.DataFrame:
    """Return one row per placement and session before it: its sites' mean planted density, and `more`.

    The density is unknown where that of one site is.
    """
    sessions = pairs.groupby(["placement_id", "session_id_before"], sort=False, as_index=False).agg(
        planted=("planted_hairs_cm2_before", "mean"),
        n_known=("planted_hairs_cm2_before", "count"),
        n_sites=("placement_id", "size"),
        **more,
    )
    known = sessions["n_known"].eq(sessions["n_sites"])
    return sessions.assign(planted=sessions["planted"].where(known)).drop(columns=["n_known", "n_sites"])


def planted_error(records: Records) -> PlantedError:
    """Estimate the error of zone averages from the placements that were also counted in the region.

    The log ratio of region to zone varies by both errors; the region's own is taken out. Fewer than MIN_BOTH
    such placements: the defaults.

    Returns
    -------
    PlantedError
        Coefficients of variation of a region's and of a zone's planted density, their mean ratio with its
        standard error, and on how many double counts they rest.

    Examples
    --------
    Without a placement counted both ways, the defaults, and a mean ratio of 1:

    >>> from dataclasses import replace
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> alone = clinic.placements.assign(roi_planted_hairs_cm2=np.nan)
    >>> found = planted_error(replace(clinic, placements=alone))
    >>> found.n_both, found.zone_ratio
    (0, 1.0)
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
        f"the clinic's own {counted(len(both))} double counts",
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
