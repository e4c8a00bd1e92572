"""Where a case stands, zone by zone, and what is due next, in the words of a surgeon."""

import pandas as pd

from analytics import course, numbers, results
from analytics.dictionary import MATURITY_MONTH, ZONES
from analytics.pages.small import ZONE_WORDS, early_in_short, early_in_words
from analytics.results import Curve, Result, why_not

ONE_MORE = "The zone is mature: waiting adds little, a further count of the same region can tell."
BETWEEN = "lying between the lowest and the highest tenth"
VISITS_IN_FULL = 2
MATURE = "cannot tell, mature"  # waiting tells no more of it
REASSURING = "nothing amiss"  # the states usual, not low and not behind, which the table tells apart
UNDER = f"chance that under {course.LOW_YIELD_PCT:g} % of planted hairs grow"
# What a state of `course.case` says of zones, those that need thought first: of one, of several.
STANDING_IN_SHORT = {
    "low": ("is low", "are low"),
    "behind": ("is behind", "are behind"),
    "ahead": ("is ahead", "are ahead"),
    REASSURING: ("shows no sign of slow or poor growth", "show no sign of slow or poor growth"),
    MATURE: ("needs a further count to be judged", "need a further count to be judged"),
    "cannot tell": ("cannot be judged yet", "cannot be judged yet"),
}


def in_short(result: Curve) -> str:
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
    is_last = judged["is_mature"].astype(bool) & ~judged["is_beyond"].astype(bool)
    is_last |= judged["is_far_below"].astype(bool)
    states = judged["state"].mask(judged["state"].eq("cannot tell") & is_last, MATURE)
    states = states.mask(states.isin(["usual", "not low", "not behind"]), REASSURING)
    for state, (one, more) in STANDING_IN_SHORT.items():
        own = list(places[states.eq(state)])
        if own:
            is_one = len(own) == 1 and not own[0].startswith("temples")
            parts.append(f"the {numbers.listed(own)} {one if is_one else more}")
    if not parts:
        return "No planted zone of this patient has a count that can be judged."
    return ". ".join(numbers.title_case(part) for part in parts) + "."


def alarm(result: Curve, bare: Result) -> str:
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


def in_words(result: Curve) -> pd.DataFrame:
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
        "low": f"Low: {numbers.chance(low)} {UNDER}. Mature, little more will come.",
        "not low": f"Not low: {numbers.chance(low)} {UNDER}.",
        "ahead": f"Ahead: above 95 in 100 comparable cases; {numbers.chance(ahead)} chance of the highest "
        "tenth.",
        "usual": f"As usual: {numbers.chance(100 - behind - ahead)} chance of {BETWEEN}.",
        "not behind": f"Not behind: {numbers.chance(behind)} chance of the lowest tenth.",
    }
    if row["state"] in certain:
        return certain[row["state"]]
    if row["state"] == "cannot tell" and row["is_mature"]:
        return f"Cannot be judged: {numbers.chance(low)} {UNDER}; 95 % or 5 % would tell. {ONE_MORE}"
    split = ", ".join(
        f"{word} {numbers.chance(100 * row[name])}"
        for word, name in (("only late", "slow_only"), ("only low", "low_only"), ("both", "both"))
    )
    text = f"{numbers.chance(behind)} chance of the lowest tenth (in the end {split})."
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


def _expected(row: pd.Series) -> str:
    ends = numbers.limits(row["density_low_95"], row["density_high_95"])
    return f"{numbers.number(row['density'])} ({ends}) at month {row['x']:g}"


def notes(result: Curve) -> tuple[str, ...]:
    """Return how sure the verdicts are, and what they compare with."""
    if why_not(result) or "early" in result.extra:
        return ()
    sure = f"{100 * course.DECIDES_LOW:g} %"
    return (
        f"Low and not low are said of mature zones, not behind of others, at {sure} certainty; as usual at "
        f"{100 * course.DECIDES_USUAL:g} %. Comparable cases, tenths and what is usual are this practice's "
        "own past cases at the same month. In brackets: usual, 9 in 10 of their counts; expected, 95 of 100 "
        "counts made then. A month counts from its session, a register month from the start of the register.",
    )


def past_hundred(result: Curve) -> tuple[str, ...]:
    """Return why a yield passes 100 %, where one does, to stand under the readings."""
    if why_not(result) or "early" in result.extra or not result.extra["readings"]["y"].gt(100).any():
        return ()
    return (
        "A yield can pass 100 %: counts err, the planted density is mostly an average over the zone, and "
        "native hair that thickens is counted too. It does not mean that more hairs grew than were planted.",
    )


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
