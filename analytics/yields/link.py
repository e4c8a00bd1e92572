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
from analytics.records import Records, beside, numbered
from analytics.results import counted

REGION_CV = 0.06
ZONE_CV = 0.2
MIN_BOTH = 20
ZONE_CV_FLOOR = 0.02
BASELINE_FROM_MONTH = dictionary.BASELINE_FROM_MONTH
SERIES = ["session_id", "zone", "region_id"]
OF_PLACEMENT = ["method", "holding_medium", "out_of_body_min"]
FIRST_KNOWN = {
    "baseline_length": "hair_length",
    "baseline_thinnest": "thinnest_counted_um",
    "baseline_reader": "reader_id",
    "baseline_device": "device_class",
}


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
    is_planted = counts["region_kind"].eq("planted") & counts["zone"].ne("donor")
    counts = counts[is_planted.to_numpy(dtype=bool, na_value=False)].reset_index(drop=True)
    sessions = records.sessions.drop(columns=["patient_id"]).rename(
        columns={"register_month": "session_month"}
    )
    wanted = "placement_id site area_cm2 grafts hairs roi_planted_hairs_cm2".split()
    places = records.placements[[*wanted, *OF_PLACEMENT]].rename(
        columns={c: f"placement_{c}" for c in OF_PLACEMENT}
    )
    place = _placement_of(counts, records.placements)
    own = places.set_axis(pd.RangeIndex(len(places))).reindex(place).set_axis(counts.index)
    rows = pd.concat([beside(counts, sessions, "session_id"), own], axis=1)
    by_placement = {c: rows[f"placement_{c}"].fillna(rows[c]) for c in OF_PLACEMENT}
    return rows.assign(**by_placement, reads_as="own session")


def _placement_of(counts: pd.DataFrame, placements: pd.DataFrame) -> np.ndarray:
    """Return the row of each count's placement, -1 for none, (n,).

    By session and zone, and by region where a zone has two sites.
    """
    here, there = numbered(["session_id", "zone"], counts, placements)
    order = np.argsort(there, kind="stable")
    first, end = (np.searchsorted(there[order], here, side=side) for side in ("left", "right"))
    place = np.full(len(counts), -1)
    is_only = (end - first == 1) & (here >= 0)
    place[is_only] = order[first[is_only]]
    names = {c: placements[c].astype(str).to_numpy(object) for c in ("site", "placement_id")}
    regions = counts["region_id"].astype(str).to_numpy(object)
    for row in np.flatnonzero((end - first > 1) & (here >= 0)):
        region = regions[row]
        for one in order[first[row] : end[row]]:
            site, code = names["site"][one], names["placement_id"][one]
            if region in (site, code) or region.endswith((f"-{site}", f"_{site}", f" {site}")):
                place[row] = one
                break
    return place


