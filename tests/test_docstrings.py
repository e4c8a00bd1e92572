"""What completion offers says what it takes, gives and raises, and shows an example or where one stands."""

import functools
import inspect
import re

import pytest

import analytics

# Shown together, because it is the same for all of them: a page by `pages.begin`, a plan by `study.answers`.
TOGETHER = {"pages": {"page"}, "study": {"records", "plan", "where", "analysis"}}
# Handed on from room to room, or the parts of an engine: no notebook and no page of README calls them.
BETWEEN_ROOMS = {
    "records": "check_raw derived duckdb_table marked_cells only_read parts_of_sheets read_cells "
    "read_parquet refuse_large refuse_unsafe_workbook sqlite_url unchanged write_pages",
    "mapping": "propose",
    "entry": "import_counts propose read_export",
    "numerics.control": "p_prime u_prime widths rule_of",
    "numerics.mixed": "plan optimise fit_sums criterion prepare factors",
    "numerics.regression": "least_squares standardised",
    "numerics.turnbull": "describe",
    "regrowth": "between_rows chance_below chances_below degrees drawn expected_variance fit_or_simplify "
    "forecast forecasts_of_each gaps lay_out leftover_quantiles mean_yield parameters poor_growth posterior "
    "prepare prior_precision quantities select slow_or_low variances weights_of yields_at",
    "review": "operators",
    "study": "exposure_in_words fitted in_words looks note_look",
    "pooling": "answer next_round pooled read_round shared_covariance",
    "published": "cases",
    "pages": "carried carried_of",
    "reports": "answers begin begun data_sha256 defect dismiss find folder is_invented pdf report_name said "
    "sources write",
    "results": "counted first limits line of_share plain unanswered why_not worded",
    "dictionary": "as_page",
}


def _rooms():
    yield from ((room, getattr(analytics, room)) for room in analytics.ROOMS if room != "numerics")
    yield from ((f"numerics.{e}", getattr(analytics.numerics, e)) for e in dir(analytics.numerics))


@functools.cache
def _offered():
    """Return room, name and function of what completion offers; of an engine its own functions."""
    found = []
    for room, module in _rooms():
        names = vars(module) if room.startswith("numerics.") else dir(module)
        for name in sorted(n for n in names if n[0] != "_"):
            thing = inspect.unwrap(getattr(module, name))
            if inspect.isfunction(thing) and thing.__module__.startswith(f"analytics.{room}"):
                found.append((room, name, thing))
    return found


@functools.cache
def _lacks(room, function):
    """Return what the docstring of a function lacks."""
    text = inspect.getdoc(function) or ""
    signature = inspect.signature(function)
    together = TOGETHER.get(room, set()) & set(signature.parameters)
    taken = text.partition("Parameters\n----------\n")[2]
    given = signature.return_annotation
    # An own class says what its fields are.
    is_own = inspect.isclass(given) and given.__module__.startswith("analytics.")
    names = [n for n in signature.parameters if n != "_" and not n.endswith("_se") and not together]
    found = [n for n in names if not re.search(rf"^[\w, ]*\b{n}\b[\w, ]*$", taken, re.MULTILINE)]
    if not (is_own or together or given in (None, "None") or re.search(r"^(Returns|Yields)\n-", text, re.M)):
        found.append("Returns")
    if re.search(r"^    +raise \w+\(", inspect.getsource(function), re.M) and "Raises\n-" not in text:
        found.append("Raises")
    if not (">>>" in text or "Examples\n-" in text or together):
        found.append("Examples")
    return found


def _between(room):
    return BETWEEN_ROOMS.get(room, "").split()


@pytest.mark.parametrize("room", [room for room, _ in _rooms()])
def test_what_is_offered_says_what_it_takes_gives_and_raises_with_an_example(room):
    told = {n: _lacks(r, f) for r, n, f in _offered() if r == room and n not in _between(room)}
    assert not {name: lacks for name, lacks in told.items() if lacks}


def test_no_name_is_let_off_that_says_it_all():
    lacking = {(room, name) for room, name, function in _offered() if _lacks(room, function)}
    assert {(room, name) for room in BETWEEN_ROOMS for name in _between(room)} <= lacking
