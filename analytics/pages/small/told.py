"""What the counts of few patients say, in the words of a surgeon, and when more can be told."""

import numpy as np
import pandas as pd

from analytics import disclosure, early, numbers, yields
from analytics.pages.page import Page
from analytics.results import Result, why_not

ZONE_WORDS = {"frontal": "frontal zone", "other": "other zones"}


def _latest(result: Result) -> list[dict]:
    return result.extra["early"].to_dict("records")


def early_in_short(result: Result) -> str:
    """Return what a case's own counts say where its practice has no curve yet."""
    counted = [row for row in _latest(result) if row["n_readings"]]
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
        f"{numbers.number(row['yield_pct'])} % {what} at month {row['month']:g} "
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


def photographs_in_short(page: Page) -> str:
    """Return what graded photographs, else patients' answers, say where no hair was counted.

    Empty where hair was counted, or where there is neither; of a grade the first and the last month.
    """
    if page.records is None or len(page.records.measurements):
        return ""
    there = {name: page.results[name] for name in ("graded", "asked") if name in page.results}
    known = {name: _known_by_month(found) for name, found in there.items() if not why_not(found)}
    if len(grades := known.get("graded", pd.DataFrame())):
        said = [
            f"{ZONE_WORDS.get(str(z), z)} {_from_to(own)}" for z, own in grades.groupby("zone", sort=False)
        ]
        told, scale = f"graded photographs: {'; '.join(said[:MOST_ZONES])}", there["graded"].notes[0]
    elif len(answers := known.get("asked", pd.DataFrame())):
        told, scale = f"patients' answers: satisfaction {_from_to(answers)}", "0 to 10"
    else:
        return ""
    return f"No hair was counted. Told by {told} ({scale[:1].lower()}{scale[1:]})."


def _known_by_month(found: Result) -> pd.DataFrame:
    """Return the means that may be shown, the crown first, by month."""
    table = found.table()
    table = table[table["estimate"].notna()] if len(table) else table
    if "zone" not in table:
        return table.sort_values("x") if len(table) else table
    first = table.assign(order=table["zone"].ne("crown"))
    return first.sort_values(["order", "zone", "x"], kind="stable")


def _from_to(own: pd.DataFrame) -> str:
    ends = own.iloc[[0, -1]] if len(own) > 1 else own
    return ", ".join(f"{numbers.number(row.estimate, 1)} at month {row.x:g}" for row in ends.itertuples())


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
    if len(each) == 1:
        return f"{name}: one count, {numbers.number(each.iloc[0])} % of planted hairs."
    return f"{name}: {len(each)} single counts, {numbers.limits(each.min(), each.max())} % of planted hairs."


def rungs_in_short(found: Result) -> str:
    """Return each zone's number at maturity, and by which rung of the ladder it is told, in a line."""
    rungs = found.extra["rungs"]
    if "name" not in rungs or rungs.empty:
        return disclosure.WITHHELD
    rows = found.table()
    known = rows[rows["term"].eq(early.AT_MATURITY) & rows["estimate"].notna()] if len(rows) else rows
    told = {row.zone: f"{row.zone} {numbers.percent(row.estimate)}" for row in known.itertuples()}
    said = [
        f"{', '.join(told.get(zone, zone) for zone in own['zone'])}: {name}"
        for name, own in rungs.groupby("name", sort=False)
    ]
    return f"{numbers.title_case('; '.join(said))}."


def map_caption(found: Result, sides: Result) -> str:
    """Return how the map of zones is read where not all its numbers are the growth model's; else empty.

    Where the crown's is another than that of `regrowth.against_front` above it, both are named.
    """
    if why_not(found) or "rungs" not in found.extra or found.table().empty:
        return ""
    rows = found.table()[lambda t: t["term"].eq(early.AT_MATURITY) & t["estimate"].notna()]
    white = set(found.extra["rungs"].get("zone", ())) - set(rows["zone"])
    rows = rows[rows["flag"].ne(early.RUNGS[5])]
    said = [f"{', '.join(own['zone'])}: {rung}" for rung, own in rows.groupby("flag", sort=False)]
    told = numbers.title_case("; ".join(said))
    unread = " White: no number at maturity yet." if white else ""
    both = _both_crowns(rows, sides)
    return f"Darker means more hair grown. {told}, not the growth model.{both}{unread}" if said else ""


