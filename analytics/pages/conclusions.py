"""What a study lets one say: a short answer for each question of its page, and every declared test.

Short answers are made from the results a page may show; where one withholds its numbers, so does the answer.
"""

from collections.abc import Callable

import pandas as pd

from analytics import disclosure, numbers, regrowth, study
from analytics.pages.page import Page, ask, question, result_of
from analytics.results import LEVEL, Result, plain, why_not


def asked(page: Page, plan: study.Plan) -> dict[str, Result]:
    """Return the answers to every question of a study, by the names its page shows them under."""
    return ask(page, **{name: question(made, plan=plan) for name, made in QUESTIONS.items()})


QUESTIONS: dict[str, Callable[..., Result]] = {
    "answer": study.answers,
    "tests": study.tests,
    "design": study.design,
    "balance": study.balance,
    "overlap": study.overlap,
    "confounding": study.confounding,
    "e_values": study.e_values,
    "missing": study.missing,
    "tipping": study.tipping,
    "model": study.model,
    "influence": study.influence,
    "leftover": study.leftover,
    "by_zone": study.by_zone,
    "course": study.smooth,
    "robustness": study.robustness,
}


def in_short(page: Page) -> dict[str, str]:
    """Return the short answers of a study, the lines of its folds, by the names in `SAYS`."""
    return {name: _in_short(result_of(page, name), name) for name in SAYS}


def _in_short(result: Result, name: str) -> str:
    if why := why_not(result):
        return why
    table = result.table()
    known = table[table["estimate"].notna()] if len(table) and name not in COUNTED else table
    if not len(known):
        return _why_none(table)
    tested = [note for note in result.notes if name == "by_zone" and study.SAME in note]
    return f"{SAYS[name](known)[:-1]}; {tested[0]}." if tested else SAYS[name](known)


def _why_none(table: pd.DataFrame) -> str:
    """Return why no row has a number: what the first says, for the clinic; to others, that it is withheld."""
    said = str(table["flag"].iloc[0] or "") if len(table) and "flag" in table else ""
    return numbers.sentence(said) if said else disclosure.WITHHELD


def standing_in_short(standing: study.Status) -> str:
    """Return where a plan stands, with the day of its freeze."""
    frozen = f", on {standing.frozen.frozen_at[:10]}" if standing.frozen and standing.is_confirmatory else ""
    return f"{numbers.title_case(standing.word)}{frozen}."


def _answer(known: pd.DataFrame) -> str:
    row = known.iloc[0]
    found = str(row["flag"]).partition(":")[0]
    said = "Cannot be told" if found == study.CANNOT_TELL else numbers.title_case(found)
    return f"{said}: {numbers.full(row, counts=False)}."


def _design(known: pd.DataFrame) -> str:
    parts = []
    for start, words in DESIGN.items():
        rows = known[known["term"].str.startswith(start)]
        if len(rows):
            said = numbers.full(rows.iloc[0], counts=False)
            parts.append(words.format(said, str(rows["term"].iloc[0]).partition("with ")[2]))
    return f"{numbers.title_case('; '.join(parts))}." if parts else disclosure.WITHHELD


# How a term of `study.design` begins, and what it says.
DESIGN = {
    "power for what matters, simulated": "power for the difference that matters: {}",
    "detectable with": "minimum detectable effect, with {1}: {0}",
}


def _leftover(known: pd.DataFrame) -> str:
    of_all = known["term"].str.startswith("further off")
    rows = known[~of_all & known["ci_low"].notna()]
    off = int((rows["ci_low"].gt(0) | rows["ci_high"].lt(0)).sum())
    far = [
        f"; {f'{numbers.percent(share, 1)} of patients are' if share else 'no patient is'} further off than "
        "chance allows"
        for share in known.loc[of_all, "estimate"]
    ]
    shape = known.loc[known["term"].str.startswith("largest departure")]
    spread = [
        f"; single outcomes spread {'otherwise than' if p < regrowth.UNLIKE else 'as'} in the model (p "
        f"{numbers.p_value(p, places=3)})"
        for p in (shape["p_value"] if len(shape) else ())
    ]
    means = f"Of {len(rows)} means by zone, month and expected value {off or 'none'}"
    return f"{means} {'is' if off < 2 else 'are'} off{''.join([*far[:1], *spread[:1]])}."


