"""Every declared test of a study as it is read: its interval, its p-values and what it lets one say.

Tables of a case as they are read at the chair: one row a month, one row a placement to call back.
"""

import re

import numpy as np
import pandas as pd

from analytics import course, milestones, numbers, yields
from analytics.results import LEVEL, Curve, Result

READING, CENTILE = "reading", "centile of the reading"
YIELD, DENSITY = "predicted yield", "predicted density"
LIMIT_SD = 1.96  # half of a 95 % interval, in standard deviations


def readings_table(result: Result) -> pd.DataFrame:
    """Return a row a reading: month, reading and its centile in the practice, each with its interval."""
    return _by_month(result, {READING: f"reading ({_level(result)})", CENTILE: f"centile ({_level(result)})"})


def forecast_table(result: Result) -> pd.DataFrame:
    """Return a row a month to come: the yield and the density that a count would show, with limits."""
    level = _level(result, "limits")
    return _by_month(result, {YIELD: f"yield ({level})", DENSITY: f"density ({level})"})


def call_back_table(named: pd.DataFrame) -> pd.DataFrame:
    """Return the placements named as behind or low, with the model's yield and what may be the cause."""
    if named.empty:
        return named
    limits = [
        f"{_percent(mean)} ({numbers.limits(mean - LIMIT_SD * sd, mean + LIMIT_SD * sd)})"
        for mean, sd in zip(named["yield_now"], named["yield_sd"], strict=True)
    ]
    chances = {name: [_percent(100 * p) for p in named[name]] for name in ("slow_only", "low_only", "both")}
    kept = named[["patient_id", "zone", "session_number", "month", "n_readings"]]
    return kept.assign(
        **{f"true_yield (95{numbers.THIN}% interval)": limits}, state=named["state"], **chances
    ).rename(columns={"month": "month_read"})


def overdue_table(overdue: pd.DataFrame) -> pd.DataFrame:
    """Return the placements without a count when one was due; month 0 is the count before the session."""
    if overdue.empty:
        return overdue
    last = overdue["last_count"].map(lambda m: "none" if pd.isna(m) else numbers.number(m, 1))
    return overdue.assign(last_count=last).rename(
        columns={"due_month": "due_at_month", "last_count": "last_count_at_month"}
    )


def _by_month(result: Result, columns: dict[str, str]) -> pd.DataFrame:
    table = result.table()
    rows = []
    for (place, month), lines in table.groupby(["place", "x"], sort=False):
        by_term = lines.set_index("term")
        said = {head: _said(by_term.loc[t]) for t, head in columns.items() if t in by_term.index}
        rows.append({"place": place, "month": f"{month:g}", **said})
    return pd.DataFrame(rows)


