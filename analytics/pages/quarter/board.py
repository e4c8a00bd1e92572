"""The board of a review: every criterion with its course by quarter, its value, its standard and its verdict.

Grouped by what must be done: not met, cannot tell, and met, folded under its names. What cannot be told says
when it can, what is met says over how many quarters. A verdict is a word and a shape before it is a colour.
"""

from typing import Any

import numpy as np
import pandas as pd

from analytics import numbers as words
from analytics.pages.content import plain_rows
from analytics.pages.page import Page, result_of, show_html
from analytics.pages.review_tables import WITHHELD, audit, in_unit, part
from analytics.reports import filled
from analytics.results import LEAST_FOR_INTERVAL, Result, why_not
from analytics.review import CANNOT_TELL, CLEARED, MET, NO_DATA, NOT_MET, WORSE

NEVER = "not within 5 years"  # of those that cannot be told, a group of their own
GROUPS = (
    (NOT_MET, "Not met"),
    (CANNOT_TELL, "Cannot be told yet"),
    (NEVER, "Cannot be told within 5 years"),
    (MET, "Met"),
    (NO_DATA, "Nothing to count"),
)
SHAPES = {NOT_MET: "■", MET: "●"}
SIGN = {"at most": "≤", "at least": "≥"}
SPARK_WIDTH, SPARK_HEIGHT, SPARK_EDGE = 118.0, 22.0, 3.0
MANY_QUARTERS = 12
MEANS = " Yields are means of their quarters' counts; page 01 prints the growth model's."


def board(page: Page, title: str = "Every criterion against its standard") -> None:
    """Write the board of the page's indicators; its rows are a table of the page, for the workbook too."""
    result, names, moved = result_of(page, "indicators"), last_outcomes(page), _moved(page)
    if why_not(result):
        return  # the headline says why
    rows = audit(result)
    known = part(result, "told").set_index("criterion") if len(part(result, "told")) else pd.DataFrame()
    number = 1 + sum(entry["kind"] == "table" for entry in page.written)
    shown = audit_sheet(result)
    entry = {"kind": "table", "id": f"t{number}", "name": "indicators", "title": title}
    page.written.append({**entry, "frame": plain_rows(shown)})
    groups = []
    never = known.index[known["told_in"].isna()] if len(known) else []
    is_never = rows["outcome"].eq(CANNOT_TELL) & rows["criterion"].isin(never)
    kinds = rows["outcome"].mask(is_never, NEVER)
    for outcome, heading in (*GROUPS, (WITHHELD, "Withheld: small numbers")):
        theirs = rows[kinds.eq(outcome)]
        if len(theirs):
            lines = [_line(row, result, known, names, moved) for _, row in theirs.iterrows()]
            groups.append(
                {"kind": outcome.replace(" ", "-"), "shape": SHAPES.get(outcome, ""), "heading": heading,
                 "n": len(theirs), "lines": lines if outcome != NO_DATA else [],
                 "names": "; ".join(theirs["name"]),
                 "last": _last_heading(outcome)}
            )  # fmt: skip
    lacks = rows["estimate"].notna() & rows["ci_low"].isna()
    few = f" No interval is printed from fewer than {LEAST_FOR_INTERVAL} patients." if lacks.any() else ""
    few += MEANS if rows["name"].str.startswith("Yield").any() else ""
    show_html(filled("blocks/board", title=title, id=f"t{number}", groups=groups, folded=MET, few=few))


def _last_heading(outcome: str) -> str:
    return {
        NOT_MET: "before",
        CANNOT_TELL: "chance it holds; can be told in",
        NEVER: "chance it holds",
        MET: "decided over",
    }.get(outcome, "")


def last_outcomes(page: Page) -> dict[str, str]:
    """Return what the last review came to, by criterion; nothing where there was none."""
    before = part(result_of(page, "agenda"), "before")
    return dict(zip(before["criterion"], before["outcome"], strict=True)) if len(before) else {}


