"""What a result says, in the words of a surgeon: when hair comes, where a case stands, what a draft costs.

The rooms hand over facts; every sentence is made here, from the results a page may show.
"""

import numpy as np
import pandas as pd

from analytics import course, disclosure, early, milestones, numbers, yields
from analytics.results import Curve, Result, why_not

READING, CENTILE = "reading", "centile of the reading"
YIELD, DENSITY = "predicted yield", "predicted density"


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
        f"{numbers.number(row['estimate'])}{numbers.THIN}% in the {ZONE_WORDS.get(row['zone'], row['zone'])}"
        for _, row in rows.iloc[[0, -1]].iterrows()
    ]
    return f"{said[0]}." if len(rows) == 1 else f"From {said[0]} to {said[1]}."


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
            parts.append(f"{words} in fewer than half of the planted zones")
    return f"{numbers.title_case(zone)}, middle planted zone: {', '.join(parts)}."


def against_others(result: Result) -> str:
    """Return which surgeons' intervals lie wholly under or over the others', in a line."""
    if why_not(result):
        return why_not(result)
    rows = result.table()
    rows = rows[rows["estimate"].notna()]
    lower = [str(v) for v in rows.loc[rows["ci_high"].lt(0), result.by[0]]]
    higher = [str(v) for v in rows.loc[rows["ci_low"].gt(0), result.by[0]]]
    if rows.empty:
        return disclosure.WITHHELD
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
    "planted of usable": "before planting: {} of 100 usable grafts are not planted",
    "growing of planted": "after planting: {} of 100 planted hairs do not grow",
}


def direct_and_model(counted: Result, model: Result) -> pd.DataFrame:
    """Return the mean of counts at maturity and the growth model's, a row a zone.

    Parameters
    ----------
    counted
        From `yields.average`, as it may be shown.
    model
        Rows `yield_at_maturity` of `regrowth.emergence`, as they may be shown.
    """
    if why_not(model):
        return model.extra["rungs"]
    if "rungs" in model.extra:
        return rungs_table(model)
    direct = pd.DataFrame() if why_not(counted) else counted.table().set_index("zone")
    inside = f"95{numbers.THIN}% interval"
    rows = []
    for _, row in model.table().iterrows():
        own = direct.loc[row["zone"]] if row["zone"] in direct.index else None
        rows.append(
            {
                "zone": row["zone"],
                "month": "" if pd.isna(row["x"]) else numbers.number(row["x"]),
                f"mean of counts ({inside})": "none counted" if own is None else _with_limits(own),
                "n_counted": float("nan") if own is None else own["n_rows"],
                f"growth model ({inside})": _with_limits(row),
                "n_readings": row["n_rows"],
            }
        )
    return pd.DataFrame(rows)


def _with_limits(row: pd.Series) -> str:
    said = numbers.parts(row)
    limits = said.interval.rpartition("interval ")[2]
    return f"{said.value}{said.unit} ({limits})" if limits else f"{said.value}{said.unit}"


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
    if why := why_not(result):
        return why
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
    if why := why_not(result):
        return why
    if "early" in result.extra:
        return _early_in_short(result)
    judged = result.extra["standing"]
    places = {state: judged.loc[judged["state"].eq(state), "place"] for state in STANDING_IN_SHORT}
    parts = [f"{STANDING_IN_SHORT[state]}: {'; '.join(own)}" for state, own in places.items() if len(own)]
    if not parts:
        return "No planted zone of this patient has a count that can be judged."
    return ". ".join(numbers.title_case(part) for part in parts) + "."


def case_in_words(result: Curve) -> pd.DataFrame:
    """Return one sentence per place of `course.case`, then what could not be judged and why."""
    if why_not(result):
        return result.extra["standing"]
    if "early" in result.extra:
        rows = [{"place": row["place"], "sentence": f"{_early(row)}."} for row in _latest(result)]
        return pd.DataFrame(rows, columns=["place", "sentence"])
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


def _latest(result: Result) -> list[dict]:
    return result.extra["early"].to_dict("records")


def _early_in_short(result: Result) -> str:
    """Return what a case's own counts say where its practice has no curve yet."""
    counted = [row for row in _latest(result) if row["n_readings"]]
    if not counted:
        return "No planted zone of this patient was counted after its session yet."
    said = "; ".join(f"{row['place']}: {_early(row)}" for row in counted)
    return (
        f"{numbers.title_case(said)}. Limits are of counting error alone; what is usual in this practice "
        "cannot be told yet."
    )


def _early(row: dict) -> str:
    if not row["n_readings"]:
        return "not yet counted after the session"
    what = "gained so far" if row["month"] < yields.YIELD_FROM_MONTH else "of the planted hairs grown"
    ripe = "" if row["month"] >= row["maturity_month"] else f"; mature at month {row['maturity_month']:g}"
    return (
        f"{row['yield_pct']:.0f} % {what} at month {row['month']:g} "
        f"({numbers.limits(row['low'], row['high'])}){ripe}"
    )


# Sentences of small registers (pages 01, 02, 04): what the readings carry, and when more can be told.

MOST_ZONES = 3
INSTEAD = ("at_maturity", "What the counts of each zone carry")  # drawn where crown and front cannot be