def _tests(known: pd.DataFrame) -> str:
    found = known["flag"].fillna("").str.split("[:;]", regex=True).str[0]
    said = found.replace({study.CANNOT_TELL: "cannot be told", "": "without a verdict"})
    counts = [f"{n} {word}" for word, n in said.value_counts(sort=False).items()]
    return f"{len(known)} comparisons declared: {numbers.listed(counts)}."


def _balance(known: pd.DataFrame) -> str:
    row = known.loc[known["estimate"].abs().idxmax()]
    own = known[known["term"].eq(row["term"])]
    said = [
        f"{numbers.number(abs(gap), 2)} {how}" for gap, how in zip(own["estimate"], own["how"], strict=True)
    ]
    return f"Furthest apart: {row['term']}, in standard deviations {', '.join(said)}."


def _span(known: pd.DataFrame) -> str:
    """Return the smallest and the largest of several answers, and how many intervals hold no difference."""
    known = known[known["ci_low"].notna()]
    if known.empty:
        return disclosure.WITHHELD
    unit = str(known["unit"].iloc[0])
    places = 2 if unit == "ratio" else 0
    null = 1.0 if unit == "ratio" else 0.0
    ends = numbers.limits(known["estimate"].min(), known["estimate"].max(), places)
    n = int((known["ci_low"].le(null) & known["ci_high"].ge(null)).sum())
    held = "every interval includes" if n == len(known) else f"{n} of {len(known)} intervals include"
    return f"{len(known)} answers: {numbers.with_unit(ends, unit)}; {held} {null:g}."


SAYS: dict[str, Callable[[pd.DataFrame], str]] = {
    "answer": _answer,
    "design": _design,
    "leftover": _leftover,
    "tests": _tests,
    "balance": _balance,
    "confounding": _span,
    "missing": _span,
    "by_zone": _span,
    "robustness": _span,
}
COUNTED = ("tests",)  # told of every row: a test without an estimate was declared too


def declared_tests(result: Result) -> pd.DataFrame:
    """Return one row per declared test: estimate with interval, p, adjusted p, patients, conclusion."""
    table = result.table()
    if table.empty:
        return table
    listed = result.extra["tests"]
    return pd.DataFrame(
        {
            "role": table["role"],
            "analysis": table["analysis"],
            "estimate (interval)": [_estimate(row) for _, row in table.iterrows()],
            "n_patients": table["n_patients"].map(numbers.number),
            "adjusted": [
                "alone" if not by or pd.isna(p) else numbers.p_value(p, places=3)
                for p, by in zip(listed["p_adjusted"], listed["adjusted_by"], strict=True)
            ],
            "conclusion": [numbers.title_case(plain(word)) for word in listed["conclusion"]],
            "p_value": [
                numbers.NOT_AVAILABLE if pd.isna(p) else numbers.p_value(p) for p in table["p_value"]
            ],
            "patients_needed": [
                "" if pd.isna(n) else f"about {numbers.number(n)}" for n in listed["patients_needed"]
            ],
        }
    )


def _estimate(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return numbers.NOT_AVAILABLE  # its conclusion says why
    unit, se = str(row["unit"]), row.get("se", float("nan"))
    places = numbers.decimals(float(se) if pd.notna(se) else float("nan"), unit, [row["estimate"]])
    value = numbers.with_unit(numbers.number(row["estimate"], places), unit)
    if pd.isna(row["ci_low"]):
        return value
    level = row["level"] if pd.notna(row["level"]) else LEVEL
    ends = numbers.limits(row["ci_low"], row["ci_high"], places)
    return f"{value} ({100 * float(level):g}{numbers.THIN}%: {ends})"