def _both_crowns(rows: pd.DataFrame, sides: Result) -> str:
    """Return why the crown has two numbers on one screen, where it has."""
    if why_not(sides) or sides.table().empty:
        return ""
    model = sides.table()[lambda t: t["zone"].eq("crown") & t["term"].eq(early.AT_MATURITY)]
    here, above = (
        [numbers.number(n) for n in own["estimate"].dropna()]
        for own in (rows[rows["zone"].eq("crown")], model)
    )
    if not here or not above or here == above:
        return ""
    return (
        f" Crown: {here[0]} here, {above[0]} by the model above; too few were counted at maturity to say "
        "which is nearer."
    )


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


def when_told(result: Result, sides: Result | None = None) -> str:
    """Return when a difference of a stated size can be told, and what is missing, from `early.when`.

    Where the growth model of `sides` (`regrowth.against_front`) excludes so large a difference, it says so.
    """
    if why_not(result) or result.extra["facts"].empty:
        return ""
    row = result.extra["facts"].iloc[0]
    if pd.isna(row["n_zone"]) or pd.isna(row["n_against"]) or pd.isna(row["need_zone"]):
        return ""  # too few to be told to this audience
    zone = numbers.title_case(ZONE_WORDS.get(row["zone"], row["zone"]))
    front = f" from the {row['against']}" if row["against"] else ""
    size = f"{row['difference']:g} points{front}"
    what = f"{zone}: from counts at maturity alone, without the model, a difference of {size} would be found "
    if not row["against"]:
        what = f"{zone}: its mean is known to within {row['difference']:g} points "
    chance = f"with {100 * row['power']:g} % power " if row["against"] else ""
    if row["more"] == 0 and row["month"] <= row["now"]:
        return f"{what}{chance}with the {row['n_zone']} patients counted at maturity now."
    if not np.isfinite(row["need_zone"]):
        n = numbers.number(row["need_against"])
        few = f"too few of the {row['against']} ({n}) will have been counted by then"
        return f"{zone}: a difference of {size} cannot be told within ten years at the present rate: {few}."
    need = (
        f"once {numbers.number(row['need_zone'])} patients are counted at maturity, "
        f"{numbers.number(row['more'])} more than now"
    )
    if not np.isfinite(row["month"]):
        return f"{what}{chance}{need}; at the present rate that takes more than ten years."
    late = f" to {row['high']:.0f}" if np.isfinite(row["high"]) else " or later"
    return (
        f"{what}{chance}{need}: in register month {row['month']:.0f} ({row['low']:.0f}{late}). It is now "
        f"month {row['now']:.0f}.{_excluded(sides, row)}"
    )


def _excluded(sides: Result | None, told: pd.Series) -> str:
    """Return, where the growth model's interval holds no such difference, that, and when half can be told."""
    if sides is None or why_not(sides) or sides.table().empty:
        return ""
    difference = told["difference"]
    rows = sides.table()[lambda t: t["term"].eq("yield_difference_at_maturity")]
    rows = rows[rows["ci_low"].notna() & rows["ci_high"].notna()]
    if rows.empty or rows["ci_low"].iloc[0] <= -difference or rows["ci_high"].iloc[0] >= difference:
        return ""
    half = f"{difference / 2:g} points"
    when = f"{half} would be found so in register month {told['month_of_half']:.0f}"
    if not np.isfinite(told["month_of_half"]):
        when = f"{half} would not be found so within ten years"
    return f" The growth model's interval above already excludes as much; {when}."


def when_rough(result: Result) -> str:
    """Return how rough `when_told` is, and what it rests on."""
    if why_not(result) or result.extra["facts"].empty:
        return ""
    row = result.extra["facts"].iloc[0]
    if pd.isna(row["per_month"]) or pd.isna(row["returning"]):
        return ""
    share = " (assumed: no window of maturity has closed yet)" if row["is_return_assumed"] else ""
    return (
        f"At {row['per_month']:.1f} new patients a month; of those whose month of maturity has passed, "
        f"{100 * row['returning']:.0f} in 100 were counted{share}; spread between patients "
        f"{row['sd']:.0f} points"
        f"{' (assumed)' if row['is_assumed'] else ''}."
        + (" In brackets: 80 % of simulated futures." if np.isfinite(row["month"]) else "")
    )


def case_titles(result: Result) -> tuple[str, str]:
    """Return the titles of a case's table and picture; without a curve of the practice none is a verdict."""
    if "early" in result.extra:
        return "What the counts of each zone say", "Growth beside an assumed course, percent of planted hairs"
    drawn = "Growth, on this practice's own patients, in percent of planted hairs"
    return "Verdict by zone, hairs per cm²", drawn


def early_in_words(result: Result) -> pd.DataFrame:
    """Return one sentence a place of `early.case`."""
    rows = [{"place": row["place"], "sentence": f"{_early(row)}."} for row in _latest(result)]
    return pd.DataFrame(rows, columns=["place", "sentence"])
