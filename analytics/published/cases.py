"""Does this installation reproduce what is published? Source, expected, found, tolerance, pass or fail.

A case fits one model, or computes one set of numbers, from data that ship with the package
(`data_demo/published`) or stand in the case, and compares each number with the printed one. Printed values
with few digits carry the digits of the reference software named in the source. A case that cannot be
computed is not passed, and says so.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.reports import ROOT

PUBLISHED = ROOT / "data_demo" / "published"


@dataclass(frozen=True, slots=True)
class Case:
    """One published example: what it is, where it stands, what it must give, and how near.

    A number passes when it differs by at most `absolute` + `relative` x |expected|.
    """

    name: str
    about: str
    source: str
    found: Callable[[Path], Mapping[str, float]]
    expected: Mapping[str, float]
    absolute: float = 0.0
    relative: float = 0.0


def cases() -> tuple[Case, ...]:
    """Return every case, in the order of the page."""
    # Imported here: they import every engine, and most commands need none.
    from analytics.published.models import CASES
    from analytics.published.practice import CASES as practice_CASES
    from analytics.published.spread import CASES as spread_CASES
    from analytics.published.times import CASES as times_CASES

    return (*CASES, *times_CASES, *practice_CASES, *spread_CASES)


def run(chosen: tuple[Case, ...] | None = None, *, published: Path = PUBLISHED) -> pd.DataFrame:
    """Compute every case and compare.

    Returns
    -------
    pandas.DataFrame
        One row a number: check, about, quantity, expected, found, tolerance, passed, source.
    """
    rows = [row for case in (cases() if chosen is None else chosen) for row in _rows(case, published)]
    columns = ["check", "about", "quantity", "expected", "found", "tolerance", "passed", "source"]
    return pd.DataFrame(rows, columns=columns)


def summary(found: pd.DataFrame) -> pd.DataFrame:
    """Return one row a case: numbers compared and reproduced, pass or fail, its source."""
    grouped = found.groupby(["check", "about", "source"], sort=False)["passed"]
    out = grouped.agg(numbers="size", reproduced="sum").reset_index()
    out["result"] = [
        "pass" if n == ok else "FAIL" for n, ok in zip(out["numbers"], out["reproduced"], strict=True)
    ]
    return out[["check", "about", "numbers", "reproduced", "result", "source"]]


def sentence(found: pd.DataFrame) -> str:
    """Return how many published examples this installation reproduces."""
    whole = found.groupby("check")["passed"].all()
    return (
        f"This installation reproduces {int(whole.sum())} of {len(whole)} published examples "
        f"({int(found['passed'].sum())} of {len(found)} numbers)."
    )


def _rows(case: Case, published: Path) -> list[tuple]:
    """Return one row a number of a case; numbers that could not be computed are missing and not passed."""
    try:
        found = dict(case.found(published))
    except (AnalyticsError, OSError) as error:
        found, about = {}, f"{case.about} ({type(error).__name__}: not computed)"
    else:
        about = case.about
    out = []
    for quantity, expected in case.expected.items():
        value = float(found.get(quantity, float("nan")))
        tolerance = case.absolute + case.relative * abs(expected)
        passed = value == expected or abs(value - expected) <= tolerance
        out.append((case.name, about, quantity, expected, value, tolerance, bool(passed), case.source))
    return out
