"""Published examples of several levels: nested (wafers, casks), and crossed (operators, judges, samples).

Squares of a balanced table come from statsmodels: the package has no analysis of variance of its own, and it
is checked here as installed.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import mixed
from analytics.published.cases import Case, Number, each, near
from analytics.published.linear import CHI2, DAVIES, DF, FIXED, LOGLIK, MODE, MORE, PINHEIRO, SE, VARIANCE, P
from analytics.published.readings import JUDGES

MONTGOMERY = "Montgomery, Design and Analysis of Experiments, example 13.1"
FOUR, THREE = {"absolute": 1e-4}, {"relative": 1e-3}


def _fit(y, factors: list, method: str = "REML") -> mixed.CrossedFit:
    return mixed.fit(np.asarray(y, dtype=float), np.ones((len(y), 1)), [], crossed=factors, method=method)


def _squares(published: Path) -> Iterator[Number]:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    data = pd.read_csv(published / "gauge_rr.csv")
    told = anova_lm(ols("y ~ C(part) * C(operator)", data).fit())
    of = ("parts", "operators", "both", "the rest")
    df, squares, mean = (told[column].to_numpy() for column in ("df", "sum_sq", "mean_sq"))
    yield from each("degrees of freedom of {}", of, df, [19, 2, 38, 60], absolute=1e-9)
    yield from each("sum of squares of {}", of, squares, [1185.425, 2.617, 27.050, 59.500], absolute=5e-4)
    yield from each("mean square of {}", of, mean, [62.3908, 1.3083, 0.7118, 0.9917], **FOUR)
    part, operator, both, rest = mean
    found = [(part - both) / 6, (operator - both) / 40, (both - rest) / 2, rest]
    yield from each("component of {}", of, found, [10.2798, 0.0149, -0.1399, 0.9917], **FOUR)
    n, free = len(data), len(data) - 1
    criterion = free * (np.log(2 * np.pi) + 1) + df @ np.log(mean) + np.log(n)
    yield from near({"-2 log-likelihood, REML, a component below 0": (criterion, 408.1490)}, **FOUR)


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


def _oxide(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "oxide.csv")
    y, one = data["Thickness"].to_numpy(float), np.ones((72, 1))
    lot = data["Lot"].astype(str).to_numpy()
    # The inner names repeat within every lot, so both together name a wafer.
    wafer = (data["Lot"].astype(str) + "/" + data["Wafer"].astype(str)).to_numpy()
    levels = [(lot, one), (wafer, one)]
    fit, ml = mixed.fit(y, one, levels), mixed.fit(y, one, levels, method="ML")
    without = mixed.fit(y, one, levels[:1])
    yield from near(
        {
            "log-likelihood (REML)": (fit.loglik, -227.01103),
            "log-likelihood (ML)": (ml.loglik, -229.338454),
            "log-likelihood without wafers": (without.loglik, -245.56584),
        },
        **LOGLIK,
    )
    statistic = mixed.likelihood_ratio(without, fit).statistic
    yield from near({"chi-squared of wafers": (statistic, 37.1096)}, **CHI2)
    yield from near(
        {
            "SD outer": (np.sqrt(fit.covariances[0][0, 0]), 11.39768),
            "SD inner": (np.sqrt(fit.covariances[1][0, 0]), 5.988801),
            "residual SD": (fit.sigma, 3.545341),
            "SD outer (ML)": (np.sqrt(ml.covariances[0][0, 0]), 10.58300),
        },
        **VARIANCE,
    )
    yield from near({"mean": (fit.beta[0], 2000.15278)}, **FIXED)
    yield from near({"its standard error": (fit.beta_se[0], 4.231711)}, **SE)
    yield from near({"its degrees of freedom": (fit.beta_df[0], 7)}, **DF)
    at_wafer = fit.random[1][list(fit.groups[1]).index("1/1"), 0]
    found = [*fit.random[0][:2, 0], at_wafer]
    yield from each(
        "deviation of {}",
        ("lot 1", "lot 2", "wafer 1 of lot 1"),
        found,
        [-3.463469, -11.22164, 6.545992],
        **MODE,
    )
    limits = fit.wald()
    expected = {"sd[0, 0]": (6.3903, 20.3288), "sd[1, 0]": (4.0645, 8.8241), "sigma": (2.9026, 4.3304)}
    for (name, pair), words in zip(expected.items(), ("SD outer", "SD inner", "residual SD"), strict=True):
        yield from each(f"{words}, {{}} limit", ("lower", "upper"), limits[name], pair, relative=1e-3)


def _pastes(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "pastes.csv")
    y, one = data["strength"].to_numpy(float), np.ones((60, 1))
    batch = data["batch"].astype(str).to_numpy()
    cask = (data["batch"].astype(str) + ":" + data["cask"].astype(str)).to_numpy()
    levels = [(batch, one), (cask, one)]
    fit, ml = mixed.fit(y, one, levels), mixed.fit(y, one, levels, method="ML")
    without = mixed.fit(y, one, levels[1:], method="ML")
    yield from near(
        {
            "log-likelihood (REML)": (fit.loglik, -123.495373),
            "log-likelihood (ML)": (ml.loglik, -123.997233),
            "log-likelihood without batches (ML)": (without.loglik, -124.200850),
        },
        **LOGLIK,
    )
    yield from near(
        {
            "variance outer": (fit.covariances[0][0, 0], 1.657309),
            "variance inner": (fit.covariances[1][0, 0], 8.433667),
            "residual variance": (fit.sigma**2, 0.678000),
            "variance outer (ML)": (ml.covariances[0][0, 0], 1.199156),
        },
        **VARIANCE,
    )
    yield from near({"mean": (fit.beta[0], 60.05333)}, **FIXED)
    yield from near({"its standard error": (fit.beta_se[0], 0.676870)}, **SE)
    test = mixed.likelihood_ratio(without, ml)
    yield from near({"chi-squared of batches": (test.statistic, 0.40723)}, **CHI2)
    yield from near({"p of batches (half of that printed)": (test.p_value, 0.52338 / 2)}, **P)


CASES = (
    Case("Oxide", "Two nested levels (wafer in lot)", f"{PINHEIRO}, p. 167-171; {MORE}", _oxide),
    Case("Pastes", "Two nested levels (cask in batch)", f"{DAVIES}; by lme4 1.1-31 in R", _pastes),
    Case(
        "Parts by operators, squares",
        "Components from mean squares, one of them below zero (statsmodels)",
        MONTGOMERY,
        _squares,
    ),
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