def _moved(page: Page) -> set[str]:
    """Return the criteria whose chart says that they moved for the worse."""
    signals = part(result_of(page, "agenda"), "signals")
    if signals.empty:
        return set()
    worse = signals["direction"].eq(WORSE) & signals["source"].eq("chart") & signals["status"].ne(CLEARED)
    return set(signals.loc[worse, "criterion"])


def _line(
    row: pd.Series, result: Result, known: pd.DataFrame, before: dict[str, str], moved: set[str]
) -> dict[str, Any]:
    places = int(row["places"])
    value = in_unit(row, row["estimate"]) if pd.notna(row["estimate"]) else ""
    standard = words.number(row["standard"], places)
    has_limits = pd.notna(row["ci_low"]) and pd.notna(row["ci_high"])
    history = part(result, "history")
    last = _last(row, known, before, moved)
    if row["outcome"] == NOT_MET:
        earlier = [said for said in (last, quarter_before(row, history)[0]) if said]
        last = "; ".join(earlier) or "no earlier review"
    return {
        "name": row["name"],
        "value": value or ("withheld" if row["outcome"] == WITHHELD else "none"),
        "interval": words.limits(row["ci_low"], row["ci_high"], places) if has_limits else "",
        "standard": f"{SIGN[row['direction']]} {standard}",
        "last": last,
        "spark": _spark(row, history),
    }


def quarter_before(row: pd.Series, history: pd.DataFrame) -> tuple[str, bool]:
    """Return a criterion's value in the last quarter before this one that has one, and whether it missed too.

    Nothing where no such value is shown.
    """
    if history.empty:
        return "", False
    is_earlier = history["quarter"].lt(history["quarter"].max()) & history["estimate"].notna()
    own = history[history["criterion"].eq(row["criterion"]) & is_earlier].sort_values("quarter")
    if own.empty:
        return "", False
    estimate = float(own["estimate"].iloc[-1])
    bad_above = row["direction"] == "at most"
    missed = estimate > row["standard"] if bad_above else estimate < row["standard"]
    where = f"{'above' if bad_above else 'below'} it too" if missed else "within it"
    return f"{in_unit(row, estimate)} in quarter {own['quarter'].iloc[-1]:.0f}, {where}", bool(missed)


def _last(row: pd.Series, known: pd.DataFrame, before: dict[str, str], moved: set[str]) -> str:
    name, outcome = row["criterion"], row["outcome"]
    over = row["over_quarters"]
    quarters = "" if pd.isna(over) else f"{over:.0f} quarter{'s' if over > 1 else ''}"
    if outcome == NOT_MET:
        at_last = {NOT_MET: "not met", MET: "met", CANNOT_TELL: "could not be told"}.get(before.get(name, ""))
        return f"{at_last} at the last review" if at_last else ""
    if outcome == MET:
        return "all sessions, one by one" if row["by_sequential_test"] else quarters
    if outcome == CANNOT_TELL and name in known.index:
        one = known.loc[name]
        chance = "" if pd.isna(one["chance_pct"]) else words.chance(one["chance_pct"])
        chance += ", had it not got worse" if chance and name in moved else ""
        when = "" if pd.isna(one["told_in"]) else f"quarter {one['told_in']:.0f}"
        return "; ".join(part for part in (chance, when) if part)
    return ""


