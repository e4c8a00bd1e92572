"""The tables beneath the panels of a review, in words and numbers as printed."""

import numpy as np
import pandas as pd

from analytics import dictionary
from analytics import numbers as words
from analytics.results import LEVEL, Result, why_not
from analytics.review import (
    GAP,
    LAST,
    NO_DATA,
    THIS,
    YEAR,
)

THIN = words.THIN
MOVED = {"cannot tell": "effect cannot be told"}
CASES_NAMED = (
    "Cases to look at: the whole 95 % interval of the reading lies below the threshold of poor growth"
)
WITHHELD = "withheld"
MUTE = "too few a month for one month to stand out"
NO_BREAK = "\N{NO-BREAK SPACE}"
# What the audit of a quarter sets beside it, from the result's own rows: column, and where it stands.
COMPARED = {
    THIS: {"this_estimate": "estimate"},
    LAST: {"last_estimate": "estimate"},
    YEAR: {
        "year_estimate": "estimate",
        "year_low": "ci_low",
        "year_high": "ci_high",
        "year_outcome": "outcome",
    },
    GAP: {"change": "estimate", "change_low": "ci_low", "change_high": "ci_high"},
}
CHARTS = {
    "individuals": "means",
    "p": "shares",
    "p_prime": "shares, widened",
    "u": "rates",
    "u_prime": "rates, widened",
    "g": "sessions between events",
}


def part(result: Result, name: str) -> pd.DataFrame:
    """Return a frame a panel carries beside its table; empty where the panel is not filled yet."""
    return result.extra[name] if why_not(result) else result.extra.get(name, pd.DataFrame())


def in_unit(row: pd.Series, value: float) -> str:
    """Return a value of a criterion as printed: its decimals, and its unit where that is one word."""
    unit = str(row["unit"])
    return words.with_unit(words.number(value, int(row["places"])), "" if " " in unit else unit)


def audit(result: Result) -> pd.DataFrame:
    """Return the audit beside the words of each criterion; a withheld one has no outcome."""
    frame = part(result, "audit").merge(part(result, "declared"), on="criterion", validate="one_to_one")
    table = result.table()
    for term, columns in COMPARED.items():
        rows = table[table["term"].eq(term)].set_index("criterion")
        frame = frame.assign(**{column: frame["criterion"].map(rows[of]) for column, of in columns.items()})
    hidden = frame["estimate"].isna() & frame["outcome"].ne(NO_DATA)
    hidden_year = frame["year_estimate"].isna() & frame["year_outcome"].ne(NO_DATA)
    return frame.assign(
        outcome=frame["outcome"].mask(hidden, WITHHELD),
        year_outcome=frame["year_outcome"].mask(hidden_year, WITHHELD),
    )


def audit_table(result: Result) -> pd.DataFrame:
    """Return the audit of a quarter: standard, what was counted, value with interval, outcome."""
    rows = audit(result)
    return pd.DataFrame(
        {
            "criterion": rows["name"],
            "standard": [f"{row['direction']} {_value(row, 'standard')}" for _, row in rows.iterrows()],
            "counted": [_counted(row) for _, row in rows.iterrows()],
            f"value ({_level(result)})": [
                _with_limits(row, "estimate", "ci_low", "ci_high") for _, row in rows.iterrows()
            ],
            "quarters": rows["over_quarters"],
            "placed_by": rows["counts_at"],
            "outcome": rows["outcome"].str.replace(" ", NO_BREAK),
        }
    )


def also_table(result: Result) -> pd.DataFrame:
    """Return what is counted by something else too: complications by patient, answers over all due."""
    table = result.table()
    rows = table[table["term"].str.startswith(f"{THIS}, ")]
    declared = part(result, "declared")[["criterion", "name", "places"]]
    rows = rows.merge(declared, on="criterion", validate="many_to_one")
    return pd.DataFrame(
        {
            "criterion": rows["name"],
            "counted_over": rows["term"].str.removeprefix(f"{THIS}, ").str.removeprefix("of "),
            "n_counted": rows["n_rows"],
            f"this_quarter ({_level(result)})": [
                _with_limits(row, "estimate", "ci_low", "ci_high") for _, row in rows.iterrows()
            ],
        }
    )


