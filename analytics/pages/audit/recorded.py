"""Does what was recorded go with how grafts grow? Each fold's short answer, its table and its lists.

The room `factors` hands over facts; the sentences are made here, from what the page may show.
"""

from collections.abc import Callable

import pandas as pd

from analytics import disclosure, factors, numbers
from analytics.pages.page import Page, result_of
from analytics.pages.writing import frame, lead, table, untold
from analytics.results import Result, why_not

TITLES = {
    "poor_growth": "Chance of poor growth, by what was recorded",
    "by_density": "Yield by planted density",
    "hairs_per_graft": "Hairs a graft, planted and offered",
    "singles": "Yield by the share of hairs in single-hair grafts",
    "whose_hairs": "The gain at maturity and its parts, hairs/cm²",
    "therapy_begun": "Yield where therapy was begun before or after the session",
    "second_session": "A later session into a zone against a first",
    "by_person": "Change for each doubling of a person's sessions",
    "transection": "Grafts visibly transected, by curl, technique and method",
    "donor": "What the donor loses, and how evenly",
    "photographs": "Photographs that failed: reasons, and who, where and when",
    "missing_records": "What is missing, and what it costs the mean yield at maturity",
}
ROWS_ARE = {
    "hairs_per_graft": "Sessions",
    "by_person": "Sessions or planted zones",
    "transection": "Sessions",
    "donor": "Regions",
    "photographs": "Attendances",
    "missing_records": "Rows",
}
READ_FIRST = "Read the chart of each case before a cause is named."
DIFFERENCE = "difference"
COST = "cost to the headline"


def fold(page: Page, *names: str) -> None:
    """Write the short answer of one question or more, their tables, and what is for the clinic alone."""
    for name in names:
        result = result_of(page, name)
        lead(page, SAYS[name](result))
        if why_not(result):
            untold(page, name, TITLES[name])
        else:
            table(page, name, TITLES[name], rows_are=ROWS_ARE.get(name, "Planted zones"))
    if "poor_growth" in names and page.audience == "internal":
        _lists(page, result_of(page, "poor_growth"))
    if "photographs" in names and page.audience == "internal":
        reasons = result_of(page, "photographs").extra["reasons"]
        frame(page, reasons, "Failed photographs by reader, device, room and time", folded=True)


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
        f"{row['recorded']}, {_signed(row['estimate'])} percentage points ({_limits(row)})"
        for _, row in told.iterrows()
    ]
    if said:
        return f"Chance of poor growth: {'; '.join(said)}."
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
        f"{row['role']}, {str(row['term']).partition(', for each')[0]} {_signed(row['estimate'], 1)} points "
        f"({_limits(row, 1)})"
        for _, row in told.iterrows()
    ]
    return f"For each doubling of sessions: {'; '.join(said)}." if said else NO_CHANGE


def whose_hairs(result: Result) -> str:
    """Return the parts of the gain in the zone of most patients, and how far published rates carry them."""
    if why := why_not(result):
        return why
    rows = result.table().dropna(subset="estimate")
    rows = rows[rows["zone"].ne("all zones")]
    if rows.empty:
        return disclosure.WITHHELD
    zone = rows.loc[rows["n_patients"].idxmax(), "zone"]
    by_term = rows[rows["zone"].eq(zone)].set_index("term")["estimate"]
    if not {"gained", "planted", "native", "therapy"} <= set(by_term.index):
        return disclosure.WITHHELD
    part = {name: numbers.number(by_term[name], 1) for name in by_term.index}
    return (
        f"{numbers.title_case(zone)}: {part['gained']} hairs/cm² gained, {part['planted']} of planted hair, "
        f"{part['native']} of native hair, {part['therapy']} by therapy."
    )


def therapy_begun(result: Result) -> str:
    """Return whether yield differs where therapy was begun before or after the session."""
    return _beyond_chance(result, "term", "Yield does not differ beyond chance with when therapy was begun")


def transection(result: Result) -> str:
    """Return the share of transected grafts in the commonest group, and what differs beyond chance."""
    return _beyond_chance(result, "recorded", "Nothing recorded goes with transected grafts beyond chance")


def donor(result: Result) -> str:
    """Return what the donor loses for each graft taken, beside what a graft holds, in a line."""
    row = _row(result, "hairs lost for each graft taken")
    if isinstance(row, str):
        return row
    offered = _row(result, "hairs a graft offered")
    beside = "" if isinstance(offered, str) else f", of {numbers.number(offered['estimate'], 1)} it holds"
    told = f"; {row['flag']}" if row["flag"].startswith(factors.CANNOT_TELL) else ""
    return (
        f"Donor: {numbers.number(row['estimate'], 1)} hairs lost for each graft taken{beside} "
        f"({_limits(row, 1)}){told}."
    )


def photographs(result: Result) -> str:
    """Return how many photographs failed, the commonest reason, and who or what differs beyond chance."""
    first = _row(result, "any reason")
    if isinstance(first, str):
        return first
    rows = result.table()
    shares = rows[rows["seen"].eq(first["seen"]) & rows["basis"].eq("share")]
    named = shares[shares["term"].ne("any reason")].dropna(subset="estimate")
    most = named.sort_values("estimate", ascending=False)["term"].iloc[0] if len(named) else ""
    why = f", most often for {most}" if most else ""
    told = _beyond_chance(result, "seen", "no reader, device, room or month differs beyond chance")
    return (
        f"{numbers.number(first['estimate'], 1)} % of attendances failed{why}; {told[:1].lower()}{told[1:]}"
    )


def missing_records(result: Result) -> str:
    """Return the gap that costs the headline most, in a line."""
    if why := why_not(result):
        return why
    rows = result.table()
    costs = rows[rows["term"].eq(COST)].dropna(subset="estimate") if len(rows) else rows
    if costs.empty:
        return disclosure.WITHHELD
    row = costs.loc[costs["estimate"].abs().idxmax()]
    size = numbers.number(abs(row["estimate"]), 1)
    if not row["estimate"]:
        return "Nothing that is missing costs the mean yield at maturity anything."
    does = f"could lie {size} points {'lower' if row['estimate'] < 0 else 'higher'}"
    if row["unit"] != "points of yield":
        does = f"would be surer by {size} points either way, at most"
    return f"Costliest gap: {row['missing']}; filled, the mean yield at maturity {does}."


def _beyond_chance(result: Result, of: str, nothing: str) -> str:
    """Return the differences that leave out 0, or that there is none and how many cannot be told."""
    if why := why_not(result):
        return why
    rows = result.table()
    rows = rows.dropna(subset="flag") if "flag" in rows else rows.iloc[:0]
    rows = rows[rows["flag"].ne("")]
    told = rows[rows["flag"].isin([factors.HIGHER, factors.LOWER])]
    said = [
        f"{', '.join(row[list(dict.fromkeys((of, 'term')))])}: {_signed(row['estimate'], 1)} points "
        f"({_limits(row, 1)})"
        for _, row in told.iterrows()
    ]
    if said:
        return f"{numbers.title_case('; '.join(said))}."
    open_ = int(rows["flag"].str.startswith(factors.CANNOT_TELL).sum())
    if 0 < open_ == len(rows):
        return f"{nothing}, but none of it can be told of so few."
    rest = f"; for {open_} of {len(rows)} it cannot be told" if open_ else ""
    return f"{nothing}{rest}."


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
    "whose_hairs": whose_hairs,
    "therapy_begun": therapy_begun,
    "transection": transection,
    "donor": donor,
    "photographs": photographs,
    "missing_records": missing_records,
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
