"""What the numbers of a page say in a sentence: one number in words, and what its interval supports.

Made from the protected results alone, so that a sentence never says more than the table beneath it.
"""

import re
from typing import Any

import pandas as pd

from analytics import disclosure, numbers, regrowth, study
from analytics.dictionary import FRONT
from analytics.pages.figures.sides import is_assumed
from analytics.pages.first_screen import KeyNumber, key_number
from analytics.pages.page import Page, result_of
from analytics.pages.small import ladder_in_short, photographs_in_short
from analytics.results import Result, why_not


def say(page: Page, name: str, *, counts: bool = True, **where: Any) -> str:
    """Return one number of a result in words: value, unit, interval, number of patients.

    A number that this audience may not see is said to be withheld.

    Parameters
    ----------
    name
        Of the result.
    counts
        Whether the number of patients is said.
    where
        Column and value that pick the one row: `zone="crown"`.

    Returns
    -------
    str
        As *84 % (95 % interval 81 to 87; 203 patients)*.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> print(pages.say(page, "seen"))
    80 % (95 % interval 76 to 84; 9 patients)
    """
    row = _row(page, name, where)
    return disclosure.WITHHELD if row is None else numbers.full(row, counts=counts)


def verdict(
    page: Page, name: str, *, below: str, above: str, unsure: str, null: float = 0.0, **where: Any
) -> str:
    """Return the sentence that the interval of one number supports.

    `below` when the whole interval lies under `null`, `above` when it lies over it, `unsure` when it holds it
    or there is no interval. `{value}` in a sentence is replaced by the number in words.

    Parameters
    ----------
    name
        Of the result.
    below, above, unsure
        Sentences, `{value}` for the number.
    null
        What the interval is held against, in the number's unit.
    where
        Column and value that pick the one row.

    Returns
    -------
    str
        One of the sentences, or why there is no number.
    """
    if why := why_not(result_of(page, name)):
        return why
    row = _row(page, name, where)
    if row is None:
        return unsure.replace("{value}", disclosure.WITHHELD)
    chosen = {"below": below, "above": above, "unsure": unsure}[_side(row, null)]
    return chosen.replace("{value}", numbers.full(row))


def _row(page: Page, name: str, where: dict[str, Any]) -> pd.Series | None:
    """Return the row asked for; None where the audience's rule took the whole row away."""
    result = result_of(page, name)
    if result.gap is not None:
        return numbers.pick(result, **where)
    if page.audience != "internal" and result.table().empty:
        return None
    return numbers.pick(result, **where)


def pooled_yield(page: Page) -> str:
    """Return the answer of the pooled page: yield at maturity over the clinics, crown and frontal zone."""
    said = []
    for name, where in (("crown", "in the crown"), ("frontal", "in the frontal zone")):
        if why := why_not(result_of(page, name)):
            return f"Over the clinics nothing can be told yet. {why}"
        row = _row(page, name, {"term": "pooled"})
        if row is not None and pd.isna(row["estimate"]):
            return f"Nothing is pooled: {row['flag']}."
        said.append(f"{say(page, name, term='pooled')} {where}")
    return f"Planted hairs grown at maturity, over all clinics: {said[0]}, {said[1]}."


def crown_against_front(page: Page, surgeon: str) -> str:
    """Return the answer of the surgeon audit: is the crown later, is it lower, and what of one surgeon?

    *Lower* is said only where enough patients were counted at maturity (`regrowth.against_front`); before,
    the answer is whether it is later, and from when the rest can be told.
    """
    if why := why_not(result_of(page, "crown_front")):
        if graded := photographs_in_short(page):
            return graded
        if "carried" not in page.results:
            return f"{NOT_YET} {why}"
        return f"{_one_side(page) or NOT_YET} {ladder_in_short(page.results['carried'])}"
    pair = {"zone": "crown : front"}
    gap, late = (
        _row(page, "crown_front", {**pair, "term": term})
        for term in ("yield_difference_at_maturity", "half_month_difference")
    )
    if gap is None or late is None:
        return disclosure.WITHHELD
    lower = _from_when(page) or f"{LOWER[_side(gap)]}{_carried_by_one(page)}"
    parts = [LATER[_side(late)].format(months=_about(abs(float(late["estimate"])))), lower]
    if surgeon:
        parts.append(_one_surgeon(page, surgeon))
    return " ".join(parts).replace("{points}", _about(abs(float(gap["estimate"]))))


