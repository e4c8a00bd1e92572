"""What completion offers says what it takes, gives and raises, and shows an example or where one stands."""

import functools
import inspect
import json
import re
from pathlib import Path

import pytest

import analytics

ROOT = Path(__file__).parents[1]
# Shown together, because it is the same for all of them: a page by `pages.begin`, a plan by `study.answers`.
TOGETHER = {"pages": {"page"}, "study": {"plan", "where"}}
# Parts of an engine, and texts that rooms hand one another: no notebook and no page of README calls them.
INNER = {
    "numerics.control": "p_prime u_prime widths rule_of",
    "numerics.mixed": "plan optimise fit_sums criterion prepare factors",
    "numerics.regression": "least_squares standardised",
    "numerics.turnbull": "describe",
    "study": "in_words",
    "reports": "report_name",
    "results": "counted first limits line of_share plain unanswered why_not",
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


def _inner(room):
    return INNER.get(room, "").split()


@pytest.mark.parametrize("room", [room for room, _ in _rooms()])
def test_what_is_offered_says_what_it_takes_gives_and_raises_with_an_example(room):
    told = {n: _lacks(r, f) for r, n, f in _offered() if r == room and n not in _inner(room)}
    assert not {name: lacks for name, lacks in told.items() if lacks}


def test_no_name_is_let_off_that_says_it_all():
    lacking = {(room, name) for room, name, function in _offered() if _lacks(room, function)}
    assert {(room, name) for room in INNER for name in _inner(room)} <= lacking


def test_completion_offers_every_name_that_a_notebook_or_the_readme_calls():
    cells = [c for p in (ROOT / "notebooks").glob("*.ipynb") for c in json.loads(p.read_text())["cells"]]
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    code += re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    for room, module in ((r, m) for r, m in _rooms() if "." not in r):
        called = set(re.findall(rf"\b{room}\.(\w+)", "\n".join(code)))
        assert {name for name in called if callable(getattr(module, name, None))} <= set(dir(module))
    assert not {"marked_cells", "refuse_large"} & set(dir(analytics.records))
