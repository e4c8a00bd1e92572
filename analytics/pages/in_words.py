"""What a result says, in the words of a surgeon: when hair comes, where a case stands, what a draft costs.

The rooms hand over facts; every sentence is made here, from the results a page may show.
"""

import numpy as np
import pandas as pd

from analytics import course, disclosure, milestones, numbers, results, yields
from analytics.dictionary import MATURITY_MONTH, OLDEST_AGE, ZONES
from analytics.pages.small import ZONE_WORDS, early_in_short, early_in_words, rungs_in_short, rungs_table
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
    return f"Half of the final growth is there by month {' to '.join(dict.fromkeys(said))}."


def more_mass(mass: Result) -> str:
    """Return the least and the greatest change of hair mass over zones with enough patients, in a line."""
    if why := why_not(mass):
        return why
    rows = mass.table()
    rows = rows[rows["estimate"].notna() & rows["flag"].fillna("").eq("")] if len(rows) else rows
    if rows.empty:
        return "Too few calibres were recorded to tell."
    ends = rows.sort_values("estimate").iloc[[0, -1]].drop_duplicates()
    said = [
        f"{numbers.number(row.estimate, 2)} ({numbers.limits(row.ci_low, row.ci_high, 2)}; "
        f"{row.n_patients:.0f} patients, {ZONE_WORDS.get(row.zone, row.zone)})"
        for row in ends.itertuples()
    ]
    return f"{'From ' if len(said) > 1 else ''}{' to '.join(said)} mm² of hair more on each cm²."


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
    return f"{numbers.number(low['estimate'])} to {numbers.number(high['estimate'])}{numbers.THIN}%"


