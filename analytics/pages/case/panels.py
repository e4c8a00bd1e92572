"""Which questions does the page of one case ask?"""

from typing import Any

from analytics import course, early, measurement, planning, regrowth, results, review
from analytics.pages.case.verdict import due_next
from analytics.pages.due import worth_of_visits
from analytics.pages.page import Page, ask, file_beside, question
from analytics.results import Result

PAST_QUARTERS = 4  # that the model is tested on


def asked(page: Page, patient: str) -> tuple[dict[str, Result], dict[str, Any]]:
    """Return the panels of a case by name, and all answers as they came.

    Parameters
    ----------
    patient
        Code of the patient.
    """
    fit = question(regrowth.fit_emergence)
    plateaus = question(regrowth.fit_plateaus, fit=fit)
    past = tuple(question(course.past_quarter, back=n) for n in range(PAST_QUARTERS, 0, -1))
    answers = ask(
        page,
        case=question(course.case, patient_id=patient, plateaus=plateaus),
        early=question(early.case, patient_id=patient),
        later=question(early.when),
        graded=question(measurement.grades, patient_id=patient),
        asked=question(measurement.answers, patient_id=patient),
        person=question(course.person, patient_id=patient),
        donor=question(planning.donor_outcome, patient_id=patient),
        bare=question(course.no_growth, patient_id=patient),
        same_month=question(course.front_month, fit=fit),
        alarms=question(course.false_alarms, plateaus=plateaus),
        tested=question(course.backtest, predicted=past),
    )
    return _panels(answers), answers


def _panels(answers: dict[str, Any]) -> dict[str, Result]:
    model, tested = answers["case"], answers["tested"]
    case = results.first(model, answers["early"], model)
    return {
        "case": case,
        "now": course.against_usual(model),
        "person": answers["person"],
        "width": results.only(model, picture="width"),
        "graded": answers["graded"],
        "asked": answers["asked"],
        "ahead": results.only(model, term=("predicted yield", "predicted density")),
        "readings": results.only(case, term=("reading", "centile of the reading")),
        "same_month": answers["same_month"],
        "tested": results.only(tested, zone="all zones"),
        "tested_by_zone": tested,
        "alarms": answers["alarms"],
    }


def next_due(page: Page, answers: dict[str, Any], patient: str) -> tuple[str, str]:
    """Return what is due next for a patient, and what visits to come are worth to the practice."""
    planned = review.schedule(file_beside(page, "criteria.toml"))
    visits = course.next_visits(page.records, planned, patient_id=patient)
    said = due_next(visits, answers["case"], answers["bare"])
    return said, worth_of_visits(visits, answers["later"])
