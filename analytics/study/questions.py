"""A declared question put to the clinic's own records: was it decided before, and what may be said?

A plan (`read`, TOML) names population, what is compared, outcomes, what is
held equal and why, intercurrent events, margin, size of the test and seed; `freeze` writes it down before the
outcomes are looked at, `status` says whether it is as frozen, `synthetic` gives a register of the same shape
with invented outcomes to finish the plan on, `design` what could be found at all. Then:

* `answers`: the primary analysis, and what may be said; `tests` every test run, adjusted for their number;
* `balance`, `overlap`, `confounding`, `e_values`: were the groups alike, and does the answer hang on it;
* `missing`, `tipping`: what if those not seen did otherwise;
* `by_zone`, `smooth`: is the effect the same everywhere, is it straight;
* `robustness`: every combination of reasonable choices;
* `flow`, `reasons`, `table_one`: who was in it; `model`, `influence`: what it held, does it hang on one;
* `estimand`, `plan_in_full`: what was declared.

Each takes the records as loaded and the plan of `read` or `checked`, as `answers` shows.
The patient is the independent unit throughout. A result says *cannot tell* where the data do not decide, and
how many patients would do.
"""

from collections.abc import Callable, Collection, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import power
from analytics.records import Records
from analytics.results import Curve, Result, line
from analytics.study import answer, report
from analytics.study.answer import CANNOT_TELL, FOUND, Answer
from analytics.study.confounding import balance as confounding_balance
from analytics.study.confounding import e_values as confounding_e_values
from analytics.study.confounding import overlap as confounding_overlap
from analytics.study.confounding import shown_variables, side_by_side, undeclared
from analytics.study.confounding import table_one as groups_described
from analytics.study.design import check
from analytics.study.lock import Status, reports_on
from analytics.study.missing import tipping as missing_tipping
from analytics.study.missing import treatments
from analytics.study.plan import (
    NO_UNIT_VALUE,
    RATIOS,
    Adjustment,
    Analysis,
    Plan,
    in_words,
)
from analytics.study.robustness import by_zone as robustness_by_zone
from analytics.study.robustness import grid
from analytics.study.robustness import leftover as robustness_leftover
from analytics.study.robustness import smooth as robustness_smooth
from analytics.study.rows import OF_READING

ADJUSTED_BY = {"primary": "", "secondary": "holm", "exploratory": "benjamini-hochberg"}
SAME_LEVEL = 1e-9
COMMAND = "study "  # a look by a command of this name shows no outcome beside what is compared
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
    for_what = f"for {100 * found.verdict.power:g} % power"
    return f"{CANNOT_TELL}: about {n:,.0f} patients with an outcome would be needed {for_what}"


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


def design(records: Records, plan: Plan) -> Curve:
    """Return what could be found with the units there are, without seeing the answer (`study.design`).

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.design(clinic, plan).x_name
    'true difference (points of yield)'
    """
    return check(records, plan)


def _of_primary(records: Records, plan: Plan, question: Callable[..., Result], *more: object) -> Result:
    found = answer.answer(records, plan, plan.primary)
    if found.given.exposure.is_number or not found.effect.is_known:
        why = "the exposure is a number" if found.given.exposure.is_number else "; ".join(found.effect.notes)
        none = line("none", np.nan, plan.primary.unit, flag=f"not made: {why}")
        return Result(pd.DataFrame([none]), found.given.units[["patient_id", "reason"]], "not made")
    return question(found, *more, plan)


def balance(records: Records, plan: Plan) -> Result:
    """Return how far the groups are apart before and after weighting, variable by variable.

    Returns
    -------
    Result
        A line per variable, as recorded and weighted: standardised difference, compared less reference.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.balance(clinic, plan).table()["unit"].unique().tolist()
    ['standard deviations']
    """
    return _of_primary(records, plan, confounding_balance)


def overlap(records: Records, plan: Plan) -> Result:
    """Return the distribution of the propensity in both groups, and what the weights are worth.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.overlap(clinic, plan).table()["unit"].unique().tolist()
    ['% of the group']
    """
    return _of_primary(records, plan, confounding_overlap)


