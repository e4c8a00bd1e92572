"""Does this installation reproduce what is published? Source, expected, found, tolerance, pass or fail.

A case fits one model, or computes one set of numbers, from data that ship with the package
(`data_demo/published`) or stand in the case, and lays each number beside the printed one, with the tolerance
that its source deserves: half a unit of the last printed digit, or what the reference software named in the
source agrees to. Page 06, the self-check and the tests run these cases; no expected value stands elsewhere.

The cases stand by subject: `linear` (mixed models), `crossed` (readers across patients), `growth` (growth
curves and least squares), `times` (interval- and right-censored), `readings` (agreement of readings), `mass`
(hair mass, centile lines), `shares` (proportions, rates, ratios), `unasked` (those of whom nothing is known),
`charts` (funnels, control charts, run lengths), `harms` (sequential tests), `studies` (tests, sample sizes,
pooling, imputation), `spread` (how a quantity is spread behind noisy counts).
A case that cannot be computed is not passed, and says so.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.reports import ROOT

PUBLISHED = ROOT / "data_demo" / "published"


@dataclass(frozen=True, slots=True)
class Number:
    """One number as computed and as printed.

    It passes when the two differ by at most `absolute` + `relative` x |expected|; with neither, when they are
    the same (counts).
    """

    quantity: str
    found: float
    expected: float
    absolute: float = 0.0
    relative: float = 0.0

    @property
    def tolerance(self) -> float:
        """Return the largest difference that passes, in the unit of the number."""
        return self.absolute + (self.relative * abs(self.expected) if self.relative else 0.0)

    @property
    def passed(self) -> bool:
        """Return whether the number is near enough."""
        if not np.isfinite(self.expected):
            return self.found == self.expected
        return abs(self.found - self.expected) <= self.tolerance


@dataclass(frozen=True, slots=True)
class Case:
    """One published example: what it is, where it stands, and a function that computes its numbers.

    `numbers` takes the folder of published data.
    """

    name: str
    about: str
    source: str
    numbers: Callable[[Path], Iterable[Number]]


def near(
    pairs: Mapping[str, tuple[float, float]], *, absolute: float = 0.0, relative: float = 0.0
) -> list[Number]:
    """Return numbers that share a tolerance, from {quantity: (found, expected)}.

    Parameters
    ----------
    pairs
        Quantity -> (found, expected), in one unit.
    absolute, relative
        Tolerances, 0 or more.

    Returns
    -------
    list of Number
        In the order given.

    Examples
    --------
    >>> [number.passed for number in near({"a third": (1 / 3, 0.333), "a half": (0.6, 0.5)}, absolute=5e-4)]
    [True, False]
    """
    return [Number(name, float(f), float(e), absolute, relative) for name, (f, e) in pairs.items()]


def each(
    quantity: str,
    labels: Iterable,
    found: Iterable,
    expected: Iterable,
    *,
    absolute: float = 0.0,
    relative: float = 0.0,
) -> list[Number]:
    """Return numbers of one kind that share a tolerance; `quantity` has a {} for each label.

    Examples
    --------
    >>> [number.quantity for number in each("mean of group {}", "ab", [1.0, 2.0], [1.0, 2.0])]
    ['mean of group a', 'mean of group b']
    """
    triples = zip(labels, found, expected, strict=True)
    return near(
        {quantity.format(label): (f, e) for label, f, e in triples}, absolute=absolute, relative=relative
    )


def cases() -> tuple[Case, ...]:
    """Return every case, in the order of the page."""
    # Imported here: they import every engine, and most commands need none.
    from analytics.published import (
        charts,
        crossed,
        growth,
        harms,
        linear,
        mass,
        readings,
        shares,
        spread,
        studies,
        times,
        unasked,
    )

    rooms = (linear, crossed, growth, times, shares, unasked, readings, mass, charts, harms, studies, spread)
    return tuple(case for room in rooms for case in room.CASES)


def run(chosen: tuple[Case, ...] | None = None, *, published: Path = PUBLISHED) -> pd.DataFrame:
    """Compute every case, or those chosen, and compare.

    Parameters
    ----------
    chosen
        Of `cases`; all if not given.
    published
        Folder of the published data sets.

    Returns
    -------
    pandas.DataFrame
        One row per number: check, about, quantity, expected, found, tolerance, passed, source.

    Examples
    --------
    >>> found = run(cases()[:1])
    >>> bool(found["passed"].all())
    True
    >>> summary(found)["result"].tolist()
    ['pass']
    """
    rows = [row for case in (cases() if chosen is None else chosen) for row in _rows(case, published)]
    columns = ["check", "about", "quantity", "expected", "found", "tolerance", "passed", "source"]
    return pd.DataFrame(rows, columns=columns)


def _rows(case: Case, published: Path) -> list[tuple]:
    """Return one row per number of a case; what could not be computed is one row, missing and not passed."""
    numbers, about = [], case.about
    try:
        for number in case.numbers(published):
            numbers.append(number)  # noqa: PERF402 - what came before an error is kept
    except (AnalyticsError, OSError) as error:
        about = f"{case.about} ({type(error).__name__}: not computed)"
        numbers.append(Number("what was not computed", np.nan, np.nan))
    return [
        (case.name, about, n.quantity, n.expected, n.found, n.tolerance, n.passed, case.source)
        for n in numbers
    ]


def summary(found: pd.DataFrame) -> pd.DataFrame:
    """Return one row per case: numbers compared and reproduced, pass or fail, its source.

    Parameters
    ----------
    found
        Of `run`.

    Returns
    -------
    pandas.DataFrame
        check, about, numbers, reproduced, result, source.

    Examples
    --------
    >>> from analytics import published
    >>> found = published.run(published.cases()[:1])
    >>> published.summary(found)["result"].tolist()
    ['pass']
    """
    grouped = found.groupby(["check", "about", "source"], sort=False)["passed"]
    out = grouped.agg(numbers="size", reproduced="sum").reset_index()
    out["result"] = [
        "pass" if n == ok else "FAIL" for n, ok in zip(out["numbers"], out["reproduced"], strict=True)
    ]
    return out[["check", "about", "numbers", "reproduced", "result", "source"]]


def sentence(found: pd.DataFrame) -> str:
    """Return how many published examples this installation reproduces.

    Parameters
    ----------
    found
        Of `run`.

    Returns
    -------
    str
        As the page says it.

    Examples
    --------
    >>> sentence(pd.DataFrame({"check": ["a", "a", "b"], "passed": [True, True, False]}))
    'This installation reproduces 1 of 2 published examples (2 of 3 numbers).'
    """
    whole = found.groupby("check")["passed"].all()
    return (
        f"This installation reproduces {int(whole.sum())} of {len(whole)} published examples "
        f"({int(found['passed'].sum()):,} of {len(found):,} numbers)."
    )