def ladder_in_short(found: Result) -> str:
    """Return what each zone's readings carry, the rung named; the crown first, then those with most."""
    if why := why_not(found):
        return why
    rungs = found.extra["rungs"]
    if not len(rungs):
        return ""
    order = rungs.assign(first=rungs["zone"].eq("crown")).sort_values(["first", "n_read"], ascending=False)
    parts = [_of_zone(found.table(), row.zone, row.rung) for row in order.head(MOST_ZONES).itertuples()]
    left = len(order) - MOST_ZONES
    more = f" The other {left} zone{'s' if left > 1 else ''}: see below." if left > 0 else ""
    return f"{' '.join(parts)}{more}"


def _of_zone(table: pd.DataFrame, zone: str, rung: int) -> str:
    own = table[table["zone"].eq(zone)]
    known = own[own["estimate"].notna()]
    name = numbers.title_case(ZONE_WORDS.get(zone, zone))
    if known.empty:
        return f"{name}: {own['flag'].iloc[0] if len(own) else numbers.NOT_AVAILABLE}."
    if rung > 1:
        row = known.iloc[0]
        return f"{name}: {numbers.full(row)}, {row['flag']}."
    each = known["estimate"]
    span = f"{each.min():.0f}" if len(each) == 1 else f"{each.min():.0f} to {each.max():.0f}"
    counts = "single count" if len(each) == 1 else "single counts"
    return f"{name}: {len(each)} {counts}, {span} % of planted hairs."


def rungs_in_short(found: Result) -> str:
    """Return by which rung of the ladder each zone is told, in a line."""
    rungs = found.extra["rungs"]
    if "name" not in rungs or rungs.empty:
        return disclosure.WITHHELD
    said = [f"{', '.join(own['zone'])}: {name}" for name, own in rungs.groupby("name", sort=False)]
    return f"{numbers.title_case('; '.join(said))}."


def rungs_table(found: Result) -> pd.DataFrame:
    """Return what each zone's counts carry, how many patients there are, and what the next rung needs."""
    table, rows = found.table(), []
    for row in found.extra["rungs"].itertuples():
        own = table[table["zone"].eq(row.zone)]
        known = own[own["estimate"].notna()]
        said = [numbers.full(line, counts=False) for _, line in known.iterrows()]
        rows.append(
            {
                "zone": row.zone,
                "told_by": row.name,
                "percent of planted hairs": "; ".join(said) or numbers.NOT_AVAILABLE,
                "n_planted": row.n_planted,
                "n_followed": row.n_followed,
                "n_read_from_month_6": row.n_read,
                "n_at_maturity": row.n_mature,
                "next": _next_rung(row),
            }
        )
    return pd.DataFrame(rows)


def _next_rung(row) -> str:
    """Return what a zone needs for the next rung of the ladder."""
    if row.rung == 1:
        return f"a mean: {_patients(early.LEAST_MEAN - row.n_read)} read from month 6 on"
    if row.rung == 2:
        followed = early.LEAST_FOLLOWED - row.n_followed
        if followed > 0:
            return f"a mean at maturity: {_patients(followed)} followed"
        return f"a mean at maturity: {_patients(early.LEAST_DIRECT - row.n_read)} read from month 6 on"
    if row.rung < 5:
        return f"the growth model: {_patients(early.FOR_MODEL - row.n_mature)} counted at maturity"
    return "none: the growth model tells"


def _patients(n: float) -> str:
    return f"{n:g} more patient{'' if n == 1 else 's'}"


def when_told(result: Result) -> str:
    """Return when a difference of a stated size can be told, and what is missing, from `early.when`."""
    if why_not(result) or result.extra["facts"].empty:
        return ""
    row = result.extra["facts"].iloc[0]
    if pd.isna(row["n_zone"]) or pd.isna(row["n_against"]) or pd.isna(row["need_zone"]):
        return ""  # too few to be told to this audience
    zone = numbers.title_case(ZONE_WORDS.get(row["zone"], row["zone"]))
    front = f" from the {row['against']}" if row["against"] else ""
    what = f"{zone}: a difference of {row['difference']:g} points{front} would be found "
    if not row["against"]:
        what = f"{zone}: its mean is known to within {row['difference']:g} points "
    chance = f"{100 * row['power']:g} times in 100 " if row["against"] else ""
    if row["more"] == 0 and row["month"] <= row["now"]:
        return f"{what}{chance}with the {row['n_zone']} patients counted at maturity now."
    if not np.isfinite(row["need_zone"]):
        few = f"beside {row['need_against']:.0f} of the front no number of patients is enough"
        return f"{what}{chance}not within ten years at the present rate: {few}."
    need = f"once {row['need_zone']:.0f} patients are counted at maturity, {row['more']:.0f} more than now"
    if not np.isfinite(row["month"]):
        return f"{what}{chance}{need}; at the present rate that takes more than ten years."
    late = f" to {row['high']:.0f}" if np.isfinite(row["high"]) else " or later"
    return (
        f"{what}{chance}{need}: in register month {row['month']:.0f} ({row['low']:.0f}{late}), now being "
        f"month {row['now']:.0f}."
    )


def when_rough(result: Result) -> str:
    """Return how rough `when_told` is, and what it rests on."""
    if why_not(result) or result.extra["facts"].empty:
        return ""
    row = result.extra["facts"].iloc[0]
    if pd.isna(row["per_month"]) or pd.isna(row["returning"]):
        return ""
    return (
        f"At {row['per_month']:.1f} new patients a month, of whom {100 * row['returning']:.0f} in 100 come "
        f"back at maturity; spread between patients {row['sd']:.0f} points"
        f"{' (assumed)' if row['is_assumed'] else ''}. In brackets: 80 of 100 drawn futures."
    )
