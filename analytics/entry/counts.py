"""Counts from a table kept by hand, or from any counting tool: rows the register lacks are added.

A small file (TOML), written once per kind of export and corrected by a person, says by header what each
column holds. Each row of the table is then added, there already, in conflict with what the register says, or
set aside with its reason; nothing in the register is written over. Chart numbers become codes, dates become
months; neither is kept.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from analytics import mapping
from analytics.dictionary import TABLES
from analytics.entry.case import Case, case_of, register
from analytics.entry.changes import Change, is_same
from analytics.entry.exports import ASIDE, MEASURED, Export, read_table
from analytics.entry.look import look, with_changes
from analytics.entry.rows import text_of
from analytics.errors import ParameterError
from analytics.identifiers import code
from analytics.mapping import values

ADDED, THERE, CONFLICT = "added", "there already", "in conflict"


@dataclass(frozen=True, slots=True)
class Import:
    """What becomes of a table: `rows` has one row per row read (row, fate, reason), `cells` their number.

    `conflicts` sets both sides beside one another: row, patient_id, zone, month, column, in the register, in
    the file. `changes` are what would be written.
    """

    rows: pd.DataFrame
    conflicts: pd.DataFrame
    changes: tuple[Change, ...]
    cells: Mapping[str, int]
    set_aside: pd.DataFrame

    def text(self) -> str:
        """Return the account as lines to read."""
        lines = [f"{len(self.rows)} rows read:"]
        lines += [f"  {n:>6}  {fate}" for fate, n in self.rows["fate"].value_counts(sort=False).items()]
        for reason, n in self.rows.loc[self.rows["reason"].ne(""), "reason"].value_counts().items():
            lines.append(f"  {'':>6}  {n} because: {reason}")
        lines += ["", f"{sum(self.cells.values())} cells read:"]
        lines += [f"  {n:>6}  {what}" for what, n in self.cells.items()]
        return "\n".join(lines)


def import_counts(
    data: str | Path, source: str | Path, export: Export, *, key_file: str | Path | None = None
) -> Import:
    """Return what becomes of every row of an export; nothing is written (`journal.record` writes `changes`).

    Parameters
    ----------
    data
        The register.
    source
        The export: a text file, workbook or file of JSON lines.
    export
        Of `read_export`.
    key_file
        The clinic's key, where the export holds chart numbers.

    Raises
    ------
    RecordError
        When the file or the register cannot be read.
    ParameterError
        When the header lacks a declared column, or a key is needed.
    """
    names, rows = read_table(source)
    absent = [h for h, t in export.columns.items() if t != ASIDE and h not in names]
    if absent:
        raise ParameterError(
            f"{Path(source).name}: {len(absent)} declared columns are not in its header, the first "
            f"{absent[0]!r}; correct the file of columns, or propose again"
        )
    if "chart_number" in export.columns.values() and key_file is None:
        raise ParameterError("import: the file holds chart numbers; name the clinic's key with --key-file")
    whole = register(data)
    known = set(whole["patients"]["patient_id"])
    out = _Account(names, export)
    by_person: dict[str, list[_Row]] = {}
    for number, row in rows_of(rows):
        read, reason = _read_row(names, row, export, key_file)
        if not reason and read["patient_id"] not in known:
            reason = "the person is not in the register; enter the session first"
        if reason:
            out.say(_Fate(number, row, ASIDE, reason))
        else:
            by_person.setdefault(read["patient_id"], []).append((number, row, read))
    for fate in _placed({person: case_of(data, person, whole=whole) for person in by_person}, by_person):
        out.say(fate)
    return out.done()


def rows_of(rows: list[list[object]]) -> list[tuple[int, list[object]]]:
    """Return the rows that hold something, each with its number in the file (the header is row 1)."""
    return [(i, row) for i, row in enumerate(rows, start=2) if any(c != "" for c in row)]


_Row = tuple[int, list[object], dict[str, str]]  # number in the file, its cells, what they hold


@dataclass(frozen=True, slots=True)
class _Fate:
    """What becomes of one row: added (with its change), there already, in conflict (two sides), or aside."""

    number: int
    row: list[object]
    fate: str
    reason: str = ""
    change: Change | None = None
    differing: tuple[tuple, ...] = ()


def _placed(cases: Mapping[str, Case], rows: Mapping[str, Sequence[_Row]]) -> list[_Fate]:
    """Return the fate of every person's rows: looked at together, one by one where a rule speaks against."""
    together = [f for who, case in cases.items() for f in _in_turn(case, rows[who], is_looked_at=False)]
    changes = [fate.change for fate in together if fate.change is not None]
    if not changes or look(_joined(cases.values()), changes).is_usable:
        return together
    return [f for who, case in cases.items() for f in _in_turn(case, rows[who], is_looked_at=True)]


