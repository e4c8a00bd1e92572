"""Published examples of the mixed models: linear, nested, nonlinear; and certified least squares."""

from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import mixed, nonlinear
from analytics.published.cases import Case

BATES = (
    "Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), section 5.2; more digits by lme4 1.1-31 in R"
)
PINHEIRO = "Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS; more digits by nlme and lme4 in R"
NIST = "NIST Statistical Reference Datasets, certified values"


def _sleepstudy(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "sleepstudy.csv")
    X = np.column_stack([np.ones(len(data)), data["Days"]])
    fit = mixed.fit(data["Reaction"].to_numpy(float), X, [(data["Subject"].to_numpy(), X)])
    subject_308 = fit.random[0][list(np.unique(data["Subject"])).index(308)]
    return {
        "log-likelihood (REML)": fit.loglik,
        "intercept": fit.beta[0],
        "its standard error": fit.beta_se[0],
        "slope": fit.beta[1],
        "standard error of the slope": fit.beta_se[1],
        "degrees of freedom of the slope": fit.beta_df[1],
        "SD of intercepts": np.sqrt(fit.covariances[0][0, 0]),
        "SD of slopes": np.sqrt(fit.covariances[0][1, 1]),
        "residual SD": fit.sigma,
        "intercept of subject 308": subject_308[0],
        "slope of subject 308": subject_308[1],
    }


def _nested(file: str, outcome: str, outer: str, inner: str, published: Path) -> dict[str, float]:
    """Fit a mean with two nested levels by REML."""
    data = pd.read_csv(published / file)
    ones = np.ones((len(data), 1))
    # The inner names repeat within every outer group, so both together name a group.
    both = data[outer].astype(str) + ":" + data[inner].astype(str)
    levels = [(data[outer].astype(str).to_numpy(), ones), (both.to_numpy(), ones)]
    fit = mixed.fit(data[outcome].to_numpy(float), ones, levels)
    return {
        "log-likelihood (REML)": fit.loglik,
        "SD outer": np.sqrt(fit.covariances[0][0, 0]),
        "SD inner": np.sqrt(fit.covariances[1][0, 0]),
        "residual SD": fit.sigma,
        "mean": fit.beta[0],
        "its standard error": fit.beta_se[0],
    }


def _oxide(published: Path) -> dict[str, float]:
    return _nested("oxide.csv", "Thickness", "Lot", "Wafer", published)


def _pastes(published: Path) -> dict[str, float]:
    return _nested("pastes.csv", "strength", "batch", "cask", published)


def _orthodont(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "orthodont.csv")
    X = np.column_stack([np.ones(len(data)), data["age"], data["Sex"].eq("Female")]).astype(float)
    fit = mixed.fit(data["distance"].to_numpy(float), X, [(data["Subject"].to_numpy(), X[:, :1])])
    return {
        "log-likelihood (REML)": fit.loglik,
        "slope of age": fit.beta[1],
        "female minus male": fit.beta[2],
        "its standard error": fit.beta_se[2],
        "its degrees of freedom": fit.beta_df[2],
    }


def _loblolly(method: str, published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "loblolly.csv")

    def curve(age: np.ndarray, p: np.ndarray) -> np.ndarray:
        return p[:, 0] + (p[:, 1] - p[:, 0]) * np.exp(-np.exp(p[:, 2]) * age)

    fit = nonlinear.fit(
        data["height"].to_numpy(float),
        data["age"].to_numpy(float),
        curve,
        [103.0, -8.5, -3.3],
        designs=[None, None, None],
        levels=[(data["Seed"].to_numpy(), {0: "full"})],
        method=method,
    )
    return {
        "log-likelihood": fit.loglik,
        "asymptote": fit.beta[0],
        "start": fit.beta[1],
        "log rate": fit.beta[2],
        "residual SD": fit.sigma,
    }


def _loblolly_exact(published: Path) -> dict[str, float]:
    return _loblolly("quadrature", published)


def _loblolly_alternating(published: Path) -> dict[str, float]:
    return _loblolly("lindstrom-bates", published)


def _orange(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "orange.csv")

    def curve(age: np.ndarray, p: np.ndarray) -> np.ndarray:
        return p[:, 0] / (1 + np.exp((p[:, 1] - age) / p[:, 2]))

    fit = nonlinear.fit(
        data["circumference"].to_numpy(float),
        data["age"].to_numpy(float),
        curve,
        [190.0, 720.0, 340.0],
        designs=[None, None, None],
        levels=[(data["Tree"].to_numpy(), {0: "full"})],
        method="quadrature",
    )
    return {
        "log-likelihood": fit.loglik,
        "asymptote": fit.beta[0],
        "half way": fit.beta[1],
        "scale": fit.beta[2],
        "residual SD": fit.sigma,
    }


def _rat42(published: Path) -> dict[str, float]:
    def curve(x: np.ndarray, p: np.ndarray) -> np.ndarray:
        return p[:, 0] / (1 + np.exp(p[:, 1] - p[:, 2] * x))

    return _least_squares("nist_rat42.csv", curve, [100.0, 1.0, 0.1], published)


def _misra1a(published: Path) -> dict[str, float]:
    def curve(x: np.ndarray, p: np.ndarray) -> np.ndarray:
        return p[:, 0] * (1 - np.exp(-p[:, 1] * x))

    return _least_squares("nist_misra1a.csv", curve, [500.0, 0.0001], published)


