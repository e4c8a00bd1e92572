"""What a result says, in the words of a surgeon: what matters most, when hair comes, whom it was counted in.

The rooms hand over facts; every sentence is made here, from the results a page may show.
"""

import numpy as np
import pandas as pd

from analytics import disclosure, milestones, numbers, results, yields
from analytics.pages.small import ZONE_WORDS, rungs_in_short, rungs_table
from analytics.results import Result, why_not


def what_matters(lines: Result, *, most: int = 3) -> str:
    """Return which choices move the headline furthest, each with its largest move.

    Parameters
    ----------
    lines
        From `yields.sensitivity` or `yields.with_view`, as they may be shown.
    most
        How many choices to name, 1 or more.
    """
    if why := why_not(lines):
        return why
    furthest = yields.moves(lines)
    if furthest.empty:
        return "No choice can be set against the main line."
    named = "; ".join(
        f"{row['choice']}, {row['option']} ({', '.join(str(row[g]) for g in lines.by[2:])} "
        f"{'+' if row['move'] > 0 else ''}{numbers.number(row['move'])})"
        for _, row in furthest.head(most).iterrows()
    )
    half = furthest["half_interval"].iloc[0]
    chance = f" For comparison, chance alone: {numbers.number(half)} either way." if pd.notna(half) else ""
    return f"Choices that change a zone's yield most, in percentage points: {named}.{chance}"


def zones_at_maturity(result: Result) -> str:
    """Return the lowest and the highest of the zones' yields at maturity, in a line."""
    if "rungs" in result.extra:
        return rungs_in_short(result)
    rows = result.table()
    rows = rows[rows["estimate"].notna()].sort_values("estimate")
    if why_not(result) or rows.empty:
        return why_not(result) or disclosure.WITHHELD
    said = [
        f"{numbers.percent(row['estimate'])} in the {ZONE_WORDS.get(row['zone'], row['zone'])}"
        for _, row in rows.iloc[[0, -1]].iterrows()
    ]
    return f"{said[0]}." if len(rows) == 1 else f"From {said[0]} to {said[1]}."


def half_months(timing: Result) -> str:
    """Return the zones in which half of the final growth is there first and last, in a line."""
    if why := why_not(timing):
        return why
    rows = timing.table()
    rows = rows[rows["term"].eq("half_month") & rows["estimate"].notna()] if len(rows) else rows
    if rows.empty:
        return disclosure.WITHHELD
    ends = rows.sort_values("estimate").iloc[[0, -1]]
    said = [
        f"{numbers.number(row.estimate, 1)} ({ZONE_WORDS.get(row.zone, row.zone)})"
        for row in ends.itertuples()
    ]
    by = "Half of the final growth is there by month"
    months = [numbers.number(n, 1) for n in ends["estimate"]]
    if len(rows) > 1 and months[0] == months[1]:
        return f"{by} {months[0]} in every zone."
    return f"{by} {' to '.join(dict.fromkeys(said))}."


def more_mass(mass: Result) -> str:
    """Return the least and the greatest change of hair mass over zones with enough patients, in a line."""
    if why := why_not(mass):
        return why
    rows = mass.table()
    flags = rows.reindex(columns=["flag"])["flag"].fillna("")
    rows = rows[rows["estimate"].notna() & flags.eq("")] if len(rows) else rows
    if rows.empty:
        return "Too few calibres were recorded to tell."
    ends = rows.sort_values("estimate").iloc[[0, -1]].drop_duplicates()
    said = [
        f"{numbers.number(row.estimate, 2)} ({numbers.limits(row.ci_low, row.ci_high, 2)}; "
        f"{row.n_patients:.0f} patients, {ZONE_WORDS.get(row.zone, row.zone)})"
        for row in ends.itertuples()
    ]
    return f"{'From ' if len(said) > 1 else ''}{' to '.join(said)} mm² of hair more on each cm²."


NOT_BY_HALF = " not reached by half of the planted zones"


def medians(half: Result, most: Result, zone: str) -> str:
    """Return when half of a zone's planted zones have reached each of two milestones, in a line."""
    parts = []
    for words, result in (("half", half), ("four fifths", most)):
        if why_not(result):
            return why_not(result)
        table = result.table()
        found = table[table["term"].eq(milestones.MEDIAN) & table[result.by[0]].eq(zone)]
        if len(found) and pd.notna(found["estimate"].iloc[0]):
            parts.append(f"{words} by month {numbers.number(found['estimate'].iloc[0])}")
        else:
            parts.append(f"{words}{NOT_BY_HALF}")
    if parts[0].endswith(NOT_BY_HALF):
        return f"{numbers.title_case(zone)}: fewer than half of the planted zones have reached half."
    return f"{numbers.title_case(zone)}, median planted zone: {', '.join(parts)}."


def against_others(result: Result) -> str:
    """Return which surgeons' intervals lie wholly under or over the others', in a line."""
    if why_not(result):
        return why_not(result)
    asked = result.table()
    rows = asked.reindex(columns=[result.by[0], "estimate", "ci_low", "ci_high"])
    rows = rows[rows["estimate"].notna() & rows["ci_low"].notna()]
    if rows.empty:  # withheld, or too few patients
        told = asked.get("flag", pd.Series(dtype=str)).fillna("")
        why = [flag for flag in told if flag]
        return numbers.sentence(numbers.as_said(str(why[0]))) if why else disclosure.WITHHELD
    lower = [str(v) for v in rows.loc[rows["ci_high"].lt(0), result.by[0]]]
    higher = [str(v) for v in rows.loc[rows["ci_low"].gt(0), result.by[0]]]
    parts = [f"{', '.join(who)}: {word}" for who, word in ((lower, "lower"), (higher, "higher")) if who]
    return f"{'; '.join(parts)} than the others." if parts else "No difference is larger than chance."