def _one_side(page: Page) -> str:
    """Return that crown or front was never planted here, where that is so: nothing can be set against."""
    rungs = page.results["carried"].extra["rungs"]
    if "zone" not in rungs or rungs.empty:
        return ""
    planted = set(rungs["zone"])
    missing = ["crown"] if "crown" not in planted else []
    missing += ["front"] if not planted & set(FRONT) else []
    return (
        f"No {' and no '.join(missing)} was planted here, so the two cannot be compared." if missing else ""
    )


def _from_when(page: Page) -> str:
    """Return from when it can be told whether the crown ends lower; nothing where it can be told now."""
    n = {side: _n_at_maturity(page, side) for side in ("crown", "front")}
    if min(n.values()) >= regrowth.FEWEST_COUNTED:
        return ""
    side = min(n, key=lambda each: n[each])
    row = _row(page, "crown_front", {"zone": "crown : front", "term": "month from which it can be told"})
    month = (
        "" if row is None or pd.isna(row["estimate"]) or side != "crown" else numbers.number(row["estimate"])
    )
    told = (
        f"can first be judged in register month {month}"
        if month
        else "cannot be told from the sessions so far"
    )
    return f"Whether less of it grows in the end {told}: {_of_those_needed(page, side)}."


def _of_those_needed(page: Page, side: str) -> str:
    row = _row(page, "crown_front", {"zone": side, "term": "counted at maturity"})
    n = "too few" if row is None or pd.isna(row["estimate"]) else numbers.number(row["estimate"])
    return f"{n} of the {regrowth.FEWEST_COUNTED} patients needed were counted at maturity in the {side}"


def _n_at_maturity(page: Page, side: str) -> float:
    """Return how many patients of a side were counted at maturity; 0 where that may not be said."""
    row = _row(page, "crown_front", {"zone": side, "term": "counted at maturity"})
    return 0.0 if row is None or pd.isna(row["estimate"]) else float(row["estimate"])


def _carried_by_one(page: Page) -> str:
    """Return a sentence where the verdict on the crown does not stand without one patient."""
    row = _row(page, "crown_front", {"zone": "crown : front", "term": "difference without one patient"})
    if row is None or row["flag"] != regrowth.HANGS:
        return ""
    return " One patient carries that: without that patient's records the interval includes 0."


# By whether the whole interval lies above none, below it, or holds it.
LATER = {
    "above": "Crown hair comes in about {months} months later than front hair.",
    "below": "Crown hair comes in about {months} months earlier than front hair.",
    "unsure": "These records cannot tell whether crown hair comes in later than front hair.",
}
LOWER = {
    "above": "In the end more of it grows: about {points} more of every 100 planted hairs.",
    "below": "In the end less of it grows: about {points} fewer of every 100 planted hairs.",
    "unsure": "Whether less of it grows in the end cannot be told from these records.",
}
MAY_BE_NONE = "the interval includes 0"
TOO_FEW = "too few counted at maturity"


def crown_in_short(page: Page) -> str:
    """Return in a line whether the crown is lower, and whether it is later."""
    if why := why_not(result_of(page, "crown_front")):
        return why
    gap, late = (
        _row(page, "crown_front", {"zone": "crown : front", "term": term})
        for term in ("yield_difference_at_maturity", "half_month_difference")
    )
    if gap is None or late is None:
        return disclosure.WITHHELD
    lower = {"below": "lower", "above": "higher", "unsure": "lower or not cannot be told"}[_side(gap)]
    if _from_when(page):
        lower = "lower or not cannot be told yet"
    months = f"{_about(abs(float(late['estimate'])))} months"
    later = {
        "above": f"{months} later",
        "below": f"{months} earlier",
        "unsure": "later or not cannot be told",
    }
    return f"{numbers.title_case(later[_side(late)])}; {lower}."


