"""The words of a study ready to paste: methods, references, reporting items; each sentence from what ran.

A sentence about an analysis is made only where the page holds its result with an estimate. STROBE (cohort)
and RECORD item numbers with our own words for what they are about; the wording of the checklists is theirs
and is not reproduced. An item the page cannot answer is left *for the author*.

Sources: von Elm et al. 2007, Lancet 370:1453-1457 (STROBE); Benchimol et al. 2015, PLoS Med 12:e1001885
(RECORD).
"""

from importlib import metadata

import pandas as pd

from analytics import followup, numbers, study
from analytics.dictionary import MATURITY_MONTH
from analytics.pages.page import Page
from analytics.pages.writing import frame, lead
from analytics.results import Result

AUTHOR = "for the author"
ABSENT = "not made on this page"
DECLARED = "adjusted in the model (declared)"
LIBRARIES = ("regrowth-workbook", "numpy", "scipy", "pandas", "statsmodels", "lifelines", "surpyval")
# Of a method, as the result that used it names it, and where it is described.
REFERENCES = {
    "Kenward-Roger": "Kenward & Roger 1997, Biometrics 53:983-997",
    "CR2": "Bell & McCaffrey 2002, Survey Methodology 28:169-181",
    "Mancl": "Mancl & DeRouen 2001, Biometrics 57:126-134",
    "Newcombe": "Newcombe 1998, Statistics in Medicine 17:873-890",
    "time-ratio": "Kalbfleisch & Prentice 2002, The Statistical Analysis of Failure Time Data",
    "Holm": "Holm 1979, Scandinavian Journal of Statistics 6:65-70",
    "Benjamini": "Benjamini & Hochberg 1995, Journal of the Royal Statistical Society B 57:289-300",
    "two one-sided": "Schuirmann 1987, Journal of Pharmacokinetics and Biopharmaceutics 15:657-680",
    "non-inferiority": "ICH E9 1998, Statistical Principles for Clinical Trials",
    "standardised difference": "Austin 2009, Statistics in Medicine 28:3083-3107",
    "0.25 standard deviations": "Stuart 2010, Statistical Science 25:1-21",
    "propensity": "Robins, Hernan & Brumback 2000, Epidemiology 11:550-560",
    "E-value": "VanderWeele & Ding 2017, Annals of Internal Medicine 167:268-274",
    "imputed": "Barnard & Rubin 1999, Biometrika 86:948-955",
    "points were added": "Cro et al. 2020, Statistics in Medicine 39:2815-2842",
    "combinations of choices": "Simonsohn, Simmons & Nelson 2020, Nature Human Behaviour 4:1208-1214",
    "randomised quantile": "Dunn & Smyth 1996, Journal of Computational and Graphical Statistics 5:236-244",
    "Cook": "Demidenko & Stukel 2005, Statistics in Medicine 24:893-909",
}


def question(plan: study.Plan) -> str:
    """Return what a study asks: its question, who, what is compared, which outcome in which month."""
    asked = plan.primary
    size = f"{asked.matters:g}"
    of_ratio = f"a ratio of {size}"
    matters = of_ratio if asked.is_ratio else f"a difference of {numbers.with_unit(size, asked.unit)}"
    outcome = study.outcome_in_words(asked)
    if asked.outcome.kind == "yield_at_maturity":
        outcome = f"percent of planted hairs grown at month {numbers.listed(_months_of_maturity())}"
    return (
        f"The question: {numbers.sentence(plan.question)} In whom: {_uncapital(plan.population.words)} "
        f"Compared: {_compared(plan)}. Outcome: {outcome}. What would matter: {matters}."
    )


def _uncapital(text: str) -> str:
    said = numbers.sentence(text)
    return said[:1].lower() + said[1:]


def _compared(plan: study.Plan) -> str:
    groups = plan.exposure
    if groups.is_number:
        return study.exposure_in_words(groups)
    return f"{study.in_words(groups.variable)}, {groups.compared_name} against {groups.reference_name}"


def _months_of_maturity() -> list[str]:
    """Return the months at which zones are judged, each with its zones."""
    zones: dict[float, list[str]] = {}
    for zone, month in MATURITY_MONTH.items():
        zones.setdefault(float(month), []).append(zone)
    return [f"{month:g} in {numbers.listed(named)}" for month, named in zones.items()]