def _joined(cases: Iterable[Case]) -> Case:
    """Return the rows of several persons as one case, for the rules to look at."""
    several = list(cases)
    tables = {name: pd.concat([c.tables[name] for c in several], ignore_index=True) for name in TABLES}
    return Case("", tables, (), (), keeps_visits=False)


def _in_turn(case: Case, rows: Sequence[_Row], *, is_looked_at: bool) -> list[_Fate]:
    """Return the fate of each row, given those before it."""
    out = []
    for number, row, read in rows:
        change, fate, reason, differing = _against(case, dict(read))
        if change is not None and is_looked_at and not (found := look(case, [change])).is_usable:
            change, fate, reason = None, ASIDE, found.problems[0].sentence()
        if change is not None:
            case = replace(case, tables=with_changes(case.tables, [change]))
        out.append(_Fate(number, row, fate, reason, change, tuple(differing)))
    return out


class _Account:
    """What became of each row, in the order of the file."""

    def __init__(self, names: list[str], export: Export) -> None:
        self._names, self._export = names, export
        self._fates: list[_Fate] = []

    def say(self, fate: _Fate) -> None:
        """Note the fate of one row."""
        self._fates.append(fate)

    def done(self) -> Import:
        """Return the account."""
        fates = sorted(self._fates, key=lambda f: f.number)
        sides = ["row", "patient_id", "zone", "month", "column", "in the register", "in the file"]
        aside = [[f.number, f.reason or f.fate, *f.row] for f in fates if f.fate in (ASIDE, CONFLICT)]
        return Import(
            pd.DataFrame([(f.number, f.fate, f.reason) for f in fates], columns=["row", "fate", "reason"]),
            pd.DataFrame([(f.number, *d) for f in fates for d in f.differing], columns=sides),
            tuple(f.change for f in fates if f.change is not None),
            dict(Counter(self._of_cells(fates))),
            pd.DataFrame(aside, columns=["row", "reason", *self._names]),
        )

    def _of_cells(self, fates: Iterable[_Fate]) -> Iterator[str]:
        """Give what became of each cell that holds something."""
        for f in fates:
            for name, cell in zip(self._names, f.row, strict=True):
                if cell != "":
                    is_left = self._export.columns.get(name, ASIDE) == ASIDE
                    yield "in columns set aside" if is_left else f"in rows {f.fate}"


def _read_row(
    names: list[str], row: list[object], export: Export, key_file: str | Path | None
) -> tuple[dict[str, str], str]:
    """Return the cells of a row by what they hold, as text; and why it cannot be read."""
    read: dict[str, Any] = {}
    for name, cell in zip(names, row, strict=True):
        target = export.columns.get(name, ASIDE)
        is_word = isinstance(cell, str) and cell.strip().casefold() in {
            m.casefold() for m in export.reading.missing
        }
        if target == ASIDE or cell == "" or is_word:
            continue
        value = _value(target, cell, export, export.units.get(name, ""))
        if isinstance(value, values.Fault):
            return (
                {},
                f"{name}: {values.FAULTS[value.code]['one'] if value.code in values.FAULTS else value.code}",
            )
        read[target] = value
    read = {**export.always, **read}
    if "chart_number" in read:
        read["patient_id"] = code(str(read.pop("chart_number")), str(key_file))
    reason = _timed(read) or _counted(read)
    lacks = next((t for t in ("patient_id", "zone") if not read.get(t)), "")
    return read, reason or (f"{lacks} is empty" if lacks else "")