def most_lost(result: Result) -> str:
    """Return at which step between donor and growing hair most is lost, in a line."""
    if why_not(result):
        return why_not(result)
    rows = result.table().set_index("term")["estimate"].dropna()
    steps = {term: 100 - rows[term] for term in LOST_AT if term in rows}
    if not steps:
        return disclosure.WITHHELD
    worst = max(steps, key=lambda term: steps[term])
    return f"Most is lost {LOST_AT[worst].format(numbers.number(steps[worst]))}."


# Steps of `yields.loss_chain`, each a share of the one before it, and what is lost there.
LOST_AT = {
    "out of attempts": "at extraction: {} of 100 attempts bring no graft",
    "usable of out": "before planting: {} of 100 grafts taken out are discarded",
    "growing of planted": "after planting: {} of 100 planted hairs do not grow",
}


def direct_and_model(counted: Result, model: Result) -> pd.DataFrame:
    """Return the mean of counts at maturity and the growth model's, and how many of those due were counted.

    Parameters
    ----------
    counted
        From `yields.counted_at_maturity`, as it may be shown.
    model
        Rows `yield_at_maturity` of `regrowth.emergence`, as they may be shown.
    """
    if why_not(model):
        return model.extra["rungs"]
    if "rungs" in model.extra:
        return rungs_table(model)
    table = counted.table()
    found = {(row["zone"], row["term"]): row for _, row in table.iterrows()} if len(table) else {}
    inside = f"95{numbers.THIN}% interval"
    rows = []
    for _, row in model.table().iterrows():
        direct, due, low, high = (found.get((row["zone"], term)) for term in OF_DUE)
        rows.append(
            {
                "zone": row["zone"],
                "month": "" if pd.isna(row["x"]) else numbers.number(row["x"]),
                f"mean of counts ({inside})": "none counted" if direct is None else _with_limits(direct),
                "n_counted": float("nan") if direct is None else direct["n_rows"],
                f"growth model ({inside})": _with_limits(row),
                "n_readings": row["n_rows"],
                "counted of due": "" if due is None else _of_due(due),
                "due or withdrawn, at worst and at best": "" if low is None else _bounds(low, high),
            }
        )
    return pd.DataFrame(rows)


OF_DUE = (
    "direct mean",
    "counted of due",
    "mean of all due or withdrawn, if none of the others grew",
    "mean of all due or withdrawn, if all of them grew",
)


def _of_due(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return str(row["flag"]) or disclosure.WITHHELD
    return f"{numbers.number(row['numerator'])} of {numbers.number(row['denominator'])}"


def _bounds(low: pd.Series, high: pd.Series) -> str:
    if pd.isna(low["estimate"]) or pd.isna(high["estimate"]):
        return str(low["flag"])
    return f"{numbers.number(low['estimate'])} to {numbers.percent(high['estimate'])}"


def _with_limits(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return numbers.words_for_missing(row)
    said = numbers.parts(row)
    limits = said.interval.rpartition("interval ")[2]
    return f"{said.value}{said.unit} ({limits})" if limits else f"{said.value}{said.unit}"


PEOPLE = 100


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
    By month 12, about 23 of 100 planted zones in the crown reached 80 % of planted hairs (95 % interval 15 to
    34; from 107 patients of this clinic). This describes the past of many, not the course of one.
    """
    if why := why_not(result):
        return why
    table = result.table()
    own = table[table[result.by[0]].astype(str).eq(group)] if len(table) else table
    at_month = own[own["x"].eq(month)] if "x" in own else own
    kinds = (milestones.SHARE, milestones.FIRST)
    found = next((at_month[at_month["term"].eq(t)] for t in kinds if at_month["term"].eq(t).any()), None)
    place, what = ZONE_WORDS.get(group, group), f"{percent:g} % of planted hairs"
    unknown = (
        f"For the {place} these records do not say how many planted zones reach {what} by month {month:g}"
    )
    if found is None:
        return f"{unknown}."
    row = found.iloc[0]
    if not np.isfinite(row["estimate"]):
        return f"{unknown}: {numbers.words_for_missing(row)}."
    n_patients = int(row["n_patients"])
    if n_patients < results.LEAST_FOR_INTERVAL:
        return f"{unknown}: fewer than {results.LEAST_FOR_INTERVAL} patients."
    if not np.isfinite(row["ci_low"]):
        return f"{unknown}: {results.SAYS_NOTHING}."
    seen = "reached" if row["term"] == milestones.SHARE else "had a reading of"
    sentence = (
        f"By month {month:g}, {_of_hundred(row['estimate'])} planted zones in the {place} {seen} {what} "
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
    inside = "" if np.isnan(row["ci_low"]) else f" ({numbers.limits(row['ci_low'], row['ci_high'])})"
    return f" Half were there by about month {round(row['estimate'])}{inside}."


def own_question(fitted: Result, formula: str) -> str:
    """Return what a formula says in one sentence: its clearest term, and how far that goes."""
    if why := why_not(fitted):
        return why
    table = fitted.table()
    terms = table[table["term"].ne("Intercept") & table["p_value"].notna()]
    if terms.empty:
        return f"{formula}: no term can be estimated."
    first = terms.sort_values("p_value").iloc[0]
    others = len(terms) - 1
    beside = f", the clearest of {others + 1} terms" if others else ""
    said = f"{numbers.title_case(str(first['term']))}: {numbers.full(first)}{beside}."
    return f"{said} This was looked for, not declared in advance: a question for a study."
