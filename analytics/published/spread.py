"""Published examples of how a quantity is spread behind noisy counts: empirical Bayes on a grid."""

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit, gammaln, xlog1py, xlogy

from analytics.numerics import deconvolution
from analytics.published.cases import Case, Number, near

EFRON = (
    "Efron 2016, Biometrika 103:1; Narasimhan & Efron 2020, J Stat Softw 94(11) (data); numbers by the text "
    "of R package deconvolveR 1.2-1 and by scipy"
)
KIEFER = "Kiefer & Wolfowitz 1956, Ann Math Stat 27:887 (method); certified by the gradient"
TACKS = "Beckett & Diaconis 1994, Adv Math 103:107 (data)"
RATS = "Tarone 1982, Biometrics 38:215; Gelman et al., Bayesian Data Analysis, table 5.1 (data)"
FLIPS = 9


def _binomial(n, x, chance) -> np.ndarray:
    """Return log-likelihoods (units, cells) of x successes of n, with the binomial coefficients."""
    n, x = np.asarray(n, dtype=float), np.asarray(x, dtype=float)
    ways = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
    return ways[:, None] + xlogy(x[:, None], chance) + xlog1py((n - x)[:, None], -np.asarray(chance))


def _nodes(published: Path) -> tuple[np.ndarray, np.ndarray]:
    data = pd.read_csv(published / "surg_nodes.csv")
    return data["n"].to_numpy(float), data["s"].to_numpy(float)


def _spline(published: Path, size: float):
    """Fit the published prior: five spline columns on 99 cells, a penalty on the parameters' length."""
    basis = pd.read_csv(published / "surg_Q.csv")
    chance = basis.pop("tau").to_numpy(float)
    family = deconvolution.Family(np.zeros(len(chance)), basis.to_numpy(float), (False,) * 5)
    of = deconvolution.units(_binomial(*_nodes(published), chance))
    penalty = deconvolution.Penalty(size=size)
    return chance, family, of, penalty, deconvolution.fit(of, family, penalty=penalty, start=np.ones(5))


def _g_model(published: Path) -> dict[str, float]:
    chance, family, of, penalty, found = _spline(published, 1.0)
    g, theta = found.regular[0, 0], found.theta[0]
    each = deconvolution.scores(of, family, theta)
    _, slope, bend = penalty.at(found.theta)
    information = each.T @ each + bend[0]
    moves = deconvolution.tangent(family, theta, 1)[0]
    of_theta = deconvolution.covariance(each, information)
    upto = np.cumsum(moves, axis=0)
    g_se, upto_se = (np.sqrt(np.einsum("ap,pq,aq->a", m, of_theta, m)) for m in (moves, upto))
    mean = float(g @ chance)
    named = {f"alpha {i + 1}": value for i, value in enumerate(theta)}
    named |= {f"g({chance[a]:.2f})": g[a] for a in (0, 4, 19, 49, 98)}
    named |= {f"SE of g({chance[a]:.2f})": g_se[a] for a in (0, 4, 19, 49, 98)}
    named |= {f"G({chance[a]:.2f})": np.cumsum(g)[a] for a in (1, 19, 49, 69)}
    named |= {f"SE of G({chance[a]:.2f})": upto_se[a] for a in (1, 19, 49, 69)}
    return {
        **named,
        "penalised log-likelihood": found.objective[0],
        "log-likelihood": found.loglik[0],
        "bias of g(0.01)": float(moves[0] @ np.linalg.solve(information, slope[0])),
        "mean": mean,
        "SD": float(np.sqrt(g @ (chance - mean) ** 2)),
        "penalty's share of the information": float(np.trace(bend[0]) / np.trace(each.T @ each)),
    }


def _g_model_cases(published: Path) -> dict[str, float]:
    chance, _, _, _, found = _spline(published, 1.0)
    of = deconvolution.units(_binomial([8, 8, 32, 3], [0, 4, 7, 3], chance))
    each = deconvolution.posterior(of, found.regular[0])
    mean = each @ chance
    sd = np.sqrt(each @ chance**2 - mean**2)
    names = ("0 of 8", "4 of 8", "7 of 32", "3 of 3")
    return {
        **{f"mean, {n}": v for n, v in zip(names, mean, strict=True)},
        **{f"SD, {n}": v for n, v in zip(names, sd, strict=True)},
        **{f"half or more, {n}": v for n, v in zip(names, each[:, 49:].sum(axis=1), strict=True)},
    }


def _g_model_firmer(published: Path) -> dict[str, float]:
    _, family, of, penalty, found = _spline(published, 2.0)
    each = deconvolution.scores(of, family, found.theta[0])
    g = found.regular[0, 0]
    return {
        "g(0.01)": g[0],
        "G(0.20)": g[:20].sum(),
        "G(0.50)": g[:50].sum(),
        "penalty's share of the information": float(
            np.trace(penalty.at(found.theta)[2][0]) / np.trace(each.T @ each)
        ),
    }