def confounding(records: Records, plan: Plan) -> Result:
    """Return the answer not adjusted, adjusted, weighted, matched and adjusted for more, side by side.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.confounding(clinic, plan).table()["term"].tolist()[::3]
    ['unadjusted', 'matched on zone']
    """
    found = answer.answer(records, plan, plan.primary)
    more, too_many = undeclared(found, plan)
    added = tuple(Adjustment(variable=name, reason="added after the plan") for name in more)
    wide = _adjusted(records, found, plan, (*plan.adjust, *added)) if more else None
    return side_by_side(found, _adjusted(records, found, plan, ()), plan, wide, too_many)


def _adjusted(records: Records, found: Answer, plan: Plan, adjust: tuple[Adjustment, ...]) -> Answer:
    """Return the primary answer with other variables held equal."""
    other = plan.model_copy(update={"adjust": adjust})
    if found.analysis.outcome.kind in NO_UNIT_VALUE:
        return answer.answer(records, other, plan.primary)
    return answer.of_sample(found.given, other, plan.primary)


def e_values(records: Records, plan: Plan) -> Result:
    """Return how strong something unrecorded would have to be to explain the answer away.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.e_values(clinic, plan).table()["term"].tolist()
    ['E-value of the answer', 'E-value of its nearer limit']
    """
    return confounding_e_values(answer.answer(records, plan, plan.primary))


def missing(records: Records, plan: Plan) -> Result:
    """Return the answer under other treatments of what is missing.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.missing(clinic, plan).table()["unit"].unique().tolist()
    ['points of yield']
    """
    return treatments(records, answer.answer(records, plan, plan.primary), plan)


def tipping(records: Records, plan: Plan) -> Result:
    """Return how far the unseen would have to be off before the conclusion changes.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.tipping(clinic, plan).table()["term"].tolist()[1:]
    ['tipping point, worse', 'tipping point, better']
    """
    return missing_tipping(answer.answer(records, plan, plan.primary), plan)


def robustness(
    records: Records, plan: Plan, *, options: Mapping[str, Collection[str]] | None = None
) -> Result:
    """Return the primary answer under every combination of reasonable choices.

    Parameters
    ----------
    options
        For some choices (native loss, photographs, window, planted density) the options to walk through.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> few = {"native loss": ["none"], "photographs": ["standard"], "window": ["month 12"]}
    >>> study.robustness(clinic, plan, options=few).by
    ('native loss', 'photographs', 'window', 'planted density')
    """
    return grid(records, plan, options=options)


def by_zone(records: Records, plan: Plan) -> Result:
    """Return the primary effect zone by zone, and the test that it is the same in all.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.by_zone(clinic, plan).by
    ('zone',)
    """
    return robustness_by_zone(answer.answer(records, plan, plan.primary), plan)


def smooth(records: Records, plan: Plan) -> Result:
    """Return the course of the outcome over a number, of the first analysis that has one.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.smooth(clinic, plan).table()["unit"].unique().tolist()
    ['points of yield', 'F']
    """
    return robustness_smooth(answer.answer(records, plan, _on_a_number(plan)), plan)


def _on_a_number(plan: Plan) -> Analysis:
    own = [a for a in plan.analysis if plan.exposure_of(a).is_number and a.outcome.kind not in NO_UNIT_VALUE]
    return own[0] if own else plan.primary


def flow(records: Records, plan: Plan) -> pd.DataFrame:
    """Return patients and units at each stage of the primary analysis.

    Returns
    -------
    DataFrame
        One row per stage: stage, n_patients, n_units, and why the rest fell away.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> stages = study.flow(clinic, plan)
    >>> bool(stages["n_patients"].is_monotonic_decreasing)
    True
    """
    return report.flow(answer.answer(records, plan, plan.primary))


def flow_labels(records: Records, plan: Plan) -> dict[str, str]:
    """Return the headings of `flow`, the groups by their own names.

    Returns
    -------
    dict
        Heading by column of `flow`.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.flow_labels(clinic, plan)["n_compared"]
    'Over 4 hours'
    """
    return report.flow_labels(answer.answer(records, plan, plan.primary))


def estimand(plan: Plan, analysis: str = "") -> pd.DataFrame:
    """Return the parts of an estimand in words; of the primary analysis if none is named.

    Parameters
    ----------
    analysis
        Id of an analysis of the plan; the primary one if empty.

    Returns
    -------
    pandas.DataFrame
        `part` and `declared`.

    Examples
    --------
    >>> from analytics import study
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.estimand(plan).columns.tolist()
    ['part', 'declared']
    """
    return report.estimand(plan, plan.named(analysis) if analysis else None)


