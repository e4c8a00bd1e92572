"""What is wrong, what is new, what do we decide? The agenda of a review in words."""

from collections.abc import Collection
from typing import Any

import pandas as pd

from analytics import disclosure
from analytics import numbers as words
from analytics.pages.content import plain_rows
from analytics.pages.page import Page, result_of, show_html
from analytics.pages.quarter.board import last_outcomes, quarter_before
from analytics.pages.review_tables import WITHHELD, audit, in_unit, moved, part
from analytics.pages.writing import flag
from analytics.reports import filled
from analytics.results import Result, why_not
from analytics.review import (
    BETTER,
    CANNOT_TELL,
    CLEARED,
    FELL,
    KNOWN,
    LATE,
    MET,
    MISSED,
    NEVER_TOLD,
    NEW,
    NO_DATA,
    NOT_MET,
    UNKNOWN,
    WORSE,
    WORSE_SIGNAL,
)  # fmt: skip

MOST_SIGNALS, MOST_DECISIONS, MOST_NAMES = 5, 7, 3
SMALL = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight", 9: "nine"}
ROOM = "________"
# How often chance alone names an operator at a level of `review.operators`.
CHANCE_TO_BE_NAMED = {
    "95 %": ", as chance alone does in 1 of 20",
    "99.8 %": ", as chance alone does in 1 of 500",
}
OPEN, CLOSED = ("overdue", "due now", "not yet due"), ("done", "dropped")  # states of an action


def answer(result: Result, quarter: str) -> str:
    """Return the headline: what is not met, with its number, then how many are met and cannot be told."""
    if why := why_not(result):
        return why
    rows = audit(result)
    n = rows["outcome"].value_counts()
    missed = rows[rows["outcome"].eq(NOT_MET)]
    if len(missed) == 0:
        hidden = int(n.get(WITHHELD, 0))
        of = f"the {len(rows) - hidden} standards that may be shown" if hidden else f"{len(rows)} standards"
        head = f"None of {of} is known to be missed."
    elif len(missed) == 1:
        row = missed.iloc[0]
        head = f"One of {len(rows)} standards is not met: {_with_standard(row)}."
    else:
        listed = "; ".join(_with_standard(row) for _, row in missed.iterrows())
        head = f"{_count(len(missed)).capitalize()} of {len(rows)} standards are not met: {listed}."
    rest = [
        f"{_count(n.get(MET, 0))} {_are(n.get(MET, 0))} met",
        *_untold(result, rows),
        *([f"for {_count(n[NO_DATA])} there is nothing to count"] if n.get(NO_DATA, 0) else []),
        *([f"{_count(n[WITHHELD])} may not be shown"] if n.get(WITHHELD, 0) else []),
    ]
    said = "; ".join(rest)
    return f"{quarter[:1].upper()}{quarter[1:]}: {head[:1].lower()}{head[1:]} {said[:1].upper()}{said[1:]}."


def _untold(result: Result, rows: pd.DataFrame) -> list[str]:
    """Return how many standards cannot be told yet, and how many not within 5 years."""
    told = part(result, "told")
    late = told.loc[told["told_in"].isna(), "criterion"] if len(told) else []
    open_ = rows[rows["outcome"].eq(CANNOT_TELL)]
    never = int(open_["criterion"].isin(late).sum())
    soon = len(open_) - never
    yet = [f"{_count(soon)} cannot be told yet"] if soon or not never else []
    later = [f"{_count(never)} {'not even' if yet else 'cannot be told'} within 5 years"] if never else []
    return [*yet, *later]


def _are(n: int) -> str:
    return "is" if n == 1 else "are"


def _count(n: int) -> str:
    return SMALL.get(int(n), "none" if n == 0 else str(int(n)))


def _with_standard(row: pd.Series) -> str:
    value, standard = (in_unit(row, row[name]) for name in ("estimate", "standard"))
    return f"{row['name']} {value} ({row['direction']} {standard})"


