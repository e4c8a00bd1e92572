"""What may be said: the primary analysis, and every test run, adjusted for their number."""

import numpy as np
import pandas as pd

from analytics import numbers
from analytics.numerics import power
from analytics.records import Records
from analytics.results import Result, line
from analytics.study import answer, report
from analytics.study.answer import CANNOT_TELL, FOUND, Answer
from analytics.study.plan import (
    RATIOS,
    Analysis,
    Plan,
    in_words,
)

ADJUSTED_BY = {"primary": "", "secondary": "holm", "exploratory": "benjamini-hochberg"}
SAME_LEVEL = 1e-9
IN_WORDS = {"holm": "Holm", "benjamini-hochberg": "Benjamini-Hochberg"}


def answers(records: Records, plan: Plan) -> Result:
    """Return the primary answer: the difference with its interval first, the p-value after.

    Returns
    -------
    Result
        Term `answer`; for risks also the risk in each group; the flag says what may be said and, where the
        data do not decide, how many patients with an outcome would do.

    Raises
    ------
    ParameterError
        When the plan compares something its outcome cannot have.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.answers(clinic, plan).by
    ('comparison',)
    """
    found = answer.answer(records, plan, plan.primary)
    rows = [answer.row(found, term="answer") | {"flag": said(found)}, *_risk_rows(found)]
    if abs(found.verdict.level - (1 - plan.alpha)) > SAME_LEVEL:
        two_sided = answer.row(found, term="answer, two-sided interval", level=1 - plan.alpha)
        rows.append(two_sided | {"flag": ""})
    comparison = _comparison(found)
    rows = [{"comparison": row.pop("comparison", comparison), **row} for row in rows]
    method = (
        f"{found.effect.method}; {found.design or 'no comparison'}; adjusted for: "
        f"{', '.join(in_words(v) for v in found.held) or 'nothing'}; {test_in_words(found.analysis, plan)}, "
        f"level {found.verdict.level:g}"
    )
    used = found.given.units[["patient_id", "unit_id", "zone", "reason"]]
    return Result(
        pd.DataFrame(rows),
        used,
        method,
        by=("comparison",),
        checks=dict(found.effect.checks),
        notes=found.effect.notes,
        extra=answer.margins(found.analysis),
    )


def test_in_words(analysis: Analysis, plan: Plan) -> str:
    """Return the test that decides an analysis with its size; against a margin it is one-sided."""
    if analysis.hypothesis == "difference":
        return f"difference, {100 * plan.alpha:g} % two-sided"
    sides = "two one-sided tests" if analysis.hypothesis == "equivalence" else "one-sided"
    return f"{analysis.hypothesis}, margin {analysis.margin:g}, {100 * plan.tail:g} % {sides}"


def _comparison(found: Answer) -> str:
    exposure = found.given.exposure
    if exposure.is_number:
        return f"per {exposure.per:g} {in_words(exposure.variable)}"
    joined = "relative to" if found.effect.is_ratio else "minus"
    return f"{exposure.compared_name} {joined} {exposure.reference_name}"


def _risk_rows(found: Answer) -> list[dict]:
    names = found.given.exposure
    rows = []
    for key, name, group in (
        ("risk_reference", names.reference_name, 0.0),
        ("risk_compared", names.compared_name, 1.0),
    ):
        if key in found.effect.more:
            own = found.units[found.units["x"].eq(group)]
            rows.append(
                line(
                    "risk", found.effect.more[key], "%", by={"comparison": name},
                    n_patients=int(own["patient_id"].nunique()), n_rows=len(own), **_made_of(found, group),
                )
            )  # fmt: skip
    return rows


def _made_of(found: Answer, group: float) -> dict:
    """Return what a risk is made of: the counts of its group, or the model's standardised share."""
    if not found.effect.counts:
        return found.effect.made_of
    yes, of = found.effect.counts[:2] if group == 1.0 else found.effect.counts[2:]
    return {"basis": "share", "numerator": int(yes), "denominator": int(of)}


def said(found: Answer) -> str:
    """Return what an answer lets one say, and how many patients would do where it does not decide."""
    if not found.effect.is_known:
        return f"{CANNOT_TELL}: {'; '.join(found.effect.notes) or 'no estimate'}"
    if found.verdict.said != CANNOT_TELL:
        return found.verdict.said
    n = _needed(found)
    if not np.isfinite(n):
        return CANNOT_TELL
    for_what = f"to tell {_wanted(found.analysis)} with {100 * found.verdict.power:g} % power"
    return f"{CANNOT_TELL}: about {n:,.0f} patients with an outcome would be needed {for_what}"


def _wanted(analysis: Analysis) -> str:
    """Return the size that the patients needed are reckoned for, in words."""
    of_difference = analysis.hypothesis == "difference"
    size = analysis.matters if of_difference else analysis.margin or np.nan
    if analysis.is_ratio:
        return f"a ratio of {size:g}" if of_difference else f"ratios within {size:g}"
    said = numbers.with_unit(f"{size:g}", analysis.unit)
    return f"a difference of {said}" if of_difference else f"it against a margin of {said}"


