"""One answer from a few groups: their spread with a half-normal prior, so that it is never taken for nothing.

    y_i = mu + u_i + e_i,   u_i ~ N(0, tau^2),   e_i ~ N(0, v_i) with known v_i,
    tau ~ half-normal(scale),   mu ~ flat, or N(mean, sd^2)

From few groups the likelihood often peaks at tau = 0, and then a new group would be as certain as the mean
and every group would be the mean. Given tau, everything is normal; so mu, the groups' own values and the
value of a new group are mixtures of normals over the posterior of tau on a grid, without simulation.

Sources: Roever 2020, J Stat Softw 93(6), 1-51; Friede, Roever, Wandel & Neuenschwander 2017, Res Synth
Methods 8:79 (half-normal of scale 0.5 for log odds and log risk ratios).
"""

from dataclasses import dataclass

import numpy as np
import scipy
from scipy.special import ndtr

from analytics.errors import ParameterError

CELLS = 1000  # of the grid of tau
# Usual scales of tau: for logarithms of odds, ratios and times; for percentages, in points (no source).
SCALE_OF_LOGS, SCALE_OF_POINTS = 0.5, 5.0
TAILS = 8.0  # of the prior's scale: past it the half-normal holds less than 1e-14


@dataclass(frozen=True, slots=True)
class Mixture:
    """A mixture of normals: means, standard deviations and weights (cells,); weights sum to 1."""

    means: np.ndarray
    sds: np.ndarray
    weights: np.ndarray

    @property
    def mean(self) -> float:
        """Return the mean."""
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        """Return the standard deviation."""
        return float(np.sqrt(self.weights @ (self.sds**2 + self.means**2) - self.mean**2))

    def below(self, value: float) -> float:
        """Return the probability under a value."""
        return float(self.weights @ ndtr((value - self.means) / self.sds))

    def quantile(self, p: float) -> float:
        """Return the value that a probability, between 0 and 1, lies under."""
        ends = float((self.means - 12 * self.sds).min()), float((self.means + 12 * self.sds).max())
        return float(scipy.optimize.brentq(lambda x: self.below(x) - p, *ends, xtol=1e-10))

    def interval(self, level: float) -> tuple[float, float]:
        """Return the central interval: as much probability beyond either end."""
        return self.quantile((1 - level) / 2), self.quantile((1 + level) / 2)

    def shortest(self, level: float) -> tuple[float, float]:
        """Return the shortest interval."""

        def width(left: float) -> float:
            return self.quantile(left + level) - self.quantile(left)

        found = scipy.optimize.minimize_scalar(width, bounds=(1e-6, 1 - level - 1e-6), method="bounded")
        return self.quantile(float(found.x)), self.quantile(float(found.x) + level)


@dataclass(frozen=True, slots=True)
class FewFit:
    """The posterior: the mean over groups, a new group's true value, each group's own, and their spread.

    `tau` (cells,) with its probabilities `tau_weights`; `tau_median`, `tau_mean`, `tau_sd`.
    """

    mean: Mixture
    new: Mixture
    groups: tuple[Mixture, ...]
    tau: np.ndarray
    tau_weights: np.ndarray
    scale: float

    @property
    def tau_median(self) -> float:
        """Return the median of the spread."""
        return self._tau_at(0.5)

    @property
    def tau_mean(self) -> float:
        """Return the mean of the spread."""
        return float(self.tau_weights @ self.tau)

    @property
    def tau_sd(self) -> float:
        """Return the standard deviation of the spread's posterior."""
        return float(np.sqrt(self.tau_weights @ self.tau**2 - self.tau_mean**2))

    def tau_shortest(self, level: float) -> tuple[float, float]:
        """Return the shortest interval of the spread, which begins at 0 where that is as likely as any."""
        found = scipy.optimize.minimize_scalar(
            lambda left: self._tau_at(left + level) - self._tau_at(left),
            bounds=(0.0, 1 - level - 1e-9), method="bounded", options={"xatol": 1e-7},
        )  # fmt: skip
        left = min((0.0, float(found.x)), key=lambda p: self._tau_at(p + level) - self._tau_at(p))
        return self._tau_at(left), self._tau_at(left + level)

    def _tau_at(self, p: float) -> float:
        upto = np.concatenate([[0.0], np.cumsum(self.tau_weights)])
        half = self.tau[0]  # cells are equally wide and their middles are kept
        return float(np.interp(p, upto, np.concatenate([[0.0], self.tau + half])))


def few(y, v, *, scale: float, prior_mean: float = 0.0, prior_sd: float = np.inf) -> FewFit:
    """Return the posterior of a mean over groups and of their spread.

    Parameters
    ----------
    y, v
        Estimates of the groups and their known variances, (k,), v above 0; k from 1.
    scale
        Of the half-normal prior of tau, in the unit of y, above 0: the median of the prior is 0.67 of it, and
        95 of 100 lie below 1.96 of it.
    prior_mean, prior_sd
        Of the mean over groups; flat where not given, which wants two groups or more.

    Raises
    ------
    ParameterError
        When a variance or the scale is not above 0, a value is missing, or there are too few groups.

    Examples
    --------
    Two groups alike: their mean, and a spread that the prior alone keeps from nothing.

    >>> fit = few([1.0, 1.0], [0.01, 0.01], scale=0.5)
    >>> round(fit.mean.mean, 6), fit.tau_median > 0.05
    (1.0, True)
    """
    y, v = np.asarray(y, dtype=float), np.asarray(v, dtype=float)
    _check(y, v, scale, prior_sd)
    prior_precision = 0.0 if np.isinf(prior_sd) else prior_sd**-2.0
    # Groups far apart for the prior's scale push tau out: the product falls off past (S scale^2)^(1/4).
    reach = TAILS + 2 * float((np.square(y - y.mean()).sum() / scale**2) ** 0.25)
    tau = (np.arange(CELLS) + 0.5) * reach * scale / CELLS
    w = 1 / (v + tau[:, None] ** 2)
    precision = w.sum(axis=1) + prior_precision
    centre = (w @ y + prior_precision * prior_mean) / precision
    misfit = (w * (y - centre[:, None]) ** 2).sum(axis=1) + prior_precision * (centre - prior_mean) ** 2
    log_p = 0.5 * (np.log(w).sum(axis=1) - np.log(precision) - misfit) - 0.5 * (tau / scale) ** 2
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    pull = v / (v + tau[:, None] ** 2)  # how far a group's own value is drawn to the mean
    own_mean = pull * centre[:, None] + (1 - pull) * y
    own_var = v * (1 - pull) + pull**2 / precision[:, None]
    return FewFit(
        mean=Mixture(centre, precision**-0.5, p),
        new=Mixture(centre, np.sqrt(1 / precision + tau**2), p),
        groups=tuple(Mixture(own_mean[:, i], np.sqrt(own_var[:, i]), p) for i in range(len(y))),
        tau=tau,
        tau_weights=p,
        scale=scale,
    )


def _check(y: np.ndarray, v: np.ndarray, scale: float, prior_sd: float) -> None:
    if y.ndim != 1 or y.shape != v.shape or not np.isfinite(y).all() or not np.isfinite(v).all():
        raise ParameterError("meta.few: y and v must have one number a group, and no value missing")
    if not ((v > 0).all() and scale > 0 and prior_sd > 0):
        raise ParameterError("meta.few(v, scale, prior_sd): not above 0; give squared errors and a scale")
    least = 2 if np.isinf(prior_sd) else 1
    if len(y) < least:
        raise ParameterError(f"meta.few: {len(y)} groups, {least} are the least")