def agenda(page: Page) -> None:
    """Write the agenda beside the board: new signals (the worse flagged), actions, decisions to take."""
    result, actions = result_of(page, "agenda"), result_of(page, "actions")
    if why_not(result):
        return
    hidden = _hidden(page)
    signals, decisions = signals_table(result), decisions_table(result, hidden)
    number = 1 + sum(entry["kind"] == "table" for entry in page.written)
    for i, (title, rows) in enumerate((("Signals", signals), ("Decisions to take", decisions))):
        entry = {"kind": "table", "id": f"t{number + i}", "name": "agenda", "title": title}
        shown = disclosure.protect_frame(rows, page.audience) if len(rows) else rows
        page.written.append({**entry, "frame": plain_rows(shown)})
    show_html(
        filled(
            "blocks/agenda",
            signals=_signals(result, _missed(page, _last_review(result))),
            last_review=_last_review(result),
            standards=_standards(result),
            actions=_actions(actions),
            closed=_closed(actions),
            decisions=_decisions(result, hidden),
        ),
        slot="aside",
    )
    flag(page, _alarm(signals, "New signals" if _last_review(result) else "Signals"))


def _alarm(signals: pd.DataFrame, what: str) -> str:
    """Return the criteria with a new signal for the worse; nothing where none has one."""
    if signals.empty:
        return ""
    worse = signals[signals["direction"].eq("worse") & signals["status"].eq("new")]
    named = list(dict.fromkeys(worse["criterion"]))
    return f"{what} for the worse: {words.listed(named)}." if named else ""


def _last_review(result: Result) -> int:
    rows = result.table().set_index("term")["estimate"]
    return int(rows.get("last review", 0)) if len(rows) else 0


def _missed(page: Page, last: int) -> list[tuple[str, dict[str, Any]]]:
    """Return the standards missed: under which heading each stands, and its line with the quarter before.

    It was missed before by the last review; in a first one, where the quarter before lay past it too.
    """
    found = result_of(page, "indicators")
    if why_not(found):
        return []
    new, before, unknown = _headings(last)
    known, history, out = last_outcomes(page), part(found, "history"), []
    rows = audit(found)
    for _, row in rows[rows["outcome"].eq(NOT_MET)].iterrows():
        says, is_old = quarter_before(row, history)
        if last:
            is_old = known.get(row["criterion"]) == NOT_MET
        heading = before if is_old else new if says or last else unknown
        line = {"is_worse": True, "word": "Not met", "names": row["name"], "says": f"{says}." if says else ""}
        out.append((heading, line))
    return out


def _signals(result: Result, missed: list[tuple[str, dict[str, Any]]]) -> list[dict[str, Any]]:
    """Return what is new, carried over or gone: a heading each, standards missed first, worse before better.

    In a first review *new* is what signalled in this quarter for the first time, as far as charts know.
    """
    rows, last = part(result, "signals"), _last_review(result)
    named: dict[str, dict[tuple[bool, str], list[str]]] = {heading: {} for heading in _headings(last)}
    for (direction, name, group), own in rows.groupby(["direction", "name", "group"], sort=False):
        heading, since, says = _standing(own, last)
        is_worse = direction == WORSE
        # Good news is named in one line; its points stand with the charts.
        key = (is_worse, says if is_worse else "")
        named[heading].setdefault(key, []).append(words.title_case(_whose(name, group)) + since)
    return [
        {
            "heading": heading,
            "is_gone": bool(last) and heading == _headings(last)[-1],
            "lines": [
                *(line for under, line in missed if under == heading),
                *(
                    {
                        "is_worse": is_worse,
                        "word": "Worse" if is_worse else "Better",
                        "names": "; ".join(names),
                        "says": says,
                    }
                    for (is_worse, says), names in sorted(lines.items(), key=lambda one: not one[0][0])
                ),
            ][: MOST_SIGNALS + 1],
        }
        for heading, lines in named.items()
        if lines or heading == next(iter(named)) or heading in dict(missed)
    ]


def _headings(last: int) -> tuple[str, str, str]:
    """Return the headings of what is new, what was there before, and what is neither."""
    if last:
        return f"New since the review of quarter {last}", f"Carried over from quarter {last}", "Gone since"
    return "New this quarter", "There before this quarter", "Since when cannot be told"