def _said(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return numbers.words_for_missing(row)
    unit = "" if row.name == CENTILE else str(row["unit"])
    value = numbers.with_unit(numbers.number(row["estimate"]), unit)
    return f"{value} ({numbers.limits(row['ci_low'], row['ci_high'])})"


def _percent(value: float) -> str:
    return f"{numbers.number(value)}{numbers.THIN}%"


def _level(result: Result, name: str = "interval") -> str:
    known = result.table().get("level", pd.Series(dtype=float)).dropna()
    return f"{100 * float(known.iloc[0]) if len(known) else 95:g}{numbers.THIN}% {name}"


ADJUSTED = re.compile(r"; adjusted p ([^;(]*?)(?: \([^;]*\))?(?=;|$)")
NEEDED = re.compile(r": (about [\d,]+) patients with an outcome would be needed")
INTERVAL = re.compile(r"; interval of [^;]*")


def declared_tests(result: Result) -> pd.DataFrame:
    """Return a row a declared test: estimate with interval and level, p, adjusted p, patients, conclusion.

    Made from the table alone, so that what it withholds is withheld here.
    """
    table = result.table()
    if table.empty:
        return table
    adjusted = table["flag"].str.extract(ADJUSTED, expand=False)
    needed = table["flag"].str.extract(NEEDED, expand=False)
    said = table["flag"].str.replace(
        "|".join(p.pattern for p in (ADJUSTED, INTERVAL, NEEDED)), "", regex=True
    )
    return pd.DataFrame(
        {
            "role": table["role"],
            "analysis": table["analysis"],
            "estimate (interval)": [_estimate(row) for _, row in table.iterrows()],
            "n_patients": table["n_patients"].map(numbers.number),
            "p_value": table["p_value"].map(_p_value),
            "adjusted": adjusted.fillna("alone").str.replace("under", "below"),
            "conclusion": said.str.capitalize(),
            "patients_needed": needed.fillna(""),
        }
    )


def _estimate(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return numbers.words_for_missing(row)
    unit, se = str(row["unit"]), row.get("se", float("nan"))
    places = numbers.decimals(float(se) if pd.notna(se) else float("nan"), unit, [row["estimate"]])
    value = numbers.with_unit(numbers.number(row["estimate"], places), unit)
    if pd.isna(row["ci_low"]):
        return value
    level = row["level"] if pd.notna(row["level"]) else LEVEL
    limits = numbers.limits(row["ci_low"], row["ci_high"], places)
    return f"{value} ({100 * float(level):g}{numbers.THIN}%: {limits})"


def _p_value(p: float) -> str:
    if pd.isna(p):
        return numbers.NOT_AVAILABLE
    return "below 0.001" if p < 0.001 else numbers.number(p, 3 if p < 0.1 else 2)


def what_matters(lines: Result, *, most: int = 3) -> str:
    """Return which choices move the headline furthest, each with its largest move.

    Parameters
    ----------
    lines
        From `yields.sensitivity` or `yields.with_view`, as they may be shown.
    most
        How many choices to name, 1 or more.
    """
    furthest = yields.moves(lines)
    if furthest.empty:
        return "No choice can be set against the main line."
    named = "; ".join(
        f"{row['choice']}, {row['option']} ({', '.join(str(row[g]) for g in lines.by[2:])} "
        f"{'down' if row['move'] < 0 else 'up'} {abs(row['move']):.0f})"
        for _, row in furthest.head(most).iterrows()
    )
    half = furthest["half_interval"].iloc[0]
    chance = f" Half an interval is {half:.0f} points long." if pd.notna(half) else ""
    return f"The choices that move a zone's yield furthest, in points: {named}.{chance}"


# Sentences of milestones (page 01), of a case (page 04) and of drafts (page 05).

ZONE_WORDS = {"frontal": "frontal zone", "other": "other zones"}
PEOPLE = 100
# What a state of `course.case` means, and in short, those that need thought first.
STANDING = {
    "low": "low: its true yield lies under {low_yield_pct:g} % of planted hairs",
    "behind": "behind, its readings lower than those of 95 in 100 of this practice's cases read alike",
    "cannot tell": "not to be told yet from the readings there are",
    "usual": "within the usual range of this practice",
    "ahead": "ahead, its readings higher than those of 95 in 100 of this practice's cases read alike",
}
STANDING_IN_SHORT = {
    "low": "low at maturity",
    "behind": "behind",
    "cannot tell": "cannot be told yet",
    "usual": "within the usual range",
    "ahead": "ahead",
}


def when_reached(result: Result, group: str, *, percent: float, month: float = 12.0) -> str:
    """Return what a surgeon can say to a patient of one group: how many of 100 placements by a month.

    Parameters
    ----------
    result
        From `milestones.time_to`, as it may be shown.
    group
        A zone (or another value of the `by` column).
    percent
        The milestone, percent of planted hairs.
    month
        A month of the table.

    Examples
    --------
    >>> row = {"zone": "crown", "term": "share reached", "x": 12.0, "estimate": 23.4, "ci_low": 14.6,
    ...        "ci_high": 34.2, "level": 0.95, "unit": "% of placements", "n_patients": 107, "flag": ""}
    >>> result = Result(pd.DataFrame([row]), pd.DataFrame(), "emergence model", ("zone",))
    >>> print(when_reached(result, "crown", percent=80))  # doctest: +NORMALIZE_WHITESPACE
    By month 12, about 23 of 100 placements in the crown reached 80 % of planted hairs (95 % interval 15 to
    34; from 107 patients of this clinic). This describes the past of many, not the course of one.
    """
    table = result.table()
    own = table[table[result.by[0]].astype(str).eq(group)] if len(table) else table
    at_month = own[own["x"].eq(month)] if "x" in own else own
    kinds = (milestones.SHARE, milestones.FIRST)
    found = next((at_month[at_month["term"].eq(t)] for t in kinds if at_month["term"].eq(t).any()), None)
    place, what = ZONE_WORDS.get(group, group), f"{percent:g} % of planted hairs"
    unknown = f"For the {place} these records do not say how many placements reach {what} by month {month:g}"
    if found is None:
        return f"{unknown}."
    row = found.iloc[0]
    if not np.isfinite(row["estimate"]):
        return f"{unknown}: {numbers.words_for_missing(row)}."
    n_patients = int(row["n_patients"])
    if n_patients < milestones.FEW_PATIENTS:
        return f"{unknown}: fewer than {milestones.FEW_PATIENTS} patients."
    seen = "reached" if row["term"] == milestones.SHARE else "had a reading of"
    sentence = (
        f"By month {month:g}, {_of_hundred(row['estimate'])} placements in the {place} {seen} {what} "
        f"({100 * row['level']:g} % interval {_whole(row['ci_low'])} to {_whole(row['ci_high'])}; "
        f"from {n_patients} patients of this clinic)."
    )
    return f"{sentence}{_half_by(own)} This describes the past of many, not the course of one."


def _of_hundred(percent: float) -> str:
    if percent < 1:
        return f"fewer than 1 of {PEOPLE}"
    if percent > PEOPLE - 1:
        return f"more than {PEOPLE - 1} of {PEOPLE}"
    return f"about {round(percent)} of {PEOPLE}"


def _whole(percent: float) -> str:
    return "under 1" if 0 < percent < 1 else f"{round(percent)}"


def _half_by(own: pd.DataFrame) -> str:
    middle = own[own["term"].eq(milestones.MEDIAN) & own["estimate"].notna()]
    if middle.empty:
        return ""
    row = middle.iloc[0]
    limits = f"{round(row['ci_low'])} to {round(row['ci_high'])}"
    return f" Half were there by about month {round(row['estimate'])} ({limits})."


def case_in_short(result: Curve) -> str:
    """Return the standing of each place of `course.case` in one sentence, those that need thought first."""
    judged = result.extra["standing"]
    places = {state: judged.loc[judged["state"].eq(state), "place"] for state in STANDING_IN_SHORT}
    parts = [f"{STANDING_IN_SHORT[state]}: {'; '.join(own)}" for state, own in places.items() if len(own)]
    if not parts:
        return "No planted zone of this patient has a count that can be judged."
    return ". ".join(numbers.title_case(part) for part in parts) + "."


def case_in_words(result: Curve) -> pd.DataFrame:
    """Return one sentence per place of `course.case`, then what could not be judged and why."""
    ahead = result.extra["limits"]
    rows = [
        {"place": row["place"], "sentence": _standing(row, ahead[ahead["place"].eq(row["place"])])}
        for _, row in result.extra["standing"].iterrows()
    ]
    rows += [
        {"place": f"{row.zone}, session {row.session_number}", "sentence": f"Not judged: {row.reason}."}
        for row in result.extra["not judged"].itertuples()
    ]
    return pd.DataFrame(rows, columns=["place", "sentence"])


def _standing(row: pd.Series, ahead: pd.DataFrame) -> str:
    """Return how one place stands, with what its chances split into, and the last forecast."""
    place = numbers.title_case(row["place"])
    if not row["n_readings"]:
        return f"{place}: no count after the session yet, so it cannot be judged."
    if row["is_beyond"]:
        return (
            f"{place}, read at month {row['month']:g}: beyond the months this practice has followed, so it "
            "cannot be judged."
        )
    readings = f"{row['n_readings']} reading{'s' if row['n_readings'] > 1 else ''}"
    state = STANDING[row["state"]].format(low_yield_pct=course.LOW_YIELD_PCT)
    text = f"{place}, read at month {row['month']:g} ({readings}): {state}."
    if row["state"] in ("behind", "cannot tell"):
        text += (
            f" Chance that its true yield at this month is among the lowest tenth "
            f"{100 * row['chance_behind']:.0f} %; that it comes slowly only {100 * row['slow_only']:.0f} %, "
            f"will end low only {100 * row['low_only']:.0f} %, both {100 * row['both']:.0f} %, neither "
            f"{100 * row['neither']:.0f} %."
        )
    ahead = ahead[ahead["x"].isin(course.MONTHS_AHEAD)]
    return text + (_expected(ahead.iloc[-1]) if len(ahead) else "")


def _expected(row: pd.Series) -> str:
    return (
        f" Expected at month {row['x']:g}: {row['density']:.0f} hairs/cm2 (95 of 100 such counts between "
        f"{row['density_low_95']:.0f} and {row['density_high_95']:.0f})."
    )


def overspent(over: pd.DataFrame) -> str:
    """Return one sentence on the drafts that spend more than is left, from `planning.overspent`.

    Examples
    --------
    >>> overspent(pd.DataFrame({"draft": ["A", "B"], "fu_beyond": [618.0, 20.4]}))
    'Draft A would spend 618 FU, draft B 20 FU more than the safe share chosen leaves.'
    """
    parts = [
        f"draft {row.draft} {'' if i else 'would spend '}{row.fu_beyond:,.0f} FU"
        for i, row in enumerate(over.itertuples())
    ]
    return f"{numbers.title_case(', '.join(parts))} more than the safe share chosen leaves."


def drafts_side_by_side(result: Result) -> pd.DataFrame:
    """Return the table of `planning.drafts` with one column per draft: a number, and its limits if any."""
    table = result.table()
    said = [_in_full(row) if np.isfinite(row.estimate) else row.flag for row in table.itertuples()]
    wide = table.assign(said=said, draft="draft " + table["draft"].astype(str)).pivot_table(
        index=["zone", "term", "unit"], columns="draft", values="said", aggfunc="first", sort=False
    )
    return wide.fillna("not planted").reset_index()


def _in_full(row) -> str:
    limits = f" ({numbers.limits(row.ci_low, row.ci_high)})" if np.isfinite(row.ci_low) else ""
    return f"{numbers.number(row.estimate)}{limits}"
