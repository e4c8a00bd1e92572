"""How plateaus and tempos differ from placement to placement: the two parts of a practice's distribution.

    plateau ~ beta on (0, U), or with probability pi poor growth, uniform on 0 to 60 %

on a grid of plateau cells; log tempo given plateau is normal, as in the emergence fit. How it is found:
`regrowth.plateaus`; what it says of one case: `regrowth.single_cases`. Here is what it says of all:

For a placement drawn at random, case mix average: share past q % at month m is P(plateau F(m / (H exp(t)))
>= q); the median month is where that share is one half. Limits: t quantiles (patients of the zone less one)
times the SD of the logit draws; percentile limits undercover.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from scipy.special import expit, logit

from analytics.errors import ParameterError
from analytics.numerics.nonlinear import Shape, share
from analytics.regrowth import likelihood
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.likelihood import Grid
from analytics.regrowth.quantities import Quantity, degrees, parameters, variances
from analytics.results import LEVEL

WIDTH = 2.0
CENTRES = np.arange(1.0, 140.0, WIDTH)
POOR_BELOW = 60.0
POOR = np.where(CENTRES < POOR_BELOW, WIDTH / POOR_BELOW, 0.0)
LEAST_SD = 3.0  # points: the spread of plateaus that a fit is begun from
CORRELATION_LIMIT = 0.5  # of plateau and tempo
BEND_LIMIT = 2.5  # SDs of plateau past which tempo follows it no further
LEAST_SHARE = 1e-6
# A limit within this of 0 or 1 is 0 or 1: the poor part and its pseudo-placements can come no nearer.
EDGE = 0.01
# Followed, in a zone: with fewer its mean is drawn to the growth model's plateau, and a share has no limits:
# they held 70 to 80 % of the time, not 95 (`tests/bench/worlds.py`).
FEW_PLACEMENTS = 15
FURTHEST_MONTH = 1000.0


@dataclass(frozen=True, slots=True)
class PlateauDistribution:
    """The distribution of plateaus and tempos of a practice: arrays and plain values only.

    `fit` the emergence model it stands on; `regular` (zones, A) and `pi`, the two parts of the prior on
    CENTRES; `alike` the correlation of a patient's placements on the normal scale; `tops` the share of each
    upper end; `tempos` (T,) nodes of log tempo and `tempo_given` (zones, A, T) their probability given
    plateau. Of each draw: `whole_draws` (b, zones, A), `pi_draws` (b,), `log_half_draws` and `log_k_draws`
    (b, zones), `log_tail_draws` (b,); `scale_draws` (b,), what all readers together read over the truth.
    `n_placements` followed, by zone, and `seen` (patients, zones), who has one there; `n_used`, how many of
    them the distribution rests on; `seed`.
    """

    fit: Emergence
    regular: np.ndarray
    pi: float
    alike: float
    tops: np.ndarray
    tempos: np.ndarray
    tempo_given: np.ndarray
    whole_draws: np.ndarray
    pi_draws: np.ndarray
    log_half_draws: np.ndarray
    log_k_draws: np.ndarray
    log_tail_draws: np.ndarray
    scale_draws: np.ndarray
    n_placements: np.ndarray
    seen: np.ndarray
    n_used: int
    converged: bool
    seed: int

    @property
    def whole(self) -> np.ndarray:
        """Return both parts of the prior together (zones, A)."""
        return (1 - self.pi) * self.regular + self.pi * POOR

    def predictive(self) -> tuple[np.ndarray, float]:
        """Return the regular part (zones, A) and pi, averaged over the draws, to hold single cases against.

        The error of the practice's distribution stands in it as a wider distribution.
        """
        pi = float(self.pi_draws.mean())
        return np.maximum(self.whole_draws.mean(axis=0) - pi * POOR, 0.0) / (1 - pi), pi

    def cells(self, zone: str, *, only_regular: bool = False) -> np.ndarray:
        """Return the probability of every cell (A, T) of a zone's plateau and log tempo."""
        k = self.fit.zone_index(zone)
        plateau = self.regular[k] if only_regular else self.whole[k]
        return plateau[:, None] * self.tempo_given[k]

    def n_followed(self, zones: Sequence[str]) -> tuple[int, int]:
        """Return how many patients and placements are followed in zones taken together."""
        places = [self.fit.zone_index(z) for z in zones]
        return int(self.seen[:, places].any(axis=1).sum()), int(self.n_placements[places].sum())

    @property
    def grid(self) -> Grid:
        """Return the cells of the grid."""
        return Grid(CENTRES, WIDTH / 2, self.tempos)