def change_table(result: Result) -> pd.DataFrame:
    """Return this quarter beside the last, the difference with its interval, and the last four quarters."""
    frame = audit(result)
    rows = [row for _, row in frame.iterrows()]
    shown = pd.DataFrame(
        {
            "criterion": frame["name"],
            "this_quarter": [_value(row, "this_estimate") for row in rows],
            "last_quarter": [_value(row, "last_estimate") for row in rows],
            f"difference ({_level(result)})": [
                _with_limits(row, "change", "change_low", "change_high", is_gap=True) for row in rows
            ],
            f"four_quarters ({_level(result)})": [
                _with_limits(row, "year_estimate", "year_low", "year_high") for row in rows
            ],
            "over_four_quarters": frame["year_outcome"],
        }
    )
    table = result.table()
    withheld = set(table.loc[table["flag"].fillna("").str.startswith(WITHHELD), "criterion"])
    touched = frame["criterion"].isin(withheld)
    return shown.mask(shown.eq(words.NOT_AVAILABLE).mul(touched, axis=0), WITHHELD)


def carried_table(result: Result) -> pd.DataFrame:
    """Return the verdicts that turn when one patient is left out; by code, for the clinic alone."""
    carried = part(result, "carried")
    if carried.empty:
        return carried
    named = part(result, "declared")[["criterion", "name"]]
    rows = carried.merge(named, on="criterion", validate="many_to_one")
    return pd.DataFrame(
        {
            "criterion": rows["name"],
            "verdict": rows["outcome"],
            "patient_id": rows["patient_id"],
            "without_this_patient": rows["without"],
        }
    )


def charts(result: Result) -> pd.DataFrame:
    """Return what every chart says beside its name."""
    return part(result, "signals").merge(part(result, "declared"), on="criterion", validate="one_to_one")


def chart_table(result: Result) -> pd.DataFrame:
    """Return what every chart says, its kind, its points, and how often it would say so by luck."""
    rows = charts(result)
    is_drawn, is_trial = rows["is_drawn"].astype(bool), rows["is_trial"].astype(bool)
    trial = np.where(is_trial & is_drawn, "trial: ", "")
    points = rows["points"].fillna(rows["n_gaps"])
    mute = np.where(rows["is_mute"].astype(bool), f"; {MUTE}", "")
    return pd.DataFrame(
        {
            "criterion": rows["name"],
            "chart": rows["chart"].map(CHARTS).fillna("none"),
            "points": points.astype(object).where(points.notna(), WITHHELD),
            "lines_set_in_quarter": rows["set_in_quarter"],
            "says": trial + rows["signal"] + rows["criterion"].map(_of_mix(result)).fillna("") + mute,
            "false_alarms_in_100": rows["false_alarm_pct"],
        }
    )


def _of_mix(result: Result) -> pd.Series:
    """Return, of the criteria whose signals are all gone at equal case mix, a word that says so."""
    found = part(result, "found")
    gone = found.groupby("criterion")["is_of_mix"].all() if len(found) else pd.Series(dtype=bool)
    return pd.Series("; gone once adjusted for case mix", index=gone.index[gone.astype(bool)])


def named_cases(result: Result) -> pd.DataFrame:
    """Return the cases of poor growth that are named, the latest first."""
    named = part(result, "named")
    if named.empty:
        return named
    columns = ["session_id", "zone", "quarter", "month", "yield_pct", "upper"]
    latest = named.sort_values(["quarter", "yield_pct"], ascending=[False, True])[columns]
    return latest.rename(columns={"upper": "upper_limit_pct"})


def signal_table(result: Result) -> pd.DataFrame:
    """Return a row per signal: when it came, where its rise began, and the sessions of the rise."""
    signals, cases = part(result, "signals"), part(result, "cases")
    if signals.empty or cases.empty:
        return signals
    group = result.by[0]
    sessions = cases.groupby([group, "signal"])["session_id"].agg(", ".join).rename("sessions_of_the_rise")
    columns = [group, "signal", "quarter", "register_month", "began_in_month"]
    return signals[columns].merge(sessions.reset_index(), on=[group, "signal"], validate="one_to_one")


def follow_up_table(result: Result) -> pd.DataFrame:
    """Return seen in window of due, a row per planned visit, a column per zone (all: sessions)."""
    flow = part(result, "flow")
    if flow.empty:
        return flow
    due = flow[flow["n_due"] > 0]
    if due.empty:
        return due
    shares = due.assign(
        visit=[f"month {v:g}" for v in due["visit"]],
        seen=[
            f"{words.number(r['n_seen_in_window' if r['zone'] == 'all' else 'n_counted'])} of "
            f"{words.number(r['n_due'])}"
            for _, r in due.iterrows()
        ],
    )
    wide = shares.pivot(index="visit", columns="zone", values="seen")
    order = list(dict.fromkeys(shares["visit"]))
    zones = [z for z in ("all", *dictionary.ZONES) if z in wide.columns]
    return wide.loc[order, zones].fillna("").reset_index().rename_axis(columns=None)


