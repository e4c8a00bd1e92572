"""Outcome analytics for hair-restoration practices: the regrowth workbook.

`import analytics` offers the rooms: `analytics.records.load(...)`, `analytics.yields.average(...)`, and for a
question of one's own `analytics.units`, `analytics.model`, `analytics.times`; `analytics.draw` shows the
picture of any result. A room is imported when it is first asked for, so that this import costs nothing.
The Tab key lists what is meant for users: classes, and functions whose docstring holds an example that runs.

    records, mapping, entry        read the register; from a sheet of one's own; enter a follow-up
    yields, regrowth, milestones   yield of a count and means of it; the growth curve; months to a milestone
    early, course, planning        what few patients tell; one case and who is due; the next session
    review, study, pooling         the quarterly review; a declared question; several clinics
    bench, factors                 formulas and times of one's own; what was recorded and goes with growth
    measurement, followup          how well a count repeats; who was due, and what became of it
    simulate, published, numerics  registers with a known truth; published values; the engines
    pages, reports, results        what a notebook writes; a run; the one form of an answer
    dictionary                     every table and column

Arguments that mean the same everywhere are said here, and by a function only where it adds to it:

    records     the records as loaded, of `records.load`
    choices     what a yield rests on: `yields.Choices`
    level       confidence level of intervals, between 0 and 1; a room's question takes 0.5 to 0.999
    patient_id  code of the patient, as it stands in `patients`
    criteria    of `review.read`
    quarter     the quarter under review, 1 the first of the register; nothing later is seen
    plan        of `study.read` or `study.checked`
    audience    who will read it: internal, shared, public
    page        of `pages.begin`; for what shows a result, of `pages.results`
"""

import functools
import importlib
import os
import sys
from typing import Any

# Many threads on small matrices wait for one another. Before numpy is loaded this is a wish that it heeds.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

ROOMS = (
    "records",
    "mapping",
    "entry",
    "simulate",
    "numerics",
    "measurement",
    "followup",
    "yields",
    "regrowth",
    "milestones",
    "early",
    "course",
    "planning",
    "review",
    "study",
    "bench",
    "factors",
    "pooling",
    "published",
    "pages",
    "reports",
    "results",
    "dictionary",
)
OFFERED = {"units": "bench", "model": "bench", "times": "bench", "draw": "pages"}


def __getattr__(name: str) -> Any:
    if name in ROOMS:
        room = importlib.import_module(f"analytics.{name}")
        _complete_shortly()
        return room
    if name in OFFERED:
        return getattr(importlib.import_module(f"analytics.{OFFERED[name]}"), name)
    if name == "__version__":
        from importlib.metadata import version

        return version("regrowth-workbook")
    raise AttributeError(f"analytics has no {name}; it has {', '.join([*ROOMS, *OFFERED])}")


def _complete_shortly() -> None:
    """Let completion list what a room or an engine hands on for users, not its files and inner parts."""
    rooms = {f"analytics.{name}" for name in ROOMS if name != "numerics"}
    for name, room in list(sys.modules.items()):
        if name in rooms or name.startswith("analytics.numerics."):
            # Asked when the key is pressed: a room may be half imported now.
            vars(room)["__dir__"] = functools.partial(_for_users, vars(room))


def _for_users(held: dict[str, object]) -> list[str]:
    return [name for name, thing in held.items() if _is_for_users(name, thing)]


def _is_for_users(name: str, thing: object) -> bool:
    """Return whether a name of a room is for users: a class, or a function with an example that runs."""
    if name[0] == "_" or not str(getattr(thing, "__module__", "")).startswith("analytics."):
        return False
    return isinstance(thing, type) or ">>>" in (thing.__doc__ or "")


def __dir__() -> list[str]:
    return [*ROOMS, *OFFERED, "__version__"]