def tempo_given(fit: Emergence, tempos: np.ndarray, *, of_patient: np.ndarray | None = None) -> np.ndarray:
    """Return the probability of each node of log tempo given plateau (zones, A, T), as in the fit.

    With `of_patient` (n,), values of the patient's own log tempo that plateau does not tell: given those too
    (n, zones, A, T).
    """
    total, tempo, covariance = variances(fit, fit.beta, fit.spread)
    sigma2, slope = max(total, LEAST_SD**2), 0.0
    if tempo > 1e-12:
        most = CORRELATION_LIMIT * np.sqrt(sigma2 * tempo)
        slope = float(np.clip(covariance, -most, most)) / sigma2
    plateau = parameters(fit, fit.beta)[0]
    reach = BEND_LIMIT * np.sqrt(sigma2)
    centre = slope * np.clip(CENTRES - plateau[:, None], -reach, reach)
    left = max(tempo - slope**2 * sigma2, 1e-12)
    if of_patient is not None:
        centre = centre + of_patient[:, None, None]
        left = max(left - tempo_of_patient(fit), 0.0)
    spacing = tempos[1] - tempos[0] if len(tempos) > 1 else 1.0
    log_p = -0.5 * (tempos - centre[..., None]) ** 2 / max(left, (0.6 * spacing) ** 2)
    p = np.exp(log_p - log_p.max(axis=-1, keepdims=True))
    return p / p.sum(axis=-1, keepdims=True)


def tempo_of_patient(fit: Emergence) -> float:
    """Return the variance of log tempo between patients that plateau does not tell."""
    named = likelihood.named(fit)
    total, tempo, covariance = variances(fit, fit.beta, fit.spread)
    told = min(covariance**2, CORRELATION_LIMIT**2 * total * tempo) / max(total, LEAST_SD**2)
    return max(named.get("patient: log tempo", 0.0) - max(told, 0.0), 0.0)