def _best_prior(published: Path) -> dict[str, float]:
    n, x = _nodes(published)
    found = deconvolution.nonparametric(lambda chance: _binomial(n, x, chance), 0.0, 1.0)
    return _points(found)


def _points(found: deconvolution.Atoms) -> dict[str, float]:
    mean = float(found.points @ found.mass)
    return {
        "log-likelihood": found.loglik,
        "mean": mean,
        "SD": float(np.sqrt(found.mass @ (found.points - mean) ** 2)),
        **{f"point {i + 1}": value for i, value in enumerate(found.points)},
        **{f"mass {i + 1}": value for i, value in enumerate(found.mass)},
    }


def _tacks(published: Path) -> tuple[np.ndarray, np.ndarray]:
    data = pd.read_csv(published / "tacks.csv")
    return data["x"].to_numpy(float), data["Freq"].to_numpy(float)


def _best_prior_of_tacks(published: Path) -> dict[str, float]:
    x, count = _tacks(published)
    found = deconvolution.nonparametric(
        lambda chance: _binomial(np.full(len(x), FLIPS), x, chance), 0.0, 1.0, weights=count
    )
    outcomes = np.arange(FLIPS + 1)
    of = deconvolution.units(_binomial(np.full(FLIPS + 1, FLIPS), outcomes, found.points))
    means = deconvolution.posterior(of, found.mass[None]) @ found.points
    return {
        **_points(found),
        **{f"mean, {x} of {FLIPS}": value for x, value in zip(outcomes, means, strict=True)},
    }


def _beta_binomial(n, x, asked: tuple[tuple[int, int], ...], weights=None) -> dict[str, float]:
    """Fit a beta prior on cells equally spaced in the logit; posterior means of (n, x) asked for."""
    at = np.linspace(-60.0, 14.0, 4001)
    chance = expit(at)
    family = deconvolution.beta(chance, chance * expit(-at) * (at[1] - at[0]), 1.0)
    of = deconvolution.units(_binomial(n, x, chance))
    found = deconvolution.fit(of, family, weights=weights, start=np.zeros(2))
    a, b = found.theta[0, 0] + 1, found.theta[0, 1] - found.theta[0, 0] + 1
    tried, won = np.transpose(asked)
    of_asked = deconvolution.units(_binomial(tried, won, chance))
    means = deconvolution.posterior(of_asked, found.regular[0]) @ chance
    return {
        "a": a,
        "b": b,
        "log-likelihood": found.loglik[0],
        "mean": float(found.regular[0, 0] @ chance),
        "rho": 1 / (a + b + 1),
        **{f"mean, {x} of {n}": v for (n, x), v in zip(asked, means, strict=True)},
    }


def _beta_of_tacks(published: Path) -> dict[str, float]:
    x, count = _tacks(published)
    return _beta_binomial(np.full(len(x), FLIPS), x, ((9, 0), (9, 5), (9, 9)), count)


def _beta_of_nodes(published: Path) -> dict[str, float]:
    return _beta_binomial(*_nodes(published), ((8, 0), (8, 4), (32, 7)))


def _beta_of_rats(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "rats.csv")
    return _beta_binomial(data["n"], data["y"], ((14, 4),))


POINTS = (0.000957, 0.054111, 0.183234, 0.315928, 0.444218, 0.643052, 0.773122, 0.881615, 0.957585, 1.0)
MASSES = (0.273054, 0.228076, 0.125997, 0.081028, 0.134123, 0.085103, 0.019842, 0.014187, 0.025514, 0.013075)
TACK_MEANS = (
    0.454326,
    0.466443,
    0.485360,
    0.511750,
    0.545362,
    0.588915,
    0.649226,
    0.719326,
    0.772117,
    0.798425,
)


def _numbered(word: str, values) -> dict[str, float]:
    return {f"{word} {i + 1}": v for i, v in enumerate(values)}


def _compared(
    found: Callable[[Path], Mapping[str, float]],
    tolerance: Mapping[str, float],
    expected: Mapping[str, float],
    published: Path,
) -> list[Number]:
    """Return each expected number beside the one found."""
    values = found(published)
    return near({name: (values[name], value) for name, value in expected.items()}, **tolerance)