def crown_key_numbers(page: Page) -> list[KeyNumber]:
    """Return the key numbers of the surgeon audit: front and crown at maturity, and is it lower, or later."""
    if why_not(result_of(page, "crown_front")):
        return _ladder_numbers(page)
    rows = {
        (zone, term): _row(page, "crown_front", {"zone": zone, "term": term})
        for zone, terms in (
            ("front", ("yield_at_maturity", "half_month")),
            ("crown", ("yield_at_maturity", "half_month")),
            ("crown : front", ("yield_difference_at_maturity", "half_month_difference")),
        )
        for term in terms
    }
    if any(row is None for row in rows.values()):
        return []
    tiles = []
    for side in ("front", "crown"):
        month = float(rows[side, "yield_at_maturity"]["x"])  # type: ignore[index]
        tiles.append(
            key_number(
                page,
                "crown_front",
                label=f"{numbers.title_case(side)}, at month {month:g}",
                unit="of 100 planted hairs grown",
                rests_on=_counted(page, side),
                side=side,
                zone=side,
                term="yield_at_maturity",
            )
        )
    halves = [numbers.number(float(rows[s, "half_month"]["estimate"]), 1) for s in ("crown", "front")]  # type: ignore[index]
    mature = [numbers.number(float(rows[s, "yield_at_maturity"]["x"])) for s in ("crown", "front")]  # type: ignore[index]
    asked = (
        ("Is the crown lower?", "yield_difference_at_maturity", {"above": "no", "below": "yes"}, "",
         f"crown at month {mature[0]} less front at month {mature[1]}"),
        ("Does it come later?", "half_month_difference", {"above": "yes", "below": "no"},
         f"half grown in month {halves[0]}, front {halves[1]}", " "),
    )  # fmt: skip
    for label, term, words, why, rests_on in asked:
        found = _side(rows["crown : front", term])
        too_few = term.startswith("yield") and bool(_from_when(page))
        tiles.append(
            key_number(
                page,
                "crown_front",
                label=label,
                rests_on=rests_on,
                verdict="cannot be told" if too_few else words.get(found, "cannot be told"),
                why=TOO_FEW
                if too_few
                else why
                if found != "unsure"
                else _why_unsure(rows["crown : front", term]),
                zone="crown : front",
                term=term,
            )
        )
    return tiles


def _why_unsure(row: pd.Series | None) -> str:
    if row is None or not (is_assumed(row) or pd.isna(row["ci_low"])):
        return MAY_BE_NONE
    return numbers.as_said(str(row["flag"]))


def _ladder_numbers(page: Page) -> list[KeyNumber]:
    """Return what each zone's counts carry, one number a zone, the rung named."""
    carried = result_of(page, "at_maturity")
    if why_not(carried) or "rungs" not in carried.extra:
        return []
    rows = carried.table()
    rows = rows[rows["estimate"].notna()].drop_duplicates("zone", keep="last")
    return [
        KeyNumber(
            f"{numbers.title_case(str(row['zone']))}, month {numbers.number(row['x'], 0)}",
            *_value_and_interval(row),
            str(row["flag"]),
        )
        for _, row in rows.iterrows()
    ]


def _value_and_interval(row: pd.Series) -> tuple[str, str, str]:
    said = numbers.parts(row)
    return said.value, "of 100 planted hairs", said.interval


NOT_YET = "Whether crown hair comes in later, or less of it in the end, cannot be told yet."


def _counted(page: Page, side: str) -> str:
    """Return how many planted zones of a side were followed, and how many of them counted at maturity."""
    known = result_of(page, "crown_front").extra["counted"]
    own = known[known["zone"].eq(side)]
    if own.empty or own[["n_followed", "n_counted"]].isna().any(axis=None):
        return " "
    followed, at_maturity = int(own["n_followed"].iloc[0]), int(own["n_counted"].iloc[0])
    counted = f"{numbers.number(at_maturity)} of {numbers.number(followed)} planted zones"
    n = _n_at_maturity(page, side)
    return f"{counted} counted at maturity{f' ({numbers.number(n)} patients)' if n else ''}"


def _side(row: pd.Series | None, null: float = 0.0) -> str:
    """Return on which side of no difference the whole interval of a row lies; unsure where it holds it.

    An interval without width was assumed (one tempo for both sides), not estimated: it says nothing.
    """
    if row is not None and is_assumed(row):
        return "unsure"
    if row is not None and pd.notna(row.get("ci_high")) and row["ci_high"] < null:
        return "below"
    if row is not None and pd.notna(row.get("ci_low")) and row["ci_low"] > null:
        return "above"
    return "unsure"


def _about(value: float) -> str:
    """Return a number for a sentence: whole from 1.5 on, else with one decimal."""
    return numbers.number(value, 0 if value >= WHOLE_IN_SENTENCE else 1)


WHOLE_IN_SENTENCE = 1.5


def _one_surgeon(page: Page, surgeon: str) -> str:
    said = verdict(
        page,
        "own",
        surgeon_id=surgeon,
        below=f"In {surgeon}'s planted zones less grows than in the others': {{value}}.",
        above=f"In {surgeon}'s planted zones more grows than in the others': {{value}}.",
        unsure=f"Whether {surgeon}'s planted zones differ from the others' cannot be told: {{value}}.",
    )
    # A sentence around a withheld number would take the whole answer with it.
    return (
        f"{surgeon} against the others: not shown to these readers." if disclosure.WITHHELD in said else said
    )


