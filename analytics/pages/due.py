"""Who is due, whom to call in, and what a count to come is worth."""

import datetime
from collections.abc import Mapping

import pandas as pd
from markupsafe import Markup

from analytics import course, numbers
from analytics.dictionary import MATURITY_MONTH, ZONES
from analytics.files import begins
from analytics.pages import blocks, tables
from analytics.reports import filled
from analytics.results import Result, why_not

Start = tuple[int, int]
DUE_TITLE = "Who is due for follow-up?"
PAGE_HEADINGS = {
    "patient_id": "Code", "due_for": "Due for", "window": "Window", "last": "Last counted at month",
}  # fmt: skip
NOT_COUNTED = "not yet"
ENTERED = "The list rests on the records as entered: a visit that was not entered counts as not made."
HEADINGS = ("code", "due for", "state", "from", "to", "last counted at month", "also")
HEADS = {course.OVERDUE: "Overdue", course.OPEN: "Window open this month", course.SOON: "Opens soon"}


def call_back_table(result: Result) -> pd.DataFrame:
    """Return the placements named as behind or low, with the model's yield and what may be the cause."""
    named = result.extra["behind"]
    if named.empty:
        return named
    said = [
        f"{numbers.percent(mean)} ({numbers.limits(low, high)})"
        for mean, low, high in zip(named["yield_now"], named["yield_low"], named["yield_high"], strict=True)
    ]
    chances = {
        name: [numbers.percent(100 * p) for p in named[name]] for name in ("slow_only", "low_only", "both")
    }
    columns = named[["patient_id", "zone", "session_number", "month", "n_readings"]]
    return columns.assign(
        **{f"true_yield (95{numbers.THIN}% interval)": said}, state=named["state"], **chances
    ).rename(columns={"month": "month_read"})


def no_growth_table(result: Result) -> pd.DataFrame:
    """Return the placements without visible growth: what was counted, before and last, and how often."""
    named = result.extra["no_growth"]
    if named.empty:
        return named
    hairs = {c: named[c].map(numbers.number) for c in ("baseline_density", "density", "planted_hairs_cm2")}
    shown = named[["patient_id", "zone", "session_number"]].assign(
        last_month=[numbers.number(m, 1) for m in named["month"]],
        hairs_before=hairs["baseline_density"],
        hairs_at_last_count=hairs["density"],
        hairs_planted=hairs["planted_hairs_cm2"],
        grown_of_planted=[numbers.percent(y) for y in named["yield_pct"]],
        n_counts=named["n_counts"],
        n_usable=named["n_usable"],
    )
    return shown.assign(earlier_session_growing=named["is_overlap"].map({True: "yes", False: "no"}))


def due_by_patient(result: Result) -> pd.DataFrame:
    """Return one row per patient of `course.due`: `due_for` and `also` in words, state, window, last count.

    The window is the one that closes first of what is due in the patient's most pressing state.
    """
    listed = result.extra["listed"]
    rows = []
    for code, own in listed.groupby("patient_id", sort=False):
        first = own.iloc[0]
        pressing = own["state"].eq(first["state"])
        rows.append(
            {
                "patient_id": code,
                "due_for": what_is_due(own[pressing]),
                "state": first["state"],
                "opens_in": int(own.loc[pressing, "opens_in"].min()),
                "closes_in": int(own.loc[pressing, "closes_in"].min()),
                "last": own["last"].max(),
                "also": what_is_due(own[~pressing]),
                "visit": f"session {first['session_number']}, month {first['visit']:g}",
            }
        )
    columns = ["patient_id", "due_for", "state", "opens_in", "closes_in", "last", "also", "visit"]
    return pd.DataFrame(rows, columns=columns)


