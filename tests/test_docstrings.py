"""What completion offers says what it takes, gives and raises, and shows an example or where one stands."""

import functools
import inspect
import json
import re
from pathlib import Path

import pytest

import analytics

ROOT = Path(__file__).parents[1]
# Arguments that `help(analytics)` explains for all functions.
SAID_ONCE = set(re.findall(r"^    ([a-z_]+)  ", analytics.__doc__, re.MULTILINE))


def _rooms():
    yield from ((room, getattr(analytics, room)) for room in analytics.ROOMS if room != "numerics")
    yield from ((f"numerics.{e}", getattr(analytics.numerics, e)) for e in dir(analytics.numerics))


@functools.cache
def _offered():
    """Return room, name and function of what is public for users: what completion offers."""
    found = []
    for room, module in _rooms():
        for name in dir(module):
            thing = inspect.unwrap(getattr(module, name))
            if inspect.isfunction(thing) and thing.__module__.startswith(f"analytics.{room}"):
                found.append((room, name, thing))
    return found


@functools.cache
def _lacks(function):
    """Return what the docstring of a function lacks."""
    text = inspect.getdoc(function) or ""
    signature = inspect.signature(function, eval_str=True)
    taken = text.partition("Parameters\n----------\n")[2]
    given = signature.return_annotation
    # An own class says what its fields are.
    is_own = inspect.isclass(given) and given.__module__.startswith("analytics.")
    names = [n for n in signature.parameters if n != "_" and not n.endswith("_se") and n not in SAID_ONCE]
    found = [n for n in names if not re.search(rf"^[\w, ]*\b{n}\b[\w, ]*$", taken, re.MULTILINE)]
    if not (is_own or given in (None, "None") or re.search(r"^(Returns|Yields)\n-", text, re.M)):
        found.append("Returns")
    if re.search(r"^    +raise \w+\(", inspect.getsource(function), re.M) and "Raises\n-" not in text:
        found.append("Raises")
    if ">>>" not in text:
        found.append("Examples")
    return found


@pytest.mark.parametrize("room", [room for room, _ in _rooms()])
def test_what_is_offered_says_what_it_takes_gives_and_raises_with_an_example(room):
    told = {n: _lacks(f) for r, n, f in _offered() if r == room}
    assert told
    assert not {name: lacks for name, lacks in told.items() if lacks}


def test_completion_offers_every_name_that_a_notebook_or_the_readme_calls():
    cells = [c for p in (ROOT / "notebooks").glob("*.ipynb") for c in json.loads(p.read_text())["cells"]]
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    for page in ("README.md", "data_demo/README.md"):
        # Code, and what the text names as a call or a name of a room, in its marks.
        code += re.findall(r"`([^`]+)`", (ROOT / page).read_text(encoding="utf-8").replace("```", "`"))
    for room, module in ((r, m) for r, m in _rooms() if "." not in r):
        called = set(re.findall(rf"\b{room}\.(\w+)", "\n".join(code)))
        assert {name for name in called if callable(getattr(module, name, None))} <= set(dir(module)), room
    assert not {"marked_cells", "refuse_large"} & set(dir(analytics.records))


def test_completion_is_of_what_a_room_holds_when_it_is_asked(monkeypatch):
    monkeypatch.setattr(analytics.pages, "later", analytics.pages.answer, raising=False)
    assert "later" in dir(analytics.pages)
