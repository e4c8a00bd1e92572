"""When rows happened: their operation, and the months since it.

A count is timed from the operation of its own row, or, where a later operation planted its zone before the
count, from that one (the rule of the dictionary); on a sheet of its own, by its date. Months are days over
30.4375 (365.25 / 12), to one decimal.
"""

import datetime
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analytics.dictionary import OLDEST_AGE
from analytics.errors import Problem
from analytics.mapping.plan import Plan
from analytics.mapping.values import DAYS_A_MONTH, FAULTS

ROW = ["sheet", "block", "row"]  # tables may stand beside one another
OFF_MONTHS, OFF_SHARE = 2.5, 0.25  # a visit may lie so far from its heading, or that share of it; assumed
TURNED_FITS = 1.0  # months; assumed
# Where no heading says a month: so far apart visits are alike, this many as if spread evenly over all months,
# these shares may be turned, so many times likelier a visit or a list is named, or a list stops. Assumed.
ALIKE_MONTHS, EVENLY, SHARES_TURNED, FEWEST_SURE = 1.5, 2.0, (0.01, 0.03, 0.1, 0.2, 0.35, 0.5), 8
VISIT_NAMED, LIST_NAMED, LIST_STOPS = 5.0, 0.5, 1000.0
HALF_A_YEAR_DAYS = 183  # a baseline is counted up to six months before


@dataclass(frozen=True, slots=True)
class Joined:
    """Tables of the dictionary, what is wrong, what a reader should know, and facts left out after all.

    `contradicting` holds frames of sheet, row, target: facts left out because rows contradict one another.
    `copies` holds frames of sheet, row, header_visit, header_zone: counts that stand twice in their row.
    """

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    contradicting: list[pd.DataFrame] = field(default_factory=list)
    copies: list[pd.DataFrame] = field(default_factory=list)


def months_between(start: datetime.date, end: datetime.date) -> float:
    """Return months between two days, to one decimal.

    Parameters
    ----------
    start, end
        Days.

    Returns
    -------
    float
        Below 0 where the end comes first.

    Examples
    --------
    >>> months_between(datetime.date(2024, 2, 19), datetime.date(2024, 5, 26))
    3.2
    """
    return round((end - start).days / DAYS_A_MONTH, 1) + 0.0


def age_at(birth: datetime.date, day: datetime.date) -> int:
    """Return full years of age, 90 for 90 and more.

    >>> age_at(datetime.date(1980, 5, 2), datetime.date(2020, 5, 1))
    39
    """
    years = day.year - birth.year - ((day.month, day.day) < (birth.month, birth.day))
    return min(years, OLDEST_AGE)


def timed(
    name: str, rows: pd.DataFrame, sessions: pd.DataFrame, link: pd.DataFrame, placements: pd.DataFrame
) -> pd.DataFrame:
    """Return rows of one table with their operation and, where they have a date, the months since it.

    Parameters
    ----------
    name
        measurements, visits, ratings or events.
    rows
        Pieces with patient_id, sheet, row, and date, month, planned_month, zone where known.
    sessions, link
        As `mapping.join` makes them: one row per operation, and the operation of every row of the sheets.
    placements
        Which operation planted which zone.
    """
    has_date = "date" in rows
    rows = with_columns(linked(rows, sessions, link), date=None, month=None, planned_month=np.nan)
    rows["month"] = pd.to_numeric(rows["month"])
    if has_date:
        rows = _by_date(name, rows, sessions, placements)
        dated = rows["date"].notna()
        pairs = zip(rows.loc[dated, "own_date"], rows.loc[dated, "date"], strict=True)
        rows.loc[dated, "month"] = [
            np.nan if start is None or start != start else months_between(start, end) for start, end in pairs
        ]
    return rows


def one_code_each(rows: dict[str, pd.DataFrame], plan: Plan, out: Joined) -> dict[str, pd.DataFrame]:
    """Return rows with one code a patient; stop at codes that differ in capitals, marks or zeros alone."""
    if plan.same_codes == "as written":
        return rows
    n_rows = pd.concat([r["patient_id"] for r in rows.values()]).value_counts()
    codes = n_rows.index.to_series().astype(str)
    bare = (
        codes.str.casefold()
        .str.replace(r"[\s_.-]+", "", regex=True)
        .str.replace(r"(?<!\d)0+(?=\d)", "", regex=True)
    )
    several = bare[bare.duplicated(keep=False)]
    if several.empty:
        return rows
    # The one written most often is first; of two written alike often, the longer, which kept its zeros.
    order = pd.DataFrame({"n": -n_rows, "size": -codes.str.len(), "bare": bare}).sort_values(["n", "size"])
    chosen = order.drop_duplicates("bare").reset_index().set_index("bare").iloc[:, 0]
    one = {code: chosen[bare[code]] for code in several.index}
    if plan.same_codes == "one":
        return {
            name: r.assign(patient_id=r["patient_id"].map(lambda c: one.get(c, c)))
            for name, r in rows.items()
        }
    patients = rows["patients"]
    rarer = patients["patient_id"].map(lambda c: one.get(c, c)).ne(patients["patient_id"])
    stop(out, patients, rarer, "patients.patient_id", "same_code")
    return rows


