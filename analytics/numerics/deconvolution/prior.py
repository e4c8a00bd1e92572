"""How is a quantity spread, and what is it for one unit, where each unit shows it only through noise?

Empirical Bayes on a grid. Unit j has a log-likelihood on every cell a of a grid; the prior of its group k is

    g_k(a) = (1 - pi) r_k(a) + pi poor(a),    log r_k(a) = base(a) + stats(a) . eta_k - norm

a regular part from an exponential family (`base` is the log size of a cell), some of its parameters one a
group, others shared, and where wanted a second part of fixed shape. The parameters maximise
sum_j w_j log sum_a L_j(a) g_k(a) less a penalty, by Newton steps (complete-data information less the
posterior covariance of the complete-data score; complete-data alone where that is not positive definite;
backtracking). Many sets of weights w are fitted at once, so that a bootstrap costs a few matrix products.

Units of one cluster may be alike: the fit ignores it (a composite likelihood, consistent for the marginal:
Varin, Reid & Firth 2011, Statistica Sinica 21:5, from memory), and errors resample clusters or sum their
scores.

Source: Efron 2016, Biometrika 103:1, and Narasimhan & Efron 2020, J Stat Softw 94(11) (prior, size penalty,
errors).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from analytics.errors import FitError, ParameterError

MOST_STEPS = 100
HALVINGS = 30
DECREMENT = 1e-10  # of the objective, where a fit stops
LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class Family:
    """A family of priors on A cells: see the formula above.

    `base` (A,) log size of each cell, -inf where there is no regular part; `stats` (A, m); `own` (m,) whether
    a statistic has one parameter per group or one for all; `poor` (A,) shares of the second part, or None.
    """

    base: np.ndarray
    stats: np.ndarray
    own: tuple[bool, ...]
    poor: np.ndarray | None = None

    def places(self, n_groups: int) -> np.ndarray:
        """Return where each group's parameters stand (groups, m); the logit of pi is last of all."""
        places, at = np.zeros((n_groups, len(self.own)), dtype=int), 0
        for i, own in enumerate(self.own):
            places[:, i] = at + np.arange(n_groups) * own
            at += n_groups if own else 1
        return places


def beta(centres, sizes, top: float, *, poor=None) -> Family:
    """Return the betas on (0, top): the first parameter, exponent of the logit, is each group's own.

    Density is a^p (top - a)^(q - p) up to a constant.

    Parameters
    ----------
    centres, sizes
        Cells of the grid: middle and width, (A,), in the unit of `top`.
    top
        Upper end, above 0.
    poor
        Shape (A,), summing to 1: the second part of the prior; none if not given.
    """
    inside = np.asarray(centres, dtype=float) < top
    share = np.where(inside, centres, top / 2) / top
    with np.errstate(divide="ignore"):
        base = np.where(inside, np.log(sizes), -np.inf)
    stats = np.column_stack([np.log(share) - np.log1p(-share), np.log1p(-share)])
    return Family(base, stats, (True, False), None if poor is None else np.asarray(poor, dtype=float))


