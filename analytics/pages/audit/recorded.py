"""Does what was recorded go with how grafts grow? Each fold's short answer, its table and its lists.

The room `factors` hands over facts; the sentences are made here, from what the page may show.
"""

from collections.abc import Callable

import pandas as pd

from analytics import disclosure, factors, numbers
from analytics.pages.page import Page, result_of
from analytics.pages.writing import frame, lead, table
from analytics.results import Result, why_not

TITLES = {
    "poor_growth": "Chance of poor growth, by what was recorded",
    "by_density": "Yield by planted density",
    "hairs_per_graft": "Hairs a graft, planted and offered",
    "singles": "Yield by the share of hairs in single-hair grafts",
    "second_session": "A later session into a zone against a first",
    "by_person": "Change for each doubling of a person's sessions",
}
ROWS_ARE = {"hairs_per_graft": "Sessions", "by_person": "Sessions or planted zones"}
READ_FIRST = "Read the chart of each case before a cause is named."
DIFFERENCE = "difference"


def fold(page: Page, *names: str) -> None:
    """Write the short answer of one question or more, their tables, and what is for the clinic alone."""
    for name in names:
        result = result_of(page, name)
        lead(page, SAYS[name](result))
        if not why_not(result):
            table(page, name, TITLES[name], rows_are=ROWS_ARE.get(name, "Planted zones"))
    if "poor_growth" in names and page.audience == "internal":
        _lists(page, result_of(page, "poor_growth"))


def _lists(page: Page, result: Result) -> None:
    for name, title in (
        ("surgeons", "Surgeons: difference in chance of poor growth, in points"),
        ("look_at", "Planted zones to look at: chance of poor growth from 50 %"),
        ("shared", "What they share, against all"),
    ):
        rows = result.extra[name]
        if len(rows):
            frame(
                page, rows, title, notes=(READ_FIRST,) if name == "look_at" else (), folded=name == "look_at"
            )


def poor_growth(result: Result) -> str:
    """Return what goes with poor growth beyond chance, in a line."""
    if why := why_not(result):
        return why
    rows = result.table()
    rows = rows[rows["term"].eq(DIFFERENCE)] if len(rows) else rows
    if rows.empty:
        return disclosure.WITHHELD
    told = rows[rows["flag"].isin([factors.HIGHER, factors.LOWER])]
    said = [
        f"{row['recorded']}: {_signed(row['estimate'])} points of chance ({_limits(row)})"
        for _, row in told.iterrows()
    ]
    if said:
        return f"Goes with poor growth beyond chance: {'; '.join(said)}."
    open_ = int(rows["flag"].str.startswith(factors.CANNOT_TELL).sum())
    rest = f"; for {open_} of {len(rows)} it cannot be told" if open_ else ""
    return f"Nothing recorded goes with poor growth beyond chance{rest}."


def by_density(result: Result) -> str:
    """Return from which planted density yield falls, in a line."""
    row = _row(result, "falls from")
    if isinstance(row, str):
        return row
    if row["flag"] == factors.FALLS:
        return f"Yield falls from about {numbers.number(row['estimate'])} grafts/cm² ({_limits(row)})."
    if row["flag"] == factors.NO_MORE:
        return "No fall of a point a graft/cm² over the densities planted here."
    return _sentence(row["flag"])


def hairs_per_graft(result: Result) -> str:
    """Return hairs a graft planted against what the donor offers, in a line."""
    row = _row(result, "planted over offered")
    if isinstance(row, str):
        return row
    by_term = result.table().set_index("term")["estimate"]
    planted, offered = (numbers.number(by_term[t], 2) for t in ("planted", "offered by the donor"))
    return (
        f"{planted} hairs a graft planted, {offered} offered by the donor: a ratio of "
        f"{numbers.number(row['estimate'], 2)} ({_limits(row, 2)})."
    )


def by_person(result: Result) -> str:
    """Return what changes with a person's sessions beyond chance, in a line."""
    if why := why_not(result):
        return why
    rows = result.table()
    if rows.empty:
        return disclosure.WITHHELD
    told = rows[rows["flag"].isin([factors.HIGHER, factors.LOWER])]
    said = [
        f"{row['role']}, {row['term']}: {_signed(row['estimate'], 1)} points ({_limits(row, 1)})"
        for _, row in told.iterrows()
    ]
    return f"{numbers.title_case('; '.join(said))}." if said else NO_CHANGE


NO_CHANGE = "No change with a person's number of sessions beyond chance."


def _of_yield(term: str, what: str) -> Callable[[Result], str]:
    def says(result: Result) -> str:
        rows = result.table()
        row = _row(result, term or (str(rows["term"].iloc[-1]) if len(rows) else ""))
        if isinstance(row, str):
            return row
        if row["flag"].startswith(factors.CANNOT_TELL):
            return f"{what}: {row['flag']}; so far {_signed(row['estimate'])} points ({_limits(row)})."
        return f"{what}: {_signed(row['estimate'])} points of yield ({_limits(row)}), {row['flag']}."

    return says


SAYS: dict[str, Callable[[Result], str]] = {
    "poor_growth": poor_growth,
    "by_density": by_density,
    "hairs_per_graft": hairs_per_graft,
    "singles": _of_yield("", "10 points more of hairs in single-hair grafts"),
    "by_person": by_person,
    "second_session": _of_yield("planted before minus first", "Later session into a zone against a first"),
}


def _row(result: Result, term: str) -> pd.Series | str:
    if why := why_not(result):
        return why
    rows = result.table()
    rows = rows[rows["term"].eq(term)] if len(rows) else rows
    if rows.empty or (pd.isna(rows["estimate"].iloc[0]) and "flag" not in rows):
        return disclosure.WITHHELD
    return rows.iloc[0]


def _signed(value: float, places: int = 0) -> str:
    return f"{'+' if value > 0 else ''}{numbers.number(value, places)}"


def _limits(row: pd.Series, places: int = 0) -> str:
    return f"95{numbers.THIN}% interval {numbers.limits(row['ci_low'], row['ci_high'], places)}"


def _sentence(flag: str) -> str:
    return f"{numbers.title_case(flag)}."
