"""Published examples of growth curves with random effects, and of certified nonlinear least squares.

The method of Lindstrom and Bates and the exact likelihood have different maxima: both are checked, each
against its own published values. A value between the two would be wrong.
"""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import nonlinear
from analytics.numerics.nonlinear import NonlinearFit
from analytics.published.cases import Case, Number, each, near

PINHEIRO = "Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS"
NIST = "NIST Statistical Reference Datasets, certified values"
LOGLIK = {"absolute": 1e-4}
EXACT = {"relative": 1e-4}
# R's nlme stops early, on the Orange trees earlier than on the pines.
PINES, ORANGES = {"relative": 2e-4}, {"relative": 1e-3}


def _asymptotic(age: np.ndarray, p: np.ndarray) -> np.ndarray:
    return p[:, 0] + (p[:, 1] - p[:, 0]) * np.exp(-np.exp(p[:, 2]) * age)


def _logistic(age: np.ndarray, p: np.ndarray) -> np.ndarray:
    return p[:, 0] / (1 + np.exp((p[:, 1] - age) / p[:, 2]))


def _pines(method: str, published: Path) -> tuple[NonlinearFit, np.ndarray]:
    """Fit a random asymptote by seed; return the fit and the seeds."""
    data = pd.read_csv(published / "loblolly.csv")
    height, age, seed = (data[column].to_numpy() for column in ("height", "age", "Seed"))
    fit = nonlinear.fit(
        height,
        age,
        _asymptotic,
        [103.0, -8.5, -3.3],
        designs=[None] * 3,
        levels=[(seed, {0: "full"})],
        method=method,
    )
    return fit, np.unique(seed)


def _pines_exact(published: Path) -> Iterator[Number]:
    fit, seeds = _pines("quadrature", published)
    yield from near({"log-likelihood": (fit.loglik, -114.696799)}, **LOGLIK)
    found = [*fit.beta, np.sqrt(fit.covariances[0][0, 0]), fit.sigma]
    words = ("asymptote", "start", "log rate", "SD of asymptotes", "residual SD")
    yield from each("{}", words, found, [102.119624, -8.549416, -3.243970, 3.675861, 0.718394], **EXACT)
    deviation = dict(zip(seeds.tolist(), fit.random[0][:, 0], strict=True))
    which = (305, 329, 301)
    found = [deviation[seed] for seed in which]
    yield from each("deviation of seed {}", which, found, [7.144972, -5.604562, 2.024984], **EXACT)


def _pines_alternating(published: Path) -> Iterator[Number]:
    fit, _ = _pines("lindstrom-bates", published)
    found = [fit.loglik, *fit.beta, fit.sigma, np.sqrt(fit.covariances[0][0, 0])]
    expected = [-114.743, 101.4483, -8.6274937, -3.2337304, 0.71886244, 3.6506]
    words = ("log-likelihood", "asymptote", "start", "log rate", "residual SD", "SD of asymptotes")
    yield from each("{}", words, found, expected, **PINES)


def _oranges(method: str, published: Path) -> NonlinearFit:
    """Fit a random asymptote by tree."""
    data = pd.read_csv(published / "orange.csv")
    return nonlinear.fit(
        data["circumference"],
        data["age"],
        _logistic,
        [190.0, 720.0, 340.0],
        designs=[None] * 3,
        levels=[(data["Tree"], {0: "full"})],
        method=method,
    )


def _oranges_exact(published: Path) -> Iterator[Number]:
    fit = _oranges("quadrature", published)
    yield from near({"log-likelihood": (fit.loglik, -131.571885)}, **LOGLIK)
    found = [*fit.beta, np.sqrt(fit.covariances[0][0, 0]), fit.sigma]
    words = ("asymptote", "half way", "scale", "SD of asymptotes", "residual SD")
    yield from each("{}", words, found, [192.053153, 727.906342, 348.073047, 31.646304, 7.843012], **EXACT)
    expected = [-29.5621, 31.7280, -37.1934, 40.2247, -5.1971]
    yield from each("deviation of tree {}", range(1, 6), fit.random[0][:, 0], expected, **EXACT)


def _oranges_alternating(published: Path) -> Iterator[Number]:
    fit = _oranges("lindstrom-bates", published)
    found = [fit.loglik, *fit.beta, np.sqrt(fit.covariances[0][0, 0]), fit.sigma]
    words = ("log-likelihood", "asymptote", "half way", "scale", "SD of asymptotes", "residual SD")
    yield from each(
        "{}", words, found, [-131.584553, 191.0500, 722.5595, 344.1685, 31.4826, 7.84625], **ORANGES
    )
    # nlme multiplies the errors of maximum likelihood by sqrt(N / (N - p)); ours are plain.
    se = fit.beta_se * np.sqrt(35 / 32)
    yield from each("{}, standard error", words[1:4], se, [16.1541, 35.1520, 27.1481], **ORANGES)