def with_earlier_readings(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Add, for a baseline in a zone planted before, the same count as the earlier session's last reading.

    The earlier session is the one planted last before, whether it was ever counted or not: an uncounted one
    in between takes the reading with it, for it grew there too.
    """
    columns = (
        "session_id session_number session_month patient_month surgeon_id team_id method holding_medium "
        "out_of_body_min placement_id area_cm2 grafts hairs roi_planted_hairs_cm2"
    ).split()
    link = _planted_last_before(records)
    at = link.index.get_indexer(pd.Index(rows["placement_id"]))
    again = np.flatnonzero((at >= 0) & rows["month"].between(BASELINE_FROM_MONTH, 0).to_numpy())
    places = pd.Index(rows["placement_id"])
    listed = np.flatnonzero(~places.duplicated() & ~places.isna())
    before = places[listed].get_indexer(pd.Index(link["earlier_id"].iloc[at[again]]))
    again, before = again[before >= 0], listed[before[before >= 0]]
    if not len(again):
        return rows
    own = {c: rows[c].take(before).array for c in columns}
    later, month = link["patient_month"].to_numpy()[at[again]], rows["month"].to_numpy()[again]
    since = month + later - rows["patient_month"].to_numpy()[before]
    added = rows.take(again).assign(**own, reads_as="earlier session", month=since)
    return pd.concat([rows, added[added["month"].gt(0)]], ignore_index=True)


def _planted_last_before(records: Records) -> pd.DataFrame:
    """Return `earlier_id`, the one planted last before in the same zone and site, by `placement_id`.

    Beside it the `patient_month` of the later one.
    """
    months = records.sessions[["session_id", "patient_month"]]
    places = beside(records.placements, months, "session_id")
    places = places[places["session_id"].isin(months["session_id"])]
    (ground,) = numbered(["patient_id", "zone", "site"], places.fillna({"site": ""}))
    order = np.lexsort((places["patient_month"].to_numpy(), ground))
    later, earlier = order[1:], order[:-1]
    is_same = (ground[later] == ground[earlier]) & (ground[later] >= 0)
    codes = places["placement_id"].array
    return pd.DataFrame(
        {
            "earlier_id": codes[earlier[is_same]],
            "patient_month": places["patient_month"].to_numpy()[later[is_same]],
        },
        index=pd.Index(codes[later[is_same]]),
    )


def with_baseline(rows: pd.DataFrame, photographs: str, *, rule: str = "nearest") -> pd.DataFrame:
    """Add the baseline of each session, zone and region: density, counted area, reader, hair length.

    Parameters
    ----------
    rule
        `nearest` takes the counts of the month nearest to 0, `mean` all from month -6 to 0.
    """
    month = rows["month"].to_numpy()
    own = rows["reads_as"].eq("own session").to_numpy()
    is_baseline = (month >= BASELINE_FROM_MONTH) & (month <= 0) & own
    is_standard = rows["standard_conditions"].fillna(True).to_numpy(dtype=bool)
    rows = rows.assign(
        counted_area_cm2=rows["roi_area_cm2"] * rows["n_fields"],
        is_baseline=is_baseline,
        is_standard=is_standard,
    )
    (series,) = numbered(SERIES, rows)
    is_before = is_baseline & rows["density_hairs_cm2"].notna().to_numpy() & (series >= 0)
    usable = np.flatnonzero(is_before if photographs == "all" else is_before & is_standard)
    latest = np.full(series.max(initial=-1) + 1, -np.inf)
    np.maximum.at(latest, series[usable], month[usable])
    taken = usable[month[usable] == latest[series[usable]]] if rule == "nearest" else usable
    # Reader, hair length, thinnest hair of repeats are the first count's, whatever the order of rows.
    taken = taken[np.lexsort((rows["count_number"].to_numpy()[taken], -month[taken]))]
    baseline = _of_series(rows.iloc[taken], series[taken])
    found = baseline.reindex(series).set_axis(rows.index)
    return pd.concat([rows, found], axis=1).assign(any_baseline=np.isin(series, series[is_before]))


def _of_series(taken: pd.DataFrame, series: np.ndarray) -> pd.DataFrame:
    """Return what the counts of each series say together, by number: means, and the first known."""
    of = taken[["density_hairs_cm2", "counted_area_cm2", "month"]].groupby(series)
    mean, area, n = of[["density_hairs_cm2", "month"]].mean(), of["counted_area_cm2"].sum(), of.size()
    marked = np.full(len(n), np.nan)
    at = n.index.get_indexer(series)
    np.fmin.at(marked, at, taken["roi_marked"].to_numpy(dtype=float, na_value=np.nan))
    known: dict[str, pd.api.extensions.ExtensionArray] = {}
    for name, column in FIRST_KNOWN.items():
        is_known = np.flatnonzero(taken[column].notna().to_numpy())[::-1]
        first = np.full(len(n), -1)
        first[at[is_known]] = is_known  # the last one written is the first in order
        known[name] = taken[column].array.take(first, allow_fill=True)
    return pd.DataFrame(
        {
            "baseline_density": mean["density_hairs_cm2"],
            "baseline_area": area,
            "baseline_month": mean["month"],
            "baseline_marked": pd.array(marked, dtype="boolean"),
            **known,
            "n_baseline": n,
        },
        index=n.index,
    )


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
    rows = beside(rows, history, "placement_id")
    is_later = rows["first_session"].notna()
    rows = rows.assign(
        is_later=is_later,
        is_overlap=rows["is_overlap"].eq(True),
        planted_before=rows["planted_before"].where(is_later, 0.0),
        maturity_month=rows["zone"].map(dictionary.MATURITY_MONTH).astype(float),
    )
    before = rows.loc[rows["is_baseline"], [*SERIES, "baseline_density"]]
    at_first = rows.loc[is_later, ["first_session", "zone", "region_id"]]
    there, here = numbered(SERIES, before, at_first.rename(columns={"first_session": "session_id"}))
    known = pd.Series(before["baseline_density"].to_numpy(), there)
    known = known[(there >= 0) & ~known.index.duplicated()]
    first = pd.Series(np.nan, rows.index)
    first[is_later] = known.reindex(here).to_numpy()
    return rows.assign(first_density=first)


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
    (place,) = numbered(["placement_id"], sessions)
    of, is_first = sessions.groupby(place, sort=False), ~pd.Index(place).duplicated()
    summed = of["planted"].sum().where(of["planted"].count().eq(of.size()))
    return pd.DataFrame(
        {
            "placement_id": sessions["placement_id"].array[is_first],
            "planted_before": summed.to_numpy(),
            "is_overlap": of["immature"].max().to_numpy(),
            "first_session": sessions["session_id_before"].array[is_first],
            "first_at": sessions["first_at"].array[is_first],
        }
    )


def placed(records: Records, error: PlantedError, *, choice: str = "best") -> pd.DataFrame:
    """Return all placements with planted density and the months of their sessions."""
    months = records.sessions[["session_id", "register_month", "patient_month"]]
    months = months.rename(columns={"register_month": "session_month"})
    placements = planted_density(records.placements, error, choice=choice)
    placements = placements[placements["session_id"].isin(months["session_id"])]
    return beside(placements.reset_index(drop=True), months, "session_id")


def on_the_same_ground(placements: pd.DataFrame) -> pd.DataFrame:
    """Return every placement with each earlier one whose ground it shares (its columns: `..._before`)."""
    return followup.same_ground(placements, carried=("session_month", "planted_hairs_cm2"))


def sessions_before(pairs: pd.DataFrame, **more: tuple[str, str]) -> pd.DataFrame:
    """Return one row per placement and session before it: its sites' mean planted density, and `more`.

    The density is unknown where that of one site is.
    """
    (key,) = numbered(["placement_id", "session_id_before"], pairs)
    of, is_first = pairs.groupby(key, sort=False), ~pd.Index(key).duplicated()
    known = of["planted_hairs_cm2_before"].count().eq(of.size())
    return pd.DataFrame(
        {
            "placement_id": pairs["placement_id"].array[is_first],
            "session_id_before": pairs["session_id_before"].array[is_first],
            "planted": of["planted_hairs_cm2_before"].mean().where(known).to_numpy(),
            **{name: getattr(of[column], how)().array for name, (column, how) in more.items()},
        }
    )


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
