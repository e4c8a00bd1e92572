"""The folds of one case: what was done, counted and is to come, each in a line, and their tables."""

from collections.abc import Mapping

import pandas as pd

from analytics import numbers
from analytics.results import Result, why_not

READING, CENTILE = "reading", "centile of the reading"
YIELD, DENSITY = "predicted yield", "predicted density"


def folds_in_short(results: Mapping[str, Result]) -> dict[str, str]:
    """Return the short answers of the folds of a case, by what they are about.

    Parameters
    ----------
    results
        Of the page, as they may be shown: person, case, same_month, tested.
    """
    return {
        "done": _done(results["person"]),
        "counted": _counted(results["case"]),
        "thickness": _thickness(results["person"]),
        "ahead": _still_growing(results["case"]),
        "same_month": _front_month(results["same_month"]),
        "tested": _tested(results["tested"]),
    }


def _done(person: Result) -> str:
    if why := why_not(person):
        return why
    n, rows = len(person.extra["sessions"]), person.table()
    grafts = rows.loc[rows["term"].eq("grafts planted"), "estimate"].sum()
    return f"{n} session{'' if n == 1 else 's'}, {numbers.number(grafts)} grafts planted."


def _counted(case: Result) -> str:
    if why_not(case) or "standing" not in case.extra:
        return why_not(case)
    read = case.extra["readings"]
    n, places = len(read), read["place"].nunique()
    if not n:
        return "No count after a session yet."
    last = numbers.number(read["x"].max(), 1)
    return (
        f"{n} count{'' if n == 1 else 's'} in {places} planted zone{'' if places == 1 else 's'}, "
        f"the last at month {last}."
    )


def _thickness(person: Result) -> str:
    if why := why_not(person):
        return why
    n = int(person.extra["thickness"]["zone"].ne("donor").sum())
    return (
        f"{n} count{'' if n == 1 else 's'} with a calibre." if n else "No calibre was recorded with a count."
    )


def _still_growing(case: Result) -> str:
    if why_not(case) or "standing" not in case.extra:
        return why_not(case)
    judged = case.extra["standing"]
    growing = judged.loc[~judged["is_mature"].astype(bool), "place"]
    said = f"still growing: {'; '.join(growing)}" if len(growing) else "all planted zones are mature"
    return f"{numbers.title_case(said)}." if len(judged) else ""


def _front_month(result: Result) -> str:
    if why := why_not(result):
        return why
    row = result.table().iloc[0]
    if pd.isna(row["estimate"]):
        return f"{numbers.sentence(str(row['flag']))}"
    ends = f" ({numbers.limits(row['ci_low'], row['ci_high'], 1)})" if pd.notna(row["ci_low"]) else ""
    month = numbers.number(row["estimate"], 1)
    return f"Here a crown at month {row['x']:g} looks like a front at month {month}{ends}."


def _tested(result: Result) -> str:
    if why := why_not(result):
        return why
    rows = result.table()
    rows = rows[rows["term"].eq("95 % limits held") & rows["estimate"].notna()]
    if rows.empty:
        return ""
    row = rows.iloc[0]
    ends = f"{_level(result)} {numbers.limits(row['ci_low'], row['ci_high'])}"
    held = f"{numbers.percent(row['estimate'])} of {numbers.number(row['n_rows'])} past counts"
    return f"95{numbers.THIN}% limits held {held} ({ends})."


def readings_table(result: Result) -> pd.DataFrame:
    """Return one row per reading: month, reading and its centile in the practice, each with its interval."""
    return _by_month(result, {READING: f"reading ({_level(result)})", CENTILE: f"centile ({_level(result)})"})


def forecast_table(result: Result) -> pd.DataFrame:
    """Return one row per month to come: the yield and the density that a count would show, with limits."""
    level = _level(result, "limits")
    return _by_month(result, {YIELD: f"yield ({level})", DENSITY: f"density ({level})"})


def thickness_table(person: Result) -> pd.DataFrame:
    """Return counts with a calibre, how it was measured, and the hair mass they make, with its interval."""
    if why_not(person):
        return person.table()
    rows = person.extra["thickness"]
    measured = [_calibre(*pair) for pair in zip(rows["hair_calibre_um"], rows["calibre_method"], strict=True)]
    mass = [
        f"{numbers.number(found, 2)} ({numbers.limits(low, high, 2)})"
        for found, low, high in rows[["cross_section_mm2_cm2", "ci_low", "ci_high"]].itertuples(index=False)
    ]
    shown = ["zone", "session_number", "month", "density_hairs_cm2", "calibre", "mass"]
    return rows.assign(calibre=measured, mass=mass)[shown]


def thickness_notes(person: Result) -> tuple[str, ...]:
    """Return what the intervals of hair mass allow for, to stand under the counts with a calibre."""
    if why_not(person) or person.extra["thickness"].empty:
        return ()
    row = person.extra["thickness"].iloc[0]
    return (
        f"Interval: errors of count and calibre; that of the calibre, {100 * row['calibre_cv']:.1f} % "
        f"({row['calibre_source']}), counts double.",
    )


def donor_table(donor: Result) -> pd.DataFrame:
    """Return the donor counts of a patient: each against the first, beside what was taken before it."""
    if why_not(donor):
        return donor.table()
    rows = donor.extra["counts"]
    measured = [_calibre(*pair) for pair in zip(rows["hair_calibre_um"], rows["calibre_method"], strict=True)]
    taken = [
        f"{numbers.number(fu)} ({numbers.percent(share) if pd.notna(share) else numbers.NOT_AVAILABLE})"
        for fu, share in zip(rows["taken_fu"], rows["taken_pct"], strict=True)
    ]
    change = ["" if pd.isna(fall) else numbers.percent(-fall) for fall in rows["fall_pct"]]
    shown = ["session_number", "month", "density_hairs_cm2", "change", "calibre", "taken"]
    session = [f"Session {number}" for number in rows["session_number"]]
    return rows.assign(session_number=session, calibre=measured, taken=taken, change=change)[shown]


def _calibre(micrometres: float, method: str) -> str:
    if pd.isna(micrometres):
        return "not measured"
    return numbers.number(micrometres) + ("" if pd.isna(method) else f" ({method})")


def _by_month(result: Result, columns: dict[str, str]) -> pd.DataFrame:
    table = result.table()
    rows = []
    for (place, month), lines in table.groupby(["place", "x"], sort=False):
        # A place counted twice in a month, by two readers, has both counts in its cell.
        by_term = {t: own.drop(columns="term") for t, own in lines.groupby("term")}
        said = {
            head: "; ".join(_said(row, t) for _, row in by_term[t].iterrows())
            for t, head in columns.items()
            if t in by_term
        }
        rows.append({"place": place, "month": f"{month:g}", **said})
    return pd.DataFrame(rows)


def _said(row: pd.Series, term: str) -> str:
    if pd.isna(row["estimate"]):
        return numbers.words_for_missing(row)
    unit = "" if term == CENTILE else str(row["unit"])
    value = numbers.with_unit(numbers.number(row["estimate"]), unit)
    return f"{value} ({numbers.limits(row['ci_low'], row['ci_high'])})"


def _level(result: Result, name: str = "interval") -> str:
    known = result.table().get("level", pd.Series(dtype=float)).dropna()
    return f"{100 * float(known.iloc[0]) if len(known) else 95:g}{numbers.THIN}% {name}"
