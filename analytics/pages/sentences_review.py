"""What does a panel say, in one sentence a practice manager understands at once?

Made from the result alone, so that a sentence never says more than the table beneath it; what a table
withholds is not in its sentence either.
"""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from analytics import dictionary
from analytics import numbers as words
from analytics.results import LEVEL, Result, why_not
from analytics.review import (
    AT_END,
    CANNOT_TELL,
    DETECTABLE,
    GAP,
    LAST,
    MET,
    NO_DATA,
    NOT_MET,
    STEP,
    THIS,
    YEAR,
    Criteria,
)

THIN = words.THIN
WITHHELD = "withheld"
MUTE = "too few a month for one month to stand out"
LEAST_LUCK = 0.05  # of a chart: less is said in words
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


def in_words(result: Result) -> str:
    """Return the answer of a panel in a sentence.

    A panel that cannot be filled yet says what it waits for.
    """
    if why := why_not(result):
        return why
    table = result.table()
    if table.empty:
        return "Nothing of this may be shown to this audience, or there is nothing to show."
    if result.picture == "sentence":
        return f"Not yet: {table['flag'].iloc[0]}."
    makers: dict[str, Callable[[Result], str]] = {
        "indicators": _indicators,
        "run_charts": _run_charts,
        "operators": _operators,
        "cases": _cases,
        "follow_up": _follow_up,
        "before_after": _before_after,
        "actions": _actions,
    }
    if result.picture in makers:
        return makers[result.picture](result)
    return _absent(result) if table["term"].eq("as seen").any() else ""


def said(results: Mapping[str, Result]) -> dict[str, str]:
    """Return the sentence of every panel, by name."""
    return {name: in_words(result) for name, result in results.items()}


def part(result: Result, name: str) -> pd.DataFrame:
    """Return a frame a panel carries beside its table; empty where the panel is not filled yet."""
    return result.extra[name] if why_not(result) else result.extra.get(name, pd.DataFrame())


def titles(criteria: Criteria, roles: Mapping[str, str]) -> dict[str, str]:
    """Return the title of the criterion of each panel; empty words where none is declared."""
    named = ("grafts", "growth", "poor", "answers", "changed")
    title = {r: criteria.named(roles[r]).title if roles[r] else "No criterion declared" for r in named}
    around = f"{title['changed']} before and after the declared change, by month of operation"
    return {**title, "around": around}


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
    return pd.DataFrame(
        {
            "criterion": rows["name"],
            "chart": rows["chart"].map(CHARTS).fillna("none"),
            "points": points.astype(object).where(points.notna(), WITHHELD),
            "lines_set_in_quarter": rows["set_in_quarter"],
            "says": trial + rows["signal"] + np.where(rows["is_mute"].astype(bool), f"; {MUTE}", ""),
            "false_alarms_in_100": rows["false_alarm_pct"],
        }
    )


CASES_NAMED = (
    "Cases to look at: the whole 95 % interval of the reading lies below the threshold of poor growth"
)


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


def _indicators(result: Result) -> str:
    rows = audit(result)
    n, year = rows["outcome"].value_counts(), rows["year_outcome"].value_counts()
    missed = "none is not met"
    if n.get(NOT_MET, 0):
        missed = f"{n[NOT_MET]} not ({_listed(rows.loc[rows['outcome'].eq(NOT_MET), 'name'])})"
    unsaid = n.get(WITHHELD, 0)
    withheld = f"; {unsaid} {_are(unsaid)} withheld" if unsaid else ""
    return (
        f"Of {len(rows)} criteria {n.get(MET, 0)} {_are(n.get(MET, 0))} met, {missed}, and for "
        f"{n.get(CANNOT_TELL, 0)} one quarter's numbers cannot tell{withheld}; over four quarters "
        f"{year.get(MET, 0)} {_are(year.get(MET, 0))} met and {year.get(NOT_MET, 0)} not."
    )


def _run_charts(result: Result) -> str:
    rows = charts(result)
    drawn = rows[rows["is_drawn"].astype(bool)]
    found = part(result, "found")
    luck = drawn["false_alarm_pct"].sum() / 100
    sides = []
    for direction in ("worse", "better"):
        names = found.loc[found["direction"].eq(direction), "criterion"] if len(found) else []
        titles = drawn.loc[drawn["criterion"].isin(set(names)), "name"]
        if len(titles):
            sides.append(f"{direction}: {_listed(titles)}")
    none = f"None of {len(drawn)} charts signals" if len(drawn) > 1 else "No chart signals"
    which = f"Of {len(drawn)} chart{'s' if len(drawn) > 1 else ''}, {'; '.join(sides)}" if sides else none
    return (
        f"{which}. By luck alone {f'about {luck:.1f}' if luck >= LEAST_LUCK else 'hardly any'} would signal."
    )