def what_is_due(rows: pd.DataFrame) -> str:
    """Return what is due in words.

    Examples
    --------
    >>> rows = pd.DataFrame({"session_number": [1, 1, 2], "zone": ["frontal", "hairline", "crown"],
    ...                      "visit": [12.0, 12.0, 3.0], "counted": True})
    >>> what_is_due(rows)
    'hairline and frontal, month 12 (session 1); crown, month 3 (session 2)'
    """
    several = rows["session_number"].nunique() > 1
    parts = []
    for (session, visit, counted), own in rows.groupby(["session_number", "visit", "counted"], sort=True):
        zones = numbers.listed(sorted(own["zone"], key=ZONES.index)) if counted else "a visit without counts"
        parts.append(f"{zones}, month {visit:g}{f' (session {session})' if several else ''}")
    return "; ".join(parts)


def due_sheet(result: Result, start: Start) -> list[list[object]]:
    """Return the due sheet with real months, its headings first; for the clinic alone."""
    rows: list[list[object]] = [list(HEADINGS)]
    for row in due_by_patient(result).itertuples():
        months = [month_name(m, start) for m in (row.opens_in, row.closes_in)]
        last = None if pd.isna(row.last) else float(row.last)
        rows.append([row.patient_id, row.due_for, row.state, *months, last, row.also])
    return rows


def due_lines(result: Result, start: Start) -> list[str]:
    """Return the due list for the screen, most pressing first, under a heading for each state."""
    table, out = due_by_patient(result), []
    for state, head in HEADS.items():
        own = table[table["state"].eq(state)]
        out.append(f"{head}: {len(own)}")
        for row in own.itertuples():
            window = _window(row.opens_in, row.closes_in, start)
            if state == course.OVERDUE:
                window = f"closed {month_name(row.closes_in, start)}"
            also = f"; also {row.also}" if row.also else ""
            out.append(f"  {row.patient_id}  {row.due_for} ({window}){also}")
    hidden = result.table().iloc[-1]
    if hidden["estimate"]:
        out.append(f"Not listed, {hidden['term'].removesuffix(', not listed')}: {hidden['estimate']:.0f}")
    return out


def due_page(
    result: Result, standing: Mapping[str, Result], start: Start, *, today: datetime.date, invented: bool
) -> str:
    """Return the due list as a page of HTML, for the clinic alone: the same rows as the sheet, to be read.

    Whom to call in stands first, then who is overdue, whose window is open, and whose opens soon.
    """
    table = due_by_patient(result)
    also = table["also"].where(table["also"].eq(""), "; also " + table["also"])
    names = table.apply(lambda row: _window(row.opens_in, row.closes_in, start), axis=1)
    table = table.assign(due_for=table["due_for"] + also, window=names if len(table) else "")
    table["last"] = [NOT_COUNTED if pd.isna(m) else numbers.number(m, 1) for m in table["last"]]
    shown = [_due_table(table[table["state"].eq(state)], head) for state, head in HEADS.items()]
    called = [
        filled("blocks/when", title=f"Call in: {head.lower()}", sentence=why or said or "Nobody.", rough="")
        for head, why, named in _called(standing)
        for said in ["; ".join(named)]
    ]
    worth = [
        filled("blocks/when", title="Which counts are worth most?", sentence=said, rough="")
        for said in worth_lines(result, standing)
    ]
    strip = filled(
        "blocks/strip",
        invented="INVENTED DATA" if invented else "",
        name="Due list",
        about=f"{today.day} {today:%B %Y}",
        audience="For this clinic alone: months beside codes. It belongs in no report and no e-mail.",
    )
    slots = {
        "strip": strip,
        "answer": blocks.answer_block(_due_in_short(result)),
        "numbers": Markup("\n").join([*called, *worth]),
        "pair": "",
        "main": Markup("\n").join(shown),
        "aside": "",
        "foot": blocks.cautions_block([ENTERED]),
    }
    return str(filled("document", title=DUE_TITLE, slots=slots, folds=[], links={}, foot_line="Due list"))


def _due_table(rows: pd.DataFrame, head: str) -> Markup:
    """Return the patients of one state as a table."""
    title = f"{head}: {len(rows)}"
    if rows.empty:
        return filled("blocks/instead", title=title, why="nobody", withheld=False)
    return tables.show(
        rows[list(PAGE_HEADINGS)],
        table_id=f"due-{head.split()[0].lower()}",
        title=title,
        labels=PAGE_HEADINGS,
        most=len(rows),
    )