def _chwirut1(published: Path) -> dict[str, float]:
    def curve(x: np.ndarray, p: np.ndarray) -> np.ndarray:
        return np.exp(-p[:, 0] * x) / (p[:, 1] + p[:, 2] * x)

    return _least_squares("nist_chwirut1.csv", curve, [0.1, 0.01, 0.02], published)


def _least_squares(file: str, curve, start: list[float], published: Path) -> dict[str, float]:
    data = pd.read_csv(published / file)
    x, y = data["x"].to_numpy(float), data["y"].to_numpy(float)
    fit = nonlinear.fit(y, x, curve, start, designs=[None] * len(start), levels=[])
    fitted = curve(x, np.tile(fit.beta, (len(x), 1)))
    named = {f"b{i + 1}": value for i, value in enumerate(fit.beta)}
    return {**named, "residual sum of squares": float(((y - fitted) ** 2).sum())}


CASES = (
    Case(
        "Sleep study",
        "Intercept and slope by subject, REML",
        BATES,
        _sleepstudy,
        {
            "log-likelihood (REML)": -871.814136,
            "intercept": 251.405105,
            "its standard error": 6.824556,
            "slope": 10.467286,
            "standard error of the slope": 1.545789,
            "degrees of freedom of the slope": 17.0,
            "SD of intercepts": 24.74045,
            "SD of slopes": 5.922133,
            "residual SD": 25.59182,
            "intercept of subject 308": 2.258566,
            "slope of subject 308": 9.198972,
        },
        absolute=1e-4,
        relative=1e-4,
    ),
    Case(
        "Oxide",
        "Two nested levels (wafer in lot), REML",
        f"{PINHEIRO}, p. 167-171",
        _oxide,
        {
            "log-likelihood (REML)": -227.01103,
            "SD outer": 11.39768,
            "SD inner": 5.988801,
            "residual SD": 3.545341,
            "mean": 2000.15278,
            "its standard error": 4.231711,
        },
        relative=1e-4,
    ),
    Case(
        "Pastes",
        "Two nested levels (cask in batch), REML",
        "Davies & Goldsmith 1972, Statistical Methods in Research and Production (data); by lme4 1.1-31 in R",
        _pastes,
        {
            "log-likelihood (REML)": -123.495373,
            "SD outer": 1.657309**0.5,
            "SD inner": 8.433667**0.5,
            "residual SD": 0.678**0.5,
            "mean": 60.05333,
            "its standard error": 0.676870,
        },
        relative=1e-3,
    ),
    Case(
        "Orthodontic distances",
        "Growth with a difference between groups; Satterthwaite degrees of freedom",
        f"{PINHEIRO}, ch. 4; df by lmerTest 3.1-3",
        _orthodont,
        {
            "log-likelihood (REML)": -218.756254,
            "slope of age": 0.660185,
            "female minus male": -2.321023,
            "its standard error": 0.761417,
            "its degrees of freedom": 25.0,
        },
        absolute=1e-4,
        relative=1e-4,
    ),
    Case(
        "Loblolly pines, exact",
        "Growth curve with a random asymptote, marginal likelihood",
        "Closed form of the likelihood, which is normal here; cross-checked with nlmer of lme4 in R",
        _loblolly_exact,
        {
            "log-likelihood": -114.696799,
            "asymptote": 102.119624,
            "start": -8.549416,
            "log rate": -3.243970,
            "residual SD": 0.718394,
        },
        relative=1e-4,
    ),
    Case(
        "Loblolly pines, Lindstrom-Bates",
        "The same by the alternating method, which gives another answer",
        "Test file of R package nlme 3.1-162",
        _loblolly_alternating,
        {
            "log-likelihood": -114.743,
            "asymptote": 101.4483,
            "start": -8.6274937,
            "log rate": -3.2337304,
            "residual SD": 0.71886244,
        },
        relative=2e-4,
    ),
    Case(
        "Orange trees",
        "Logistic growth with a random asymptote, marginal likelihood",
        f"{PINHEIRO}, ch. 8; by nlmer of lme4 in R",
        _orange,
        {
            "log-likelihood": -131.571885,
            "asymptote": 192.053153,
            "half way": 727.906342,
            "scale": 348.073047,
            "residual SD": 7.843012,
        },
        relative=1e-4,
    ),
    Case(
        "Rat42",
        "Least squares, logistic growth, from the first published start",
        NIST,
        _rat42,
        {
            "b1": 72.462237576,
            "b2": 2.6180768402,
            "b3": 0.067359200066,
            "residual sum of squares": 8.0565229338,
        },
        relative=1e-6,
    ),
    Case(
        "Misra1a",
        "Least squares, exponential rise, from the first published start",
        NIST,
        _misra1a,
        {"b1": 238.94212918, "b2": 5.5015643181e-4, "residual sum of squares": 0.12455138894},
        relative=1e-6,
    ),
    Case(
        "Chwirut1",
        "Least squares, 214 readings, from the first published start",
        NIST,
        _chwirut1,
        {
            "b1": 0.19027818370,
            "b2": 0.0061314004477,
            "b3": 0.010530908399,
            "residual sum of squares": 2384.4771393,
        },
        relative=1e-6,
    ),
)
