"""Which questions does the surgeon's audit ask?"""

from dataclasses import replace
from typing import Any

from analytics import early, factors, measurement, milestones, regrowth, results, yields
from analytics.pages.page import Page, ask, question
from analytics.pages.writing import carried, carried_of
from analytics.results import Result

RECORDED = (
    "poor_growth", "by_density", "hairs_per_graft", "singles", "second_session", "whose_hairs",
    "therapy_begun",
)  # fmt: skip

REPEATS = (
    "within-reader CV (log scale)",
    "between-reader CV (log scale)",
    "over-dispersion of unmarked fields",
    "minimum detectable change, same reader",
    "minimum detectable change, other reader",
)


def asked(page: Page, choices: yields.Choices, *, curve: str) -> tuple[dict[str, Result], dict[str, Any]]:
    """Return the panels of the audit by name, and all answers as they came.

    Parameters
    ----------
    curve
        Shape of the emergence curve.
    """
    known = {"choices": choices}
    fit = question(regrowth.fit_emergence, curve=curve, **known)
    plateaus = question(regrowth.fit_plateaus, fit=fit)
    late = question(regrowth.fit_emergence, curve=curve, **known, from_month=9.0, whole=fit)
    answers = ask(
        page,
        emergence=question(regrowth.emergence, fit=fit),
        leftover=question(regrowth.leftover, fit=fit),
        crown_front=question(regrowth.against_front, fit=fit),
        half=question(milestones.time_to, percent=50, plateaus=plateaus, **known),
        most=question(milestones.time_to, percent=80, plateaus=plateaus, **known),
        from_month_9=question(regrowth.emergence, fit=late, both_shapes=False),
        own=question(yields.against_others, **known),
        by_month=question(regrowth.by_zone, **known),
        counted=question(yields.average, **known),
        due=question(yields.counted_at_maturity, **known),
        changes=question(measurement.series_changes),
        repeats=question(measurement.repeatability),
        photographs=question(yields.photograph_failures),
        mass=question(yields.hair_mass),
        losses=question(yields.loss_chain, **known),
        overlaps=question(yields.joint, curve=curve, **known),
        poor_growth=question(factors.poor_growth, plateaus=plateaus),
        by_density=question(factors.by_density, **known),
        hairs_per_graft=question(factors.hairs_per_graft),
        singles=question(factors.single_hair_grafts, **known),
        second_session=question(factors.second_session, **known),
        whose_hairs=question(factors.whose_hairs, **known),
        therapy_begun=question(factors.therapy_begun, **known),
        lines=question(yields.sensitivity, **known),
        **carried(choices),
    )
    return _panels(answers), answers


def of_surgeon(page: Page, surgeon: str) -> Page:
    """Return the page with one surgeon's line of `own` alone; with every line where none is named.

    The lines were protected together, so that every surgeon's report withholds the same ones: total and lines
    taken from the reports of several surgeons do not give back the line of another.
    """
    own = page.results["own"]
    if not surgeon or own.gap is not None or own.estimates.empty:  # empty: a page that lists no staff
        return page
    return replace(page, results={**page.results, "own": results.only(own, surgeon_id=surgeon)})


def _panels(answers: dict[str, Any]) -> dict[str, Result]:
    emergence = answers["emergence"]
    lines = yields.with_view(answers["lines"], emergence, option="all readings")
    lines = yields.with_view(lines, answers["from_month_9"], option="month 9 and later")
    same = "leftover crown_front half most counted by_month own losses changes overlaps due mass".split()
    timing = ("half_month", "month_of_95_pct_of_plateau", "plateau_yield")
    return {
        "at_maturity": early.with_model(answers["carried"], emergence),
        **carried_of(answers),
        "timing": results.only(emergence, term=timing),
        "zones": results.only(emergence, term=("yield_at_maturity", "half_month"), picture="together"),
        "emergence": emergence,
        "choices": lines,
        **{name: answers[name] for name in (*same, *RECORDED)},
        "repeats": results.only(answers["repeats"], term=REPEATS, device_class="all", reader_id="all"),
        "together": results.only(answers["overlaps"], overlap="all"),
        "season": yields.season_of(answers["lines"]),
    }
