"""What was declared and who was in it: plan, flow of patients, groups, and whether it is as frozen."""

from pathlib import Path

import pandas as pd

from analytics.records import Records
from analytics.study import answer, report
from analytics.study.confounding import shown_variables
from analytics.study.confounding import table_one as groups_described
from analytics.study.lock import Status, reports_on
from analytics.study.plan import (
    Plan,
)
from analytics.study.readings import OF_READING

COMMAND = "study "  # a look by a command of this name shows no outcome beside what is compared


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
    'minutes grafts spent outside the body'
    """
    found = answer.answer(records, plan, plan.primary)
    described = [found.given.exposure.variable, *shown_variables(found)]
    described += [] if found.given.has_zone else ["grafts_out"]
    followed = OF_READING if plan.primary.outcome.kind == "yield_at_maturity" else ()
    return groups_described(found, [*described, *followed])


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
