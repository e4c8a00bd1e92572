"""The rows of one part, checked, and what all parts must know of them before they agree on a plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.numerics import mixed_checks as checks
from analytics.numerics.mixed_layout import Layout, arrange
from analytics.numerics.mixed_plan import Survey

Array = np.ndarray


@dataclass(frozen=True)
class Design:
    """Checked rows: y (n,), x (n, p), Z (n, q) and structure by level, weights, known variances (n,)."""

    y: Array
    x: Array
    zs: tuple[Array, ...]
    kinds: tuple[str, ...]
    layout: Layout
    weights: Array | None
    known_variance: Array | None


def design(
    y: Array,
    X: Array,
    levels: checks.Levels,
    *,
    weights: Array | None = None,
    known_variance: Array | None = None,
    where: str = "mixed.fit",
) -> Design:
    """Check the rows of a part; arguments as in `mixed.fit`.

    Raises
    ------
    FitError
        If a shape is wrong, a value missing or out of range, or levels are not nested.
    """
    y, x = checks.checked_columns(y, X, where)
    codes, zs, kinds = checks.checked_levels(levels, len(y), where)
    weight = checks.checked_positive(weights, len(y), f"{where}: weights", zero=False)
    known = checks.checked_positive(known_variance, len(y), f"{where}: known_variance", zero=True)
    return Design(y, x, tuple(zs), kinds, arrange(codes, where=where), weight, known)


def survey(given: Design) -> Survey:
    """Return the sums of a part that fix basis and start values."""
    columns = np.column_stack([given.x, given.y])
    weighted = columns if given.weights is None else columns * given.weights[:, None]
    return Survey(
        len(given.y),
        weighted.T @ columns,
        tuple((z**2).sum(axis=0) for z in given.zs),
        tuple(len(label) for label in given.layout.labels),
        0.0 if given.weights is None else float(np.log(given.weights).sum()),
    )