def reported(page: Page, plan: study.Plan, standing: study.Status) -> None:
    """Write the methods section and the reporting items, and how many of these the page answers."""
    listed = items(page, plan, standing)
    said = listed["answered"]
    left = {word: int(said.eq(word).sum()) for word in (AUTHOR, ABSENT)}
    left["answered in part"] = int((said.str.contains(f"{AUTHOR}|{ABSENT}")).sum()) - sum(left.values())
    rest = "".join(f"; {n} {'is' if n == 1 else 'are'} {word}" for word, n in left.items() if n)
    answered = len(listed) - sum(left.values())
    lead(page, f"{answered} of {len(listed)} reporting items are answered here{rest}.")
    frame(page, methods(page, plan, standing), "Methods, in plain words")
    frame(page, listed, "Reporting items", folded=True)


def methods(page: Page, plan: study.Plan, standing: study.Status) -> pd.DataFrame:
    """Return a methods section in plain words, a part per row, with references for what it names."""
    rows = [
        ("Design", f"A cohort from one practice's own register; {_frozen(standing)}."),
        ("Patients", plan.population.words),
        ("Comparison", f"{_capital(study.exposure_in_words(plan.exposure))}."),
        ("Outcome", f"{_capital(study.outcome_in_words(plan.primary))}.{_yield(plan)}"),
        ("Model", _model(page)),
        ("Other outcomes", _others(page, plan)),
        ("Missing", _missing(page)),
        ("Confounding", _confounding(page, plan)),
        ("Zones", _zones(page)),
        ("Choices", _choices(page)),
        ("Checks of the model", _checks(page)),
        ("Influence", _influence(page)),
        ("Several tests", _several(page)),
        ("Power", _power(page)),
    ]
    said = [(part, text) for part, text in rows if text]
    named = " ".join(text for _, text in said)
    cited = [source for word, source in REFERENCES.items() if word in named]
    software = ", ".join(f"{k} {metadata.version(k)}" for k in LIBRARIES)
    said += [("Software", f"{software}; plan {study.digest(plan)[:12]}."), ("References", "; ".join(cited))]
    return pd.DataFrame(said, columns=["part", "text"])


def _made(page: Page, name: str) -> pd.DataFrame:
    """Return the rows of a result that hold an estimate; none where the page has no such result."""
    if name not in page.results:
        return pd.DataFrame({"term": [], "estimate": []})
    table = page.results[name].table()
    return table[table["estimate"].notna()] if "estimate" in table else table.iloc[:0]


def _method(page: Page, name: str) -> str:
    return str(page.results[name].facts()["method"].iloc[0])


def _frozen(standing: study.Status) -> str:
    if standing.frozen is not None and standing.is_confirmatory:
        return f"plan and records were frozen on {standing.frozen.frozen_at[:10]} and not changed since"
    return f"the plan is {standing.word}"


def _yield(plan: study.Plan) -> str:
    """Return what a yield is and which reading counts; nothing for another outcome."""
    if plan.primary.outcome.kind != "yield_at_maturity":
        return ""
    months = numbers.listed([f"{month:g} ({zone})" for zone, month in MATURITY_MONTH.items()])
    return (
        " Yield is the gain in hairs per cm² since the count before the session, less the change expected in "
        "native hair, as a percentage of hairs planted per cm². What counts is the reading nearest to month "
        f"{months}, from {followup.OPENS_EARLY:g} month before to {followup.CLOSES_LATE:g} months after."
    )


def _model(page: Page) -> str:
    if _made(page, "answer").empty:
        return ""
    return f"{_capital(_method(page, 'answer'))}. The patient was the independent unit throughout."


def _others(page: Page, plan: study.Plan) -> str:
    """Return how each other analysis with an estimate was made, those made alike together."""
    known = _made(page, "tests")
    if known.empty:
        return ""
    listed = page.results["tests"].extra["tests"]
    listed = listed[listed["analysis"].isin(known["analysis"]) & listed["role"].ne("primary")]
    same = study.exposure_in_words(plan.exposure)
    text = []
    for (method, held), own in listed.groupby(["method", "held"], sort=False):
        named = [
            outcome if compared == same else f"{outcome} ({compared})"
            for outcome, compared in zip(own["outcome"], own["compared"], strict=True)
        ]
        adjusted = "" if "unadjusted" in method else f"; adjusted for {held or 'nothing'}"
        text.append(f"{_capital('; '.join(named))}: {method}{adjusted}.")
    return " ".join(text)


