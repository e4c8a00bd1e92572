"""The marginal likelihood of one level of random effects, by adaptive Gauss-Hermite quadrature.

With b = L u, u standard normal, a group contributes log of the integral of p(y | u) phi(u) over u. Each
group's mode and curvature are found by Gauss-Newton, all groups at once, and the nodes are laid about them.
Where the curve is linear in b the integrand is a Gaussian and the rule is exact for any number of nodes.
The gradient is Fisher's identity: the expectation over the same nodes of the gradient of log p(y | u).

Sources: Pinheiro & Bates 1995, J Comput Graph Stat 4:12-35 (from memory). Fisher's identity: Louis 1982, J
R Stat Soc B 44:226-33 (from memory).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy

from analytics.errors import FitError
from analytics.numerics.nonlinear import marginal
from analytics.numerics.nonlinear.model import Model, NonlinearFit, gather, slices_of

# Nodes a dimension: an error far under the sampling error for smooth integrands, and exact for Gaussian ones.
N_NODES = {1: 15, 2: 9, 3: 5}
_MODE_STEPS = 60
_MODE_TOLERANCE = 1e-10
_STEP = 1e-5
_SMALL_SD = 1e-4


@dataclass(frozen=True, slots=True)
class _Layout:
    """Data, nodes and group order; the vector optimised is beta, covariance factor, log sigma."""

    model: Model
    known_variance: np.ndarray
    nodes: np.ndarray
    log_weights: np.ndarray
    order: np.ndarray
    starts: np.ndarray

    @property
    def size(self) -> int:
        """Return the number of random effects per group."""
        return sum(b.size for b in self.model.blocks)


def fit(model: Model, start: np.ndarray, known_variance: np.ndarray | None) -> NonlinearFit:
    """Maximise the marginal likelihood.

    Raises
    ------
    FitError
        When there is more than one level, or more than three random effects per group.
    """
    _refuse_what_it_cannot(model)
    layout = _lay_out(model, known_variance)
    theta0 = _starting_values(layout, start, _near(model, start, known_variance))
    scale = np.concatenate([np.maximum(np.abs(theta0[:-1]), 1e-3), [1.0]])
    modes = np.zeros((model.blocks[0].n_groups, layout.size))

    def objective(z):
        value, gradient, found = _criterion(layout, z * scale, modes)
        if np.isfinite(value):
            modes[:] = found
        return value, gradient * scale

    with np.errstate(all="ignore"):
        found = scipy.optimize.minimize(
            objective, theta0 / scale, jac=True, method="BFGS", options={"gtol": 1e-6, "maxiter": 300}
        )
        theta, hessian = _newton(layout, found.x * scale, modes, scale)
    return _answer(layout, theta, hessian, modes, int(found.nit))


def _near(model: Model, start: np.ndarray, known_variance) -> NonlinearFit | None:
    """Return the marginal fit as a place to start from, where there is one."""
    try:
        return marginal.fit(model, start, known_variance, criterion="ML")
    except FitError:
        return None


def _refuse_what_it_cannot(model: Model) -> None:
    size = sum(b.size for b in model.blocks)
    if len(set(model.level_of_block)) != 1 or not 1 <= size <= max(N_NODES):
        raise FitError(
            f"nonlinear.fit(method='quadrature'): {len(set(model.level_of_block))} levels with {size} "
            "random effects; "
            f"quadrature takes one level with 1 to {max(N_NODES)}; use method='lindstrom-bates'"
        )


def _lay_out(model: Model, known_variance: np.ndarray | None) -> _Layout:
    size = sum(b.size for b in model.blocks)
    points, weights = np.polynomial.hermite_e.hermegauss(N_NODES[size])
    grid = np.stack(np.meshgrid(*[points] * size, indexing="ij"), axis=-1).reshape(-1, size)
    share = np.stack(np.meshgrid(*[weights] * size, indexing="ij"), axis=-1).reshape(-1, size)
    log_weights = np.log(share / np.sqrt(2 * np.pi)).sum(axis=1)
    order = np.argsort(model.blocks[0].codes, kind="stable")
    starts = np.searchsorted(model.blocks[0].codes[order], np.arange(model.blocks[0].n_groups))
    variance = np.zeros(len(model.y)) if known_variance is None else known_variance
    return _Layout(model, variance, grid, log_weights, order, starts)


def _starting_values(layout: _Layout, start: np.ndarray, criterion_start: NonlinearFit | None) -> np.ndarray:
    """Return beta, entries of L itself (so that 0 is no trap) and log sigma, near the marginal fit."""
    model = layout.model
    beta = start if criterion_start is None else criterion_start.beta
    mean, slopes = model.evaluate(model.parameters(beta, model.no_effects()))
    spread = max(float(np.std(model.y - mean)), 1e-8)
    factor: list[float] = []
    for i, (block, z) in enumerate(zip(model.blocks, model.random_slopes(slopes), strict=True)):
        sizes = 0.5 * spread / np.maximum(np.sqrt(np.mean(z**2, axis=0)), 1e-12)
        lower = np.diag(sizes)
        if criterion_start is not None and criterion_start.linear is not None:
            psi = criterion_start.linear.covariances[i]
            lower = np.linalg.cholesky(psi + np.diag((0.1 * sizes) ** 2))
        factor.extend(_pack(lower, block.structure))
    sigma = 0.5 * spread if criterion_start is None else max(criterion_start.sigma, 0.01 * spread)
    return np.array([*beta, *factor, np.log(sigma)])


def _pack(lower: np.ndarray, structure: str) -> list[float]:
    sizes = np.diag(lower)
    if structure == "identity":
        return [float(np.mean(sizes))]
    if structure == "diagonal":
        return [float(v) for v in sizes]
    return [float(v) for v in (*sizes, *lower[np.tril_indices(len(lower), -1)])]


def _unpack(layout: _Layout, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Return beta, the covariance factor L of all random effects of a group, and sigma squared."""
    model, at = layout.model, layout.model.n_fixed
    lower, corner = np.zeros((layout.size, layout.size)), 0
    for block in model.blocks:
        q = block.size
        n_sizes = 1 if block.structure == "identity" else q
        part = np.diag(np.broadcast_to(theta[at : at + n_sizes], q))
        at += n_sizes
        if block.structure == "full":
            below = np.tril_indices(q, -1)
            part = part.copy()
            part[below] = theta[at : at + len(below[0])]
            at += len(below[0])
        lower[corner : corner + q, corner : corner + q] = part
        corner += q
    return theta[: model.n_fixed], lower, float(np.exp(2 * theta[at]))


