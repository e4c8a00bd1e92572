"""A table as it is read: groups, number with its interval, what it rests on, and why where there is none.

Made from the same rows that go to `results.json` and the Excel file. The estimate is rounded to what the
median standard error of its unit supports, so that a column keeps one number of decimals. A missing number
is said in words.
"""

import re
from base64 import b64encode
from collections.abc import Mapping

import pandas as pd
from markupsafe import Markup

from analytics import files, numbers
from analytics.reports import filled
from analytics.results import Result, plain

MOST_COLUMNS = 6  # on a screen; the rest is in the CSV file
X_OF_PICTURE = {"overlap": "propensity"}
MAX_ROWS = 50  # of a plain frame; a result's table is shown whole
# Column headings of a result's table, in reading order after the groups.
ESTIMATE, INTERVAL, PATIENTS, ROWS, TEST = "Estimate", "Interval", "Patients", "Rows", "p"
RAISED = "ᵃᵇᶜᵈᵉᶠᵍʰⁱʲᵏˡᵐⁿᵒᵖʳˢᵗᵘᵛʷˣʸᶻ"
SHORT_FLAG = 32  # letters of a reason that may stand in a cell


def show(
    what: Result | pd.DataFrame,
    *,
    table_id: str = "t1",
    title: str = "",
    notes: tuple[str, ...] = (),
    labels: Mapping[str, str] | None = None,
    places: Mapping[str, int] | None = None,
    most: int = MAX_ROWS,
    rows_are: str = ROWS,
    across: bool = False,
    whole: pd.DataFrame | None = None,
) -> Markup:
    """Return a result or a frame as an HTML table.

    Parameters
    ----------
    what
        A result (its `table()` is shown, its notes become footnotes) or any frame.
    table_id
        Unique on the page; every inner id begins with it.
    title
        Caption of the table.
    notes
        Footnotes.
    labels
        Heading by column, for a frame.
    places
        Decimals by column, for a frame; 1 where not named, 0 for whole numbers.
    most
        Rows of a frame shown at most.
    rows_are
        What a result's rows count, as the heading of their number.
    across
        Whether a result's months stand side by side, a column each.
    whole
        What goes into the CSV file, where that is more than what is shown.
    """
    if isinstance(what, Result):
        frame, marked = of_result(what, rows_are=rows_are)
        # Where all that had a month is withheld, there is nothing to set side by side.
        if across and numbers.heading(_x_name(what)) in frame:
            frame, level = side_by_side(frame, numbers.heading(_x_name(what)))
            marked = (*marked, level)
        notes, most = (*marked, *notes, *what.notes), len(frame)
    else:
        frame = of_frame(what, labels=labels or {}, places=places or {})
    frame, left = _narrowed(frame)
    if len(frame) > most:
        notes = (*notes, f"The first {most} of {len(frame)} rows; all are in the CSV file.")
    if left:
        notes = (*notes, f"Also in the CSV file: {', '.join(left)}.")
    kind = "rw-table" if isinstance(what, Result) else "rw-table rw-frame"
    if whole is None:
        whole = what.table() if isinstance(what, Result) else what
    return _html(frame.head(most), table_id, title, notes, kind, _csv(whole))