def _value(target: str, cell: object, export: Export, unit: str) -> Any:
    """Return the value of one cell, or its fault."""
    if target in ("patient_id", "chart_number", "reader_id", "region_id"):
        return values.code(cell)
    if target in ("date", "session_date"):
        return values.date(cell, export.reading)
    if target == "zone":
        return values.word(cell, dict(export.zones))
    column = MEASURED.get(target)
    if column is None or column.kind in ("number", "integer"):
        wanted = "cm2" if target == "counted_area_cm2" else column.unit if column else ""
        number = values.number(cell, export.reading, unit=wanted, given_unit=unit)
        return number if isinstance(number, values.Fault) else text_of(number, decimals=4)
    if column.kind == "yesno":
        answer = values.yes_or_no(cell)
        return answer if isinstance(answer, values.Fault) else str(answer)
    return str(values.tidy(cell))


def _timed(read: dict[str, Any]) -> str:
    """Put the month in place of two dates; return why it cannot be told."""
    end, start = read.pop("date", None), read.pop("session_date", None)
    if "month" not in read:
        if end is None or start is None:
            return "the month, or one of the two dates, is empty"
        read["month"] = text_of(mapping.months_between(start, end))
    return ""


def _counted(read: dict[str, Any]) -> str:
    """Put the density in place of hairs and area; return why it cannot be told."""
    area, hairs = read.pop("counted_area_cm2", ""), read.pop("hairs", "")
    one, n = read.get("roi_area_cm2", ""), read.get("n_fields", "1")
    if area and not one:
        read["roi_area_cm2"] = text_of(float(area) / float(n), decimals=4)
    if "density_hairs_cm2" in read:
        return ""
    counted = float(area or 0) or float(one or 0) * float(n)
    if not hairs or not counted:
        return "the density is empty, and hairs with their area are not both there"
    read["density_hairs_cm2"] = text_of(float(hairs) / counted, decimals=2)
    return ""


def _against(case: Case, read: dict[str, str]) -> tuple[Change | None, str, str, list[tuple]]:
    """Return the row to be added, or why none is, and the two sides of what differs."""
    number = read.pop("session_number", "")
    session = _session_of(case, read["zone"], number)
    if not session:
        return None, ASIDE, "the person has no such session in the register", []
    place = next((p for p in case.places if p.zone == read["zone"] and p.session_id == session), None)
    kept = {c: text for c, text in (place.remembered if place else {}).items() if text}
    usual = {"n_fields": "1", "roi_marked": "False", "standard_conditions": "True"}
    region = read.get("region_id") or (place.region_id if place else read["zone"])
    row = {**usual, **kept, **read, "session_id": session, "region_id": region}
    there = case.tables["measurements"]
    same = there[
        there["zone"].eq(row["zone"])
        & there["session_id"].eq(session)
        & there["region_id"].where(there["region_id"].ne(""), there["zone"]).eq(region)
        & pd.to_numeric(there["month"], errors="coerce").eq(float(row["month"]))
    ]
    return _beside(case, row, read, same)


def _beside(case: Case, row: dict[str, str], read: Mapping[str, str], same: pd.DataFrame) -> tuple:
    """Return what a row is beside counts of the same place and month."""
    told = [c for c in read if c in MEASURED and c != "count_number"]
    differing = []
    for other in same.to_dict("records"):
        apart = [c for c in told if other[c] != "" and not is_same(other[c], read[c], MEASURED[c])]
        if not apart:
            return None, THERE, "", []
        by_another = "reader_id" in apart
        if not by_another and row.get("count_number", other["count_number"] or "1") == (
            other["count_number"] or "1"
        ):
            differing += [(case.patient_id, row["zone"], row["month"], c, other[c], read[c]) for c in apart]
    if differing:
        return None, CONFLICT, "the register holds another value for this count", differing
    row.setdefault("count_number", str(len(same) + 1))
    return Change("measurements", None, row), ADDED, "", []


def _session_of(case: Case, zone: str, number: str) -> str:
    """Return the session a count is timed from: the one named, else the latest that planted its zone."""
    sessions = case.tables["sessions"]
    if number:
        named = sessions.loc[pd.to_numeric(sessions["session_number"], errors="coerce").eq(float(number))]
        return "" if named.empty else str(named["session_id"].iloc[0])
    planted = set(case.tables["placements"].loc[case.tables["placements"]["zone"].eq(zone), "session_id"])
    after = [s for s in case.sessions if s in planted]
    return (after or list(case.sessions) or [""])[-1]