def _operators(result: Result) -> str:
    by = result.by[0]
    rows = result.table()
    versus = rows[rows["term"].str.endswith("to the others")].set_index(by)
    differs = versus[versus["flag"].fillna("").str.contains("than the others")]
    chance = rows[rows["term"].eq("chance to be flagged")]["estimate"].dropna()
    if differs.empty:
        seen = f"{chance.min():.0f} to {chance.max():.0f} times in 100" if len(chance) else "hardly ever"
        shift = "doubled odds" if versus["unit"].eq("ratio").all() else "a true fall of 5 points"
        return f"No operator differs from the others by more than chance; {shift} would be seen {seen}."
    distance = np.log(differs["estimate"]) if differs["unit"].eq("ratio").all() else differs["estimate"]
    name = distance.abs().idxmax()
    here = rows[rows[by].eq(name)].set_index("term")["estimate"]
    others = [str(n) for n in differs.index if n != name]
    more = f" {_listed(others)} also {'differs' if len(others) == 1 else 'differ'}." if others else ""
    return (
        f"{name} had {here['observed']:.1f}{THIN}%, where the others would have had "
        f"{here['expected of the others']:.1f}{THIN}% with the same cases.{more}"
    )


def _cases(result: Result) -> str:
    group = result.by[0]
    table = result.table()
    counts = table[table["term"].eq("signals")].set_index(group)
    signals = result.extra["signals"]
    n_cases = int(np.nansum(counts["n_rows"]))
    if signals.empty:
        return f"No signal in {n_cases} cases."
    parts = [
        f"{name} signalled {'once' if len(rows) == 1 else f'{len(rows)} times'}, first in quarter "
        f"{int(rows['quarter'].min())} (the rise began in month {int(rows['began_in_month'].min())})"
        for name, rows in signals.groupby(group)
    ]
    quiet = [str(n) for n in counts.index if n not in set(signals[group])]
    rest = f"; {_listed(quiet)} did not" if quiet else ""
    return f"{_listed(parts)}{rest}."


def _follow_up(result: Result) -> str:
    table = result.table()
    seen = table[table["zone"].eq("all") & table["x"].notna() & table["estimate"].notna()]
    if seen.empty:
        return "No planned visit is due yet."
    best = seen.loc[seen["x"].sub(12).abs().idxmin()]
    clark = table[table["term"].eq("completeness of person-time")]["estimate"]
    whole = f" Of all follow-up time {clark.iloc[0]:.0f}{THIN}% was observed." if clark.notna().any() else ""
    inside = f" (95{THIN}% interval {words.limits(best['ci_low'], best['ci_high'])})"
    return (
        f"Of {best['n_rows']:.0f} due at {best['visit']}, {best['estimate']:.0f}{THIN}% were seen in the "
        f"window{inside if pd.notna(best['ci_low']) else ''}.{whole}"
    )


def _before_after(result: Result) -> str:
    rows = result.table().set_index("term")
    step, least = rows.loc[STEP], rows.loc[DETECTABLE, "estimate"]
    of_ratio = step["unit"] == "ratio"
    none = 1.0 if of_ratio else 0.0
    unit = "" if of_ratio else f" {step['unit']}"
    places = 2 if of_ratio else 0
    limits = words.limits(step["ci_low"], step["ci_high"], places)
    size = f"{words.number(step['estimate'], places)}{unit} (95{THIN}% interval {limits})"
    if not np.isfinite(step["ci_low"]):
        return "The step at the change cannot be told yet."
    if step["ci_low"] <= none <= step["ci_high"]:
        rarely = f"less than {words.number(least, places)}{unit} would rarely be found"
        return f"Cannot tell: the step at the change is {size}; {rarely}."
    end = rows.loc[AT_END, "estimate"]
    end = words.number(end, places)
    return f"The step at the change is {size}; at the end, against the trend before, {end}{unit}."


def _actions(result: Result) -> str:
    log = result.extra["log"]
    state = log["state"].value_counts()
    states = _listed([f"{k} {name}" for name, k in state.items()])
    plural = "" if len(log) == 1 else "s"
    return f"{len(log)} action{plural}: {states}. {moved(log)}"


def moved(log: pd.DataFrame) -> str:
    """Return what became of the criteria of actions that were audited again, counted by kind."""
    audited = log.loc[log["re_audit"].ne("not yet"), "re_audit"].value_counts()
    if audited.empty:
        return "None has been audited again yet."
    said = [f"{MOVED.get(kind, kind)} for {k}" for kind, k in audited.items()]
    return f"Audited again: {_listed(said)}."


MOVED = {"cannot tell": "effect cannot be told"}


def _absent(result: Result) -> str:
    rows = result.table().set_index("term")
    ends = words.limits(rows.loc["lower bound", "estimate"], rows.loc["upper bound", "estimate"])
    return f"{_percent(rows.loc['as seen'])} in those seen, {ends}{THIN}% whatever became of the absent."


def _percent(row: pd.Series) -> str:
    limits = words.limits(row["ci_low"], row["ci_high"])
    return f"{row['estimate']:.0f}{THIN}% (95{THIN}% interval {limits})"


def _listed(names) -> str:
    words = [str(n) for n in names]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def _are(n: int) -> str:
    return "is" if n == 1 else "are"
