"""Which questions does the review ask, and about which criterion each?"""

from collections.abc import Mapping

from analytics import factors, measurement, review
from analytics.pages.page import Page, ask, file_beside, question, results, state_folder
from analytics.pages.quarter.sentences import titles
from analytics.pages.quarter.short import in_short
from analytics.results import Result


def reviewed(page: Page) -> tuple[Page, dict[str, str], dict[str, str]]:
    """Return the page with the results of a review, its titles and its short answers; remember the review.

    Parameters
    ----------
    page
        Of `pages.begin`, with the settings of the quarterly review. Beside the short answers of its folds
        stands `quarter`, the quarter under review in words.
    """
    told = page.settings
    criteria = review.read(file_beside(page, told["criteria"]))
    log = review.read_actions(file_beside(page, told["action_log"]), criteria)
    quarter = review.under_review(
        page.records, criteria, quarter=told["quarter"], complete_through=told["complete_through"],
        register_begins=told["register_begins"], today=told["as_of"],
    )  # fmt: skip
    memory = state_folder(page, told["state"])
    past = review.recall(memory, criteria, quarter=quarter)
    named = {role: told[role] for role in ("change", "grafts", "growth", "poor", "answers")}
    roles = review.roles(criteria, charts=tuple(told["charts"]), **named)
    panels = asked(page, criteria, log, roles, past, quarter=quarter, by=told["by"])
    review.keep(memory, criteria, log, panels, quarter=quarter)
    page = results(page, **panels)
    title = titles(criteria, roles)
    named_quarter = review.label(quarter, told["register_begins"])
    return page, title, {**in_short(page.results, title), "quarter": named_quarter}


def asked(
    page: Page,
    criteria: review.Criteria,
    log: tuple,
    roles: Mapping[str, str],
    past: review.Remembered,
    *,
    quarter: int,
    by: str,
) -> dict[str, Result]:
    """Return the panels of a review by name, the agenda made from the others.

    Parameters
    ----------
    log
        Of `review.read_actions`.
    roles, past
        Of `review.roles` and `review.recall`.
    quarter, by
        The quarter under review; surgeon_id or harvested_by.
    """
    known = {"criteria": criteria, "quarter": quarter}
    grafts, growth, poor, answers = (roles[r] for r in ("grafts", "growth", "poor", "answers"))
    drawn = tuple(roles["charts"].split())
    indicators = question(review.indicators, **known, windows=past.windows)
    panels = ask(
        page,
        indicators=indicators,
        over_time=question(review.run_charts, **known, only=drawn, kept=past.charts),
        all_charts=question(review.run_charts, **known, kept=past.charts),
        grafts=question(review.operators, **known, criterion_id=grafts, by=by),
        growth=question(review.operators, **known, criterion_id=growth, by=by),
        cases=question(review.case_by_case, **known, criterion_id=grafts, by=by, kept=past.limits),
        poor_growth=question(review.case_by_case, **known, criterion_id=poor, kept=past.limits),
        follow_up=question(review.follow_up, **known),
        absent=question(review.absent, **known, criterion_id=growth),
        answers=question(review.absent, **known, criterion_id=answers),
        change=question(
            review.before_after, **known, change_id=roles["change"], criterion_id=roles["changed"]
        ),
        by_person=question(factors.by_person),
        transection=question(factors.transection),
        donor=question(factors.donor),
        photographs=question(factors.photographs),
        missing_records=question(factors.missing_records),
        unasked=question(review.asked, **known),
        graded=question(measurement.grades),
        graders=question(measurement.reader_agreement),
        asked=question(measurement.answers),
        actions=question(review.actions, **known, log=log),
        lists=question(review.work_lists, **known, indicators=indicators),
    )
    agenda = review.agenda(page.records, criteria, panels, quarter=quarter, remembered=past)
    return {**panels, "agenda": agenda}
