"""What the nonlinear engines share: the model in arrays, its slopes, and the shape of the answer."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analytics.errors import FitError, ParameterError
from analytics.numerics.mixed import MixedFit

STRUCTURES = ("full", "diagonal", "identity")
# Central differences: the cube root of the machine's precision balances rounding and curvature.
_STEP = float(np.finfo(float).eps ** (1 / 3))


@dataclass(frozen=True, slots=True)
class RandomBlock:
    """Random effects of one grouping that share a covariance; `columns` pairs a parameter with its design."""

    codes: np.ndarray
    n_groups: int
    columns: tuple[tuple[int, np.ndarray], ...]
    structure: str

    @property
    def size(self) -> int:
        """Return the number of random effects per group."""
        return len(self.columns)


@dataclass(frozen=True, slots=True)
class Model:
    """A nonlinear mixed model in arrays: what every engine needs to evaluate curve and slopes."""

    y: np.ndarray
    x: np.ndarray
    curve: Callable
    designs: tuple[np.ndarray, ...]
    blocks: tuple[RandomBlock, ...]
    level_of_block: tuple[int, ...]

    @property
    def n_fixed(self) -> int:
        """Return the number of fixed effects."""
        return sum(d.shape[1] for d in self.designs)

    def parameters(self, beta: np.ndarray, random: Sequence[np.ndarray]) -> np.ndarray:
        """Return the parameters of every row, shape (n, r)."""
        values = np.empty((len(self.y), len(self.designs)))
        at = 0
        for k, design in enumerate(self.designs):
            values[:, k] = design @ beta[at : at + design.shape[1]]
            at += design.shape[1]
        for block, modes in zip(self.blocks, random, strict=True):
            for j, (k, z) in enumerate(block.columns):
                values[:, k] += z * modes[block.codes, j]
        return values

    def evaluate(self, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the curve, shape (n,), and its slopes in the parameters, shape (n, r)."""
        answer = self.curve(self.x, parameters)
        if isinstance(answer, tuple):
            return answer
        slopes = np.empty_like(parameters)
        for k in range(parameters.shape[1]):
            step = _STEP * np.maximum(np.abs(parameters[:, k]), 1e-3)
            above, below = parameters.copy(), parameters.copy()
            above[:, k] += step
            below[:, k] -= step
            rise = np.asarray(self.curve(self.x, above)) - np.asarray(self.curve(self.x, below))
            slopes[:, k] = rise / (above[:, k] - below[:, k])
        return np.asarray(answer, dtype=float), slopes

    def fixed_slopes(self, slopes: np.ndarray) -> np.ndarray:
        """Return the derivative of the curve in every fixed effect, shape (n, p)."""
        return np.hstack([slopes[:, k : k + 1] * d for k, d in enumerate(self.designs)])

    def random_slopes(self, slopes: np.ndarray) -> list[np.ndarray]:
        """Return the derivative of the curve in each block's random effects, shapes (n, q)."""
        return [np.column_stack([slopes[:, k] * z for k, z in block.columns]) for block in self.blocks]

    def no_effects(self) -> list[np.ndarray]:
        """Return random effects of 0 for every block."""
        return [np.zeros((block.n_groups, block.size)) for block in self.blocks]


@dataclass(frozen=True, slots=True)
class Linearised:
    """The curve made linear: mean (n,), and slopes in fixed effects X (n, p) and in each block's Z (n, q)."""

    mean: np.ndarray
    X: np.ndarray
    Z: tuple[np.ndarray, ...]


@dataclass(frozen=True, slots=True)
class NonlinearFit:
    """A fitted nonlinear (mixed) model.

    `beta` holds the fixed effects of the parameters one after another (`slices[k]` are those of parameter
    k), with `beta_cov`, `beta_se` and `beta_df`. `covariances` and `random` hold one entry a level,
    outermost first, their columns in the order of the level's parameters; `random_se` the conditional
    standard errors. `likelihood` says in words what `loglik` is. `linear` is the last linear mixed model
    (Lindstrom-Bates), which answers contrasts; `fitted` includes the random effects, `population` does not.
    """

    beta: np.ndarray
    beta_cov: np.ndarray
    beta_se: np.ndarray
    slices: tuple[slice, ...]
    sigma: float
    covariances: tuple[np.ndarray, ...]
    random: tuple[np.ndarray, ...]
    random_se: tuple[np.ndarray, ...]
    loglik: float
    aic: float
    bic: float
    likelihood: str
    fitted: np.ndarray
    population: np.ndarray
    known_variance: np.ndarray
    converged: bool
    on_boundary: tuple[bool, ...]
    n_iterations: int
    checks: dict[str, bool]
    words: tuple[str, ...] = ()
    residual_df: float = np.inf
    linear: MixedFit | None = field(default=None, repr=False)
    working: Linearised | None = field(default=None, repr=False)
    model: Model | None = field(default=None, repr=False)

    @property
    def beta_df(self) -> np.ndarray:
        """Return degrees of freedom: Satterthwaite's of the linear model, or of the residual."""
        return np.full(len(self.beta), self.residual_df) if self.linear is None else self.linear.beta_df

    @property
    def rss(self) -> float:
        """Return the residual sum of squares about `fitted`."""
        residual = self.model.y - self.fitted if self.model is not None else np.array([np.nan])
        return float(residual @ residual)