def hold_against_heading(name: str, rows: pd.DataFrame, plan: Plan, out: Joined) -> None:
    """Stop at visits whose date lies far from the month of their heading, or fits only turned round."""
    if plan.off_month == "by date":
        return
    away = (rows["month"] - rows["planned_month"]).abs()
    allowed = rows["planned_month"].mul(OFF_SHARE).clip(lower=OFF_MONTHS)
    far = away.gt(allowed)
    turned = _months_turned(rows[far]).reindex(rows.index)
    fits_turned = far & (turned - rows["planned_month"]).abs().lt(TURNED_FITS)
    if plan.off_month == "planned month":
        rows.loc[far, "month"] = rows.loc[far, "planned_month"]
        if far.any():
            out.notes.append(
                f"{int(far.sum())} visits far from the month of their heading were given that month"
            )
        return
    stop(out, rows, fits_turned, f"{name}.date", "turned_visit")
    stop(out, rows, far & ~fits_turned, f"{name}.date", "off_month")
    if name != "events":  # they come when they come
        _hold_against_others(name, rows[rows["planned_month"].isna()], out)


def _hold_against_others(name: str, rows: pd.DataFrame, out: Joined) -> None:
    """Stop at visits that lie among the others only with day and month turned, or name them where few do.

    How visits lie is told by those that cannot have been turned: after day 12, or on 5 May. Were a share of
    the others turned, each would lie so at its turned month with that chance, else at its own; the
    likelihood of this over that of none turned is averaged over shares. Dates that can be turned turn into
    one another, so that where none was the ratio is 1 in the mean, and 1,000 at most once in 1,000 lists
    (Markov's inequality; were it known how visits lie).
    """
    visits = rows[rows["month"].notna()].drop_duplicates(["patient_id", "session_id", "date"])
    turned = _months_turned(visits).where(lambda t: t.ne(visits["month"]))
    sure = np.sort(visits.loc[turned.isna(), "month"])
    if len(sure) < FEWEST_SURE:
        return
    ratio = (_density(turned, sure) / _density(visits["month"], sure)).where(turned.notna(), 1.0)
    suspect = ratio >= VISIT_NAMED
    logs = [np.log1p(share * (ratio - 1)).sum() for share in SHARES_TURNED]
    times = np.logaddexp.reduce(logs) - np.log(len(logs))
    if times >= np.log(LIST_STOPS):
        stop(out, visits, suspect, f"{name}.date", "turned_among_others")
    elif suspect.any() and times >= np.log(LIST_NAMED):
        out.notes.append(
            f"{name}: {int(suspect.sum())} visits lie at months at which hardly any other does, and at a "
            "usual one with day and month turned, first at row "
            f"{int(visits.loc[suspect, 'row'].min())}; look there"
        )


def _density(months: pd.Series, sure: np.ndarray) -> pd.Series:
    """Return how densely visits (sorted) lie about each month; what it is divided by is the same for all."""
    at = months.to_numpy(dtype=float)
    near = np.searchsorted(sure, at + ALIKE_MONTHS, "right") - np.searchsorted(sure, at - ALIKE_MONTHS)
    every = sure[-1] - sure[0] + 24.0  # turned, a date moves by a year at most
    return pd.Series(near / (2 * ALIKE_MONTHS) + EVENLY / every, months.index)


def _months_turned(rows: pd.DataFrame) -> pd.Series:
    """Return the months of rows with day and month of their date turned round; NaN where they cannot be."""
    pairs = zip(rows["own_date"], rows["date"], strict=True)
    months = [
        months_between(start, end.replace(month=end.day, day=end.month))
        if isinstance(end, datetime.date) and isinstance(start, datetime.date) and end.day <= 12
        else np.nan
        for start, end in pairs
    ]
    return pd.Series(months, rows.index, dtype=float)


def planned(rows: pd.DataFrame, plan: Plan) -> pd.Series:
    """Return the months of rows, the planned one where there is no date and the clinic allows it.

    It is allowed at month 0, and where a visit has no column of dates at all.
    """
    is_open = rows["planned_month"].notna() & rows["month"].isna()
    without_date = ~_has_date_column(rows)
    is_allowed = rows["planned_month"].le(0) | without_date | (plan.undated_counts == "planned month")
    return rows["month"].where(~(is_open & is_allowed), rows["planned_month"])


def _has_date_column(rows: pd.DataFrame) -> pd.Series:
    """Return for each row whether its visit has a column of dates at all."""
    groups = [c for c in ("sheet", "header_visit", "header_session") if c in rows]
    return rows["date"].notna().groupby([rows[c].fillna("") for c in groups]).transform("any")