def action_table(result: Result) -> pd.DataFrame:
    """Return the action log as it is read out: what, who, when, where it stands, what came of it."""
    log = part(result, "log")
    headings = {
        "what": "what",
        "role": "role",
        "due_quarter": "due_quarter",
        "re_audit_quarter": "audited_again_in",
        "state": "state",
        "re_audit": "criterion_since",
    }
    return log[list(headings)].rename(columns=headings) if len(log) else log


def differences_table(result: Result) -> pd.DataFrame:
    """Return those seen and those absent side by side."""
    rows = part(result, "differences")
    if rows.empty:
        return rows
    # One of several classes would be what the others leave: where one is withheld, its variable is.
    gone = rows["estimate"].isna().groupby(rows["variable"]).transform("any")
    values = ["estimate", "standardised_difference"]
    rows = rows.assign(**rows[values].mask(gone))
    sides = {side: own.set_index("characteristic") for side, own in rows.groupby("side", sort=False)}
    return pd.DataFrame(
        {
            **{
                _heading(side, own): [
                    _shown(
                        v, 0 if abs(v) >= words.WHOLE_FROM and u != "%" else 1, f"{THIN}%" if u == "%" else ""
                    )
                    for v, u in zip(own["estimate"], own["unit"], strict=True)
                ]
                for side, own in sides.items()
            },
            "standardised_difference": [_shown(v, 2) for v in sides["seen"]["standardised_difference"]],
        },
        index=sides["seen"].index,
    ).reset_index()


def _heading(side: str, rows: pd.DataFrame) -> str:
    """Return the heading of a side with its number, where that may be shown."""
    n = rows["n_rows"].dropna()
    return f"{side} (n {words.number(n.iloc[0])})" if len(n) else side


def _shown(value: float, places: int, unit: str = "") -> str:
    return words.number(value, places) + unit if np.isfinite(value) else WITHHELD


def sources(result: Result) -> pd.DataFrame:
    """Return what each standard rests on."""
    if why_not(result):
        return part(result, "declared")
    headings = {"name": "criterion", "source_kind": "rests_on", "source": "source"}
    return part(result, "declared")[list(headings)].rename(columns=headings)


def _value(row: pd.Series, column: str) -> str:
    """Return a value with its unit; a unit of several words stands in the criterion's statement."""
    unit = str(row["unit"])
    number = words.number(row[column], int(row["places"]))
    return words.with_unit(number, "" if " " in unit else unit)


def _level(result: Result) -> str:
    levels = result.table()["level"].dropna()
    return f"{100 * float(levels.iloc[0] if len(levels) else LEVEL):g}{THIN}% interval"


def _with_limits(row: pd.Series, estimate: str, low: str, high: str, *, is_gap: bool = False) -> str:
    """Return a value with its unit and interval; a difference of percentages is in points."""
    places = int(row["places"])
    if pd.isna(row[estimate]):
        return WITHHELD if row.get("outcome") == WITHHELD else words.NOT_AVAILABLE
    value = words.number(row[estimate], places) if is_gap else _value(row, estimate)
    return value if pd.isna(row[low]) else f"{value} ({words.limits(row[low], row[high], places)})"


def _counted(row: pd.Series) -> str:
    if pd.isna(row["denominator"]):
        return WITHHELD if row["outcome"] == WITHHELD else words.NOT_AVAILABLE
    n = words.number(row["denominator"])
    if pd.isna(row["numerator"]) or row["unit"] != "%":
        counted = f"{n} {row['counted']}"
    else:
        counted = f"{words.number(row['numerator'])} of {n} {row['counted']}"
    more = [
        f"{words.number(row[column])} {name}"
        for column, name in (("n_exceptions", "excepted"), ("n_unknown", "unknown"))
        if pd.notna(row[column]) and row[column] > 0
    ]
    return f"{counted}; {', '.join(more)}" if more else counted


def moved(log: pd.DataFrame) -> str:
    """Return what became of the criteria of actions that were audited again, counted by kind."""
    audited = log.loc[log["re_audit"].ne("not yet"), "re_audit"].value_counts()
    if audited.empty:
        return "None has been audited again yet."
    said = [f"{MOVED.get(kind, kind)} for {k}" for kind, k in audited.items()]
    return f"Audited again: {words.listed(said)}."
