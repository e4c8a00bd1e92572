"""What is known of one person when somebody sits in the chair: sessions, places counted, and how it was done.

Read from the register as text and narrowed to the person, so that the answer does not wait for the register.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import pandas as pd
import pyarrow as pa

from analytics import records
from analytics.dictionary import TABLES, Raw, RawTable
from analytics.errors import ParameterError

REMEMBERED = (
    "roi_area_cm2",
    "n_fields",
    "roi_marked",
    "reader_id",
    "device_class",
    "hair_length",
    "thinnest_counted_um",
)


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the scalp that is counted: its zone, region, the session it is timed from.

    `months_more` is what is added to the months since the latest session; `remembered` the cells of the last
    count there, or of the person's or the register's last one.
    """

    zone: str
    region_id: str
    region_kind: str
    session_id: str
    months_more: float = 0.0
    remembered: Mapping[str, str] = field(default_factory=dict)
    last: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Case:
    """One person of the register: `tables` holds the person's rows as text, one frame per table.

    `sessions` are the ids in order, `places` those of the last session. `keeps_visits` tells whether the
    register has a table of visits that is filled in.
    """

    patient_id: str
    tables: Mapping[str, pd.DataFrame]
    sessions: tuple[str, ...]
    places: tuple[Place, ...]
    keeps_visits: bool

    @property
    def is_new(self) -> bool:
        """Return True for a person who is not in the register yet."""
        return self.tables["patients"].empty

    @cached_property
    def told(self) -> dict[tuple[str, str, str], int]:
        """How often the rules name each fault (table, column, code) of these rows already."""
        if self.is_new:
            return {}
        found = records.check_raw(as_raw(self.tables))
        return {(p.table, p.column, p.code): p.count for p in (*found.problems, *found.warnings)}


def case_of(data: str | Path, patient_id: str, *, whole: Mapping[str, pd.DataFrame] | None = None) -> Case:
    """Return what the register holds of one person; a person it does not know is a new one.

    Parameters
    ----------
    data
        The register.
    patient_id
        Code of the person.
    whole
        Of `register`, where the caller has it: a register is not read anew for each person.

    Returns
    -------
    Case
        The person's rows by table as text, sessions in order, places of the last session.

    Raises
    ------
    RecordError
        When the register cannot be read.
    ParameterError
        When no code is given.

    Examples
    --------
    A person whom the register does not know:

    >>> case_of("data_demo", "nobody").sessions
    ()
    """
    if not patient_id.strip():
        raise ParameterError("entry: no code of a patient was given; type it as the register has it")
    whole = register(data) if whole is None else whole
    tables = _of_person(whole, patient_id.strip())
    sessions = _in_order(tables["sessions"])
    has_visits = not whole["visits"].empty or whole["measurements"].empty
    return Case(
        patient_id.strip(),
        tables,
        tuple(sessions["session_id"]),
        _places(tables, sessions, whole["measurements"]),
        has_visits and "visits" in whole["present"].to_numpy(),
    )


def register(data: str | Path) -> dict[str, pd.DataFrame]:
    """Return every table of a register as text, with all columns; `present` names those that are there."""
    raw = records.readers.read(data)
    if raw.origin:
        raise ParameterError(
            f"{Path(data).name}: this register is typed on one sheet; an entry goes into a sheet for each "
            "table; type the new rows or counts into the one sheet, or let regrowth template NEW.xlsx --from "
            "it write such a register, and add to that"
        )
    out = {}
    for name, table in TABLES.items():
        frame = raw.tables[name].frame() if name in raw.tables else pd.DataFrame()
        frame.columns = [str(c).strip().casefold() for c in frame.columns]
        asked = [c.name for c in table.asked()]
        out[name] = frame.reindex(columns=asked, fill_value="").fillna("").map(str.strip)
    out["present"] = pd.DataFrame({"table": sorted(raw.tables)}, dtype=object)
    return out


def as_raw(tables: Mapping[str, pd.DataFrame]) -> Raw:
    """Return frames of text as tables to be checked; an optional table without rows is left away."""
    made = {}
    for name, table in TABLES.items():
        frame = tables.get(name, pd.DataFrame())
        if len(frame) or not table.optional:
            frame = frame.reindex(columns=[c.name for c in table.asked()], fill_value="")
            cells = tuple(pa.array(frame[c].astype(str).tolist(), pa.string()) for c in frame.columns)
            made[name] = RawTable(tuple(frame.columns), cells, "the entry", "")
    return Raw(made)


def _of_person(whole: Mapping[str, pd.DataFrame], patient_id: str) -> dict[str, pd.DataFrame]:
    own = whole["sessions"].loc[whole["sessions"]["patient_id"].eq(patient_id), "session_id"]
    out = {}
    for name in TABLES:
        frame = whole[name]
        by = "patient_id" if "patient_id" in frame.columns else "session_id"
        is_own = frame[by].eq(patient_id) if by == "patient_id" else frame[by].isin(own)
        out[name] = frame[is_own].reset_index(drop=True)
    return out


def _in_order(sessions: pd.DataFrame) -> pd.DataFrame:
    """Return sessions in order, each with `since_first`, the months since the person's first."""
    month = pd.to_numeric(sessions["register_month"], errors="coerce")
    own = pd.to_numeric(sessions["patient_month"], errors="coerce").fillna(month - month.min())
    return sessions.assign(since_first=own).sort_values("since_first", kind="stable").reset_index(drop=True)


def _places(
    tables: Mapping[str, pd.DataFrame], sessions: pd.DataFrame, all_counts: pd.DataFrame
) -> tuple[Place, ...]:
    """Return the places to count: the regions of each zone that the last session planted, then the others."""
    if sessions.empty:
        return ()
    since = dict(zip(sessions["session_id"], sessions["since_first"], strict=True))
    last_session = sessions["session_id"].iloc[-1]
    order = {s: i for i, s in enumerate(sessions["session_id"])}
    planted = tables["placements"].assign(at=tables["placements"]["session_id"].map(order))
    planted = planted.sort_values("at", kind="stable").drop_duplicates("zone", keep="last")
    planted = planted.sort_values("at", ascending=False, kind="stable")
    counts = tables["measurements"]
    found = []
    for row in planted.itertuples():
        here = counts[counts["zone"].eq(row.zone) & ~counts["region_kind"].isin(["unplanted", "donor"])]
        regions = list(dict.fromkeys(here["region_id"].where(here["region_id"].ne(""), row.zone))) or [
            row.zone
        ]
        for region in regions:
            of_region = here[here["region_id"].where(here["region_id"].ne(""), row.zone).eq(region)]
            kind = _last(of_region, "region_kind") or "planted"
            more = float(since[last_session] - since[row.session_id])
            found.append(
                Place(
                    row.zone,
                    region,
                    kind,
                    row.session_id,
                    0.0 if pd.isna(more) else more,
                    _remembered(of_region, counts, all_counts),
                    {} if of_region.empty else of_region.iloc[-1].to_dict(),
                )
            )
    return tuple(found)


def _remembered(*frames: pd.DataFrame) -> dict[str, str]:
    """Return the cells that stay from count to count, each from the first frame that has it."""
    return {c: next((v for f in frames if (v := _last(f, c))), "") for c in REMEMBERED}


def _last(frame: pd.DataFrame, column: str) -> str:
    known = frame.loc[frame[column].ne(""), column]
    return "" if known.empty else str(known.iloc[-1])
