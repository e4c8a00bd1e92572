"""Conditional modes of the groups of a fit, with what they owe to each fixed effect.

The mode of a group's effects is G Z'V^-1(y - X beta). Kept by innermost path (a group and all groups
outside it), as the prediction of a row needs the effects of its whole path and their joint covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.numerics.mixed_parts import Part
from analytics.numerics.mixed_plan import Plan, factors
from analytics.numerics.mixed_sums import base_at
from analytics.numerics.mixed_sweep import path_covariances, sweep

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
