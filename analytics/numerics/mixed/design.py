"""The rows of one part, checked, and what all parts must know of them before they agree on a plan.

Codes may be whole numbers or strings in any order. Levels are given outermost first and each must be nested
in the one before: every inner code occurs in one outer group only. Rows are put in an order in which groups
are neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.errors import FitError
from analytics.numerics.mixed.plan import Levels, Survey, checked_columns, checked_levels, checked_positive

Array = np.ndarray


@dataclass(frozen=True)
class Layout:
    """Rows and groups of all levels, outermost level first.

    `labels[l]` are the sorted codes of level l; `groups[l]` (n,) numbers them row by row; `parents[l]`
    gives, for each group of level l, its group at level l - 1 (empty for the outermost).
    """

    n: int
    labels: tuple[Array, ...]
    groups: tuple[Array, ...]
    parents: tuple[Array, ...]


def arrange(codes: list[Array], *, where: str = "mixed.fit") -> Layout:
    """Assign numbers to the groups of each level, checking that the levels are nested.

    Parameters
    ----------
    codes
        One array (n,) a level, outermost first; whole numbers or strings, none missing.
    where
        The function named in messages.

    Raises
    ------
    FitError
        If a code is missing, if two levels cross, or if they are in the wrong order.

    Examples
    --------
    >>> layout = arrange([["b", "a", "b"], [3, 1, 2]])
    >>> layout.groups[0].tolist(), layout.parents[1].tolist()
    ([1, 0, 1], [0, 1, 1])
    """
    numbered = [factorise(code, where=f"{where}: level {i + 1}") for i, code in enumerate(codes)]
    labels = tuple(label for label, _ in numbered)
    groups = tuple(group for _, group in numbered)
    parents = [_parents(groups, i, len(labels[i]), where) for i in range(1, len(groups))]
    return Layout(len(groups[0]), labels, groups, (np.zeros(0, dtype=np.intp), *parents))


def factorise(codes: Array, *, where: str) -> tuple[Array, Array]:
    """Return the sorted distinct codes and the number of each row's code among them.

    Raises
    ------
    FitError
        If a code is missing (None, NaN, NA).

    Examples
    --------
    >>> labels, groups = factorise(np.array(["b", "a", "b"]), where="here")
    >>> labels.tolist(), groups.tolist()
    (['a', 'b'], [1, 0, 1])
    """
    values = np.asarray(codes)
    if values.ndim != 1:
        raise FitError(f"{where}: codes have {values.ndim} dimensions; one code per row is needed")
    if values.dtype.kind in "iub":
        return _factorise_whole(values)
    _refuse_missing(values, where)
    seen: dict[object, int] = {}
    first = np.fromiter((seen.setdefault(v, len(seen)) for v in values.tolist()), np.intp, len(values))
    names = np.array(list(seen), dtype=values.dtype)
    try:
        order = np.argsort(names, kind="stable")
    except TypeError:
        order = np.argsort(names.astype(str), kind="stable")
    rank = np.empty(len(order), dtype=np.intp)
    rank[order] = np.arange(len(order))
    return names[order], rank[first]


def _factorise_whole(values: Array) -> tuple[Array, Array]:
    if len(values) == 0:
        return values, np.zeros(0, dtype=np.intp)
    low, high = int(values.min()), int(values.max())
    if high - low > 4 * len(values) + 1000:
        labels, groups = np.unique(values, return_inverse=True)
        return labels, groups
    shifted = values.astype(np.intp) - low
    present = np.zeros(high - low + 1, dtype=bool)
    present[shifted] = True
    number = np.cumsum(present) - 1
    return (np.flatnonzero(present) + low).astype(values.dtype), number[shifted]


def _refuse_missing(values: Array, where: str) -> None:
    if values.dtype.kind == "f":
        missing = np.isnan(values)
    elif values.dtype.kind == "O":
        missing = np.array([_is_missing(value) for value in values.tolist()], dtype=bool)
    else:
        return
    if missing.any():
        raise FitError(
            f"{where}: {int(missing.sum())} codes are missing, first at row {int(np.argmax(missing))}; "
            "every row belongs to one group of each level; drop those rows or give them a code"
        )


def _is_missing(value: object) -> bool:
    """Return whether a code is None, a NaN, or a missing value of a table library (known by its name)."""
    return value is None or (not isinstance(value, str) and str(value) in {"<NA>", "NaT", "nan"})


def _parents(groups: tuple[Array, ...], level: int, n_inner: int, where: str) -> Array:
    inner, outer = groups[level], groups[level - 1]
    parent = np.empty(n_inner, dtype=np.intp)
    parent[inner] = outer
    wrong = parent[inner] != outer
    if wrong.any():
        _refuse_crossed(inner, outer, wrong, level, where)
    return parent


def _refuse_crossed(inner: Array, outer: Array, wrong: Array, level: int, where: str) -> None:
    split = len(np.unique(inner[wrong]))
    row = int(np.argmax(wrong))
    up = np.empty(outer.max() + 1, dtype=np.intp)
    up[outer] = inner
    if (up[outer] == inner).all():
        raise FitError(
            f"{where}: levels {level} and {level + 1} are in the wrong order, first seen at row {row}; "
            "levels are given outermost first; swap them"
        )
    raise FitError(
        f"{where}: level {level + 1} is not nested in level {level}: {split} of its groups hold rows of more "
        f"than one outer group, first at row {row}; give each inner group a "
        "code of its own, or enter a crossed factor as fixed effects or, in mixed.fit, as crossed="
    )


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
    levels: Levels,
    *,
    weights: Array | None = None,
    known_variance: Array | None = None,
    where: str = "mixed.fit",
) -> Design:
    """Check the rows of a part; arguments as in `mixed.fit`.

    Parameters
    ----------
    y
        Outcome, (n,).
    X
        Fixed-effect columns, (n, p).
    levels
        As in `mixed.fit`.
    weights, known_variance
        As in `mixed.fit`, (n,).
    where
        What messages begin with.

    Returns
    -------
    Design
        Checked arrays, and which rows belong to which group.

    Raises
    ------
    FitError
        If a shape is wrong, a value missing or out of range, or levels are not nested.

    Examples
    --------
    >>> design([1.0, 2.0], [[1.0], [1.0]], [(["a", "b"], [[1.0], [1.0]])]).y.tolist()
    [1.0, 2.0]
    """
    y, x = checked_columns(y, X, where)
    codes, zs, kinds = checked_levels(levels, len(y), where)
    weight = checked_positive(weights, len(y), f"{where}: weights", zero=False)
    known = checked_positive(known_variance, len(y), f"{where}: known_variance", zero=True)
    return Design(y, x, tuple(zs), kinds, arrange(codes, where=where), weight, known)


def survey(given: Design) -> Survey:
    """Return the sums of a part that fix basis and start values.

    Parameters
    ----------
    given
        Of `design`.

    Returns
    -------
    Survey
        Numbers and matrices that add up over parts.

    Examples
    --------
    >>> survey(design([1.0, 2.0], [[1.0], [1.0]], [(["a", "b"], [[1.0], [1.0]])])).gram.tolist()
    [[2.0, 3.0], [3.0, 5.0]]
    """
    columns = np.column_stack([given.x, given.y])
    weighted = columns if given.weights is None else columns * given.weights[:, None]
    return Survey(
        len(given.y),
        weighted.T @ columns,
        tuple((z**2).sum(axis=0) for z in given.zs),
        tuple(len(label) for label in given.layout.labels),
        0.0 if given.weights is None else float(np.log(given.weights).sum()),
    )