def _window(opens: int, closes: int, start: Start) -> str:
    return f"{month_name(opens, start)} to {month_name(closes, start)}"


def _due_in_short(result: Result) -> str:
    counted = result.table().set_index("term")["estimate"]
    overdue, is_open, soon = (numbers.number(counted[state]) for state in HEADS)
    return f"{overdue} are overdue, for {is_open} the window is open, and for {soon} it opens soon."


def worth_lines(result: Result, standing: Mapping[str, Result]) -> list[str]:
    """Return what counts on the list are worth: how many more would let the audit tell, and who is due."""
    rows = result.extra["listed"]
    said, near = _worth(rows[rows["state"].ne(course.SOON)], standing.get("later"))
    if not said:
        return []
    return [f"Worth most, {said}; {near['patient_id'].nunique()} on this list are due for it now."]


def worth_of_visits(visits: pd.DataFrame, later: Result) -> str:
    """Return what a patient's visits to come (`course.next_visits`) are worth to the practice."""
    said, near = _worth(visits, later)
    return f"Worth most to this practice, {said}." if len(near) else ""


def _worth(rows: pd.DataFrame, later: Result | None) -> tuple[str, pd.DataFrame]:
    """Return how many more counts of a zone would let the audit tell, and the rows that are such counts."""
    if later is None or why_not(later):
        return "", rows.iloc[:0]
    facts = later.extra["facts"].iloc[0]
    if not (0 < facts["more"] < float("inf") and facts["month"] < float("inf")):
        return "", rows.iloc[:0]
    zone, matures = facts["zone"], MATURITY_MONTH[facts["zone"]]
    what = f"a difference of {facts['difference']:g} points from the front"
    if not facts["against"]:
        what = f"its mean to within {facts['difference']:g} points"
    said = (
        f"{zone} at month {matures:g}: {numbers.number(facts['more'])} more patients counted there would "
        f"let the audit tell {what}"
    )
    return said, rows[rows["zone"].eq(zone) & rows["visit"].ge(matures)]


def call_in_lines(standing: Mapping[str, Result]) -> list[str]:
    """Return whom to call in, for the screen: behind or low, nothing grown; or why it is not known."""
    out = []
    for head, why, named in _called(standing):
        out += [f"{head}: {why or len(named)}", *(f"  {one}" for one in named)]
    return out


def _called(standing: Mapping[str, Result]) -> list[tuple[str, str, list[str]]]:
    """Return each reason to call in, why it is not known (empty where it is), and whom it names."""
    out: list[tuple[str, str, list[str]]] = []
    for head, name, table in CALL_IN:
        if name not in standing:
            continue
        if why := why_not(standing[name]):
            out.append((head, why, []))
            continue
        rows = table(standing[name])
        named = [f"{r.patient_id}  {r.zone} (session {r.session_number})" for r in rows.itertuples()]
        out.append((head, "", named))
    return out


def call_in_sheets(standing: Mapping[str, Result]) -> dict[str, list[list[object]]]:
    """Return the sheets of whom to call in, their headings first."""
    sheets = {}
    for head, name, table in CALL_IN:
        if name in standing and not why_not(standing[name]):
            rows = table(standing[name])
            cells = rows.astype(object).where(rows.notna(), None).to_numpy().tolist()
            sheets[head.lower()] = [[numbers.heading(c) for c in rows.columns], *cells]
    return sheets


def month_name(month: int, start: Start) -> str:
    """Return a register month as the clinic's calendar has it.

    >>> month_name(38, (2021, 1))
    'Feb 2024'
    """
    return begins.first_day(month, start).strftime("%b %Y")


CALL_IN = (
    ("Behind or low", "behind", call_back_table),
    ("No growth visible by month 9", "no growth", no_growth_table),
)