def plan_in_full(plan: Plan) -> pd.DataFrame:
    """Return every entry of the plan.

    Returns
    -------
    pandas.DataFrame
        `entry` and `declared`, one row per entry.

    Examples
    --------
    >>> from analytics import study
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.plan_in_full(plan)["declared"].iloc[0]
    'Time out of the body and yield'
    """
    return report.plan_in_full(plan)


def standing(
    where: Status, records: Records, reports: str | Path = "", audience: str = "internal"
) -> pd.DataFrame:
    """Return where the plan stands: frozen when and on what, changed since, reports made before and now.

    For others without exact rows of the register: of few that changed, and of its tables.

    Parameters
    ----------
    where
        Of `status`.
    reports
        Folder of reports, to list those made on the same data; none if empty.

    Returns
    -------
    pandas.DataFrame
        One row per point that is told.

    Examples
    --------
    >>> from analytics import records, study
    >>> demo = records.load("data_demo")
    >>> where = study.status("data_demo/study_out_of_body.toml", demo)
    >>> study.standing(where, demo).columns.tolist()
    ['what', 'stands']
    """
    found = reports_on(records, reports)
    return report.standing(where, found, with_sizes=audience == "internal")


def reasons(records: Records, plan: Plan) -> pd.DataFrame:
    """Return why units are not in the primary analysis, by group.

    Returns
    -------
    pandas.DataFrame
        One row per stage reached and reason: n_units, n_patients, and of each group.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.reasons(clinic, plan)["reached"].iloc[0]
    'in the register'
    """
    return report.reasons(answer.answer(records, plan, plan.primary))


def table_one(records: Records, plan: Plan) -> pd.DataFrame:
    """Return the groups: what was compared, what they were before the outcome, when they were read.

    Those with an outcome, and those who should have one and do not. A number compared is cut at its median.

    Returns
    -------
    DataFrame
        Columns variable, level, and of each group, seen and `unseen_`, n, n_missing, mean, median or percent,
        sd, low and high; standardised_difference of the seen, difference_... of unseen less seen.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.table_one(clinic, plan)["variable"].iloc[0]
    'minutes out of the body'
    """
    found = answer.answer(records, plan, plan.primary)
    described = [found.given.exposure.variable, *shown_variables(found)]
    described += [] if found.given.has_zone else ["grafts_out"]
    followed = OF_READING if plan.primary.outcome.kind == "yield_at_maturity" else ()
    return groups_described(found, [*described, *followed])


def model(records: Records, plan: Plan) -> Result:
    """Return group means as they are and with the rest held equal, coefficients, variance components.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.model(clinic, plan).table()["term"].tolist()[:2]
    ['up to 4 hours', 'up to 4 hours']
    """
    return report.model(answer.answer(records, plan, plan.primary), plan)


def leftover(records: Records, plan: Plan) -> Result:
    """Return what the declared model leaves over: odd patients, zones and months missed, quantiles.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.leftover(clinic, plan).by
    ('part',)
    """
    return robustness_leftover(answer.answer(records, plan, plan.primary), plan)


def influence(records: Records, plan: Plan) -> Result:
    """Return how far the primary answer moves without one patient, and whether it hangs on one.

    Examples
    --------
    >>> from analytics import simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> study.influence(clinic, plan).table()["term"].iloc[0]
    'with every patient'
    """
    return report.influence(answer.answer(records, plan, plan.primary), plan)


def warnings(where: Status) -> list[str]:
    """Return the points on which a plan is not as frozen; empty where all is well.

    Parameters
    ----------
    where
        Of `status`.

    Returns
    -------
    list of str
        A sentence each.

    Examples
    --------
    >>> from analytics import records, study
    >>> demo = records.load("data_demo")
    >>> where = study.status("data_demo/study_out_of_body.toml", demo)
    >>> study.warnings(where)
    []
    """
    points = [] if where.is_confirmatory else [where.word]
    points += [f"changed: {entry}" for entry in where.changed]
    points += where.faults
    for rows, what in ((where.moved.changed, "changed"), (where.moved.gone, "gone")):
        points += [f"{table}: {n} row(s) {what} since freezing" for table, n in rows.items()]
    if where.frozen is not None and any(not s.page.startswith(COMMAND) for s in where.frozen.reports_before):
        points.append("reports had been made on the same data before freezing")
    return points
