"""Outcome analytics for hair-restoration practices: the regrowth workbook.

`import analytics` offers the rooms: `analytics.records.load(...)`, `analytics.yields.average(...)`, and for a
question of one's own `analytics.units`, `analytics.model`, `analytics.times`; `analytics.draw` shows the
picture of any result. A room is imported when it is
first asked for, so that this import costs nothing.
"""

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
# The argument of a room's functions that is the same for all.
SHOWN_ONCE = {"pages": "page", "study": "plan"}
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
    """Let completion list what a room hands on for users, not its files, constants and inner parts."""
    for name in set(ROOMS) - {"numerics"}:
        room = sys.modules.get(f"analytics.{name}")
        if room is not None:
            own = [n for n, of in vars(room).items() if _is_handed_on(n, of)]
            vars(room)["__dir__"] = own.copy


def _is_handed_on(name: str, thing: object) -> bool:
    """Return whether a name of a room is meant for users: a class, or a function that shows how it is asked.

    What is asked of a page or a plan is shown once, by `pages.begin` and `study.answers`.
    """
    module, said = str(getattr(thing, "__module__", "")), thing.__doc__ or ""
    if name[0] == "_" or not module.startswith("analytics."):
        return False
    if isinstance(thing, type) or "Examples\n" in said or ">>>" in said:
        return True
    code = getattr(thing, "__code__", None)
    return SHOWN_ONCE.get(module.split(".")[1], "") in (code.co_varnames[: code.co_argcount] if code else ())


def __dir__() -> list[str]:
    return [*ROOMS, *OFFERED, "__version__"]