def _narrowed(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Return a table of MOST_COLUMNS at most, and the headings it left out.

    First the interval joins the number, then what the rows count goes, then what stands last.
    """
    estimate = next((c for c in frame if str(c).startswith(ESTIMATE)), "")
    interval = next((c for c in frame if str(c).lower().endswith("interval")), "")
    if len(frame.columns) > MOST_COLUMNS and estimate and interval:
        limits = frame[interval]
        both = frame[estimate].where(limits.eq(""), frame[estimate] + " (" + limits + ")")
        frame = frame.assign(**{estimate: both}).drop(columns=interval)
        frame = frame.rename(columns={estimate: f"{estimate}, {interval}"})
    extra = len(frame.columns) - MOST_COLUMNS
    if extra <= 0:
        return frame, []
    last = list(frame.columns[-extra:])
    return frame.drop(columns=last), [str(c) for c in last]


def _csv(whole: pd.DataFrame) -> str:
    """Return a table as the address of a CSV file: every column and row, texts that are no formulas."""
    said = whole.map(lambda value: plain(value) if isinstance(value, str) else value)
    return "data:text/csv;charset=utf-8;base64," + b64encode(files.csv_bytes(said)).decode("ascii")


def of_result(result: Result, *, rows_are: str = ROWS) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return a result's table as text, one column a heading, and its footnotes.

    The unit stands in the heading where the table has one unit, else behind each number. What a row's flag
    says becomes a footnote with a raised letter at the number; a missing number is said by its flag.
    """
    table = result.table()
    out = pd.DataFrame(index=table.index)
    for column in result.by:
        out[numbers.heading(column)] = [numbers.group_name(column, v) for v in table[column]]
    if not result.by or table.duplicated(list(result.by)).any():
        out["Quantity"] = table["term"].map(lambda v: numbers.title_case(numbers.readable(v)))
    if "x" in table and table["x"].notna().any():
        out[numbers.heading(_x_name(result))] = table["x"].map(_plain_x)
    one_unit = table["unit"].nunique() == 1
    unit = str(table["unit"].iloc[0]) if len(table) else ""
    places, marks = _places(result, table), _marks(table)
    name = f"{ESTIMATE} ({numbers.unit_name(unit)})" if one_unit and unit not in ("", "ratio") else ESTIMATE
    out[name] = [
        _said(row, n, with_unit=not one_unit) + marks.get(_flag(row), "")
        for n, (_, row) in zip(places, table.iterrows(), strict=True)
    ]
    if {"ci_low", "ci_high"} <= set(table.columns) and table["ci_low"].notna().any():
        out[_interval_heading(table)] = [
            ""
            if pd.isna(row["ci_low"]) and pd.isna(row["ci_high"])
            else numbers.limits(row["ci_low"], row["ci_high"], n)
            for n, (_, row) in zip(places, table.iterrows(), strict=True)
        ]
    # On the page of one patient a column of ones says nothing; elsewhere a 1 is a warning.
    of = [result.facts()["n_patients"], table["n_patients"] if "n_patients" in table else pd.Series([0])]
    is_of_one = all(bool(n.eq(1).all()) for n in of)
    return _rest(out, table, rows_are, is_of_one=is_of_one), tuple(
        f"{mark} {numbers.sentence(flag)}" for flag, mark in marks.items()
    )


def side_by_side(frame: pd.DataFrame, x_name: str) -> tuple[pd.DataFrame, str]:
    """Return a result's text with a column for each month, and what stands in brackets there.

    A number that belongs to no month stands in a column of its own.
    """
    estimate = next(c for c in frame if c.startswith(ESTIMATE))
    interval = next((c for c in frame if c.lower().endswith("interval")), "")
    limits = frame[interval] if interval else pd.Series("", index=frame.index)
    said = frame[estimate].where(limits.eq(""), frame[estimate] + " (" + limits + ")")
    month = (x_name + " " + frame[x_name]).where(frame[x_name].ne(""), "All months")
    keys = list(frame.columns[: list(frame.columns).index(x_name)])
    rest = [c for c in frame.columns if c in (PATIENTS, TEST)]
    rows: dict[tuple, dict[str, str]] = {}
    for i in frame.index:
        own = rows.setdefault(tuple(frame.loc[i, keys]), dict(frame.loc[i, [*keys, *rest]]))
        own[month[i]] = said[i]
    wide = pd.DataFrame(list(rows.values())).fillna("")
    return wide[[*keys, *dict.fromkeys(month), *rest]], f"In brackets: {interval or INTERVAL}"


def _flag(row: pd.Series) -> str:
    flag = row.get("flag", "")
    return flag if isinstance(flag, str) else ""


def _marks(table: pd.DataFrame) -> dict[str, str]:
    """Return a raised letter for each flag, save those short enough to stand in place of a missing number."""
    flags: dict[str, None] = {}
    for _, row in table.iterrows():
        flag = _flag(row)
        if flag and not (pd.isna(row["estimate"]) and len(flag) <= SHORT_FLAG):
            flags.setdefault(flag)
    return {flag: RAISED[position % len(RAISED)] for position, flag in enumerate(flags)}


def _x_name(what: object) -> str:
    """Return what the column x counts: months, unless the result or its picture says otherwise."""
    return str(getattr(what, "x_name", X_OF_PICTURE.get(getattr(what, "picture", ""), "month")))


def _plain_x(x: float) -> str:
    if pd.isna(x):
        return ""
    return numbers.number(x, next(places for places in (0, 1, 2) if places == 2 or round(x, places) == x))


def of_frame(frame: pd.DataFrame, *, labels: Mapping[str, str], places: Mapping[str, int]) -> pd.DataFrame:
    """Return any frame as text under plain headings."""
    out = pd.DataFrame(index=frame.index)
    for position, column in enumerate(frame.columns):
        name = labels.get(str(column), numbers.heading(str(column)))
        if (frame[column].isna() | frame[column].astype(str).eq("")).all():
            continue
        out[name] = [
            _cell(value, places.get(str(column)), str(column), is_name=position == 0)
            for value in frame[column]
        ]
    return out


def _said(row: pd.Series, places: int, *, with_unit: bool) -> str:
    if pd.isna(row["estimate"]):
        flag = _flag(row)
        return flag if flag and len(flag) <= SHORT_FLAG else numbers.NOT_AVAILABLE
    text = numbers.number(row["estimate"], places)
    return numbers.with_unit(text, str(row["unit"])) if with_unit else text


def _places(result: Result, table: pd.DataFrame) -> list[int]:
    """Return the decimals of each row: its criterion's, else its unit's, from the median standard error."""
    declared = result.extra.get("declared", pd.DataFrame())
    if {"criterion", "places"} <= set(declared.columns) and "criterion" in table:
        own = declared.set_index("criterion")["places"]
        return [int(n) for n in table["criterion"].map(own)]
    out = {}
    for unit, rows in table.groupby("unit", sort=False):
        se = rows["se"].dropna() if "se" in rows else pd.Series(dtype=float)
        median = float(se.median()) if len(se) else float("nan")
        out[str(unit)] = numbers.decimals(median, str(unit), rows["estimate"].dropna())
    return [out[str(unit)] for unit in table["unit"]]


def _interval_heading(table: pd.DataFrame) -> str:
    levels = list(table["level"].dropna().unique()) if "level" in table else []
    return f"{100 * float(levels[0]):g}{numbers.THIN}% interval" if len(levels) == 1 else INTERVAL


def _rest(out: pd.DataFrame, table: pd.DataFrame, rows_are: str, *, is_of_one: bool) -> pd.DataFrame:
    """Add what the numbers rest on: patients (not where all is of one patient), rows, and the test."""
    for column, name in (("n_patients", PATIENTS), ("n_rows", rows_are)):
        is_told = column in table and table[column].notna().any()
        if is_told and not (column == "n_patients" and is_of_one and len(table) > 1):
            out[name] = table[column].map(lambda n: "" if pd.isna(n) else numbers.number(n))
    if "p_value" in table and table["p_value"].notna().any():
        out[TEST] = table["p_value"].map(lambda p: "" if pd.isna(p) else numbers.p_value(p))
    return out


def _cell(value: object, places: int | None, column: str, *, is_name: bool) -> str:
    """Return one cell of a plain frame as text."""
    if value is None or value is pd.NA or (isinstance(value, float) and pd.isna(value)):
        return numbers.NOT_AVAILABLE
    if isinstance(value, bool):
        return "yes" if value else "no"
    if hasattr(value, "dtype") or isinstance(value, int | float):
        if str(getattr(value, "dtype", "")).startswith("bool"):
            return "yes" if value else "no"
        number = float(value)  # type: ignore[arg-type]
        return numbers.number(number, places if places is not None else (0 if number.is_integer() else 1))
    said = numbers.group_name(column, value) if is_name else numbers.group_label(column, value)
    return plain(said).replace("/cm2", "/cm²")


def _html(
    frame: pd.DataFrame, table_id: str, title: str, notes: tuple[str, ...], kind: str, csv: str
) -> Markup:
    """Return the table as HTML; every cell names its column, row and group, for those who hear it read."""
    texts = frame.reset_index(drop=True).astype(str)
    group_by, first, others = _rows_named_by(texts)
    numeric = [c for c in others if c != "Quantity" and _is_numeric_text(texts[c])]
    sides = {c: "gt_right" if c in numeric else "gt_left" for c in texts.columns}
    shown = [c for c in (first, *others) if c is not None]
    columns = [{"name": c, "id": _id(table_id, f"c{i} {c}"), "side": sides[c]} for i, c in enumerate(shown)]
    rows = [
        _row(row, at, columns, first, group_by, table_id) for at, (_, row) in enumerate(texts.iterrows(), 1)
    ]
    groups = [{"name": None, "id": "", "lines": rows}]
    if group_by:
        inside = [
            [rows[at] for at in places] for places in texts.groupby(group_by, sort=False).indices.values()
        ]
        names = texts[group_by].drop_duplicates()
        groups = [
            {"name": name, "id": _id(table_id, name), "lines": lines}
            for name, lines in zip(names, inside, strict=True)
        ]
    return filled(
        "blocks/table",
        id=table_id,
        title=title,
        kind=f"{kind} rw-grouped" if group_by else kind,
        columns=columns,
        groups=groups,
        notes=[numbers.sentence(note) for note in notes],
        csv=csv,
    )


def _row(
    row: pd.Series, at: int, columns: list[dict], first: str | None, group_by: str | None, table_id: str
) -> list[dict]:
    """Return the cells of a row, the first of them its head where it names the row."""
    own_id = f"{table_id}-stub-{at}"
    above = [_id(table_id, row[group_by])] if group_by else []
    beside = [own_id] if first else []
    return [
        {"is_head": True, "id": own_id, "text": row[column["name"]]}
        if column["name"] == first
        else {
            "is_head": False,
            "name": column["name"],
            "headers": " ".join([*above, *beside, column["id"]]),
            "side": column["side"],
            "text": row[column["name"]],
        }
        for column in columns
    ]


def _id(table_id: str, name: str) -> str:
    """Return the id of a heading: its letters and digits, behind the table's."""
    plain = re.sub(r"[^\w.:-]+", "-", name).strip("-")
    return f"{table_id}-{plain}"


def _rows_named_by(frame: pd.DataFrame) -> tuple[str | None, str | None, list[str]]:
    """Return which column groups the rows, which names them, and the rest.

    The first column names the rows where it is unique; where the first two are unique together, the first
    groups the rows under a heading and the second names them.
    """
    columns = list(frame.columns)
    if frame[columns[0]].is_unique:
        return None, columns[0], columns[1:]
    if len(columns) <= 2 or not _is_contiguous(frame[columns[0]]):
        return None, None, columns
    if frame.duplicated(columns[:2]).any():
        return columns[0], None, columns[1:]
    return columns[0], columns[1], columns[2:]


def _is_contiguous(column: pd.Series) -> bool:
    return int(column.ne(column.shift()).sum()) == column.nunique()


def _is_numeric_text(column: pd.Series) -> bool:
    """Return whether most cells that hold anything begin with a number; a code or a sentence is none."""
    begins = r"^(?!0\d|\d+-|.*\.$)[−\d]|^not available|^below"
    told = column.astype(str).loc[lambda cells: cells.ne("")]
    return bool(told.str.match(begins).mean() > 0.7)
