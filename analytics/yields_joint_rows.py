"""Which sessions had planted a region by the time it was counted, how long before, and how densely?

The arrays of the joint view (`yields_joint`), from rows of `yields.by_visit` that may serve it. Only zones in
which some region was planted again before it was mature are laid out; there, regions planted once are kept
beside the others. Planted densities from a zone average are multiplied by the clinic's mean ratio of region
over zone. A session's deviation is the wider, the less its planted density is known: its size beside that
of a session counted in the region is set by the two errors and by PLACEMENT_SD. Repeated counts of one
attendance are averaged, the error of one kept.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import yields_link, yields_native
from analytics.records import Records
from analytics.yields_planted import planted_error

NO_OVERLAP = (
    "no region was planted again before its earlier session was mature and counted since; every reading "
    "belongs to one session and stands in its own yield"
)
NO_DENSITY = "every region planted again carries a session whose planted density is not known"
REGION = ["patient_id", "zone", "region_id"]
# Points of plateau between placements of a patient, and a plateau, to weigh the errors of planted densities
# against each other (assumed; the size of the whole is estimated).
PLACEMENT_SD = 6.0
PLATEAU = 85.0


@dataclass(frozen=True, slots=True)
class JointRows:
    """Arrays of the joint view, one entry a count; sessions stand side by side, (n, s), earliest first.

    `spread` is the size of a session's deviation beside that of one counted in the region (1). `is_first`
    marks counts before any planting; `overlaps` has one row a region planted again too early and counted
    since: its code, number, and the row of its last count.
    """

    y: np.ndarray
    kept: np.ndarray
    planted: np.ndarray
    months: np.ndarray
    spread: np.ndarray
    zone: np.ndarray
    patient: np.ndarray
    region: np.ndarray
    is_first: np.ndarray
    counting: tuple[np.ndarray, np.ndarray, np.ndarray]
    zones: tuple[str, ...]
    n_regions: int
    n_unknown: int
    overlaps: pd.DataFrame

    @property
    def n_overlaps(self) -> int:
        """Return how many regions carry overlapping sessions."""
        return len(self.overlaps)


def prepare(
    visits: pd.DataFrame, records: Records, *, native_change: str, annual_loss_pct: float
) -> JointRows | str:
    """Return the rows of the joint view in arrays; where no region may be in it, why not, in words."""
    usable = visits[visits["for_joint"] & visits["density"].notna() & visits["reads_as"].eq("own session")]
    usable = usable[usable["zone"].isin(_zones_with_overlap(usable))]
    if usable.empty:
        return NO_OVERLAP
    rows = _averaged(usable)
    plantings = _plantings(rows, records)
    rows, (planted, months, spread), n_unknown = _side_by_side(rows, plantings)
    if rows.empty:
        return f"{NO_DENSITY}: {n_unknown} region(s)"
    now = rows["register_month"].to_numpy(dtype=float)
    span = (rows["first_at"].to_numpy(dtype=float), now)
    kept = yields_native.path(rows, records, span, native_change, annual_loss_pct).factor
    zones = tuple(sorted(rows["zone"].unique()))
    region = rows.groupby(REGION, sort=False).ngroup().to_numpy()
    overlaps = _overlaps(rows, region, months)
    if overlaps.empty:
        return f"{NO_DENSITY}: {n_unknown} region(s)"
    return JointRows(
        y=rows["density"].to_numpy(dtype=float),
        kept=kept,
        planted=planted,
        months=months,
        spread=spread,
        zone=rows["zone"].map({z: k for k, z in enumerate(zones)}).to_numpy(dtype=int),
        patient=pd.factorize(rows["patient_id"])[0],
        region=region,
        is_first=np.max(months, axis=1) <= 0,
        counting=(
            rows["counted_area_cm2"].to_numpy(dtype=float),
            rows["both_marked"].to_numpy(dtype=bool),
            (rows["reader_changed"] & ~rows["is_baseline"]).to_numpy(dtype=bool),
        ),
        zones=zones,
        n_regions=len(np.unique(region[(months > 0).any(axis=1)])),
        n_unknown=n_unknown,
        overlaps=overlaps,
    )


def numbered(used: pd.DataFrame, laid: JointRows) -> pd.DataFrame:
    """Return the rows of `by_visit` with the number of the overlap each belongs to, empty where to none."""
    names = laid.overlaps[[*REGION, "overlap"]]
    marked = used.merge(names, on=REGION, how="left", validate="many_to_one")
    return marked.assign(overlap=marked["overlap"].fillna(""))


def _zones_with_overlap(rows: pd.DataFrame) -> set[str]:
    since = rows["is_overlap"] & rows["month"].gt(0)
    return set(rows.loc[since, "zone"])


def _averaged(rows: pd.DataFrame) -> pd.DataFrame:
    key = ["placement_id", "region_id", "month"]
    mean = rows.groupby(key, sort=False)["density"].transform("mean")
    rows = rows.assign(density=mean)[~rows.duplicated(key)]
    return rows.sort_values([*REGION, "register_month", "month"]).reset_index(drop=True)


def _plantings(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Return, for each counted placement, every session that had planted its ground, its own too."""
    error = planted_error(records)
    placed = yields_link.placed(records, error)
    placed["planted_hairs_cm2"] *= placed["planted_ratio"]
    placed["spread"] = np.hypot(PLACEMENT_SD, PLATEAU * placed["planted_cv"]) / np.hypot(
        PLACEMENT_SD, PLATEAU * error.region_cv
    )
    pairs = yields_link.on_the_same_ground(placed)
    of_session = ["session_id", "patient_month", "session_month", "planted_hairs_cm2", "spread"]
    own = placed.rename(columns={c: f"{c}_before" for c in of_session})
    pairs = pairs.merge(
        placed[["placement_id", "spread"]].add_suffix("_before"),
        on="placement_id_before",
        validate="many_to_one",
    )
    columns = ["placement_id", *(f"{c}_before" for c in of_session)]
    both = pd.concat([pairs[columns], own[columns]])
    both = both[both["placement_id"].isin(rows["placement_id"])]
    a_session = yields_link.sessions_before(
        both,
        planted_in=("patient_month_before", "first"),
        planted_at=("session_month_before", "first"),
        spread=("spread_before", "max"),
    )
    a_session = a_session.sort_values(["placement_id", "planted_in", "session_id_before"])
    return a_session.assign(slot=a_session.groupby("placement_id").cumcount())


