"""Outcome analytics for hair-restoration practices: the regrowth workbook.

`import analytics` offers the rooms: `analytics.records.load(...)`, `analytics.yields.average(...)`, and for a
question of one's own `analytics.units`, `analytics.model`, `analytics.times`; `analytics.draw` shows the
picture of any result. A room is imported when it is
first asked for, so that this import costs nothing.
"""

import importlib
import os
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
        return importlib.import_module(f"analytics.{name}")
    if name in OFFERED:
        return getattr(importlib.import_module(f"analytics.{OFFERED[name]}"), name)
    if name == "__version__":
        from importlib.metadata import version

        return version("regrowth-workbook")
    raise AttributeError(f"analytics has no {name}; it has {', '.join([*ROOMS, *OFFERED])}")


def __dir__() -> list[str]:
    return [*ROOMS, *OFFERED, "__version__"]