def _sums(layout: _Layout, values: np.ndarray) -> np.ndarray:
    return np.add.reduceat(values[layout.order], layout.starts, axis=0)


def _at(layout: _Layout, beta, lower, u):
    """Return curve, slopes and slopes in u, with b = L u for every group."""
    model = layout.model
    ends = np.cumsum([b.size for b in model.blocks])[:-1]
    mean, slopes = model.evaluate(model.parameters(beta, np.split(u @ lower.T, ends, axis=1)))
    random = np.hstack(model.random_slopes(slopes))
    return mean, slopes, random


def _find_modes(layout: _Layout, beta, lower, variance, u) -> tuple[np.ndarray, np.ndarray]:
    """Return every group's mode of u and the Gauss-Newton curvature there."""
    y, q = layout.model.y, layout.size

    def loss_of(u):
        mean, _, random = _at(layout, beta, lower, u)
        return _sums(layout, (y - mean) ** 2 / variance) + np.sum(u**2, axis=1), mean, random @ lower

    loss, mean, slopes = loss_of(u)
    curvature = np.broadcast_to(np.eye(q), (len(u), q, q))
    for _ in range(_MODE_STEPS):
        weighted = slopes / variance[:, None]
        curvature = _sums(layout, weighted[:, :, None] * slopes[:, None, :]) + np.eye(q)
        downhill = _sums(layout, weighted * (y - mean)[:, None]) - u
        step = np.linalg.solve(curvature, downhill[:, :, None])[:, :, 0]
        length = np.ones(len(u))
        for _ in range(12):
            tried, new_mean, new_slopes = loss_of(u + length[:, None] * step)
            worse = ~(tried <= loss + 1e-12 * np.abs(loss))
            if not worse.any():
                break
            length[worse] /= 2
        length[worse] = 0.0
        u = u + length[:, None] * step
        if worse.any():
            tried, new_mean, new_slopes = loss_of(u)
        loss, mean, slopes = tried, new_mean, new_slopes
        if np.max(np.abs(length[:, None] * step), initial=0.0) < _MODE_TOLERANCE:
            break
    weighted = slopes / variance[:, None]
    return u, _sums(layout, weighted[:, :, None] * slopes[:, None, :]) + np.eye(q)


