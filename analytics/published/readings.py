"""Published examples of repeated readings: limits of agreement, repeatability, correlations of raters."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import agreement
from analytics.published.cases import Case, Number, each, near

BLAND_ALTMAN = "Bland & Altman 1986, Lancet i:307-310"
UNROUNDED = {"absolute": 1e-4}
ENDS = ("lower", "upper")
# Shrout & Fleiss 1979, Table 2: six targets, four judges.
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def _flow(published: Path) -> pd.DataFrame:
    return pd.read_csv(published / "bland_altman_1986_pefr.csv")


def _limits(published: Path) -> Iterator[Number]:
    data = _flow(published)
    difference = data["wright1"] - data["mini1"]
    two, plain = agreement.limits(difference, multiplier=2.0), agreement.limits(difference)
    yield from near(
        {
            "mean difference": (two.bias, -2.117647),
            "SD of differences": (two.sd, 38.765130),
            "standard error of the mean difference": (two.bias_se, 9.401925),
            "standard error of a limit": (two.sd * np.sqrt(3 / two.n), 16.2846),
        },
        **UNROUNDED,
    )
    yield from each("mean difference, {}", ENDS, two.bias_ci, [-22.0488, 17.8135], **UNROUNDED)
    yield from each("{} limit, 1.96 SD", ENDS, [plain.low, plain.high], [-78.0973, 73.8620], **UNROUNDED)
    # Printed to three decimals here; the paper's own 79.7 and 75.5 come from rounded values.
    yield from each("{} limit, 2 SD", ENDS, [two.low, two.high], [-79.648, 75.413], absolute=5e-4)
    yield from each("lower limit, its {} limit", ENDS, two.low_ci, [-114.170, -45.126], absolute=5e-4)
    yield from each("upper limit, its {} limit", ENDS, two.high_ci, [40.891, 109.934], absolute=5e-4)
    r = agreement.concordance(data["wright1"], data["mini1"]).correlation
    yield from near({"correlation of the meters": (r, 0.943)}, absolute=5e-4)


def _repeatability(published: Path) -> Iterator[Number]:
    data = _flow(published)
    expected = {"Wright": (21.64690, 15.30667, 42.42792), "mini": (28.15817, 19.91083, 55.19001)}
    words = ("SD of differences about zero", "within-subject SD", "smallest detectable change")
    for meter, values in expected.items():
        both = data[[f"{meter.lower()}1", f"{meter.lower()}2"]].to_numpy()
        found = agreement.within(both.ravel(), np.repeat(data["subject"], 2))
        yield from each(
            f"{meter}, {{}}", words, [np.sqrt(2) * found.sd, found.sd, found.detectable], values, **UNROUNDED
        )
    about_mean = [(data[f"{m}1"] - data[f"{m}2"]).std(ddof=1) for m in ("wright", "mini")]
    yield from each(
        "{}, SD of differences about their mean", expected, about_mean, [21.72404, 28.87231], **UNROUNDED
    )


def _replicates(published: Path) -> Iterator[Number]:
    data = _flow(published)
    pairs = [data[[f"{meter}1", f"{meter}2"]].to_numpy() for meter in ("wright", "mini")]
    spread = (pairs[0].mean(axis=1) - pairs[1].mean(axis=1)).std(ddof=1)
    # A mean of two readings carries half the error of one: the other half is added back for either meter.
    errors = [agreement.within(pair.ravel(), np.repeat(data["subject"], 2)).sd for pair in pairs]
    corrected = np.sqrt(spread**2 + sum(e**2 / 2 for e in errors))
    words = ("SD of differences of means", "SD of differences of single readings")
    yield from each("{}", words, [spread, corrected], [33.20414, 37.65478], absolute=1e-3)


def _concordance(published: Path) -> Iterator[Number]:
    data = _flow(published)
    lin = agreement.concordance(data["wright1"], data["mini1"])
    words = ("concordance", "its lower limit", "its upper limit", "accuracy", "scale shift", "location shift")
    found = [lin.estimate, *lin.ci, lin.accuracy, lin.scale_shift, lin.location_shift]
    expected = [0.942742, 0.850492, 0.978726, 0.999431, 0.972509, 0.019030]
    yield from each("{}", words, found, expected, absolute=1e-5)


def _raters(_: Path) -> Iterator[Number]:
    found = agreement.icc(JUDGES)
    expected = [0.165742, 0.289764, 0.714841, 0.442797, 0.620051, 0.909316]
    yield from each("ICC{}", agreement.FORMS, found.estimate, expected, absolute=1e-5)
    limits = [found.ci_low[1], found.ci_high[1]]
    yield from each("ICC(2,1), {}", ENDS, limits, [0.018787, 0.761084], absolute=1e-4)
    squares = [found.ms_targets, found.ms_raters, found.ms_residual, found.ms_within]
    of = ("targets", "judges", "residual", "within")
    yield from each("mean square, {}", of, squares, [11.24167, 32.48611, 1.01944, 6.26389], absolute=1e-5)


CASES = (
    Case("Agreement of two meters", "Limits of agreement, with limits of their own", BLAND_ALTMAN, _limits),
    Case(
        "Repeatability of two meters",
        "Error of a repeated reading",
        f"{BLAND_ALTMAN}, p. 309",
        _repeatability,
    ),
    Case(
        "Agreement from replicates",
        "Single readings, from means of two",
        f"{BLAND_ALTMAN}, p. 310",
        _replicates,
    ),
    Case(
        "Concordance of two meters",
        "Lin's coefficient and what lowers it",
        f"{BLAND_ALTMAN} (data); by R package epiR 2.0.57 (epi.ccc)",
        _concordance,
    ),
    Case(
        "Agreement of raters",
        "Six intraclass correlations",
        "Shrout & Fleiss 1979, Psychol Bull 86:420, Tables 2 and 4; more digits by R package psych 2.2.9",
        _raters,
    ),
)
