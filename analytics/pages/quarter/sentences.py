"""What does a panel say, in one sentence a practice manager understands at once?

Made from the result alone, so that a sentence never says more than the table beneath it; what a table
withholds is not in its sentence either.
"""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from analytics import numbers as words
from analytics.pages.review_tables import WITHHELD, audit, charts, moved, part
from analytics.results import Result, why_not
from analytics.review import (
    AT_END,
    CANNOT_TELL,
    DETECTABLE,
    MET,
    NOT_MET,
    STEP,
    Criteria,
)

THIN = words.THIN
LEAST_LUCK = 0.05  # of a chart: less is said in words


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


def titles(criteria: Criteria, roles: Mapping[str, str]) -> dict[str, str]:
    """Return the title of the criterion of each panel; empty words where none is declared."""
    named = ("grafts", "growth", "poor", "answers", "changed")
    title = {r: criteria.named(roles[r]).title if roles[r] else "No criterion declared" for r in named}
    around = f"{title['changed']} before and after the declared change, by month of operation"
    return {**title, "around": around}


def _indicators(result: Result) -> str:
    rows = audit(result)
    n, year = rows["outcome"].value_counts(), rows["year_outcome"].value_counts()
    missed = "none is not met"
    if n.get(NOT_MET, 0):
        missed = f"{n[NOT_MET]} not ({words.listed(rows.loc[rows['outcome'].eq(NOT_MET), 'name'])})"
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
            sides.append(f"{direction}: {words.listed(titles)}")
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
    more = f" {words.listed(others)} also {'differs' if len(others) == 1 else 'differ'}." if others else ""
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
    rest = f"; {words.listed(quiet)} did not" if quiet else ""
    return f"{words.listed(parts)}{rest}."


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
    states = words.listed([f"{k} {name}" for name, k in state.items()])
    plural = "" if len(log) == 1 else "s"
    return f"{len(log)} action{plural}: {states}. {moved(log)}"


def _absent(result: Result) -> str:
    rows = result.table().set_index("term")
    ends = words.limits(rows.loc["lower bound", "estimate"], rows.loc["upper bound", "estimate"])
    return f"{_percent(rows.loc['as seen'])} in those seen, {ends}{THIN}% whatever became of the absent."


def _percent(row: pd.Series) -> str:
    limits = words.limits(row["ci_low"], row["ci_high"])
    return f"{row['estimate']:.0f}{THIN}% (95{THIN}% interval {limits})"


def _are(n: int) -> str:
    return "is" if n == 1 else "are"
