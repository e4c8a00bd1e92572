"""A table as it is read: groups, number with its interval, what it rests on, and why where there is none.

Built by great-tables from the same rows that go to `results.json` and the Excel file. The estimate is
rounded to what the median standard error of its unit supports, so that a column keeps one number of
decimals. A missing number is said in words.
"""

import re
from html import escape as html_escape

import pandas as pd

from analytics import numbers
from analytics.results import Result

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
    labels: dict[str, str] | None = None,
    places: dict[str, int] | None = None,
    most: int = MAX_ROWS,
    rows_are: str = ROWS,
    across: bool = False,
) -> str:
    """Return a result or a frame as an HTML table.

    Parameters
    ----------
    what
        A result (its `table()` is shown, its notes become footnotes) or any frame.
    table_id
        Unique on the page; great-tables prefixes every inner id with it.
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
    """
    if isinstance(what, Result):
        frame, marked = of_result(what, rows_are=rows_are)
        # Where all that had a month is withheld, there is nothing to set side by side.
        if across and numbers.heading(getattr(what, "x_name", "month")) in frame:
            frame, level = side_by_side(frame, numbers.heading(getattr(what, "x_name", "month")))
            marked = (*marked, level)
        notes, most = (*marked, *notes, *what.notes), len(frame)
    else:
        frame = of_frame(what, labels=labels or {}, places=places or {})
    if len(frame) > most:
        notes = (*notes, f"The first {most} of {len(frame)} rows; all of them are in the Excel file.")
    kind = "rw-table" if isinstance(what, Result) else "rw-table rw-frame"
    return _html(frame.head(most), table_id, title, notes, kind)


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
        out[numbers.heading(getattr(result, "x_name", "month"))] = table["x"].map(_plain_x)
    one_unit = table["unit"].nunique() == 1
    unit = str(table["unit"].iloc[0]) if len(table) else ""
    places, marks = _places(table), _marks(table)
    name = f"{ESTIMATE} ({numbers.unit_name(unit)})" if one_unit and unit not in ("", "ratio") else ESTIMATE
    out[name] = [
        _said(row, places[str(row["unit"])], with_unit=not one_unit) + marks.get(_flag(row), "")
        for _, row in table.iterrows()
    ]
    if {"ci_low", "ci_high"} <= set(table.columns) and table["ci_low"].notna().any():
        out[_interval_heading(table)] = [
            ""
            if pd.isna(row["ci_low"]) and pd.isna(row["ci_high"])
            else numbers.limits(row["ci_low"], row["ci_high"], places[str(row["unit"])])
            for _, row in table.iterrows()
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
    month = (x_name + " " + frame[x_name]).where(frame[x_name].ne(""), "Over all")
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


def _plain_x(x: float) -> str:
    return "" if pd.isna(x) else numbers.number(x, 0 if float(x).is_integer() else 1)


def of_frame(frame: pd.DataFrame, *, labels: dict[str, str], places: dict[str, int]) -> pd.DataFrame:
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


def _places(table: pd.DataFrame) -> dict[str, int]:
    """Return the decimals of each unit, from the median standard error of its rows."""
    out = {}
    for unit, rows in table.groupby("unit", sort=False):
        se = rows["se"].dropna() if "se" in rows else pd.Series(dtype=float)
        median = float(se.median()) if len(se) else float("nan")
        out[str(unit)] = numbers.decimals(median, str(unit), rows["estimate"].dropna())
    return out


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
        out[TEST] = table["p_value"].map(_p_value)
    return out


def _p_value(p: float) -> str:
    if pd.isna(p):
        return ""
    return "below 0.001" if p < 0.001 else numbers.number(p, 3 if p < 0.1 else 2)


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
    return said.replace("/cm2", "/cm²")


def _html(frame: pd.DataFrame, table_id: str, title: str, notes: tuple[str, ...], kind: str) -> str:
    """Return great-tables' HTML without its style block: the page's own sheet styles every table alike."""
    # great-tables takes half a second to import, and only a page that shows a table needs it.
    from great_tables import GT
    from great_tables import html as as_html

    group, first, others = _rows_named_by(frame)
    gt = GT(frame.reset_index(drop=True).astype(str), id=table_id, rowname_col=first, groupname_col=group)
    gt = gt.tab_stubhead(first) if first else gt
    numeric = [c for c in others if c != "Quantity" and _is_numeric_text(frame[c])]
    gt = gt.cols_align("left").cols_align("right", columns=numeric) if numeric else gt.cols_align("left")
    for note in notes:
        gt = gt.tab_source_note(as_html(html_escape(numbers.sentence(note))))
    html = re.sub(r"<style>.*?</style>\s*", "", gt.as_raw_html(), flags=re.DOTALL)
    kind += " rw-grouped" if group else ""
    # A table wider than a telephone scrolls; a keyboard must be able to reach it, so it is a named region.
    region = f'class="{kind}" tabindex="0" role="region" aria-label="{html_escape(title or "Table")}"'
    html = re.sub(r'(<div id="[^"]*") style="[^"]*"', lambda m: f"{m.group(1)} {region}", html, count=1)
    # What is inside a span stays in sight while a wide table is scrolled.
    html = re.sub(
        r'(<td class="gt_sourcenote"[^>]*>)(.*?)(</td>)', r"\1<span>\2</span>\3", html, flags=re.DOTALL
    )
    caption = f"<caption><span>{html_escape(title)}</span></caption>" if title else ""
    return re.sub(r"(<table[^>]*>)", lambda m: m.group(1) + caption, html, count=1)


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
    """Return whether most cells begin with a number; a code (0108, 0108-2) is none."""
    return bool(column.astype(str).str.match(r"^(?!0\d|\d+-)[−\d]|^$|^not available|^below").mean() > 0.7)
