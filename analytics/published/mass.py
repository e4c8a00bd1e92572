"""Published and worked-out examples of hair mass, and of the lines of a centile chart."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from analytics import regrowth, results, yields
from analytics.published.cases import Case, Number, each, near

# Hairs/cm2 and micrometres, and the mm2 of hair per cm2 that geometry gives.
COUNTS = {(180, 70): 0.692721, (200, 60): 0.565487, (150, 76.9): 0.696681, (150, 108.78): 1.394053,
          (100, 55): 0.237583}  # fmt: skip
HAIRS_UM = np.array([82, 76, 71, 68, 64, 58, 45, 33])
LINES = (0.383, 2.275, 9.121, 25.249, 50, 74.751, 90.879, 97.725, 99.617)
# Between centiles 3 and 97, 15 and 85, and the middle one.
DEVIATIONS = {94: 1.880794, 70: 1.036433, 0: 0.0}


def _mass(_: Path) -> Iterator[Number]:
    density, calibre = np.transpose(list(COUNTS))
    labels = [f"{n:g} hairs of {d:g} µm" for n, d in COUNTS]
    yield from each("{}", labels, yields.cross_section(density, calibre), COUNTS.values(), absolute=1e-6)
    single = float(yields.cross_section(1, HAIRS_UM).sum())
    by_mean = float(yields.cross_section(len(HAIRS_UM), HAIRS_UM.mean()))
    yield from near({"eight hairs one by one": (single, 0.02571315)}, absolute=1e-7)
    yield from near({"by their mean calibre": (by_mean, 0.02425005)}, absolute=1e-7)
    # A mean calibre makes the mass too small by the squared CV of the calibres.
    yield from near({"1 + CV² of the calibres": (single / by_mean, 1.060334)}, absolute=1e-6)
    thicker = yields.cross_section(180, [73.5, 77]) / yields.cross_section(180, 70)
    yield from each("a shaft thicker by {} %", (5, 10), thicker, (1.1025, 1.21), absolute=1e-9)


def _error(_: Path) -> Iterator[Number]:
    mass, se = float(yields.cross_section(150, 70)), float(yields.cross_section_se(150, 7, 70, 2 / 70))
    words = ("mass", "its standard error", "relative error")
    yield from each("{}", words, (mass, se, se / mass), (0.577268, 0.042589, 0.073777), absolute=1e-6)


def _centiles(_: Path) -> Iterator[Number]:
    one = np.ones((1, 1))
    forecast = regrowth.Forecast(pd.DataFrame(), 0 * one, one, one)
    steps = np.arange(-4, 5)
    found = [100 * forecast.below([2 * k / 3])[0] for k in steps]
    yield from each("centile at {} x 2/3 SD", steps, found, LINES, absolute=1e-3)
    for share, expected in DEVIATIONS.items():
        ends = results.limits(0, 1, level=share / 100)
        yield from each(
            f"middle {share} %, {{}} end", ("lower", "upper"), ends, (-expected, expected), absolute=1e-6
        )


CASES = (
    Case(
        "Hair mass of a count",
        "Hairs per cm² times the area of a hair's cross-section",
        "geometry, computed elsewhere; the same quantity x 100: Cohen 2008, Dermatol Surg",
        _mass,
    ),
    Case(
        "Error of hair mass",
        "An error of calibre counts double",
        "delta method, computed elsewhere",
        _error,
    ),
    Case(
        "Lines of a centile chart",
        "Nine lines two thirds of a standard deviation apart; the middle 94 and 70 %",
        "Cole 1994, BMJ 308:641 (spacing; from memory); normal distribution by R's pnorm and qnorm",
        _centiles,
    ),
)