def _missing(page: Page) -> str:
    table = _made(page, "missing")
    if table.empty:
        return ""
    lost = _method(page, "missing").partition(";")[0]
    other = [str(t) for t in table["term"] if "declared" not in str(t)]
    text = f"{_capital(lost)}."
    text += f" The answer was repeated: {'; '.join(other)}." if other else ""
    is_tipped = _made(page, "tipping")["term"].astype(str).str.startswith("imputed").any()
    shifted = (
        " More and more points were added to the imputed outcomes of the compared group until the conclusion "
        "changed."
    )
    return text + (shifted if is_tipped else "")


def _confounding(page: Page, plan: study.Plan) -> str:
    table = _made(page, "confounding")
    declared = table.loc[table["term"].eq(DECLARED), "estimate"]
    # Where nothing is adjusted for, the unadjusted is the declared answer and no repetition of it.
    again = table[~table["term"].isin([DECLARED, study.ADDED]) & ~table["estimate"].isin(declared)]
    other = again["term"].astype(str).tolist()
    more = table.loc[table["term"].eq(study.ADDED), "flag"] if "flag" in table else ()
    apart = "How far groups are apart is told by the standardised difference."
    added = (
        "After the plan, by how the groups differ and not by outcomes, it was also adjusted for what is "
        "recorded, was not declared and is at least 0.25 standard deviations apart"
    )
    said = [
        "" if _made(page, "balance").empty else apart,
        f"The answer was repeated: {'; '.join(other)}." if other else "",
        *(f"{added}: {str(flag).partition(';')[0].partition(': ')[2]}." for flag in more),
        "" if _made(page, "e_values").empty else "The E-value is given.",
    ]
    return " ".join(text for text in said if text)


def _zones(page: Page) -> str:
    n = len(_made(page, "by_zone"))
    is_tested = "by_zone" in page.results and any(
        note.startswith(study.SAME) for note in page.results["by_zone"].notes
    )
    text = f"The effect was also estimated in each of {n} zones." if n else ""
    return f"{text[:-1]}, and tested for being the same in all." if n and is_tested else text


def _checks(page: Page) -> str:
    if len(_made(page, "leftover")) < 2:
        return ""
    return (
        "Residuals were examined by zone, month and expected value, their quantiles compared with a normal "
        "distribution, each patient's outcomes together with chance, and each outcome with outcomes "
        "simulated from the fitted model (randomised quantile residuals)."
    )


def _power(page: Page) -> str:
    table = _made(page, "design")
    is_drawn = table["term"].astype(str).str.contains("simulated").any()
    how = _method(page, "design").partition(";")[0] if is_drawn else ""
    return f"{_capital(how)}: power with the units that have an outcome." if how else ""


def _choices(page: Page) -> str:
    n = len(_made(page, "robustness"))
    return f"The declared model was fitted under {n} combinations of choices." if n > 1 else ""


def _influence(page: Page) -> str:
    if len(_made(page, "influence")) < 2:
        return ""
    return (
        "The answer was refitted without each patient in turn, Cook's distance by the variance of the whole "
        "fit; it was taken to hang on one patient if without that patient the conclusion was another and the "
        "answer moved further than the furthest of so many patients would move it by chance (2 %)."
    )


def _several(page: Page) -> str:
    table = _made(page, "tests")
    if table.empty:
        return ""
    counts = table["role"].value_counts()
    how = {"primary": "", "secondary": " (Holm)", "exploratory": " (Benjamini-Hochberg)"}
    said = [f"{counts[role]} {role}{words}" for role, words in how.items() if counts.get(role, 0)]
    n_lost = int(page.results["tests"].table()["estimate"].isna().sum())
    lost = f"; {n_lost} declared without an estimate on this page" if n_lost else ""
    return f"Tests: {', '.join(said)}{lost}."