CASES = (
    Case(
        "Lymph nodes, a smooth prior",
        "Share of positive nodes in 844 patients, g-model with a spline of 5 df",
        EFRON,
        partial(
            _compared,
            _g_model,
            {"absolute": 1e-5, "relative": 1e-6},
            {
                **_numbered("alpha", (-3.43905, -8.63503, -7.53693, -12.0413, -0.77429)),
                "g(0.01)": 0.123258,
                "g(0.05)": 0.046346,
                "g(0.20)": 0.003908,
                "g(0.50)": 0.008659,
                "g(0.99)": 0.005748,
                "SE of g(0.01)": 0.008703,
                "SE of g(0.05)": 0.001574,
                "SE of g(0.20)": 0.000633,
                "SE of g(0.50)": 0.000994,
                "SE of g(0.99)": 0.001578,
                "G(0.02)": 0.219513,
                "G(0.20)": 0.591064,
                "G(0.50)": 0.824282,
                "G(0.70)": 0.911265,
                "SE of G(0.02)": 0.013892,
                "SE of G(0.20)": 0.018276,
                "SE of G(0.50)": 0.015520,
                "SE of G(0.70)": 0.011446,
                "bias of g(0.01)": -0.004823,
                "penalised log-likelihood": -1984.4600,
                "log-likelihood": -1967.4662,
                "mean": 0.247239,
                "SD": 0.275348,
                "penalty's share of the information": 0.013817,
            },
        ),
    ),
    Case(
        "Lymph nodes, single patients",
        "Posterior of one patient under that prior",
        EFRON,
        partial(
            _compared,
            _g_model_cases,
            {"absolute": 1e-5},
            {
                "mean, 0 of 8": 0.042194,
                "mean, 4 of 8": 0.459960,
                "mean, 7 of 32": 0.233600,
                "mean, 3 of 3": 0.766364,
                "SD, 0 of 8": 0.049612,
                "SD, 4 of 8": 0.119213,
                "SD, 7 of 32": 0.090658,
                "SD, 3 of 3": 0.204366,
                "half or more, 0 of 8": 0.000363,
                "half or more, 4 of 8": 0.345946,
                "half or more, 7 of 32": 0.001079,
                "half or more, 3 of 3": 0.851633,
            },
        ),
    ),
    Case(
        "Lymph nodes, a firmer penalty",
        "The same prior with twice the penalty",
        EFRON,
        partial(
            _compared,
            _g_model_firmer,
            {"absolute": 1e-5},
            {
                "g(0.01)": 0.117982,
                "G(0.20)": 0.586716,
                "G(0.50)": 0.817391,
                "penalty's share of the information": 0.028449,
            },
        ),
    ),
    Case(
        "Lymph nodes, the best of all priors",
        "Nonparametric maximum likelihood: points and masses",
        f"{KIEFER}; data of Efron 2016",
        partial(
            _compared,
            _best_prior,
            {"absolute": 1e-4},
            {
                "log-likelihood": -1941.341927,
                "mean": 0.240949,
                "SD": 0.275580,
                **_numbered("point", POINTS),
                **_numbered("mass", MASSES),
            },
        ),
    ),
    Case(
        "Tacks, the best of all priors",
        "320 tacks flipped nine times, nonparametric maximum likelihood",
        f"{TACKS}; {KIEFER}",
        partial(
            _compared,
            _best_prior_of_tacks,
            {"absolute": 1e-4},
            {
                "log-likelihood": -640.275681,
                "mean": 0.648958,
                "SD": 0.139820,
                **_numbered("point", (0.438784, 0.601534, 0.814478)),
                **_numbered("mass", (0.191351, 0.439696, 0.368953)),
                **{f"mean, {x} of {FLIPS}": v for x, v in enumerate(TACK_MEANS)},
            },
        ),
    ),
    Case(
        "Tacks, a beta prior",
        "The same by the beta-binomial",
        TACKS,
        partial(
            _compared,
            _beta_of_tacks,
            {"relative": 1e-4},
            {
                "a": 6.918172,
                "b": 3.739464,
                "log-likelihood": -640.871329,
                "mean": 0.649128,
                "rho": 0.085781,
                "mean, 0 of 9": 0.351933,
                "mean, 5 of 9": 0.606287,
                "mean, 9 of 9": 0.809770,
            },
        ),
    ),
    Case(
        "Lymph nodes, a beta prior",
        "A prior without a bound at 0 (a below 1)",
        EFRON,
        partial(
            _compared,
            _beta_of_nodes,
            {"relative": 1e-4},
            {
                "a": 0.317887,
                "b": 0.995417,
                "log-likelihood": -1951.16882,
                "mean, 0 of 8": 0.034133,
                "mean, 4 of 8": 0.463626,
                "mean, 7 of 32": 0.219669,
            },
        ),
    ),
    Case(
        "Rat tumours",
        "Tumours in 71 control groups, beta-binomial; the last group read in their light",
        RATS,
        partial(
            _compared,
            _beta_of_rats,
            {"relative": 1e-4},
            {
                "a": 2.341614,
                "b": 14.114804,
                "log-likelihood": -156.56893,
                "mean": 0.142292,
                "mean, 4 of 14": 0.208219,
            },
        ),
    ),
)