def _with_limits(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return numbers.words_for_missing(row)
    said = numbers.parts(row)
    limits = said.interval.rpartition("interval ")[2]
    return f"{said.value}{said.unit} ({limits})" if limits else f"{said.value}{said.unit}"


# Sentences of milestones (page 01), of a case (page 04) and of drafts (page 05).

ONE_MORE = "The zone is mature: waiting adds little, a further count of the same region can tell."
PEOPLE = 100
NONE_RECORDED = "none recorded"
VISITS_IN_FULL = 2
# What a state of `course.case` says of zones, those that need thought first: of one, of several.
STANDING_IN_SHORT = {
    "low": ("is low", "are low"),
    "behind": ("is behind", "are behind"),
    "ahead": ("is ahead", "are ahead"),
    "usual": ("is as usual", "are as usual"),
    "not behind": ("is not behind", "are not behind"),
    "not low": ("is not low", "are not low"),
    "cannot tell": ("cannot be judged yet", "cannot be judged yet"),
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
    if n_patients < results.LEAST_FOR_SHARE:
        return f"{unknown}: fewer than {results.LEAST_FOR_SHARE} patients."
    if not np.isfinite(row["ci_low"]):
        return f"{unknown}: {results.SAYS_NOTHING}."
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
    """Return the standing of each zone of `course.case` in a few words, those that need thought first."""
    if why := why_not(result):
        return why
    if "early" in result.extra:
        return early_in_short(result)
    judged = result.extra["standing"]
    zones = judged["place"].str.partition(",")[0]
    session = judged["place"].str.rpartition("session ")[2]
    said = zones.map(lambda zone: ZONE_WORDS.get(zone, zone))
    places = said + " (session " + session + ")" if zones.duplicated().any() else said
    parts = []
    for state, (one, more) in STANDING_IN_SHORT.items():
        own = list(places[judged["state"].eq(state)])
        if own:
            is_one = len(own) == 1 and not own[0].startswith("temples")
            parts.append(f"the {numbers.listed(own)} {one if is_one else more}")
    if not parts:
        return "No planted zone of this patient has a count that can be judged."
    return ". ".join(numbers.title_case(part) for part in parts) + "."


def case_alarm(result: Curve, bare: Result) -> str:
    """Return which zones of a case are low or behind, or show no growth; nothing where none is."""
    parts = [f"Low or behind: {numbers.listed(worse)}."] if (worse := _worse(result)) else []
    parts += [f"No growth visible by month 9: {numbers.listed(none)}."] if (none := _ungrown(bare)) else []
    return " ".join(parts)


def _worse(result: Curve) -> list[str]:
    """Return the places of a case that stand low or behind."""
    if why_not(result) or "early" in result.extra:
        return []
    judged = result.extra["standing"]
    return list(judged.loc[judged["state"].isin(["low", "behind"]), "place"])


def _ungrown(bare: Result) -> list[str]:
    """Return the places of `course.no_growth`."""
    if why_not(bare):
        return []
    return [f"{row.zone}, session {row.session_number:g}" for row in bare.extra["no_growth"].itertuples()]


def case_in_words(result: Curve) -> pd.DataFrame:
    """Return one row per zone of `course.case`: density now, usual by now, and the verdict in words.

    Zones that could not be judged stand last, with the reason.
    """
    if why_not(result):
        return result.extra["standing"]
    if "early" in result.extra:
        return early_in_words(result)
    ahead = result.extra["limits"]
    ahead = ahead[ahead["x"].isin(course.MONTHS_AHEAD)]
    densities = {row["place"]: row for _, row in result.extra["zones"].iterrows()}
    rows = []
    for _, judged in result.extra["standing"].iterrows():
        own = ahead[ahead["place"].eq(judged["place"])]
        can_be = bool(judged["n_readings"]) and not judged["is_beyond"]
        rows.append(
            {
                "place": numbers.title_case(judged["place"]),
                **_densities(densities.get(judged["place"])),
                "sentence": _verdict(judged),
                "expected": _expected(own.iloc[-1]) if can_be and len(own) else "",
            }
        )
    left = result.extra["not judged"]
    # Zones of a session that are not judged for one reason share a row.
    for (session, reason), own in left.groupby(["session_number", "reason"], sort=False):
        zones = numbers.title_case(numbers.listed(list(own["zone"])))
        alone = len(own) == 1
        rows.append(
            {
                "place": f"{zones}, session {session}" if alone else f"Session {session}",
                "sentence": f"Not judged: {reason}." if alone else f"{zones} not judged: {reason}.",
            }
        )
    columns = ["place", "month", "before_now", "usual", "sentence", "expected"]
    return pd.DataFrame(rows, columns=columns).fillna("")


def _densities(zone: pd.Series | None) -> dict[str, str]:
    if zone is None or pd.isna(zone["now"]):
        return {}
    limits = numbers.limits(zone["usual_low"], zone["usual_high"])
    return {
        "month": f"{zone['month']:g}",
        "before_now": f"{numbers.number(zone['before'])} → {numbers.number(zone['now'])}",
        "usual": f"{numbers.number(zone['usual'])} ({limits})",
    }


BETWEEN = "lying between the lowest and the highest tenth"


def _verdict(row: pd.Series) -> str:
    """Return the verdict on one zone with the chance that decides it."""
    if not row["n_readings"]:
        return "No count after the session yet: it can be judged from its next count on."
    if row["is_beyond"]:
        return "Cannot be judged yet: too few of our cases were counted this late."
    if row["state"] == "cannot tell" and row["is_far_below"]:
        return _disagreement(row)
    behind, ahead, low = (100 * row[f"chance_{name}"] for name in ("behind", "ahead", "low"))
    certain = {
        "low": f"Low: {_chance(low)} chance. Mature, little more will come.",
        "not low": f"Not low: {_chance(low)} chance of low.",
        "ahead": f"Ahead: above 95 in 100 comparable cases; {_chance(ahead)} chance of the highest tenth.",
        "usual": f"As usual: {_chance(100 - behind - ahead)} chance of {BETWEEN}.",
        "not behind": f"Not behind: {_chance(behind)} chance of the lowest tenth.",
    }
    if row["state"] in certain:
        return certain[row["state"]]
    if row["state"] == "cannot tell" and row["is_mature"]:
        return f"Cannot be judged: {_chance(low)} chance of low; 95 % or 5 % would tell. {ONE_MORE}"
    split = ", ".join(
        f"{word} {_chance(100 * row[name])}"
        for word, name in (("only late", "slow_only"), ("only low", "low_only"), ("both", "both"))
    )
    text = f"{_chance(behind)} chance of the lowest tenth (in the end {split})."
    if row["state"] == "behind":
        return f"Behind: below 95 in 100 comparable cases; {text}"
    ripe = MATURITY_MONTH.get(str(row["zone"]))
    told = "" if ripe is None else f" Late or low can be told from the count at month {ripe:g} on."
    return f"Cannot be judged yet: {text}{told}"


def _disagreement(row: pd.Series) -> str:
    """Return how far the last reading lies below what all counts say, and what the first count has in it."""
    ends = results.limits(row["reading"], row["reading_se"], level=results.LEVEL)
    reading = f"{numbers.number(row['reading'])} % ({numbers.limits(*ends)})"
    by_all = f"{numbers.number(row['yield_now'])} % ({numbers.limits(row['yield_low'], row['yield_high'])})"
    return (
        f"Cannot be judged: the last reading, {reading}, is far below what all counts together say, "
        f"{by_all}: they put the density before the session at {row['before_by_all']:.0f}, "
        f"{row['before']:.0f} was counted. Count this region again first."
    )


def _chance(percent: float) -> str:
    """Return a chance in percent, nearly none and nearly certain in words.

    >>> _chance(0.2), _chance(37.4), _chance(99.8)
    ('under 1 %', '37 %', 'over 99 %')
    """
    if percent < 1:
        return "under 1 %"
    return "over 99 %" if percent > PEOPLE - 1 else f"{percent:.0f} %"


def _expected(row: pd.Series) -> str:
    ends = numbers.limits(row["density_low_95"], row["density_high_95"])
    return f"{numbers.number(row['density'])} ({ends}) at month {row['x']:g}"


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
    beside = f" Of {others + 1} terms this is the clearest." if others else ""
    return (
        f"{first['term']}: {numbers.full(first)}.{beside} Looked for, not declared: a question for a study."
    )


def notes(result: Curve) -> tuple[str, ...]:
    """Return what the words of the verdicts mean."""
    if why_not(result) or "early" in result.extra:
        return ()
    low = f"Low: under {course.LOW_YIELD_PCT:g} % of the planted hairs grown"
    return (f"{low}. Tenths, and what is usual, are of our own cases. Expected: 95 of 100 counts made then.",)


def past_hundred(result: Curve) -> tuple[str, ...]:
    """Return why a yield passes 100 %, where one does, to stand under the readings."""
    if why_not(result) or "early" in result.extra or not result.extra["readings"]["y"].gt(100).any():
        return ()
    return (
        "A yield can pass 100 %: counts err, the planted density is mostly an average over the zone, and "
        "native hair that thickens is counted too. It does not mean that more hairs grew than were planted.",
    )


def who(result: Result) -> list[str]:
    """Return who a patient is, what was done, and the last of what was told, from `course.person`."""
    if why_not(result):
        return []
    row = result.extra["who"].iloc[0].astype(object)
    row = row.where(row.notna(), "")
    sex = {"male": "man", "female": "woman"}.get(str(row["sex"]), "")
    calibre = row["hair_calibre_um"] and f"hair {row['hair_calibre_um']:.0f} µm"
    grade = row["loss_class"] and f"{row['loss_scale']} {row['loss_class']}".strip()
    age = "" if row["age_from"] == "" else _age(int(row["age_from"]))
    phrases = [_joined(sex, age), grade, _joined(calibre, row["curl"])]
    planted = result.table()
    planted = planted[planted["term"].eq("grafts planted")].groupby("session_number")["estimate"].sum()
    phrases += [
        f"session {own.session_number}: {own.method}, register month {own.register_month}, "
        f"{numbers.number(planted.get(own.session_number, 0.0))} grafts planted"
        for own in result.extra["sessions"].itertuples()
    ]
    for what, own in told(result).groupby("what", sort=False):
        last = str(own["sentence"].iloc[-1])
        phrases.append(f"{what}: {last}" if last != NONE_RECORDED else f"no {what} recorded")
    return [phrase for phrase in phrases if phrase]


def _age(begins: int) -> str:
    return (
        "aged 90 or more"
        if begins >= OLDEST_AGE
        else f"aged {begins} to {begins + course.AGE_BAND_YEARS - 1}"
    )


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def planted(result: Result) -> pd.DataFrame:
    """Return one row per session and zone of `course.person`: grafts, area, hairs planted per cm2."""
    if why_not(result):
        return result.table()
    wide = result.table().pivot_table(
        index=["session_number", "zone"], columns="term", values="estimate", sort=False
    )
    rows = wide.reset_index().rename_axis(columns=None)
    return rows.assign(session_number="Session " + rows["session_number"].astype(str))


def told(result: Result) -> pd.DataFrame:
    """Return therapy, complications and ratings of `course.person` as rows; none is said to be none."""
    if why_not(result):
        return result.table()
    kinds = (
        ("therapies", "therapy", _therapy),
        ("events", "complication", _event),
        ("ratings", "rating", _rating),
    )
    rows = []
    for table, what, in_words in kinds:
        own = [(what, in_words(row)) for row in result.extra[table].itertuples()]
        rows += own or [(what, NONE_RECORDED)]
    return pd.DataFrame(rows, columns=["what", "sentence"])


def _therapy(row) -> str:
    start, stop = row.start_register_month, row.stop_register_month
    begins = "before the register" if start <= 0 else f"from register month {start:g}"
    return f"{row.kind}, {begins}, {'going on' if pd.isna(stop) else f'to register month {stop:g}'}"


def _event(row) -> str:
    how = "" if pd.isna(row.severity) else f", {row.severity}"
    over = "not recorded as over" if pd.isna(row.resolved_month) else f"over by month {row.resolved_month:g}"
    return f"session {row.session_number}, month {row.month:g}: {numbers.readable(row.kind)}{how}, {over}"


def _rating(row) -> str:
    again = {True: "would choose it again", False: "would not choose it again"}
    chosen = "" if pd.isna(row.would_choose_again) else again[bool(row.would_choose_again)]
    rated = "" if pd.isna(row.satisfaction_0_10) else f"rated {row.satisfaction_0_10:g} of 10"
    return f"session {row.session_number}, month {row.month:g}: {_joined(rated, chosen)}"


def due_next(visits: pd.DataFrame, result: Curve, bare: Result) -> str:
    """Return what is due next and when, a sentence a visit; first what stands low or behind, or did not grow.

    Parameters
    ----------
    visits
        From `course.next_visits`.
    result
        From `course.case`.
    bare
        From `course.no_growth`, of this patient.
    """
    parts, later = [], []
    bad = _worse(result)
    call = "Now: call the patient in about the"
    parts += [f"{call} {numbers.listed(bad)}."] if bad else []
    none = [place for place in _ungrown(bare) if place not in bad]
    parts += [f"{call} {numbers.listed(none)}: no growth visible by month 9."] if none else []
    keys = ["opens_in", "closes_in", "session_number", "visit", "counted"]
    for i, (key, rows) in enumerate(visits.groupby(keys, sort=True)):
        opens, closes, number, visit, counted = key
        late = "overdue, " if rows["state"].eq(course.OVERDUE).any() else ""
        if i >= VISITS_IN_FULL and not late:
            later.append(f"session {number}, month {visit:g} (register month {opens} to {closes})")
            continue
        zones = sorted(set(rows["zone"]), key=ZONES.index) if counted else []
        named = numbers.listed([ZONE_WORDS.get(zone, zone) for zone in zones])
        what = f"count the {named}" if counted else "see the patient"
        when = numbers.title_case(f"{late}register month {opens} to {closes}")
        parts.append(f"{when}: {what} (session {number}, month {visit:g}).")
    parts += [f"Later: {numbers.listed(later)}."] if later else []
    return " ".join(parts) or "No planned visit is left."