def _standing(rows: pd.DataFrame, last: int) -> tuple[str, str, str]:
    """Return under which heading signals of one matter stand, since when, and what the new ones say."""
    new, before, third = _headings(last)
    known, fresh = rows[rows["status"].eq(KNOWN)], rows[rows["status"].eq(NEW)]
    dateless = fresh["source"].eq("operator") | fresh["rule"].astype(str).str.startswith("few")
    sentences = [f"{words.title_case(_says(row))}." for row in _one_by_kind(fresh, is_known=len(known) > 0)]
    says = " ".join(dict.fromkeys(sentences))
    if len(known):
        since = known[["first_named_in", "quarter"]].min().min()
        return before, f" (since quarter {since:.0f})", says
    if fresh.empty:
        return third, "", ""
    return (third if not last and dateless.all() else new), "", says


def _one_by_kind(rows: pd.DataFrame, *, is_known: bool) -> list[dict[str, Any]]:
    """Return the rows, those of case-by-case charts as one with their months.

    `is_known`: such a chart signalled before, so that its last rise is not its first.
    """
    cases = rows[rows["source"].eq("case by case")]
    others = rows[rows["source"].ne("case by case")].to_dict("records")
    if cases.empty:
        return others
    months = sorted(int(m) for m in cases["register_month"].dropna())
    first = cases.sort_values("register_month").iloc[0].to_dict()
    rule = "" if is_known else first["rule"]
    return [{**first, "rule": rule, "months": months, "times": len(cases)}, *others]


def _says(row: dict[str, Any]) -> str:
    """Return what a signal is, and that it goes with the case mix where it does."""
    return _seen(row) + (", but not once adjusted for case mix" if row["is_of_mix"] else "")


def _seen(row: dict[str, Any]) -> str:
    month = "" if pd.isna(row["register_month"]) else f"month {row['register_month']:.0f}"
    source = row["source"]
    if source == "case by case":
        months = list(dict.fromkeys(row["months"]))
        times = "one signal" if row["times"] == 1 else f"{_count(row['times'])} signals"
        when = f"month{'s' if len(months) > 1 else ''} {words.listed([str(m) for m in months])}"
        return f"case by case, {times} ({when})" + (f"; {row['rule']}" if row["rule"] else "")
    if source == "operator":
        what, _, level = str(row["rule"]).partition(" at ")
        chance = CHANCE_TO_BE_NAMED.get(level, "")
        return f"{what} with the same cases over the last four quarters{chance}"
    if source == "follow-up":
        fell = "" if pd.isna(row["weight"]) else f" by {row['weight']:.0f} points"
        return f"attendance fell{fell} against the two years before"
    if str(row["rule"]).startswith("a point"):
        n = "" if pd.isna(row["n_units"]) else f" (n {words.number(row['n_units'])})"
        far = "" if pd.isna(row["weight"]) else f", {row['weight']:.1f} standard deviations from average{n}"
        return f"{month} lies outside the limits{far}"
    if str(row["rule"]).startswith("a long"):
        n = "many" if pd.isna(row["weight"]) else f"{row['weight']:.0f}"
        return f"{n} points in a row on one side of the average, from {month}: the level has moved"
    return "monthly values stay on one side of their average for longer than by chance: the level has moved"


def _whose(name: str, group: str) -> str:
    """Return a criterion, and of which operator where it is of one."""
    return f"{name}, operator {group}" if group else str(name)


def _standards(result: Result) -> list[str]:
    rows = part(result, "standards").to_dict("records")
    return [
        f"{row['name']}: standard {row['change']}, {row['standard_before']:g} to {row['standard']:g}"
        for row in rows
    ]


def _actions(result: Result) -> list[dict[str, Any]]:
    """Return the actions still open, the late ones first."""
    rows = part(result, "log").to_dict("records")
    return [
        {
            "state": words.title_case(str(row["state"])),
            "is_late": row["state"] == "overdue",
            "what": str(row["what"]),
            "who": words.title_case(str(row["role"])),
        }
        for state in OPEN
        for row in rows
        if row["state"] == state
    ]


