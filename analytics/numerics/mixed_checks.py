"""What is refused before a mixed model is fitted, each in one sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import FitError

if TYPE_CHECKING:
    from analytics.numerics.mixed_design import Design

Array = np.ndarray
Levels = list[tuple]
KINDS = ("full", "diagonal", "identity")


def checked_columns(y: Array, x: Array, where: str) -> tuple[Array, Array]:
    """Return y (n,) and X (n, p) as floats.

    Raises
    ------
    FitError
        If shapes differ, there are no rows or columns, or a value is missing or infinite.
    """
    y, x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    if y.ndim != 1 or x.ndim != 2:
        raise FitError(f"{where}: y has {y.ndim} and X {x.ndim} dimensions; y is (n,) and X is (n, p)")
    if len(y) != len(x):
        raise FitError(f"{where}: y has {len(y)} rows and X has {len(x)}; both need one row an observation")
    if x.shape[1] == 0:
        raise FitError(f"{where}: X has no columns; give at least a column of ones")
    refuse_not_finite(y, f"{where}: y")
    refuse_not_finite(x, f"{where}: X")
    return y, x


def refuse_not_finite(values: Array, what: str) -> None:
    """Raise FitError if a value is missing or infinite, with count and first row."""
    if np.isfinite(values.sum()):
        return
    bad = ~np.isfinite(values if values.ndim == 1 else values.sum(axis=1))
    if bad.any():
        raise FitError(
            f"{what} is missing or infinite in {int(bad.sum())} rows, first at row {int(np.argmax(bad))}; "
            "every value must be a finite number; leave those rows out"
        )


def checked_levels(levels: Levels, n: int, where: str) -> tuple[list[Array], list[Array], tuple[str, ...]]:
    """Return codes, Z (n, q) and kind of each level.

    Raises
    ------
    FitError
        If no level is given, a length differs, a kind is unknown or a value of Z is missing.
    """
    if not levels:
        raise FitError(f"{where}: no levels given; a mixed model needs at least one, (codes, Z)")
    codes, zs, kinds = [], [], []
    for i, level in enumerate(levels):
        code, z, *rest = level
        kind = rest[0] if rest else "full"
        if kind not in KINDS:
            raise FitError(f"{where}: level {i + 1} has an unknown structure; use one of {', '.join(KINDS)}")
        z = np.asarray(z, dtype=float)
        z = z[:, None] if z.ndim == 1 else z
        if z.ndim != 2 or z.shape[1] == 0 or len(z) != n or len(code) != n:
            raise FitError(
                f"{where}: level {i + 1} has {len(code)} codes and Z of shape {z.shape} for {n} rows; "
                "one code and one row of Z an observation are needed"
            )
        refuse_not_finite(z, f"{where}: Z of level {i + 1}")
        codes.append(code)
        zs.append(z)
        kinds.append(kind)
    return codes, zs, tuple(kinds)


def checked_positive(values: Array | None, n: int, what: str, *, zero: bool) -> Array | None:
    """Return weights or known variances as floats (n,), or None.

    Raises
    ------
    FitError
        If the length differs, a value is missing, or a value is out of range.
    """
    if values is None:
        return None
    out = np.asarray(values, dtype=float)
    if out.ndim == 0:
        out = np.full(n, float(out))
    if out.shape != (n,):
        raise FitError(f"{what} has shape {out.shape} for {n} rows; one value a row is needed")
    refuse_not_finite(out, what)
    bad = out < 0 if zero else out <= 0
    if bad.any():
        rule = "zero or more" if zero else "more than zero"
        raise FitError(
            f"{what} is out of range in {int(bad.sum())} rows, first at row {int(np.argmax(bad))}; "
            f"it must be {rule}"
        )
    return out


def refuse_undetermined(given: Design, where: str) -> None:
    """Refuse an effect that cannot be told from the error, or that is zero throughout."""
    for i, z in enumerate(given.zs):
        alone = len(given.layout.labels[i]) == len(z) and z.shape[1] == 1
        if alone and np.ptp(np.abs(z)) == 0:
            raise FitError(
                f"{where}: every row is a group of its own at level {i + 1}; its variance cannot be told "
                "from the error variance; drop the level"
            )
        if not z.any(axis=0).all():
            raise FitError(f"{where}: a column of Z of level {i + 1} is zero throughout; drop it")


def refuse_few_groups(n_groups: tuple[int, ...], sizes: tuple[int, ...], where: str) -> None:
    """Refuse a level with fewer groups than effects, or with one group."""
    for i, (groups, q) in enumerate(zip(n_groups, sizes, strict=True)):
        if groups < max(2, q):
            raise FitError(
                f"{where}: level {i + 1} has {groups} group{'s' * (groups != 1)} for {q} random "
                f"effect{'s' * (q != 1)}; at least {max(2, q)} groups are needed; drop the level, "
                "or enter it as fixed effects"
            )
