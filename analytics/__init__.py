"""Outcome analytics for hair-restoration practices: the regrowth workbook.

`import analytics` offers the rooms: `analytics.records.load(...)`, `analytics.yields.average(...)`. A room is
imported when it is first asked for, so that this import costs nothing.
"""

import importlib
from typing import Any

ROOMS = (
    "records",
    "mapping",
    "entry",
    "simulate",
    "numerics",
    "measurement",
    "yields",
    "regrowth",
    "milestones",
    "early",
    "course",
    "planning",
    "review",
    "study",
    "pooling",
    "published",
    "pages",
    "reports",
    "results",
    "dictionary",
)


def __getattr__(name: str) -> Any:
    if name in ROOMS:
        return importlib.import_module(f"analytics.{name}")
    if name == "__version__":
        from importlib.metadata import version

        return version("regrowth-workbook")
    raise AttributeError(f"analytics has no room named {name}; it has {', '.join(ROOMS)}")


def __dir__() -> list[str]:
    return [*ROOMS, "__version__"]
