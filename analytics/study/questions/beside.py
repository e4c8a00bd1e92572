"""What stands beside the answer of a study: were groups alike, who is missing, does it hang on one choice."""

from collections.abc import Callable, Collection, Mapping

import numpy as np
import pandas as pd

from analytics.records import Records
from analytics.results import Curve, Result, line
from analytics.study import answer, report
from analytics.study.answer import Answer
from analytics.study.confounding import balance as confounding_balance
from analytics.study.confounding import e_values as confounding_e_values
from analytics.study.confounding import overlap as confounding_overlap
from analytics.study.confounding import side_by_side, undeclared
from analytics.study.design import check
from analytics.study.missing import tipping as missing_tipping
from analytics.study.missing import treatments
from analytics.study.plan import (
    NO_UNIT_VALUE,
    Adjustment,
    Analysis,
    Plan,
)
from analytics.study.robustness import by_zone as robustness_by_zone
from analytics.study.robustness import grid
from analytics.study.robustness import leftover as robustness_leftover
from analytics.study.robustness import smooth as robustness_smooth


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