def _criterion(layout: _Layout, theta, u) -> tuple[float, np.ndarray, np.ndarray]:
    """Return minus the log-likelihood, its gradient, and the modes."""
    beta, lower, sigma2 = _unpack(layout, theta)
    variance = layout.known_variance + sigma2
    if not (np.all(np.isfinite(theta)) and np.all(variance > 0)):
        return np.inf, np.zeros(len(theta)), u
    u, curvature = _find_modes(layout, beta, lower, variance, u)
    spread = np.linalg.inv(np.linalg.cholesky(curvature)).transpose(0, 2, 1)
    constant = _sums(layout, np.log(2 * np.pi * variance)) - 2 * np.log(
        np.abs(np.diagonal(spread, axis1=1, axis2=2))
    ).sum(axis=1)
    logs, scores = [], []
    for node, log_weight in zip(layout.nodes, layout.log_weights, strict=True):
        at = u + spread @ node
        mean, slopes, random = _at(layout, beta, lower, at)
        residual = layout.model.y - mean
        inside = _sums(layout, residual**2 / variance) + np.sum(at**2, axis=1) - node @ node
        logs.append(log_weight - 0.5 * (inside + constant))
        scores.append(_score(layout, residual, slopes, random, at, variance, sigma2))
    table = np.array(logs)
    top = table.max(axis=0)
    share = np.exp(table - top)
    total = share.sum(axis=0)
    loglik = float(np.sum(top + np.log(total)))
    gradient = sum((s * (w / total)[:, None]).sum(axis=0) for s, w in zip(scores, share, strict=True))
    return -loglik, -np.asarray(gradient), u


def _score(layout: _Layout, residual, slopes, random, u, variance, sigma2) -> np.ndarray:
    """Return each group's gradient of log p(y | u) in beta, covariance factor and log sigma."""
    model = layout.model
    pull = residual / variance
    by_beta = _sums(layout, model.fixed_slopes(slopes) * pull[:, None])
    by_effect = _sums(layout, random * pull[:, None])
    columns, corner = [], 0
    for block in model.blocks:
        q = block.size
        part = slice(corner, corner + q)
        by_factor = by_effect[:, part, None] * u[:, None, part]
        sizes = np.diagonal(by_factor, axis1=1, axis2=2)
        columns.append(sizes.sum(axis=1, keepdims=True) if block.structure == "identity" else sizes)
        if block.structure == "full":
            rows, cols = np.tril_indices(q, -1)
            columns.append(by_factor[:, rows, cols])
        corner += q
    by_sigma = _sums(layout, (pull**2 - 1 / variance) * sigma2)
    return np.hstack([by_beta, *columns, by_sigma[:, None]])


def _newton(layout: _Layout, theta, modes, scale) -> tuple[np.ndarray, np.ndarray]:
    """Finish with Newton steps; return the optimum and the Hessian of minus the log-likelihood there."""
    value, gradient, found = _criterion(layout, theta, modes)
    for _ in range(4):
        hessian = _hessian(layout, theta, found, scale)
        values, vectors = np.linalg.eigh(hessian * np.outer(scale, scale))
        # Downhill even where the surface is not yet a bowl.
        bowl = np.maximum(np.abs(values), 1e-10 * np.abs(values).max())
        step = scale * (vectors @ ((vectors.T @ (-gradient * scale)) / bowl))
        new_value, new_gradient, new_found = _criterion(layout, theta + step, found)
        if not new_value < value:
            break
        theta, value, gradient, found = theta + step, new_value, new_gradient, new_found
    modes[:] = found
    return theta, _hessian(layout, theta, found, scale)