def drawn(
    dist: PlateauDistribution, zone: str, n: int, rng: np.random.Generator, *, only_regular: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Return plateau (percent) and log tempo of n placements drawn from the practice, (n,) each.

    Parameters
    ----------
    dist
        Of `fit_plateaus`.
    zone
        A zone of the fit.
    n
        How many, 1 or more.
    rng
        The generator drawn from.
    only_regular
        Without the part of poor growth.

    Returns
    -------
    tuple of arrays
        Plateaus in percent of planted hairs and log tempos, (n,) each.
    """
    cells = dist.cells(zone, only_regular=only_regular)
    at = rng.choice(cells.size, size=n, p=cells.ravel() / cells.sum())
    a, t = np.unravel_index(at, cells.shape)
    spacing = dist.tempos[1] - dist.tempos[0] if len(dist.tempos) > 1 else 0.0
    plateau = CENTRES[a] + WIDTH * (rng.random(n) - 0.5)
    return plateau, dist.tempos[t] + spacing * (rng.random(n) - 0.5)


def share_past(dist: PlateauDistribution, zone: str, months, percent: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the share of placements with a true yield of `percent` or more (m,), and its draws (b, m)."""
    k = dist.fit.zone_index(zone)
    months = np.atleast_1d(np.asarray(months, dtype=float))
    shape = dist.fit.shape
    drawn: Shape = shape if isinstance(shape, str) else (shape[0], dist.log_tail_draws[:, None, None])
    curves = (drawn, dist.log_half_draws[:, k], dist.log_k_draws[:, k])
    draws = _past(dist, k, dist.whole_draws[:, k], curves, months, percent * dist.scale_draws)
    return _estimate_past(dist, k, months, percent), draws


def _estimate_past(dist: PlateauDistribution, k: int, months: np.ndarray, percent: float) -> np.ndarray:
    """Return the share of placements of zone number k that are past a milestone, (m,)."""
    _, log_half, log_k = parameters(dist.fit, dist.fit.beta)
    curves = (dist.fit.shape, log_half[[k]], log_k[[k]])
    return _past(dist, k, dist.whole[None, k], curves, months, percent)[0]


def _past(dist: PlateauDistribution, k: int, prior, curves: tuple, months, percent) -> np.ndarray:
    """Return shares (b, m) of a zone under priors (b, A) and curves: shape, log half and steepness (b,)."""
    shape, log_half, log_k = curves
    ratio = months[:, None] * np.exp(-log_half[:, None, None] - dist.tempos)
    emerged = np.maximum(share(shape, ratio, log_k[:, None, None])[0], 1e-12)
    needed = np.reshape(percent, (-1, 1, 1)) / emerged
    out = np.empty(needed.shape[:2])
    top = CENTRES[:, None] + WIDTH / 2
    for m in range(len(months)):
        inside = np.clip((top - needed[:, m, None, :]) / WIDTH, 0.0, 1.0)
        out[:, m] = np.einsum("ba,at,bat->b", prior, dist.tempo_given[k], inside, optimize=True)
    return out


def share_quantities(
    dist: PlateauDistribution, zone: str, months, percent: float, *, level: float = LEVEL
) -> list[Quantity]:
    """Return the shares (0 to 1) past a milestone at each month, with limits made on the logit scale.

    NaN stands for limits where fewer than FEW_PLACEMENTS of the zone are followed.
    """
    estimate, draws = share_past(dist, zone, months, percent)
    k = dist.fit.zone_index(zone)
    df, n = degrees(dist.fit, zone), dist.n_placements[k]
    return [_limits(e, d, df, level, n) for e, d in zip(estimate, draws.T, strict=True)]


def _limits(estimate: float, draws: np.ndarray, df: float, level: float, n_placements: int) -> Quantity:
    """Return a share with the limits that its draws give, NaN where too few placements are followed."""
    inside = float(np.clip(estimate, LEAST_SHARE, 1 - LEAST_SHARE))
    sd = float(np.std(logit(np.clip(draws, EDGE / 2, 1 - EDGE / 2)), ddof=1))
    half = scipy.stats.t.ppf(0.5 + level / 2, df) * sd
    low, high = expit(logit(inside) - half), expit(logit(inside) + half)
    low, high = np.where(low < EDGE, 0.0, low), np.where(high > 1 - EDGE, 1.0, high)
    if n_placements < FEW_PLACEMENTS:
        low = high = np.nan
    return Quantity(float(estimate), sd * inside * (1 - inside), float(low), float(high), df)


def share_below_quantity(
    dist: PlateauDistribution, zones: Sequence[str], threshold: float, *, level: float = LEVEL
) -> Quantity:
    """Return the share (0 to 1) of placements with a true yield under a threshold at maturity.

    Of zones together, each with the weight of its placements followed; of a zone whose data end before its
    maturity, at the last supported month.
    """
    if not threshold > 0:
        raise ParameterError("regrowth.share_below(threshold): not above 0; give percent of planted hairs")
    fit = dist.fit
    places = [fit.zone_index(z) for z in zones]
    weight = dist.n_placements[places] / dist.n_placements[places].sum()
    months = np.minimum(fit.maturity_month, fit.last_month)[places]
    found = [share_past(dist, z, [m], threshold) for z, m in zip(zones, months, strict=True)]
    estimate = 1 - float(weight @ [e[0] for e, _ in found])
    draws = 1 - np.column_stack([d[:, 0] for _, d in found]) @ weight
    n_placements = int(dist.n_placements[places].sum())
    return _limits(estimate, draws, max(degrees(fit, z) for z in zones), level, n_placements)


def median_quantity(
    dist: PlateauDistribution, zone: str, percent: float, *, level: float = LEVEL
) -> Quantity | None:
    """Return the month at which half of a zone's placements are past a milestone; None where it never comes.

    Limits on the log of the month: the SD of the share's draws there over the share's steepness.
    """
    k = dist.fit.zone_index(zone)

    def is_past(log_month: float) -> bool:
        return bool(_estimate_past(dist, k, np.exp([log_month]), percent)[0] > 0.5)

    low, high = np.log(0.05), np.log(FURTHEST_MONTH)
    if not is_past(high):
        return None
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if is_past(middle) else (middle, high)
    month, step = float(np.exp((low + high) / 2)), 0.02
    at, draws = share_past(dist, zone, month * np.exp([-step, 0.0, step]), percent)
    steepness = (at[2] - at[0]) / (2 * step)
    sd = float(np.std(draws[:, 1], ddof=1)) / max(steepness, 1e-9)
    df = degrees(dist.fit, zone)
    half = scipy.stats.t.ppf(0.5 + level / 2, df) * sd
    return Quantity(month, month * sd, month * np.exp(-half), month * np.exp(half), df)
