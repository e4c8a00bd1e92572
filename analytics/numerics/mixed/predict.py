"""What a fitted mixed model expects: of known groups, of new ones, and of a new case with some readings.

The conditional mode of a group's effects is G Z'V^-1(y - X beta). It is kept by innermost path (a group and
all groups outside it), with what it owes to each fixed effect, as the prediction of a row needs the effects
of its whole path and their joint covariance.

The error of a prediction x beta + z b has three parts: that of the fixed effects, that of the group's mode
given them, and the covariance of the two; effects of a group not seen before are zero with the level's
whole covariance. Variance parameters are taken as known.

Source: Henderson 1975, Biometrics 31:423 (prediction error of fixed and random effects together).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from analytics.errors import FitError
from analytics.numerics.mixed.contributions import base_at
from analytics.numerics.mixed.design import Layout, arrange, factorise
from analytics.numerics.mixed.parts import Part, path_covariances, sweep
from analytics.numerics.mixed.plan import Plan, factors

Array = np.ndarray


@dataclass(frozen=True)
class Modes:
    """Modes by level l, in the units of y, of each group and all groups outside it, level l first.

    `mean[l]` (groups, path q); `by_beta[l]` (groups, path q, p) is minus their derivative in beta, Cov(b,
    y)V^-1 X; `covariance[l]` (groups, path q, path q) given beta.
    """

    mean: tuple[Array, ...]
    by_beta: tuple[Array, ...]
    covariance: tuple[Array, ...]


def conditional_modes(theta: Array, beta: Array, scale: float, parts: tuple[Part, ...], form: Plan) -> Modes:
    """Return the modes of every group at theta, in order of group number.

    Parameters
    ----------
    theta, beta, scale
        Variance parameters, fixed effects and sigma^2 in working units.
    parts
        The prepared data.
    form
        The plan.
    """
    lams = factors(theta, form)
    depth = len(form.sizes)
    wide = [sum(form.sizes[: i + 1]) for i in range(depth)]
    columns = [np.empty((n, w, form.m)) for n, w in zip(form.n_groups, wide, strict=True)]
    spread = [np.empty((n, w, w)) for n, w in zip(form.n_groups, wide, strict=True)]
    for block in (b for part in parts for b in part.blocks):
        base = base_at(block, form, float(theta[-1]) if form.known else 1.0)
        swept = sweep(base.cross, base.total, block, form, lams, last=True)
        covariances = path_covariances(swept, block, form, last=True)
        for i in range(depth):
            columns[i][block.groups[i]] = swept.paths[i].transpose(2, 0, 1)
            spread[i][block.groups[i]] = covariances[i].transpose(2, 0, 1)
    contrast = form.unit * np.append(-beta, 1.0)
    back = np.linalg.inv(form.basis[: form.p, : form.p])
    return Modes(
        tuple(c @ contrast for c in columns),
        tuple(c[..., : form.p] @ back for c in columns),
        tuple(form.unit**2 * scale * s for s in spread),
    )


@dataclass(frozen=True)
class Prediction:
    """Predicted means and standard errors (n,); `covariance` (n, n) of all rows for a conditioned case."""

    mean: Array
    se: Array
    covariance: Array | None = None

    def interval(self, level: float = 0.95) -> tuple[Array, Array]:
        """Return normal limits of the given level (0 to 1)."""
        half = float(scipy.stats.norm.ppf(0.5 + level / 2.0)) * self.se
        return self.mean - half, self.mean + half


def predict_rows(
    x: Array,
    codes: list[Array],
    zs: list[Array],
    *,
    beta: Array,
    beta_cov: Array,
    covariances: list[Array],
    modes: Modes,
    layout: Layout,
) -> Prediction:
    """Return conditional means: each row uses the effects of the groups of its path that the fit has seen.

    Raises
    ------
    FitError
        If a known inner group is given with another outer group than in the fit.
    """
    sizes = [z.shape[1] for z in zs]
    known = _known_groups(codes, layout)
    mean, pull, variance = x @ beta, x.astype(float), np.zeros(len(x))
    depth = sum((k >= 0).astype(int) for k in known)
    for i, z in enumerate(zs):
        new = depth <= i
        variance[new] += np.einsum("na,ab,nb->n", z[new], covariances[i], z[new])
        at = np.flatnonzero(depth == i + 1)
        if not len(at):
            continue
        group = known[i][at]
        path = np.concatenate([zs[k][at] for k in range(i, -1, -1)], axis=1)
        assert path.shape[1] == sum(sizes[: i + 1])
        mean[at] += np.einsum("na,na->n", path, modes.mean[i][group])
        pull[at] -= np.einsum("na,nap->np", path, modes.by_beta[i][group])
        variance[at] += np.einsum("na,nab,nb->n", path, modes.covariance[i][group], path)
    variance += np.einsum("np,pq,nq->n", pull, beta_cov, pull)
    return Prediction(mean, np.sqrt(np.maximum(variance, 0.0)))


def _known_groups(codes: list[Array], layout: Layout) -> list[Array]:
    """Return by level the group number of each row in the fit, -1 where the group is new."""
    out: list[Array] = []
    for i, code in enumerate(codes):
        names, rows = factorise(code, where=f"mixed.predict: level {i + 1}")
        place = {label: k for k, label in enumerate(layout.labels[i].tolist())}
        found = np.array([place.get(name, -1) for name in names.tolist()], dtype=np.intp)[rows]
        if i:
            known = found >= 0
            wrong = known & (layout.parents[i][np.where(known, found, 0)] != out[i - 1])
            if wrong.any():
                raise FitError(
                    f"mixed.predict: level {i + 1}: {int(wrong.sum())} rows name a known group under another "
                    f"outer group than in the fit, first at row {int(np.argmax(wrong))}; give the outer "
                    "codes of the fit, or a new code"
                )
        out.append(found)
    return out


@dataclass(frozen=True)
class Conditioned:
    """A new case given its readings, by the model as fitted.

    `groups[l]`, `modes[l]` (groups, q) by level; `covariance` (k, k) is the joint covariance of all modes'
    errors, level by level and group by group, the error of the fixed effects included; `with_beta` (p, k)
    its covariance with that of the fixed effects. The case is taken as independent of the data the model
    was fitted to.
    """

    groups: list[Array]
    modes: list[Array]
    covariance: Array
    with_beta: Array
    beta: Array
    beta_cov: Array
    sigma: float
    covariances: list[Array]

    def predict(
        self,
        X: Array,
        levels: list[tuple],
        *,
        observation: bool = False,
        known_variance: Array | None = None,
    ) -> Prediction:
        """Return expected values of this case at other rows, with their joint covariance.

        Parameters
        ----------
        X
            Fixed-effect columns (n, p).
        levels
            `(codes, Z)` as in the fit; a code not among the case's groups is a group not yet read.
        observation
            Add the residual variance (and `known_variance`, (n,)): limits for a reading rather than for its
            mean.
        known_variance
            Sampling variances (n,) of such readings.
        """
        x = np.asarray(X, dtype=float)
        columns, spread = [], []
        for i, level in enumerate(levels):
            a, b = _case_columns(
                np.asarray(level[0]), _two_dimensional(level[1]), self.groups[i], self.covariances[i]
            )
            columns.append(a)
            spread.append(b)
        z = np.concatenate(columns, axis=1)
        mean = x @ self.beta + z @ np.concatenate([m.ravel() for m in self.modes])
        cross = x @ self.with_beta @ z.T
        covariance = x @ self.beta_cov @ x.T + cross + cross.T + z @ self.covariance @ z.T + sum(spread)
        if observation:
            more = np.zeros(len(x)) if known_variance is None else np.asarray(known_variance, dtype=float)
            covariance = covariance + np.diag(self.sigma**2 + more)
        return Prediction(mean, np.sqrt(np.maximum(np.diag(covariance), 0.0)), covariance)


def _two_dimensional(z: Array) -> Array:
    z = np.asarray(z, dtype=float)
    return z[:, None] if z.ndim == 1 else z


def _case_columns(codes: Array, z: Array, groups: Array, prior: Array) -> tuple[Array, Array]:
    """Return z spread over the case's groups (n, k), and the covariance of rows in groups not yet read."""
    n, q = z.shape
    out = np.zeros((n, len(groups), q))
    place = {name: k for k, name in enumerate(groups.tolist())}
    at = np.array([place.get(code, -1) for code in codes.tolist()], dtype=np.intp)
    read = np.flatnonzero(at >= 0)
    out[read, at[read]] = z[read]
    fresh = np.where(at[:, None] < 0, z, 0.0)
    same = codes[:, None] == codes[None]
    return out.reshape(n, len(groups) * q), np.where(same, fresh @ prior @ fresh.T, 0.0)