def _by_date(name: str, rows: pd.DataFrame, sessions: pd.DataFrame, placements: pd.DataFrame) -> pd.DataFrame:
    """Time a count from the latest operation up to its date that planted its zone, where that is a later one.

    Rows that belong to no operation yet are timed from the latest one of the patient up to their date, or,
    being a baseline, from the next one within half a year.
    """
    dated = sessions[sessions["date"].notna()]
    if dated.empty:
        return rows
    operations = dated[["patient_id", "session_id", "session_number", "date"]].rename(
        columns={"date": "later_date"}
    )
    if name == "measurements" and len(placements):
        planted = placements[["session_id", "zone"]].drop_duplicates()
        planted = planted.merge(operations, on="session_id", validate="m:1")
        rows = _taken(rows, planted, ["patient_id", "zone"], "backward", later=True)
        rows = _taken(rows, planted, ["patient_id", "zone"], "forward")
    rows = _taken(rows, operations, ["patient_id"], "backward")
    return _taken(rows, operations, ["patient_id"], "forward")


def _taken(
    rows: pd.DataFrame, candidates: pd.DataFrame, by: list[str], direction: str, *, later: bool = False
) -> pd.DataFrame:
    """Give rows the nearest operation in time: those without one, or (later) also where it is a later one."""
    is_open = rows["session_id"].isna()
    if later:
        per_patient = candidates.groupby("patient_id")["session_id"].nunique()
        is_open |= rows["patient_id"].isin(per_patient.index[per_patient > 1])
    dated = rows[is_open & rows["date"].notna() & rows[by].notna().all(axis=1)]
    if dated.empty:
        return rows
    asking = dated[by].astype(object).assign(place=dated.index, on=[d.toordinal() for d in dated["date"]])
    offered = candidates.assign(on=[d.toordinal() for d in candidates["later_date"]]).astype(
        dict.fromkeys(by, object)
    )
    met = pd.merge_asof(
        asking.sort_values("on"),
        offered.sort_values("on"),
        on="on",
        by=by,
        direction=direction,
        tolerance=None if direction == "backward" else HALF_A_YEAR_DAYS,
    ).set_index("place")
    number = candidates.drop_duplicates("session_id").set_index("session_id")["session_number"]
    then, now = met["session_number"].reindex(rows.index), rows["session_id"].map(number)
    change = then.notna() & (rows["session_id"].isna() | (then.gt(now) if later else False))
    return rows.assign(
        session_id=met["session_id"].reindex(rows.index).where(change, rows["session_id"]),
        own_date=met["later_date"].reindex(rows.index).where(change, rows["own_date"]),
    )


def linked(rows: pd.DataFrame, sessions: pd.DataFrame, link: pd.DataFrame) -> pd.DataFrame:
    """Return rows with session_id and own_date: of their own row, by a number they state, or the only one.

    Where a row of a sheet holds several operations, the header says which is meant.
    """
    rows = with_columns(rows, header_session=0)
    rows["header_session"] = rows["header_session"].fillna(0).astype(int)
    links = link.assign(header_session=link["header_session"].fillna(0).astype(int))
    at = [*ROW, "header_session"]
    out = rows.merge(links.drop_duplicates(at), on=at, how="left", validate="m:1")
    single = links[~links.duplicated(ROW, keep=False)].drop(columns="header_session")
    by_row = rows[ROW].merge(single, on=ROW, how="left", validate="m:1")
    only = sessions[~sessions.duplicated("patient_id", keep=False)].set_index("patient_id")
    for column, source in (("session_id", "session_id"), ("own_date", "date")):
        out[column] = out[column].where(out[column].notna(), by_row[column])
        alone = out["patient_id"].map(only[source])
        out[column] = out[column].where(out[column].notna(), alone)
    return _by_number(out, sessions) if "session_number" in rows else out


def _by_number(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Give rows that state the number of their operation that operation."""
    stated = rows[["patient_id", "session_number"]].astype({"session_number": float})
    numbered = sessions.assign(session_number=sessions["session_number"].astype(float))
    out = stated.merge(
        numbered[["patient_id", "session_number", "session_id", "date"]], how="left", validate="m:1"
    )
    out.index = rows.index
    return rows.assign(
        session_id=out["session_id"].where(out["session_id"].notna(), rows["session_id"]),
        own_date=out["date"].where(out["date"].notna(), rows["own_date"]),
    )


def with_columns(rows: pd.DataFrame, **absent: object) -> pd.DataFrame:
    """Return rows with columns that are not there yet, filled with one value."""
    return rows.assign(**{name: value for name, value in absent.items() if name not in rows})


def stop(out: Joined, rows: pd.DataFrame, wrong: pd.Series, target: str, code: str) -> None:
    """Note the rows that stop the mapping: which sheet, how many, the first; never what stands there.

    Parameters
    ----------
    code
        A key of `values.FAULTS`.
    """
    if not wrong.any():
        return
    first = rows[wrong].sort_values("row").iloc[0]
    words = FAULTS[code]
    out.problems.append(
        Problem(
            f"sheet '{first['sheet']}'",
            target,
            int(wrong.sum()),
            int(first["row"]),
            words["rule"],
            words["action"],
            "error",
            code,
            (words["one"], words["several"]),
        )
    )
