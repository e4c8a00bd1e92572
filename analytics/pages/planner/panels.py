"""Which questions does the session plan ask?"""

from collections.abc import Sequence
from typing import Any

from analytics import planning, regrowth
from analytics.pages.page import Page, ask, kept_plans, question
from analytics.planning import Aim, Draft
from analytics.results import Result


def asked(
    page: Page, plans: Sequence[Draft], aims: Sequence[Aim], later: Sequence[Draft]
) -> tuple[dict[str, Result], dict[str, Any]]:
    """Return the answers of a plan by name, and what they have in common, as `app.hands.show` takes it.

    Parameters
    ----------
    page
        Of `pages.begin`, with the settings patient, safe_share, session_month, total and years.
    plans, aims, later
        As read by `planning.read_drafts` and `planning.read_aims`; `later` the split of a later session.
    """
    told = page.settings
    plateaus = question(regrowth.fit_plateaus, fit=question(regrowth.fit_emergence))
    kept = kept_plans(page)
    of_patient = {"patient_id": told["patient"], "safe_share": told["safe_share"]}
    known = {**of_patient, "plateaus": plateaus, "session_month": told["session_month"]}
    answers = ask(
        page,
        ledger=question(planning.ledger, **of_patient),
        drafts=question(planning.drafts, plans=plans, aims=aims, **known),
        split=question(planning.split, total_grafts=told["total"], aims=aims, **known),
        two=question(planning.two_sessions, plans=plans, later=later, years=told["years"], **known),
        done=question(planning.against_plan, patient_id=told["patient"], kept=kept),
        practice=question(planning.over_the_practice, kept=kept),
    )
    return answers, known