def study_answer(result: Result, plan: study.Plan, value: str, standing: study.Status) -> str:
    """Return the one-line answer of a study from its protected result.

    Parameters
    ----------
    result
        Of `study.answers`, as the page may show it.
    value
        The answer in words (number, unit, interval).
    standing
        Of `study.status`.
    """
    if why := why_not(result):
        return why
    row = result.table().iloc[0] if len(result.table()) else pd.Series({"flag": ""})
    words = str(row.get("flag", ""))
    groups = plan.exposure
    who = study.in_words(groups.variable)
    if not groups.is_number:
        who = f"{re.sub('^minutes ', 'time ', who)}, {groups.compared_name} against {groups.reference_name}"
    start = (
        ""
        if standing.is_confirmatory
        else f"Exploratory, because the plan is {standing.word.removesuffix(': exploratory')}. "
    )
    found = words.partition(":")[0]
    said = STUDY_SAYS.get(found, f"{found} ({{what}})" if found else disclosure.WITHHELD)
    rest = words.partition(":")[2].strip() if found == study.CANNOT_TELL else ""
    what = study.outcome_in_words(plan.primary).partition(", percent of")[0]
    what = what.replace("the zone's maturity month", "maturity")
    is_known = pd.notna(row.get("estimate")) or found != study.CANNOT_TELL
    told = f" The estimate is {value}." if is_known else ""
    sentence = f"{numbers.title_case(who)}: {said.format(what=what)}.{told}"
    return f"{start}{sentence}{f' {numbers.sentence(rest)}' if rest else ''}"


STUDY_SAYS = {
    study.CANNOT_TELL: "these records cannot tell whether {what} differs",
    "higher": "a difference was found in {what}",
    "lower": "a difference was found in {what}",
    "no difference that matters": "no difference that matters was found in {what}",
}


def _which_way(plan: study.Plan) -> str:
    """Return which of two groups is the higher where the answer lies above no difference."""
    if plan.exposure.is_number:
        return " "
    return f"above {1 if plan.primary.is_ratio else 0}: {plan.exposure.compared_name} is higher"


def study_key_numbers(page: Page, plan: study.Plan) -> list[KeyNumber]:
    """Return the key numbers of a study: the difference, who has an outcome, what could have been found."""
    answer, design = result_of(page, "answer"), result_of(page, "design")
    if why_not(answer) or answer.table().empty:
        return []
    row = answer.table().iloc[0]
    found = str(row["flag"]).partition(":")[0]
    first = key_number(
        page,
        "answer",
        label=f"Difference, {row['comparison']}" if "comparison" in row else "Difference",
        rests_on=_which_way(plan),
        verdict="cannot be told" if found == study.CANNOT_TELL else found,
        term="answer",
    )
    tiles = [first]
    known = pd.DataFrame() if why_not(design) else design.table()
    for label, start in STUDY_TILES.items():
        lines = known[known["term"].str.startswith(start)] if len(known) else known
        if len(lines) and pd.notna(lines["estimate"].iloc[0]):
            said = numbers.parts(lines.iloc[0])
            named = label.format(
                size=f"{plan.primary.matters:g} {plan.primary.unit}", power=numbers.number(100 * plan.power)
            )
            beneath = _of_those_due(page, row, plan) if start == WITH_OUTCOME else said.interval
            tiles.append(KeyNumber(named, said.value, said.unit, beneath))
    return tiles


def _of_those_due(page: Page, row: pd.Series, plan: study.Plan) -> str:
    """Return how many of the units due have the primary outcome, where their treatment was asked about."""
    missing = result_of(page, "missing")
    known = pd.DataFrame() if why_not(missing) else missing.table()
    imputed = known[known["term"].str.startswith("imputed")] if len(known) else known
    if imputed.empty or not row["n_rows"] < imputed["n_rows"].iloc[0]:
        return ""
    known, due = (numbers.number(n) for n in (row["n_rows"], imputed["n_rows"].iloc[0]))
    units = "sessions" if plan.primary.outcome.kind in study.SESSION_OUTCOMES else "planted zones"
    return f"in {known} of the {due} {units} due"


WITH_OUTCOME = "patients with an outcome: all"
# Label of a key number, and how the term of `study.design` begins that it shows.
STUDY_TILES = {
    "Patients with an outcome today": WITH_OUTCOME,
    f"Smallest difference that {{power}}{numbers.THIN}% power would find": "detectable with",
    "Power to find {size}": "power for what matters",
}


def study_warning(where: study.Status) -> str:
    """Return what a reader must know first of the plan's standing."""
    return f"The plan is {where.word.replace(': ', ', ')}; see: What was declared, and when?"
