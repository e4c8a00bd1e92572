"""Published examples of crossed factors: operators who all measured the same parts, judges, samples."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import mixed
from analytics.published.cases import Case, Number, each, near
from analytics.published.readings import JUDGES

MONTGOMERY = "Montgomery, Design and Analysis of Experiments, example 13.1"
DAVIES = "Davies & Goldsmith 1972 (data)"
FOUR, THREE = {"absolute": 1e-4}, {"relative": 1e-3}


def _fit(y, factors: list, method: str = "REML") -> mixed.CrossedFit:
    return mixed.fit(np.asarray(y, dtype=float), np.ones((len(y), 1)), [], crossed=factors, method=method)


def _operators(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "gauge_rr.csv")
    fit = _fit(data["y"], [data["part"], data["operator"]])
    part, operator, residual = fit.theta
    yield from near(
        {
            "variance of parts": (part, 10.251270),
            "residual variance": (residual, 0.883163),
            "log-likelihood, REML": (fit.loglik, -204.695639),
            "mean": (fit.beta[0], 22.391667),
            "its SE": (fit.beta_se[0], 0.723510),
            "reliability of one reading": ((part / (part + operator + residual)), 0.919804),
        },
        **FOUR,
    )
    yield from near({"variance of operators": (operator, 0.010629)}, **THREE)
    expected = [-0.029789, -0.037913, 0.067702]
    yield from each("effect of operator {}", (1, 2, 3), fit.random[1][:, 0], expected, **THREE)
    whole = _fit(data["y"], [data["part"], data["operator"]], "ML")
    rise = 2 * (whole.loglik - _fit(data["y"], [data["part"]], "ML").loglik)
    yield from near({"likelihood ratio of operators": (rise, 0.165203)}, **FOUR)


def _interaction(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "gauge_rr.csv")
    both = data["part"] * 10 + data["operator"]
    fit = _fit(data["y"], [data["part"], data["operator"], both])
    yield from near(
        {"variance of part by operator": (fit.theta[2], 0.0), "flagged as zero": (fit.on_boundary[2], 1.0)}
    )
    yield from near({"-2 log-likelihood, REML": (-2 * fit.loglik, 409.3913)}, **FOUR)


def _judges(_: Path) -> Iterator[Number]:
    scores = np.array(JUDGES, dtype=float)
    target, judge = np.indices(scores.shape)
    fit = _fit(scores.ravel(), [target.ravel(), judge.ravel()])
    yield from each(
        "variance of {}", ("targets", "judges", "the rest"), fit.theta, (2.555557, 5.244444, 1.019444), **FOUR
    )
    yield from near(
        {
            "log-likelihood, judges": (fit.loglik, -45.639334),
            "mean score": (fit.beta[0], 5.291667),
            "SE of the mean score": (fit.beta_se[0], 1.333985),
            "share of targets": (fit.theta[0] / fit.theta.sum(), 0.289764),
        },
        **FOUR,
    )


def _samples(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "penicillin.csv")
    expected = {"": (3.731, 22.972222), "F": (1.941685, 23.575), "A": (3.221910, 22.533333)}
    for out, (variance, mean) in expected.items():
        kept = data[data["sample"] != out]
        fit = _fit(kept["diameter"], [kept["plate"], kept["sample"]])
        named = f"without sample {out}" if out else "all samples"
        found = {
            f"variance of samples, {named}": (fit.theta[1], variance),
            f"mean, {named}": (fit.beta[0], mean),
        }
        yield from near(found, **THREE)
    kept = data[data["sample"] != "D"]
    fit = _fit(kept["diameter"], [kept["plate"], kept["sample"]])
    yield from near({"variance of samples, without sample D": (fit.theta[1], 4.664141)}, **THREE)


CASES = (
    Case(
        "Parts by operators",
        "Do operators differ who measured the same parts?",
        f"{MONTGOMERY}; more digits by lme4 in R",
        _operators,
    ),
    Case(
        "Parts by operators, together",
        "A variance that is estimated at zero is said to be zero",
        f"{MONTGOMERY} (data); by lme4 in R",
        _interaction,
    ),
    Case(
        "Judges across targets",
        "Targets and judges as crossed factors",
        "Shrout & Fleiss 1979, Psychol Bull 86:420, Table 2 (data); from its mean squares, and by lme4 in R",
        _judges,
    ),
    Case(
        "Samples across plates",
        "What leaving one sample out does",
        f"{DAVIES}; by lme4 in R",
        _samples,
    ),
)
