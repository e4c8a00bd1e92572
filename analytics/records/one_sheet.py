"""The four tables from one sheet, a row a planted zone with its counts: the short way to type a register.

What is said of a person or a session may stand on any of their rows; codes of sessions and placements, the
number of a session and the grafts discarded (taken out less planted) are made here. What the sheet cannot say
(repeats, controls, the donor, two operations of one person in one month) needs the sheets of the tables.
A problem of the tables is told at the row and column of the sheet (`Raw.origin`).
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.dictionary import TABLES, Column, Raw, with_own, zones
from analytics.errors import Problem, RecordError, Sentence, at_rows, that_stop
from analytics.records import rules
from analytics.records.derive import counted
from analytics.records.typed import typed


def unfolded(raw: Raw, own: Mapping[str, tuple[Column, ...]]) -> Raw:
    """Return the tables of a workbook that has the one sheet in place of the four.

    Raises
    ------
    RecordError
        When the sheet breaks the dictionary; every problem of it is told.
    """
    given = raw.tables[zones.SHEET]
    as_text, whole = given.frame(), zones.table(own)
    as_text.columns = [str(name).strip().casefold() for name in as_text]
    problems, _ = rules.structure.header(given, whole, raw.allowed)
    read = typed(given, whole)
    frame, of_cells = rules.columns.check(read.frame[~read.is_empty], whole)
    problems += [rules.structure.without_rows(whole)] if read.is_empty.all() else []
    problems += [_twice(name) for name in zones.FOUR if name in raw.tables]
    if not that_stop(problems):
        problems += [*read.problems, *of_cells]
        problems += [] if that_stop(problems) else _across(frame)
    stops = that_stop([*raw.problems, *problems])
    if stops:
        raise RecordError("\n".join(p.sentence() for p in stops), stops)
    made, origin = _tables(as_text.loc[frame.index], frame, own)
    tables = {name: replace(given, **_cells(rows)) for name, rows in made.items()}
    others = {name: t for name, t in raw.tables.items() if name != zones.SHEET}
    left = [p for p in problems if p.code in ("month_alone", "unknown_column")]
    return replace(raw, tables=tables | others, problems=(*raw.problems, *left), origin=origin)


def _twice(name: str) -> Problem:
    what = f"the workbook has this sheet and the sheet {zones.SHEET}"
    action = f"take one of the two sheets out ({zones.SHEET} holds all four tables)"
    return Problem(name, "", 1, None, "a row is typed once", action, code="two_forms", what=(what, what))


def _across(frame: pd.DataFrame) -> list[Problem]:
    """Return what is wrong between the cells of the sheet."""
    problems = at_rows(
        frame,
        frame.assign(site=frame["site"].fillna("whole")).duplicated(list(zones.ROW)),
        f"{zones.SHEET}.zone",
        "zone_twice",
        Sentence(
            "row repeats person, month, zone and side of an earlier row",
            "rows repeat person, month, zone and side of an earlier row",
            "one row is one zone planted in one session",
            "mend the code, the month or the zone; two operations of one person in one month are typed into "
            "the sheets of regrowth template",
        ),
    )
    for keys, thing in ((zones.SESSION[:1], "patients"), (zones.SESSION, "sessions")):
        for name in _columns_of(thing, frame):
            first = frame.groupby(list(keys))[name].transform("first")
            differs = frame[name].notna() & frame[name].ne(first)
            problems += at_rows(frame, differs, f"{zones.SHEET}.{name}", "differs", _differs(thing[:-1]))
    return problems + _of_counts(frame) + _more_planted(frame)


def _of_counts(frame: pd.DataFrame) -> list[Problem]:
    """Return what is wrong with counts and their months."""
    problems: list[Problem] = []
    earlier = [frame[zones.BEFORE].mask(frame[zones.BEFORE].notna(), 0.0)]
    for month, name in zones.PAIRS:
        is_counted, is_dated = frame[name].notna(), frame[month].notna()
        again = is_counted & np.logical_or.reduce([frame[month].eq(e) for e in earlier])
        earlier.append(frame[month].where(is_counted))
        for wrong, where, code, sentence in (
            (is_counted & ~is_dated, month, "no_month", NO_MONTH),
            (is_dated & ~is_counted, name, "month_alone", NO_COUNT),
            (again, month, "month_twice", MONTH_TWICE),
        ):
            problems += at_rows(frame, wrong, f"{zones.SHEET}.{where}", code, sentence)
    has_count = frame[[zones.BEFORE, *(density for _, density in zones.PAIRS)]].notna().any(axis=1)
    for name in zones.OF_A_COUNT:
        where = f"{zones.SHEET}.{name}"
        problems += at_rows(frame, has_count & frame[name].isna(), where, "no_fact", NO_FACT)
    return problems


def _columns_of(thing: str, frame: pd.DataFrame) -> list[str]:
    """Return the columns of the sheet that belong to patients or sessions, their keys apart."""
    earlier = TABLES["patients"].names() if thing == "sessions" else []
    known = [n for n in frame if n in TABLES[thing].names() and n not in earlier]
    return [n for n in known if n not in zones.SESSION]


def _differs(thing: str) -> Sentence:
    return Sentence(
        f"cell says another thing than an earlier row of the same {thing}",
        f"cells say another thing than an earlier row of the same {thing}",
        f"what is said of a {thing} is the same on all its rows, or stands on one of them",
        "mend the cell, or leave it empty",
    )


NO_MONTH = Sentence(
    "count without its month",
    "counts without their month",
    "a count has its month beside it",
    "write the months since the session, to one decimal",
)
NO_COUNT = Sentence(
    "month without a count",
    "months without a count",
    "a month alone says nothing and was left out",
    "write the count, or clear the month",
    "warning",
)
MONTH_TWICE = Sentence(
    "count has the month of another count of its row",
    "counts have the month of another count of their row",
    "a row holds one count of a month",
    "mend the month; repeated counts are typed into the sheets of regrowth template",
)
NO_FACT = Sentence(
    "cell is empty in a row with counts",
    "cells are empty in rows with counts",
    "every count says how it was made",
    "fill the column down to the last row",
)
MORE_PLANTED = Sentence(
    "session has more grafts planted than taken out",
    "sessions have more grafts planted than taken out",
    "the zones of a session share the grafts taken out; those not planted were discarded",
    "mend grafts_out or the grafts of a zone",
)


def _planted(frame: pd.DataFrame) -> pd.Series:
    """Return the grafts planted in the session of each row."""
    by_size, _ = counted(frame)
    return frame["grafts"].fillna(by_size).groupby([frame[k] for k in zones.SESSION]).transform("sum")


def _more_planted(frame: pd.DataFrame) -> list[Problem]:
    taken = frame.groupby(list(zones.SESSION))["grafts_out"].transform("first")
    wrong = (_planted(frame) > taken) & ~frame.duplicated(list(zones.SESSION))
    return at_rows(frame, wrong, f"{zones.SHEET}.grafts_out", "more_planted", MORE_PLANTED)


Rows = list[dict[str, str]]
Origin = tuple[tuple[int, Mapping[str, str]], ...]


def _tables(text: pd.DataFrame, frame: pd.DataFrame, own: Mapping) -> tuple[dict[str, Rows], dict]:
    """Return the rows of the four tables as text, and where each stands on the sheet."""
    number = frame.groupby("patient_id")["register_month"].rank("dense").astype(int)
    first = frame.groupby(list(zones.SESSION))["grafts_out"].transform("first")
    discarded = first - _planted(frame)
    made: dict[str, Rows] = {name: [] for name in zones.FOUR}
    stands: dict[str, list] = {name: [] for name in made}
    seen: dict[tuple, dict[str, str]] = {}
    for at, cells in zip(frame.index, text.fillna("").to_dict("records"), strict=True):
        row = {str(k): str(v).strip() for k, v in cells.items()}
        row |= {"patient_id": frame.at[at, "patient_id"], "zone": frame.at[at, "zone"]}  # of one spelling
        session = f"{row['patient_id']}-{number[at]}"
        site = row.get("site", "") or "whole"
        side = "" if site == "whole" else f"-{site}"
        lost = "" if pd.isna(discarded[at]) else str(int(discarded[at]))
        codes = {"session_id": session, "session_number": str(number[at]), "grafts_discarded": lost}
        codes["placement_id"] = f"{session}-{row['zone']}{side}"
        codes["region_id"] = row.get("region_id", "") or f"{row['zone']}{side}"
        row |= codes
        for name, key in (("patients", row["patient_id"]), ("sessions", session)):
            once = seen.setdefault((name, key), {})
            if not once:
                made[name].append(once)
                stands[name].append((at + 2, {n: n for n in row}))
            for column in _given(name, row, own):
                once[column] = once.get(column, "") or row.get(column, "")
        made["placements"].append({c: row.get(c, "") for c in _given("placements", row, own)})
        stands["placements"].append((at + 2, {n: n for n in row}))
        for month, density in _counts(row):
            count = {c: row.get(c, "") for c in _given("measurements", row, own)}
            count |= {zones.MONTH: row.get(month, "0"), zones.DENSITY: row[density]}
            made["measurements"].append(count)
            named = {n: n for n in row} | {zones.MONTH: month, zones.DENSITY: density}
            stands["measurements"].append((at + 2, named))
    return made, {name: tuple(places) for name, places in stands.items()}


def _given(name: str, row: Mapping[str, str], own: Mapping) -> list[str]:
    """Return the columns of a table that the sheet gives, and those that always stand there."""
    shared = TABLES["patients"].names() if name == "measurements" else []
    shared = TABLES["sessions"].names() if name == "placements" else shared
    asked = with_own(own, name).asked()
    keys = ("patient_id", "session_id")
    return [
        c.name
        for c in asked
        if (c.name in row and (c.name not in shared or c.name in keys)) or not (c.optional or c.required)
    ]


def _counts(row: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return the columns of month and density of each count of a row."""
    pairs = (("", zones.BEFORE), *zones.PAIRS)
    return [(month, density) for month, density in pairs if row.get(density, "")]


def _cells(rows: Rows) -> dict:
    """Return names and cells of rows of text."""
    names = tuple(dict.fromkeys(name for row in rows for name in row))
    cells = tuple(pa.array([row.get(n, "") for row in rows], pa.string()) for n in names)
    return {"names": names, "cells": cells}


def as_it_stands(problem: Problem, origin: Mapping[str, Origin]) -> Problem:
    """Return a problem of a table at the row and column of the sheet that the table was made from."""
    rows = origin.get(problem.table, ())
    if not rows:
        return problem
    if problem.row is None:
        return replace(problem, table=zones.SHEET, column=rows[0][1].get(problem.column, ""))
    row, names = rows[problem.row - 2]
    return replace(problem, table=zones.SHEET, column=names.get(problem.column, ""), row=row)