@dataclass(frozen=True, slots=True)
class Penalty:
    """What is added to the log-likelihood, to hold back what the data do not say.

    `size`: minus size x the length of the parameters (Efron 2016). `poor` (a, b): a log pi + b log(1 - pi),
    pseudo-units of the two parts. `forms` (r, p), `targets` (r,), `precision` (r,): minus half the precision
    x (form . parameters - target) squared.
    """

    size: float = 0.0
    poor: tuple[float, float] = (0.0, 0.0)
    forms: np.ndarray | None = None
    targets: np.ndarray | None = None
    precision: np.ndarray | None = None

    def at(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return value (b,), gradient (b, p) and minus the curvature (b, p, p) at parameters (b, p)."""
        b, p = theta.shape
        value, slope, bend = np.zeros(b), np.zeros((b, p)), np.zeros((b, p, p))
        if self.size:
            length = np.maximum(np.linalg.norm(theta, axis=1), 1e-12)[:, None]
            value -= self.size * length[:, 0]
            slope -= self.size * theta / length
            along = theta[:, :, None] * theta[:, None, :] / length[:, :, None] ** 2
            bend += self.size / length[:, :, None] * (np.eye(p) - along)
        if any(self.poor):
            share = expit(theta[:, -1])
            few, rest = self.poor
            value += few * np.log(np.maximum(share, LEAST)) + rest * np.log1p(-np.minimum(share, 1 - 1e-16))
            slope[:, -1] += few * (1 - share) - rest * share
            bend[:, -1, -1] += (few + rest) * share * (1 - share)
        if self.forms is not None and self.targets is not None and self.precision is not None:
            off = theta @ self.forms.T - self.targets
            value -= 0.5 * (off**2) @ self.precision
            slope -= (off * self.precision) @ self.forms
            bend += (self.forms.T * self.precision) @ self.forms
        return value, slope, bend


NO_PENALTY = Penalty()


@dataclass(frozen=True, slots=True)
class Prior:
    """Fitted priors, one a set of weights (b sets).

    `theta` (b, p); `regular` (b, groups, A) and `pi` (b,), the two parts; `loglik` and `objective` (b,), with
    and without the penalty; `information` (b, p, p), the observed one with that of the penalty; `converged`.
    """

    theta: np.ndarray
    regular: np.ndarray
    pi: np.ndarray
    loglik: np.ndarray
    objective: np.ndarray
    information: np.ndarray
    converged: np.ndarray


@dataclass(frozen=True, slots=True)
class Units:
    """What is known of the units: scaled likelihoods (j, A), the logs of their scales, their groups."""

    likelihood: np.ndarray
    log_scale: np.ndarray
    group: np.ndarray
    n_groups: int

    def of(self, k: int) -> np.ndarray:
        """Return the numbers of the units of a group."""
        return np.flatnonzero(self.group == k)


def units(log_likelihood, group=None, *, n_groups: int | None = None) -> Units:
    """Return units from their log-likelihoods (j, A) and the numbers of their groups.

    Parameters
    ----------
    log_likelihood
        Shape (j, A): of each unit in each cell; minus infinity where it cannot be.
    group
        Number of the group of each unit, (j,), from 0; one group if not given.
    n_groups
        How many groups there are, where not all are seen.

    Raises
    ------
    ParameterError
        When a unit has no finite log-likelihood.

    Examples
    --------
    >>> units(np.log([[1.0, 2.0]])).likelihood.tolist()
    [[0.5, 1.0]]
    """
    table = np.asarray(log_likelihood, dtype=float)
    most = table.max(axis=1)
    if not np.isfinite(most).all():
        raise ParameterError(
            f"deconvolution.units(log_likelihood): {int((~np.isfinite(most)).sum())} unit(s) without a "
            "finite value; every unit needs one cell that could be true"
        )
    of = np.zeros(len(table), dtype=int) if group is None else np.asarray(group, dtype=int)
    number = int(of.max(initial=0)) + 1 if n_groups is None else n_groups
    return Units(np.exp(table - most[:, None]), most, of, number)


def fit(of: Units, family: Family, *, weights=None, penalty: Penalty = NO_PENALTY, start) -> Prior:
    """Fit a prior, or one for each of many sets of weights.

    Parameters
    ----------
    of
        The units.
    family
        The family of the prior.
    weights
        Shape (b, j), 0 or more; 1 each if not given.
    penalty
        Taken off the log-likelihood, the same for all sets.
    start
        Shape (p,) or (b, p): parameters to begin from.

    Raises
    ------
    FitError
        When no finite objective is found at the start.

    Examples
    --------
    Two units that say nothing leave the prior where it began, and converge:

    >>> of = units(np.zeros((2, 3)))
    >>> found = fit(of, beta([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], 4.0), start=[0.0, 0.0])
    >>> found.objective.shape
    (1,)
    """
    w = np.ones((1, len(of.group))) if weights is None else np.atleast_2d(np.asarray(weights, dtype=float))
    theta = np.array(np.broadcast_to(np.asarray(start, dtype=float), (len(w), np.shape(start)[-1])))
    value = _objective(of, family, theta, w, penalty)
    if not np.isfinite(value).all():
        raise FitError("deconvolution.fit: no finite likelihood at the start; begin elsewhere")
    going = np.ones(len(w), dtype=bool)
    for _ in range(MOST_STEPS):
        at = np.flatnonzero(going)
        if not len(at):
            break
        slope, complete, observed = _curvature(of, family, theta[at], w[at], penalty)
        step, gain = _newton(slope, complete, observed)
        moved, new = _search(of, family, theta[at], w[at], penalty, value[at], step)
        theta[at], value[at] = moved, new
        going[at] = gain > DECREMENT * (1 + np.abs(new))
    _, _, information = _curvature(of, family, theta, w, penalty)
    regular, pi = parts(family, theta, of.n_groups)
    loglik = value - penalty.at(theta)[0]
    return Prior(theta, regular, pi, loglik, value, information, ~going)


def parts(family: Family, theta: np.ndarray, n_groups: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the two parts of priors at parameters (b, p): regular (b, groups, A) and pi (b,).

    Parameters
    ----------
    family
        The family.
    theta
        Parameters, (b, p).
    n_groups
        How many groups share it.

    Returns
    -------
    tuple of arrays
        Regular part (b, groups, A), summing to 1, and the share of the poor part (b,).
    """
    eta = theta[:, family.places(n_groups)]
    log_r = family.base + eta @ family.stats.T
    regular = np.exp(log_r - log_r.max(axis=2, keepdims=True))
    regular /= regular.sum(axis=2, keepdims=True)
    pi = np.zeros(len(theta)) if family.poor is None else expit(theta[:, -1])
    return regular, pi


def _mixed(family: Family, regular: np.ndarray, pi: np.ndarray) -> np.ndarray:
    """Return the whole prior (b, groups, A)."""
    if family.poor is None:
        return regular
    return (1 - pi)[:, None, None] * regular + pi[:, None, None] * family.poor


def _objective(of: Units, family: Family, theta, w, penalty: Penalty) -> np.ndarray:
    prior = _mixed(family, *parts(family, theta, of.n_groups))
    value = penalty.at(theta)[0] + w @ of.log_scale
    for k in range(of.n_groups):
        here = of.of(k)
        f = of.likelihood[here] @ prior[:, k].T
        value += np.einsum("bj,jb->b", w[:, here], np.log(np.maximum(f, LEAST)))
    return value


def _curvature(of: Units, family: Family, theta, w, penalty: Penalty):
    """Return gradient, complete-data information and observed information of the penalised likelihood."""
    b, p = theta.shape
    slope, complete, observed = np.zeros((b, p)), np.zeros((b, p, p)), np.zeros((b, p, p))
    regular, pi = parts(family, theta, of.n_groups)
    for k in range(of.n_groups):
        at, centred = _columns(family, regular[:, k], pi, of.n_groups, k)
        here = of.of(k)
        s, c, o = _of_group(of.likelihood[here], w[:, here], family, regular[:, k], pi, centred)
        slope[:, at] += s
        complete[:, at[:, None], at] += c
        observed[:, at[:, None], at] += o
    _, tilt, bend = penalty.at(theta)
    return slope + tilt, complete + bend, observed + bend


def _columns(family: Family, regular: np.ndarray, pi: np.ndarray, n_groups: int, k: int):
    """Return where a group's parameters stand and their statistics about their mean (b, A, m)."""
    places = family.places(n_groups)
    at = places[k]
    if family.poor is not None:
        at = np.append(at, places.max() + 1)
    return at, family.stats[None] - (regular @ family.stats)[:, None]


def _of_group(likelihood, w, family: Family, regular, pi, centred):
    """Return a group's gradient, complete-data and observed information (b sets)."""
    kept = (1 - pi)[:, None] * regular
    prior = kept if family.poor is None else kept + pi[:, None] * family.poor
    f = np.maximum(prior @ likelihood.T, LEAST)
    count = (w / f) @ likelihood
    size = w.sum(axis=1)
    regulars = kept * count
    n_regular = regulars.sum(axis=1)
    across = centred.transpose(0, 2, 1)
    slope = (across @ regulars[:, :, None])[:, :, 0]
    complete = n_regular[:, None, None] * ((across * regular[:, None]) @ centred)
    within = (across * regulars[:, None]) @ centred
    means = [((kept * centred[:, :, i]) @ likelihood.T) / f for i in range(centred.shape[2])]
    if family.poor is not None:
        slope = np.column_stack([slope, size - n_regular - pi * size])
        complete = _bordered(complete, np.zeros_like(slope[:, :-1]), pi * (1 - pi) * size)
        corner = (1 - 2 * pi) * (size - n_regular) + pi**2 * size
        within = _bordered(within, -pi[:, None] * slope[:, :-1], corner)
        means.append((pi[:, None] * (family.poor @ likelihood.T)) / f - pi[:, None])
    each = np.stack(means, axis=1)
    between = (each * w[:, None]) @ each.transpose(0, 2, 1)
    return slope, complete, complete - within + between


def _bordered(inner: np.ndarray, side: np.ndarray, corner: np.ndarray) -> np.ndarray:
    """Return matrices with one more row and column."""
    b, m = side.shape
    out = np.zeros((b, m + 1, m + 1))
    out[:, :m, :m] = inner
    out[:, :m, m] = out[:, m, :m] = side
    out[:, m, m] = corner
    return out


def _newton(slope, complete, observed) -> tuple[np.ndarray, np.ndarray]:
    """Return steps and what each promises; complete-data information where the observed is not positive."""
    least = np.linalg.eigvalsh(observed)
    bad = least[:, 0] <= 1e-9 * np.abs(least[:, -1])
    information = np.where(bad[:, None, None], complete, observed)
    ridge = 1e-10 * np.trace(information, axis1=1, axis2=2)[:, None, None] * np.eye(slope.shape[1])
    step = np.linalg.solve(information + ridge, slope[:, :, None])[:, :, 0]
    return step, np.einsum("bp,bp->b", step, slope)


def _search(of: Units, family: Family, theta, w, penalty: Penalty, value, step):
    """Return parameters no worse than before, the step halved where it does not pay."""
    moved, new = theta.copy(), value.copy()
    waiting, share = np.arange(len(theta)), 1.0
    for _ in range(HALVINGS):
        tried = theta[waiting] + share * step[waiting]
        found = _objective(of, family, tried, w[waiting], penalty)
        good = found >= value[waiting] - 1e-12 * np.abs(value[waiting])
        moved[waiting[good]], new[waiting[good]] = tried[good], found[good]
        waiting = waiting[~good]
        if not len(waiting):
            break
        share /= 2
    return moved, new


def scores(of: Units, family: Family, theta: np.ndarray) -> np.ndarray:
    """Return the gradient of each unit's log-likelihood (j, p) at one set of parameters (p,).

    Parameters
    ----------
    of
        The units, j of them.
    family
        The family.
    theta
        Parameters, (p,).

    Returns
    -------
    numpy.ndarray
        Shape (j, p).
    """
    out = np.zeros((len(of.group), len(theta)))
    regular, pi = parts(family, theta[None], of.n_groups)
    for k in range(of.n_groups):
        at, centred = _columns(family, regular[:, k], pi, of.n_groups, k)
        here = of.of(k)
        kept = (1 - pi[0]) * regular[0, k]
        poor = np.zeros_like(kept) if family.poor is None else pi[0] * family.poor
        f = np.maximum(of.likelihood[here] @ (kept + poor), LEAST)
        each = of.likelihood[here] @ (kept[:, None] * centred[0])
        if family.poor is not None:
            each = np.column_stack([each, of.likelihood[here] @ poor - pi[0] * f])
        out[here[:, None], at] = each / f[:, None]
    return out


def covariance(each: np.ndarray, information: np.ndarray, clusters=None) -> np.ndarray:
    """Return the covariance of the parameters: information^-1 (sum of squared scores) information^-1.

    Parameters
    ----------
    each
        Shape (j, p): `scores`.
    information
        Shape (p, p): of the penalised likelihood; observed, or scores squared with the penalty's curvature
        (Efron 2016).
    clusters
        Shape (j,): numbers of the clusters whose scores are summed first; each unit its own if not given.

    Returns
    -------
    numpy.ndarray
        Shape (p, p).

    Examples
    --------
    >>> covariance(np.array([[1.0], [1.0]]), np.array([[2.0]])).tolist()
    [[0.5]]
    """
    if clusters is not None:
        together = np.zeros((int(np.max(clusters)) + 1, each.shape[1]))
        np.add.at(together, np.asarray(clusters), each)
        each = together
    inverse = np.linalg.inv(information)
    return inverse @ (each.T @ each) @ inverse


def tangent(family: Family, theta: np.ndarray, n_groups: int) -> np.ndarray:
    """Return how the whole prior moves with the parameters: (groups, A, p) at one set of parameters (p,)."""
    regular, pi = parts(family, theta[None], n_groups)
    out = np.zeros((n_groups, len(family.base), len(theta)))
    for k in range(n_groups):
        at, centred = _columns(family, regular[:, k], pi, n_groups, k)
        moves = (1 - pi[0]) * regular[0, k][:, None] * centred[0]
        if family.poor is not None:
            moves = np.column_stack([moves, pi[0] * (1 - pi[0]) * (family.poor - regular[0, k])])
        out[k][:, at] = moves
    return out