def _spark(row: pd.Series, history: pd.DataFrame) -> dict[str, Any]:
    """Return points, the line of the standard and the side where it is not met, in a fixed frame."""
    if history.empty:
        return {}
    own = history[history["criterion"].eq(row["criterion"]) & history["estimate"].notna()]
    own = own.sort_values("quarter").tail(MANY_QUARTERS)
    if len(own) < 2:
        return {}
    x, y = own["quarter"].to_numpy(dtype=float), own["estimate"].to_numpy(dtype=float)
    standard = float(row["standard"])
    # Early quarters of few units would flatten all others: the scale is that of the middle nine in ten.
    low, high = np.quantile(y, [0.05, 0.95])
    low, high = min(low, standard), max(high, standard)
    room = 0.15 * (high - low) or 1.0
    low, high = low - room, high + room
    inner_width, inner_height = SPARK_WIDTH - 2 * SPARK_EDGE, SPARK_HEIGHT - 2 * SPARK_EDGE
    at_x = SPARK_EDGE + inner_width * (x - x[0]) / (x[-1] - x[0])
    at_y = SPARK_EDGE + inner_height * (1 - np.clip((y - low) / (high - low), 0, 1))
    level = SPARK_EDGE + inner_height * (1 - (standard - low) / (high - low))
    bad_above = row["direction"] == "at most"
    return {
        "width": SPARK_WIDTH,
        "height": SPARK_HEIGHT,
        "points": " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(at_x, at_y, strict=True)),
        "dots": [(f"{a:.1f}", f"{b:.1f}") for a, b in zip(at_x[:-1], at_y[:-1], strict=True)],
        "last_x": f"{at_x[-1]:.1f}",
        "last_y": f"{at_y[-1]:.1f}",
        "level": f"{level:.1f}",
        "bad_from": "0" if bad_above else f"{level:.1f}",
        "bad_height": f"{level:.1f}" if bad_above else f"{SPARK_HEIGHT - level:.1f}",
        "says": f"quarters {x[0]:.0f} to {x[-1]:.0f}, last {words.number(y[-1], int(row['places']))}",
    }


def audit_sheet(result: Result) -> pd.DataFrame:
    """Return the audit with numbers as numbers: numerator, denominator, value, limits, standard, verdict."""
    rows = audit(result)
    columns = {
        "name": "criterion", "outcome": "outcome", "direction": "direction", "standard": "standard",
        "estimate": "value", "ci_low": "ci_low", "ci_high": "ci_high", "unit": "unit",
        "numerator": "numerator", "denominator": "denominator", "counted": "counted",
        "n_unknown": "n_unknown", "n_exceptions": "n_exceptions",
        "over_quarters": "over_quarters", "counts_at": "counted_at",
    }  # fmt: skip
    order = {name: i for i, (name, _) in enumerate(GROUPS)}
    rows = rows.sort_values("outcome", key=lambda o: o.map(order).fillna(len(order)), kind="stable")
    return rows[list(columns)].rename(columns=columns).reset_index(drop=True)


def told_table(result: Result) -> pd.DataFrame:
    """Return of every criterion that cannot be told: what it would take, how likely it holds, and when."""
    told = part(result, "told")
    if told.empty:
        return told
    rows = told[told["outcome"].eq(CANNOT_TELL)].merge(
        part(result, "declared")[["criterion", "name"]], on="criterion", validate="one_to_one"
    )
    leaning = rows["leaning"].map({1.0: "better", -1.0: "worse"}).fillna("")
    when = ["not within five years" if pd.isna(q) else f"quarter {q:.0f}" for q in rows["told_in"]]
    return pd.DataFrame(
        {
            "criterion": rows["name"],
            "faultless_record_needed": rows["perfect_record"],
            "chance_that_it_holds_pct": rows["chance_pct"],
            "earlier_quarters": rows["prior"],
            "counted_as": rows["prior_units"],
            "leans": leaning,
            "can_be_told_by": when,
        }
    )


def harms_table(result: Result) -> pd.DataFrame:
    """Return the sequential test of every rare harm: where it stands, and its errors."""
    harms = part(result, "harms")
    if harms.empty:
        return harms
    told = ["" if pd.isna(q) else f", quarter {q:.0f}" for q in harms["told_in"]]
    return pd.DataFrame(
        {
            "criterion": harms["name"],
            "last_came_to": harms["state"] + told,
            "numerator": harms["numerator"],
            "denominator": harms["denominator"],
            "without_one_until_accepted": harms["sessions_to_accept"],
            "in_a_row_until_alarm": harms["events_to_alarm"],
            "false_alarm_pct": harms["false_alarm_pct"],
            "missed_pct": harms["missed_pct"],
            "sessions_between_false_alarms": harms["sessions_between_false_alarms"],
        }
    )