def _side_by_side(
    rows: pd.DataFrame, plantings: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[np.ndarray, np.ndarray, np.ndarray], int]:
    """Return rows whose sessions are all known; planted density, months since and spread of each, (n, s)."""
    wide = plantings.pivot(index="placement_id", columns="slot", values=["planted", "planted_in", "spread"])
    known = plantings["planted"].notna().groupby(plantings["placement_id"]).all()
    is_known = rows["placement_id"].map(known).to_numpy(dtype=bool)
    n_unknown = len(rows.loc[~is_known, REGION].drop_duplicates())
    rows = rows[is_known].reset_index(drop=True)
    mine = wide.loc[rows["placement_id"]]
    planted = mine["planted"].fillna(0.0).to_numpy(dtype=float)
    planted_in = mine["planted_in"].to_numpy(dtype=float)
    time = (rows["patient_month"] + rows["month"]).to_numpy(dtype=float)
    months = np.nan_to_num(time[:, None] - planted_in, nan=0.0)
    is_own = np.isclose(planted_in, rows["patient_month"].to_numpy(dtype=float)[:, None])
    months = np.where(
        is_own & rows["is_baseline"].to_numpy(dtype=bool)[:, None], 0.0, np.maximum(months, 0.0)
    )
    first = plantings[plantings["slot"].eq(0)].set_index("placement_id")["planted_at"]
    spread = mine["spread"].fillna(1.0).to_numpy(dtype=float)
    return rows.assign(first_at=rows["placement_id"].map(first)), (planted, months, spread), n_unknown


def _overlaps(rows: pd.DataFrame, region: np.ndarray, months: np.ndarray) -> pd.DataFrame:
    """Return one row a region that carries overlapping sessions: its last count and its number."""
    last = months[np.arange(len(rows)), np.maximum((months > 0).sum(axis=1) - 1, 0)]
    since = rows["is_overlap"] & ~rows["is_baseline"] & (last > 0)
    frame = rows.assign(code=region, row=np.arange(len(rows)))[since.to_numpy()]
    found = frame.groupby("code", as_index=False).last()
    number = found.groupby("zone").cumcount() + 1
    return found[["code", "row", *REGION]].assign(overlap="overlap " + number.astype(str))