def _needed(found: Answer) -> float:
    """Return how many patients with an outcome would do where the answer does not decide; else NaN.

    NaN too where as many have one: then the effect lies near what matters, and numbers are not what lacks.
    """
    n = found.verdict.n_needed
    decides = found.verdict.said != CANNOT_TELL or not found.effect.is_known
    has = found.units["patient_id"].nunique()
    return np.nan if decides or not np.isfinite(n) or n <= has else _rounded(n)


def _rounded(n: float) -> float:
    """Return a number of patients with two significant digits, upwards: more would feign precision."""
    step = 10 ** max(np.floor(np.log10(n)) - 1, 0)
    return float(np.ceil(n / step) * step)


def tests(records: Records, plan: Plan) -> Result:
    """Return every test of the plan, by role, adjusted for how many there are.

    Primary: alone, as it is. Secondary: Holm. Exploratory: Benjamini-Hochberg. Two-sided tests against no
    difference, or those of the declared equivalence or non-inferiority.

    Returns
    -------
    Result
        By role and analysis; `p_value` as it is, the adjusted one in the flag and in `extra["tests"]`;
        outcomes by group in `extra["groups"]`.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> first = plan.model_copy(update={"analysis": plan.analysis[:1]})
    >>> study.tests(clinic, first).table()["role"].tolist()
    ['primary']
    """
    found = [answer.answer(records, plan, a) for a in plan.analysis]
    table = pd.DataFrame(
        [{"role": f.analysis.role, "analysis": f.analysis.id, **answer.row(f, term=_term(f))} for f in found]
    )
    adjusted = pd.Series(np.nan, index=table.index)
    scale = pd.Series(
        [1.0 if f.analysis.hypothesis == "difference" else plan.alpha / plan.tail for f in found]
    )
    for role, method in ADJUSTED_BY.items():
        own = table["role"].eq(role)
        # A one-sided p is held against a smaller alpha: on the scale of the two-sided ones while adjusted.
        p = np.minimum(table.loc[own, "p_value"] * scale[own], 1.0)
        adjusted[own] = (power.adjust(p, method) if method and len(p) else p) / scale[own]
    says = [_said_among(f, p, plan.alpha / s) for f, p, s in zip(found, adjusted, scale, strict=True)]
    table["flag"] = [_test_flag(f, p, word) for f, p, word in zip(found, adjusted, says, strict=True)]
    listed = pd.DataFrame(
        {
            "role": table["role"], "analysis": table["analysis"],
            "outcome": [report.outcome_in_words(f.analysis) for f in found],
            "compared": [report.exposure_in_words(f.given.exposure) for f in found],
            "p_value": table["p_value"], "p_adjusted": adjusted, "said": says,
            "adjusted_by": [IN_WORDS.get(ADJUSTED_BY[f.analysis.role], "") for f in found],
            "conclusion": [
                CANNOT_TELL if word == said(f) and np.isfinite(_needed(f)) else word
                for f, word in zip(found, says, strict=True)
            ],
            "patients_needed": [_needed(f) for f in found],
            "n_patients": table["n_patients"],
            "method": [f.effect.method for f in found],
            "held": [", ".join(in_words(v) for v in f.held) for f in found],
        }
    )  # fmt: skip
    groups = [
        {"role": f.analysis.role, "analysis": f.analysis.id} | row
        for f in found
        for row in report.by_group(f, plan)
    ]
    used = pd.concat([f.given.units[["patient_id", "unit_id", "reason"]] for f in found[:1]])
    checks = {f"{f.analysis.id}: {k}": bool(v) for f in found for k, v in f.effect.checks.items() if not v}
    return Result(
        table, used,
        f"every test declared, {len(table)} in all; secondary Holm, exploratory Benjamini-Hochberg",
        by=("role", "analysis"), checks=checks,
        extra={"tests": listed, "groups": pd.DataFrame(groups), **answer.margins(plan.primary)},
    )  # fmt: skip


def _term(found: Answer) -> str:
    return "ratio" if found.analysis.outcome.kind in RATIOS else "difference"


def _said_among(found: Answer, p: float, alpha: float) -> str:
    """Return what a test lets one say among the tests of its role, by its adjusted p-value."""
    word = found.verdict.said
    if word in FOUND and np.isfinite(p) and p >= alpha:
        return f"{CANNOT_TELL} once all such tests are counted ({word} alone)"
    return said(found)


def _test_flag(found: Answer, p: float, says: str) -> str:
    how = IN_WORDS.get(ADJUSTED_BY[found.analysis.role], "")
    adjusted = f"; adjusted p {_p(p)} ({how})" if how and np.isfinite(p) else ""
    level = found.verdict.level
    how_wide = f"; interval of {100 * level:g} %" if found.analysis.hypothesis != "difference" else ""
    return f"{says}{adjusted}{how_wide}"


def _p(p: float) -> str:
    return "under 0.001" if p < 0.001 else f"{p:.3f}"