def _hessian(layout: _Layout, theta, modes, scale) -> np.ndarray:
    columns = []
    for k in range(len(theta)):
        step = np.zeros(len(theta))
        step[k] = _STEP * scale[k]
        above = _criterion(layout, theta + step, modes)[1]
        below = _criterion(layout, theta - step, modes)[1]
        columns.append((above - below) / (2 * step[k]))
    hessian = np.column_stack(columns)
    return (hessian + hessian.T) / 2


def _is_linear(layout: _Layout, beta, lower, u) -> bool:
    """Return whether the curve is linear in the random effects, by second differences over one SD."""
    at = [_at(layout, beta, lower, u + shift)[0] for shift in (-1.0, 0.0, 1.0)]
    bend = np.abs(at[0] - 2 * at[1] + at[2])
    return bool(np.all(bend <= 1e-9 * (np.abs(at[0]) + np.abs(at[1]) + np.abs(at[2]) + 1.0)))


def _answer(layout: _Layout, theta, hessian, modes, n_iterations: int) -> NonlinearFit:
    model, p, n = layout.model, layout.model.n_fixed, len(layout.model.y)
    beta, lower, sigma2 = _unpack(layout, theta)
    value, gradient, u = _criterion(layout, theta, modes)
    variance = layout.known_variance + sigma2
    _, curvature = _find_modes(layout, beta, lower, variance, u)
    mode_cov = lower @ np.linalg.inv(curvature) @ lower.T
    scaled = hessian * np.outer(np.sqrt(1 / np.abs(np.diag(hessian))), np.sqrt(1 / np.abs(np.diag(hessian))))
    determined = bool(np.isfinite(scaled).all() and np.linalg.eigvalsh(scaled)[0] > 1e-9)
    cov = np.linalg.pinv(hessian)[:p, :p] if determined else np.full((p, p), np.nan)
    ends = np.cumsum([b.size for b in model.blocks])[:-1]
    effects = np.split(u @ lower.T, ends, axis=1)
    errors = np.split(np.sqrt(np.diagonal(mode_cov, axis1=1, axis2=2)), ends, axis=1)
    psi = lower @ lower.T
    corners = [0, *ends, layout.size]
    blocks = [psi[a:b, a:b] for a, b in pairwise(corners)]
    boundary = bool(np.linalg.eigvalsh(psi / max(np.max(np.diag(psi)), 1e-300))[0] < _SMALL_SD**2)
    newton_gain = float(gradient @ np.linalg.pinv(hessian) @ gradient)
    converged = bool(np.isfinite(value) and abs(newton_gain) < 1e-6)
    exact = _is_linear(layout, beta, lower, u)
    nodes = N_NODES[layout.size]
    return NonlinearFit(
        beta=beta,
        beta_cov=cov,
        beta_se=np.sqrt(np.diag(cov)),
        slices=slices_of(model),
        sigma=float(np.sqrt(sigma2)),
        covariances=gather(model, blocks, square=True),
        random=gather(model, effects, square=False),
        random_se=gather(model, errors, square=False),
        loglik=-value,
        aic=2 * len(theta) + 2 * value,
        bic=np.log(n) * len(theta) + 2 * value,
        likelihood="exact marginal likelihood"
        if exact
        else f"adaptive Gauss-Hermite quadrature, {nodes} nodes a dimension",
        fitted=model.evaluate(model.parameters(beta, effects))[0],
        population=model.evaluate(model.parameters(beta, model.no_effects()))[0],
        known_variance=layout.known_variance,
        converged=converged,
        on_boundary=(boundary,),
        n_iterations=n_iterations,
        checks={
            "converged": converged,
            "no_warnings": True,
            "not_on_boundary": not boundary,
            "finite_se": bool(np.isfinite(cov).all()),
            "determined": determined,
        },
        words=() if determined else ("a parameter is not determined by the data",),
        model=model,
    )