LEVELS = {"mean": "Mean (SD)", "median": "Median (5th to 95th centile)"}


def groups(rows: pd.DataFrame) -> pd.DataFrame:
    """Return `study.table_one` as it is read: a group's numbers in one cell, what is missing in another."""
    if rows.empty:
        return rows
    shown = _described(rows, {name: name for name in ("reference", "compared")})
    missing = [
        [_count(row[f"n_missing_{name}"]) for name in ("reference", "compared")] for _, row in rows.iterrows()
    ]
    first, gap = ~rows["variable"].duplicated(), rows["standardised_difference"].map(_gap)
    shown["missing"] = pd.Series([" and ".join(m) for m in missing], index=rows.index).where(first, "")
    return shown.assign(
        standardised_difference=gap.where(first & rows["standardised_difference"].notna(), "")
    )


def unseen(rows: pd.DataFrame) -> pd.DataFrame:
    """Return of `study.table_one` those seen beside those not seen, in each group."""
    counts = rows[["n_unseen_reference", "n_unseen_compared"]].ne(0).any(axis=1)
    rows = rows[counts.groupby(rows["variable"]).transform("any")]
    if rows.empty:
        return rows
    names = {
        f"{seen}_{name}": f"{'unseen_' * (seen == 'unseen')}{name}"
        for name in ("reference", "compared")
        for seen in ("seen", "unseen")
    }
    gaps = rows["difference_reference"].map(_gap) + " and " + rows["difference_compared"].map(_gap)
    of_variable = gaps.groupby(rows["variable"]).transform("first")
    named = rows["variable"] + ": not seen less seen " + of_variable + " SD"
    return _described(rows.assign(variable=named), names)


def _described(rows: pd.DataFrame, names: dict[str, str]) -> pd.DataFrame:
    """Return variable and level with a cell for each group, by the heading it stands under."""
    shown = pd.DataFrame({"variable": rows["variable"], "level": rows["level"].replace(LEVELS).map(_capital)})
    for heading, name in names.items():
        shown[heading] = [_group_cell(row, name) for _, row in rows.iterrows()]
    return shown


def _gap(value: float) -> str:
    return numbers.number(value, 2) if pd.notna(value) else numbers.NOT_AVAILABLE


def _group_cell(row: pd.Series, name: str) -> str:
    if pd.isna(row[name]):
        return "withheld" if pd.isna(row[f"n_{name}"]) else numbers.NOT_AVAILABLE
    said = numbers.number(row[name], 1)
    if row["level"] == "mean":
        return f"{said} ({numbers.number(row[f'sd_{name}'], 1)})"
    if row["level"] != "median":
        return f"{said} (n {_count(row[f'n_{name}'])})"
    ends = (row[f"low_{name}"], row[f"high_{name}"])
    return said if pd.isna(ends[0]) else f"{said} ({numbers.limits(*ends, 1)})"


def by_group(result: Result) -> pd.DataFrame:
    """Return the outcomes of the groups as they are read, a row a number: of every analysis of two groups."""
    rows = result.extra["groups"]
    if rows.empty:
        return rows
    said = [numbers.full(row, counts=False) for _, row in rows.iterrows()]
    flags = rows.reindex(columns=["flag"])["flag"].fillna("").map(lambda flag: f"; {flag}" if flag else "")
    text = (pd.Series(said, index=rows.index) + flags).where(rows["estimate"].notna(), "withheld")
    return pd.DataFrame(
        {
            "analysis": rows["analysis"],
            "group": rows["term"].map(_capital),
            "part": rows["part"].map(_capital),
            "outcome": text,
            "n_patients": rows["n_patients"].map(_count),
            "n_rows": rows["n_rows"].map(_count),
        }
    )


def _count(n: float) -> str:
    return "withheld" if pd.isna(n) else numbers.number(float(n))


def hanging(page: Page) -> list[str]:
    """Return what hangs on one patient, a sentence each; empty where nothing does, or it may not be told."""
    told = page.results.get("influence")
    if told is None or "flag" not in told.table():
        return []
    flags = told.table()["flag"].fillna("").astype(str)
    return list(dict.fromkeys(flags[flags.str.startswith(study.HANGS)]))