def condition_case(
    y: Array,
    x: Array,
    codes: list[Array],
    zs: list[Array],
    *,
    error_variance: Array,
    beta: Array,
    beta_cov: Array,
    sigma: float,
    covariances: list[Array],
) -> Conditioned:
    """Return the modes of a new case's groups given its readings, with their joint covariance."""
    layout = arrange(codes, where="mixed.condition")
    columns, priors = [], []
    for i, (z, prior) in enumerate(zip(zs, covariances, strict=True)):
        groups = len(layout.labels[i])
        wide = np.zeros((len(y), groups, z.shape[1]))
        wide[np.arange(len(y)), layout.groups[i]] = z
        columns.append(wide.reshape(len(y), groups * z.shape[1]))
        priors.append(np.kron(np.eye(groups), prior))
    z = np.concatenate(columns, axis=1)
    prior = np.zeros((z.shape[1], z.shape[1]))
    at = 0
    for block in priors:
        prior[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    gz = prior @ z.T
    pull = np.linalg.solve(z @ gz + np.diag(error_variance), gz.T).T
    stacked = pull @ (y - x @ beta)
    by_beta = pull @ x
    covariance = prior - pull @ gz.T + by_beta @ beta_cov @ by_beta.T
    modes, at = [], 0
    for block, z_level in zip(priors, zs, strict=True):
        modes.append(stacked[at : at + len(block)].reshape(-1, z_level.shape[1]))
        at += len(block)
    return Conditioned(
        list(layout.labels), modes, covariance, -beta_cov @ by_beta.T, beta, beta_cov, sigma, covariances
    )