def of_linear(
    model: Model, linear: MixedFit, beta, random, *, known_variance, converged: bool, **known: Any
) -> NonlinearFit:
    """Return the fit whose variances, likelihood and checks are those of its last linear mixed model.

    `known` holds what the linear model cannot know: likelihood in words, means, passes, working response.
    """
    return NonlinearFit(
        beta=beta,
        beta_cov=linear.beta_cov,
        beta_se=linear.beta_se,
        slices=slices_of(model),
        sigma=linear.sigma,
        covariances=gather(model, linear.covariances, square=True),
        random=gather(model, random, square=False),
        random_se=gather(model, linear.random_se, square=False),
        loglik=linear.loglik,
        aic=linear.aic,
        bic=linear.bic,
        known_variance=np.zeros(len(model.y)) if known_variance is None else known_variance,
        converged=converged,
        on_boundary=tuple(linear.on_boundary),
        checks={**linear.checks, "converged": converged},
        linear=linear,
        model=model,
        **known,
    )


def build(y, x, curve: Callable, *, designs: Sequence, levels: Sequence) -> Model:
    """Check the arrays and lay them out, or say in one sentence what is wrong.

    Raises
    ------
    FitError
        When arrays differ in length, hold values that are not finite, or a level is not nested.
    ParameterError
        When a structure or a parameter is unknown.
    """
    y = np.asarray(y, dtype=float)
    x = np.asarray(x, dtype=float)
    n = len(y)
    laid = tuple(np.ones((n, 1)) if d is None else np.asarray(d, dtype=float).reshape(n, -1) for d in designs)
    if len(x) != n:
        raise FitError(f"nonlinear.fit(x): {len(x)} rows, but y has {n}; both need one row a reading")
    for name, array in (("y", y), ("x", x), *((f"designs[{k}]", d) for k, d in enumerate(laid))):
        bad = ~np.isfinite(array).reshape(n, -1).all(axis=1)
        if bad.any():
            raise FitError(
                f"nonlinear.fit({name}): {int(bad.sum())} row(s) not finite, first at row "
                f"{int(bad.argmax())}; leave such rows out before fitting"
            )
    blocks: list[RandomBlock] = []
    owner: list[int] = []
    outer = None
    for at, (codes, effects) in enumerate(levels):
        compact, n_groups = _compact_codes(codes, n, outer, at)
        outer = compact
        made = _blocks_of_level(compact, n_groups, effects, len(laid), n)
        blocks.extend(made)
        owner.extend([at] * len(made))
    return Model(y, x, curve, laid, tuple(blocks), tuple(owner))


def _compact_codes(codes, n: int, outer: np.ndarray | None, at: int) -> tuple[np.ndarray, int]:
    values, compact = np.unique(np.asarray(codes), return_inverse=True)
    if len(compact) != n:
        raise FitError(f"nonlinear.fit(levels[{at}]): {len(compact)} codes, but y has {n} rows")
    if outer is not None and len(np.unique(np.column_stack([outer, compact]), axis=0)) != len(values):
        raise FitError(
            f"nonlinear.fit(levels[{at}]): its groups cross those of the level before; "
            "each level must be nested in the one before"
        )
    return compact, len(values)


def _blocks_of_level(codes, n_groups: int, effects: Mapping, n_parameters: int, n: int) -> list[RandomBlock]:
    by_structure: dict[str, list[tuple[int, np.ndarray]]] = {}
    for parameter, how in effects.items():
        structure, z = how if isinstance(how, tuple) else (how, np.ones(n))
        if structure not in STRUCTURES or not 0 <= parameter < n_parameters:
            raise ParameterError(
                "nonlinear.fit(levels): unknown parameter or structure; name parameters by their position "
                f"(0 to {n_parameters - 1}) and use one of {', '.join(STRUCTURES)}"
            )
        columns = np.asarray(z, dtype=float).reshape(n, -1)
        by_structure.setdefault(structure, []).extend((parameter, c) for c in columns.T)
    return [
        RandomBlock(codes, n_groups, tuple(columns), structure) for structure, columns in by_structure.items()
    ]


def slices_of(model: Model) -> tuple[slice, ...]:
    """Return where each parameter's fixed effects stand in beta."""
    ends = np.cumsum([d.shape[1] for d in model.designs])
    return tuple(slice(int(e) - d.shape[1], int(e)) for e, d in zip(ends, model.designs, strict=True))


def flat_start(start, model: Model) -> np.ndarray:
    """Return the starting fixed effects as one vector, whether given flat or one array per parameter."""
    if len(start) == len(model.designs) and any(np.ndim(s) for s in start):
        start = np.concatenate([np.atleast_1d(np.asarray(s, dtype=float)) for s in start])
    flat = np.asarray(start, dtype=float).ravel()
    if len(flat) != model.n_fixed or not np.isfinite(flat).all():
        raise ParameterError(
            f"nonlinear.fit(start): {len(flat)} values, some perhaps not finite; expected {model.n_fixed} "
            "finite ones, one a column of the designs"
        )
    return flat


def gather(model: Model, per_block: Sequence[np.ndarray], *, square: bool) -> tuple[np.ndarray, ...]:
    """Return one array a level from one a block: columns side by side, or covariances block by block."""
    out = []
    for level in sorted(set(model.level_of_block)):
        parts = [a for a, owner in zip(per_block, model.level_of_block, strict=True) if owner == level]
        if not square:
            out.append(np.hstack(parts))
            continue
        size = sum(len(p) for p in parts)
        whole, at = np.zeros((size, size)), 0
        for p in parts:
            whole[at : at + len(p), at : at + len(p)] = p
            at += len(p)
        out.append(whole)
    return tuple(out)