def items(page: Page, plan: study.Plan, standing: study.Status) -> pd.DataFrame:
    """Return the reporting items with where the page answers each, or that it does not."""

    def where(**parts: str) -> str:
        """Return the parts whose result the page holds; of no result, `always`."""
        held = [text for name, text in parts.items() if name == "always" or not _made(page, name).empty]
        return "; ".join(held) or ABSENT

    compared = study.exposure_in_words(plan.exposure)
    is_yield = plan.primary.outcome.kind == "yield_at_maturity"
    readers = f"data dictionary; who recorded, by group: {ABSENT}"
    readers = (
        "the groups: readers; error of counting: means, coefficients and spreads" if is_yield else readers
    )
    has_groups = "tests" in page.results and len(page.results["tests"].extra["groups"]) > 0
    treated = "other assumptions about missing outcomes"
    ways, seen = "ways to allow for differences", "patients seen and not seen"
    protocol = f"plan {'as frozen, ' if standing.is_confirmatory else ''}{study.digest(plan)[:12]}"
    rows = [
        ("STROBE", "1", "design named in title and abstract", AUTHOR),
        ("STROBE", "2", "background", AUTHOR),
        ("STROBE", "3", "aims and hypotheses", f"question: {plan.question} What exactly is asked"),
        ("STROBE", "4", "design", "cohort from a register; the plan in full"),
        ("STROBE", "5", "setting, places, dates", f"months of the register: the groups; rest {AUTHOR}"),
        ("STROBE", "6", "who was eligible, how followed", "population of the plan; flow of patients"),
        ("STROBE", "7", "variables defined", "the plan in full; data dictionary"),
        ("STROBE", "8", "how measured", readers),
        ("STROBE", "9", "bias", where(confounding=ways, missing=treated)),
        ("STROBE", "10", "how the size came about", where(design="what could be found; no sample drawn")),
        ("STROBE", "11", "numbers grouped or not", f"{compared}; the groups"),
        ("STROBE", "12a", "methods, confounding", where(confounding=f"methods; {ways}")),
        ("STROBE", "12b", "subgroups, interactions", where(by_zone="the effect zone by zone")),
        ("STROBE", "12c", "missing data", where(missing=treated)),
        ("STROBE", "12d", "loss to follow-up", where(always=seen, tipping="tipping points")),
        ("STROBE", "12e", "sensitivity", where(robustness="every combination of choices", confounding=ways)),
        ("STROBE", "13", "numbers at each stage", "flow of patients, with reasons by group"),
        ("STROBE", "14a-b", "who they were, missing values", f"the groups; {seen}"),
        ("STROBE", "14c", "time followed", "the groups: month of the outcome" if is_yield else ABSENT),
        ("STROBE", "15", "outcomes", where(tests="outcomes by group") if has_groups else ABSENT),
        ("STROBE", "16", "plain and adjusted answers", where(confounding=ways)),
        ("STROBE", "17", "other analyses", where(tests="every declared test")),
        ("STROBE", "18-21", "key results, limits, meaning, for whom", AUTHOR),
        ("STROBE", "22", "funding", AUTHOR),
        ("RECORD", "1.1", "type of data named", "a practice's own outcome register"),
        ("RECORD", "1.2", "region and time named", AUTHOR),
        ("RECORD", "1.3", "linkage named", "none: one register"),
        ("RECORD", "6.1", "how people were selected", "population of the plan"),
        ("RECORD", "6.2", "codes checked", f"each table checked on reading; a study of validity: {ABSENT}"),
        ("RECORD", "6.3", "linkage as a picture", "none"),
        ("RECORD", "7.1", "all codes listed", "data dictionary; plan in full"),
        ("RECORD", "12.1", "access to the register", AUTHOR),
        ("RECORD", "12.2", "cleaning", "rows read, used and left out, at the foot of the page"),
        ("RECORD", "12.3", "linkage methods", "none"),
        ("RECORD", "13.1", "selection with reasons", "flow of patients, with reasons by group"),
        ("RECORD", "19.1", "limits of data not collected for this", AUTHOR),
        ("RECORD", "22.1", "protocol, data, code", f"{protocol}; code at the foot; records {AUTHOR}"),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["guideline", "item", "about", "answered"])


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