def _closed(result: Result) -> str:
    """Return how many actions are closed, and what came of those audited again."""
    log = part(result, "log")
    counts = log["state"].value_counts() if len(log) else {}
    states = [f"{counts[state]} {state}" for state in CLOSED if state in counts]
    return f"{words.listed(states)}. {moved(log)}".strip() if states else ""


def _hidden(page: Page) -> set[str]:
    """Return the names of the criteria whose verdict may not be shown."""
    found = result_of(page, "indicators")
    if why_not(found):
        return set()
    rows = audit(found)
    return set(rows.loc[rows["outcome"].eq(WITHHELD), "name"])


def _decisions(result: Result, hidden: Collection[str] = ()) -> list[str]:
    """Return what is to be decided, in sentences; of a criterion that is hidden not that it was missed."""
    rows = part(result, "decisions")
    if len(rows):
        rows = rows[~(rows["kind"].eq(MISSED) & rows["name"].isin(hidden))]
    if rows.empty:
        return []
    out = []
    for kind in (MISSED, WORSE_SIGNAL, LATE, FELL, UNKNOWN, NEVER_TOLD):
        theirs = rows[rows["kind"].eq(kind)]
        if kind == LATE and len(theirs):  # what they are stands above
            due = "action" if len(theirs) == 1 else f"{_count(len(theirs))} actions"
            out.append(_asked(kind, f"The {due} due now", ""))
            continue
        if kind in (NEVER_TOLD, UNKNOWN) and len(theirs):
            names = "; ".join(theirs["name"])
            if kind == NEVER_TOLD and len(theirs) > MOST_NAMES:  # the board says of each
                names = f"{_count(len(theirs)).capitalize()} standards"
            out.append(_asked(kind, names, ""))
            continue
        out += [_asked(kind, row["name"], row["group"]) for row in theirs.to_dict("records")]
    return list(dict.fromkeys(out))[:MOST_DECISIONS]


def _asked(kind: str, name: str, group: str) -> str:
    who = _whose(name, group)
    return {
        MISSED: f"Standard not met: {who}. What will be tried?",
        WORSE_SIGNAL: f"{who}: what is the cause?",
        LATE: f"{name}: close, change or enforce it?",
        FELL: f"Fewer were {name}: who calls those who stayed away?",
        UNKNOWN: f"Often not recorded: {name}. Who asks at the visit?",
        NEVER_TOLD: f"{name} cannot be judged within 5 years: judge over more quarters, or claim less?",
    }[kind]


def signals_table(result: Result) -> pd.DataFrame:
    """Return every signal: which way, what, since when, new or known."""
    signals = part(result, "signals")
    if signals.empty:
        return signals
    says = []
    for row in signals.to_dict("records"):
        months = [] if pd.isna(row["register_month"]) else [int(row["register_month"])]
        says.append("" if row["status"] == CLEARED else _says({**row, "months": months, "times": 1}))
    order = {NEW: "new", KNOWN: "known", CLEARED: "cleared"}
    return pd.DataFrame(
        {
            "status": signals["status"].map(order),
            "direction": signals["direction"].map({WORSE: "worse", BETTER: "better"}),
            "criterion": signals["name"],
            "operator": signals["group"],
            "month": signals["register_month"].astype(float),
            "what_it_says": says,
            "first_named_in_quarter": signals["first_named_in"].astype(float),
        }
    ).drop(columns=[] if signals["group"].ne("").any() else ["operator"])


def decisions_table(result: Result, hidden: Collection[str] = ()) -> pd.DataFrame:
    """Return what is to be decided, with room for who and by when; `hidden`: as may not be shown."""
    asked = _decisions(result, hidden)
    return pd.DataFrame({"decision": asked, "who": ROOM, "by_when": ROOM})


def lists_table(result: Result) -> pd.DataFrame:
    """Return the work lists by code; empty for any audience outside the clinic."""
    return part(result, "lists")