def _orange_by_orange(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "orange.csv")
    words = ("asymptote", "half way", "scale")
    expected = {
        1: (154.16317, 627.19403, 362.57242),
        4: (225.30411, 710.70619, 303.14492),
    }
    for tree, values in expected.items():
        own = data[data["Tree"].eq(tree)]
        fit = _least_squares(own["circumference"], own["age"], _logistic, (170, 700, 350))
        yield from each(f"tree {tree}, {{}}", words, fit.beta, values, relative=1e-4)
    fit = _least_squares(data["circumference"], data["age"], _logistic, (170, 700, 350))
    yield from each("all trees, {}", words, fit.beta, [192.687346, 728.755156, 353.532613], relative=1e-4)
    expected_se = [20.243972, 107.297658, 81.471519]
    yield from each("all trees, {}, standard error", words, fit.beta_se, expected_se, relative=1e-3)


def _least_squares(y, x, curve: Callable, start: tuple[float, ...]) -> NonlinearFit:
    return nonlinear.fit(y, x, curve, list(start), designs=[None] * len(start), levels=[])


def _certified(
    file: str,
    curve: Callable,
    starts: tuple[tuple[float, ...], ...],
    estimates: tuple[float, ...],
    deviations: tuple[float, ...],
    rss: float,
    published: Path,
) -> Iterator[Number]:
    """Compare with certified values, from each published start."""
    data = pd.read_csv(published / file)
    x, y = data["x"].to_numpy(float), data["y"].to_numpy(float)
    for which, start in zip(("first", "second"), starts, strict=True):
        fit = _least_squares(y, x, curve, start)
        names = [f"b{i + 1}, {which} start" for i in range(len(estimates))]
        yield from each("{}", names, fit.beta, estimates, relative=1e-6)
        yield from each("{}, standard deviation", names, fit.beta_se, deviations, relative=1e-4)
        yield from near({f"residual sum of squares, {which} start": (fit.rss, rss)}, relative=1e-8)


_rat42 = partial(
    _certified,
    "nist_rat42.csv",
    lambda x, p: p[:, 0] / (1 + np.exp(p[:, 1] - p[:, 2] * x)),
    ((100, 1, 0.1), (75, 2.5, 0.07)),
    (72.462237576, 2.6180768402, 0.067359200066),
    (1.7340283401, 0.088295217536, 0.0034465663377),
    8.0565229338,
)
_misra1a = partial(
    _certified,
    "nist_misra1a.csv",
    lambda x, p: p[:, 0] * (1 - np.exp(-p[:, 1] * x)),
    ((500, 0.0001), (250, 0.0005)),
    (238.94212918, 5.5015643181e-4),
    (2.7070075241, 7.2668688436e-6),
    0.12455138894,
)
_chwirut1 = partial(
    _certified,
    "nist_chwirut1.csv",
    lambda x, p: np.exp(-p[:, 0] * x) / (p[:, 1] + p[:, 2] * x),
    ((0.1, 0.01, 0.02), (0.15, 0.008, 0.01)),
    (0.19027818370, 0.0061314004477, 0.010530908399),
    (0.021938557035, 3.4500025051e-4, 7.9281847748e-4),
    2384.4771393,
)


CASES = (
    Case(
        "Loblolly pines, exact",
        "Growth curve with a random asymptote, marginal likelihood",
        "Closed form of the likelihood, which is normal here; cross-checked with nlmer of lme4 in R",
        _pines_exact,
    ),
    Case(
        "Loblolly pines, Lindstrom-Bates",
        "The same by the alternating method, which gives another answer",
        "Test file of R package nlme 3.1-162",
        _pines_alternating,
    ),
    Case(
        "Orange trees",
        "Logistic growth with a random asymptote, marginal likelihood",
        f"{PINHEIRO}, ch. 8; by nlmer of lme4 in R",
        _oranges_exact,
    ),
    Case(
        "Orange trees, Lindstrom-Bates",
        "The same by the alternating method, which gives another answer",
        f"{PINHEIRO}, ch. 8; by nlme 3.1-162 in R",
        _oranges_alternating,
    ),
    Case(
        "Orange trees, least squares",
        "Logistic growth of single trees and of all at once",
        f"{PINHEIRO}, ch. 8; by nlsList and nls in R",
        _orange_by_orange,
    ),
    Case("Rat42", "Least squares, logistic growth, from both published starts", NIST, _rat42),
    Case("Misra1a", "Least squares, exponential rise, from both published starts", NIST, _misra1a),
    Case("Chwirut1", "Least squares, 214 readings, from both published starts", NIST, _chwirut1),
)
