"""What a mixed-model fit answers, each thing computed when it is first asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import scipy

from analytics.errors import FitError
from analytics.numerics.mixed.design import Layout
from analytics.numerics.mixed.inference import (
    METHODS,
    Contrast,
    KenwardRoger,
    Spread,
    f_test,
    free_entries,
    kenward_roger,
    kenward_roger_test,
    satterthwaite_df,
    satterthwaite_spread,
    satterthwaite_test,
    t_test,
)
from analytics.numerics.mixed.inference import variance_limits as wald_limits
from analytics.numerics.mixed.likelihood import Criterion, along, criterion
from analytics.numerics.mixed.optimise import Evaluate, Optimum, optimise
from analytics.numerics.mixed.parts import Part, Sums
from analytics.numerics.mixed.plan import (
    Levels,
    Plan,
    chain,
    checked_columns,
    checked_levels,
    checked_positive,
    factors,
    with_method,
)
from analytics.numerics.mixed.predict import (
    Conditioned,
    Modes,
    Prediction,
    condition_case,
    conditional_modes,
    predict_rows,
)
from analytics.numerics.mixed.profile import (
    Profile,
    fixed_limits,
    parameter_names,
    parse_name,
    variance_limits,
)

Array = np.ndarray
# Lambda below this share of the residual's scale is tried at zero (lme4's tolerance for a singular fit).
SINGULAR = 1e-4
# Relative curvature below which a combination of variance parameters is not determined by the data.
FLAT = 1e-8
# The one-column Hessian leaves out a REML term of relative size p / groups: with fewer groups a column than
# this at any level (a few clinics, say) the search would only creep.
GROUPS_A_COLUMN = 20
# With at most this many group effects times columns, the exact Hessian costs less than an extra step.
SMALL = 30_000
# From this many blocks on, a fit of the first block gives the start values; it stops when a step promises
# this little.
PILOT_BLOCKS = 3
PILOT_PROMISE = 0.01


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fitted mixed model. Shapes: p fixed effects, q effects and groups by level, levels outermost first.

    Eager: `theta` (d,) variance parameters, to start a similar fit from; `form` the plan; `optimum`.
    Everything else is computed when first asked for.
    """

    form: Plan = field(repr=False)
    optimum: Optimum = field(repr=False)
    evaluate: Evaluate = field(repr=False)
    layout: Layout | None = field(default=None, repr=False)
    parts: tuple[Part, ...] = field(default=(), repr=False)

    @property
    def theta(self) -> Array:
        """Variance parameters in the units of y: start values for a similar fit."""
        return self.optimum.theta * (self.form.unit if self.form.known else 1.0)

    @cached_property
    def beta(self) -> Array:
        """Fixed effects (p,)."""
        p, basis = self.form.p, self.form.basis
        return self.form.unit * (basis[:p, :p] @ self.optimum.point.beta - basis[:p, p])

    @cached_property
    def beta_cov(self) -> Array:
        """Covariance of the fixed effects (p, p), variance parameters taken as known."""
        root = self.form.basis[: self.form.p, : self.form.p]
        return self.form.unit**2 * self.optimum.point.scale * (root @ self.optimum.point.inverse @ root.T)

    @property
    def beta_se(self) -> Array:
        """Standard errors of the fixed effects (p,)."""
        return np.sqrt(np.diag(self.beta_cov))

    @property
    def sigma(self) -> float:
        """Residual standard deviation (of the part not known)."""
        own = self.optimum.theta[-1] if self.form.known else np.sqrt(self.optimum.point.scale)
        return float(self.form.unit * abs(own))

    @cached_property
    def covariances(self) -> list[Array]:
        """Covariance (q, q) of the random effects by level."""
        size = self.form.unit if self.form.known else self.sigma
        return [size**2 * (lam @ lam.T) for lam in factors(self.optimum.theta, self.form)]

    @property
    def loglik(self) -> float:
        """Log-likelihood under the criterion fitted (REML or ML)."""
        form = self.form
        reml = form.method == "REML"
        deviance = self.optimum.point.value + 2 * (form.n - form.p * reml) * np.log(form.unit)
        if reml:
            deviance -= 2.0 * float(np.log(np.diag(form.basis)[: form.p]).sum())
        return -0.5 * float(deviance - (0.0 if form.known else form.log_weights))

    @property
    def n_parameters(self) -> int:
        """Fixed effects, variance parameters and sigma."""
        return self.form.p + self.form.n_theta + (not self.form.known)

    @property
    def aic(self) -> float:
        """Akaike's criterion of the likelihood fitted."""
        return -2.0 * self.loglik + 2.0 * self.n_parameters

    @property
    def bic(self) -> float:
        """Schwarz's criterion: log(n) under ML, log(n - p) under REML."""
        n = self.form.n - (self.form.p if self.form.method == "REML" else 0)
        return -2.0 * self.loglik + float(np.log(n)) * self.n_parameters

    @property
    def converged(self) -> bool:
        """Whether the search reached the optimum."""
        return self.optimum.converged

    @cached_property
    def on_boundary(self) -> list[bool]:
        """Whether the covariance of a level is singular: a variance of zero or a correlation of one."""
        return [
            bool((np.abs(np.diag(lam)) * scale < SINGULAR).any())
            for lam, scale in zip(factors(self.optimum.theta, self.form), self.form.scales, strict=True)
        ]

    @cached_property
    def exact(self) -> tuple[Sums, Criterion]:
        """Sums and criterion at the optimum with the exact Hessian: in large fits, one more pass."""
        sums, form = self.optimum.sums, self.form
        if sums.curve.shape[-1] != form.m:
            sums = self.evaluate(self.optimum.theta, None)
        return sums, criterion(sums, form)

    @cached_property
    def _spread(self) -> Spread:
        sums, point = self.exact
        return satterthwaite_spread(self.optimum.theta, point, sums, self.form)

    @cached_property
    def _kenward_roger(self) -> KenwardRoger:
        sums, point = self.exact
        return kenward_roger(self.optimum.theta, point, sums, self.form)

    @cached_property
    def beta_df(self) -> Array:
        """Satterthwaite's degrees of freedom of the fixed effects (p,)."""
        return satterthwaite_df(self._spread, self._working(np.eye(self.form.p)))

    def _working(self, rows: Array) -> Array:
        """Return contrasts of the fixed effects as contrasts of the working ones."""
        return self.form.unit * (rows @ self.form.basis[: self.form.p, : self.form.p])

    @cached_property
    def beta_cov_kr(self) -> Array:
        """Kenward and Roger's adjusted covariance of the fixed effects (p, p)."""
        rows = self._working(np.eye(self.form.p))
        return rows @ self._kenward_roger.adjusted @ rows.T

    def contrast(self, L: Array, *, method: str = "satterthwaite", null: float | Array = 0.0) -> Contrast:
        """Test L beta against `null`.

        Parameters
        ----------
        L
            A vector (p,) for a t test, or a matrix (r, p) for an F test of all rows together.
        method
            "satterthwaite" or "kenward-roger" (REML fits only).
        null
            Value of L beta under the hypothesis.

        Raises
        ------
        FitError
            If L does not have p columns, or the method is unknown.
        """
        given = np.asarray(L, dtype=float)
        rows = np.atleast_2d(given)
        if rows.shape[1] != self.form.p or method not in METHODS:
            raise FitError(
                f"mixed.contrast: L has {rows.shape[1]} columns for {self.form.p} fixed effects; give one "
                f"column a fixed effect, and a method of {', '.join(METHODS)}"
            )
        estimate, working = rows @ self.beta, self._working(rows)
        adjusted = method == "kenward-roger"
        covariance = self._kenward_roger.adjusted if adjusted else self._spread.covariance
        se = np.sqrt(np.einsum("rp,pq,rq->r", working, covariance, working))
        effect = estimate - null
        if adjusted:
            statistic, df, rank = kenward_roger_test(self._kenward_roger, working, effect)
        else:
            statistic, df, rank = satterthwaite_test(self._spread, working, effect)
        if given.ndim == 1:
            return replace(t_test(float(effect[0]), float(se[0]), df, method), estimate=float(estimate[0]))
        return f_test(estimate, se, statistic, (rank, df), method)

    @property
    def groups(self) -> list[Array]:
        """Codes of the groups by level, in the order of `random`."""
        return [] if self.layout is None else list(self.layout.labels)

    @cached_property
    def modes(self) -> Modes:
        """Conditional modes with their covariance by path (see `numerics.mixed.predict`)."""
        if self.layout is None:
            raise FitError("mixed.modes: the fit was made from sums; random effects stay with the parts")
        point = self.optimum.point
        return conditional_modes(self.optimum.theta, point.beta, point.scale, self.parts, self.form)

    @cached_property
    def random(self) -> list[Array]:
        """Conditional modes (groups, q) by level."""
        return [m[:, :q] for m, q in zip(self.modes.mean, self.form.sizes, strict=True)]

    @cached_property
    def random_se(self) -> list[Array]:
        """Standard deviations of the modes (groups, q) by level, given fixed effects and variances."""
        spreads = zip(self.modes.covariance, self.form.sizes, strict=True)
        return [np.sqrt(np.maximum(np.diagonal(s, axis1=1, axis2=2)[:, :q], 0.0)) for s, q in spreads]

    def predict(self, X: Array, levels: Levels | None = None, *, observation: bool = False) -> Prediction:
        """Return expected values with standard errors, variance parameters taken as known.

        Parameters
        ----------
        X
            Fixed-effect columns (n, p).
        levels
            None for the population mean; else `(codes, Z)` as in the fit: groups the fit has seen bring
            their modes, a new code brings the level's whole covariance.
        observation
            Add sigma^2: limits for a reading rather than for its mean.

        Raises
        ------
        FitError
            If a known inner group is given with another outer group than in the fit.
        """
        x = np.asarray(X, dtype=float)
        if levels is None:
            variance = np.einsum("np,pq,nq->n", x, self.beta_cov, x)
            out = Prediction(x @ self.beta, np.sqrt(variance))
        else:
            codes, zs, _ = checked_levels(levels, len(x), "mixed.predict")
            modes, layout = self.modes, self.layout
            assert layout is not None
            out = predict_rows(
                x,
                codes,
                zs,
                beta=self.beta,
                beta_cov=self.beta_cov,
                covariances=self.covariances,
                modes=modes,
                layout=layout,
            )
        return replace(out, se=np.sqrt(out.se**2 + self.sigma**2)) if observation else out

    def condition(
        self,
        y: Array,
        X: Array,
        levels: Levels,
        *,
        weights: Array | None = None,
        known_variance: Array | None = None,
    ) -> Conditioned:
        """Return modes and joint covariance for a new case from its readings, without a refit.

        Parameters
        ----------
        y, X, levels
            The case's readings (n,), fixed-effect columns (n, p) and `(codes, Z)` by level.
        weights, known_variance
            As in `fit`, for these readings.

        Raises
        ------
        FitError
            If a value is missing or levels are not nested.
        """
        where = "mixed.condition"
        y, x = checked_columns(y, X, where)
        codes, zs, _ = checked_levels(levels, len(y), where)
        weight = checked_positive(weights, len(y), f"{where}: weights", zero=False)
        known = checked_positive(known_variance, len(y), f"{where}: known_variance", zero=True)
        error = np.full(len(y), self.sigma**2) if weight is None else self.sigma**2 / weight
        return condition_case(
            y,
            x,
            codes,
            zs,
            error_variance=error if known is None else error + known,
            beta=self.beta,
            beta_cov=self.beta_cov,
            sigma=self.sigma,
            covariances=self.covariances,
        )

    def profile(self, *, level: float = 0.95, names: Sequence[str] | None = None) -> Profile:
        """Return profile-likelihood limits (see `numerics.mixed.profile`).

        Parameters
        ----------
        names
            Which parameters, as in `profile_names`; all if not given. Each costs some tens of passes over
            the data.

        Raises
        ------
        FitError
            If a name is unknown.
        """
        wanted = tuple(names) if names is not None else self.profile_names
        unknown = set(wanted) - set(self.profile_names)
        if unknown:
            raise FitError(
                f"mixed.profile: {len(unknown)} unknown names; use one of {', '.join(self.profile_names)}"
            )
        rows = np.array([self._limits(name, level) for name in wanted]).reshape(-1, 3)
        return Profile(wanted, rows[:, 0], rows[:, 1], rows[:, 2], level)

    def wald(self, *, level: float = 0.95) -> Profile:
        """Return limits from the curvature at the optimum, named as in `profile` (`mixed.inference`)."""
        estimate, low, high = wald_limits(self.optimum.theta, self.sigma, self._spread, self.form, level)
        half = scipy.stats.t.ppf(0.5 + level / 2.0, self.beta_df) * self.beta_se
        return Profile(
            self.profile_names,
            np.append(estimate, self.beta),
            np.append(low, self.beta - half),
            np.append(high, self.beta + half),
            level,
        )

    @property
    def profile_names(self) -> tuple[str, ...]:
        """Names of what can be profiled: beta[j], sd[level, effect], corr[level, a, b], sigma."""
        return tuple(parameter_names(self.form))

    def _limits(self, name: str, level: float) -> tuple[float, float, float]:
        held = parse_name(name)
        if held.kind == "beta":
            j, ml = held.level, self._by_ml
            low, high = fixed_limits(
                j, ml.evaluate, ml.optimum, ml.form, ml.beta, float(ml.beta_se[j]), level
            )
            return float(self.beta[j]), low, high
        found = variance_limits(held, self.evaluate, self.optimum, self.form, level)
        unit = 1.0 if held.kind == "corr" else self.form.unit
        return (unit * found[0], unit * found[1], unit * found[2])

    @cached_property
    def _by_ml(self) -> MixedFit:
        """The fit by maximum likelihood, for profiles of fixed effects."""
        if self.form.method == "ML":
            return self
        return fit_sums(with_method(self.form, "ML"), self.evaluate, start=self.theta)

    def residuals(self, y: Array, X: Array, levels: Levels | None = None) -> Array:
        """Return y minus the population mean, or, if levels are given, minus the groups' means (n,)."""
        return np.asarray(y, dtype=float) - self.predict(X, levels).mean

    def _determined(self) -> bool:
        """Return whether the data curve the deviance in every variance parameter that is not at zero."""
        free = free_entries(self.optimum.theta, self.form)
        _, hessian = along(self.optimum.point, *chain(self.optimum.theta, self.form))
        inside = hessian[np.ix_(free, free)]
        root = np.sqrt(np.maximum(np.diag(inside), 1e-300))
        return bool((np.linalg.eigvalsh(inside / np.outer(root, root)) > FLAT).all()) if free.any() else True

    @cached_property
    def checks(self) -> dict[str, bool]:
        """Named checks, true where all is well."""
        return {
            "converged": self.converged,
            "not_on_boundary": not any(self.on_boundary) and self.sigma > 0,
            "determined": self._determined(),
            "finite_se": bool(np.isfinite(self.beta_se).all()),
        }


def fit_sums(
    form: Plan, evaluate: Evaluate, *, start: Array | None = None, promise: float | None = None
) -> MixedFit:
    """Fit from sums alone: `evaluate(theta, probe)` returns the added `contributions` of all parts.

    The parts may live in other processes or in other clinics; random effects stay with them.
    """
    first = None if start is None else np.asarray(start, float) / (form.unit if form.known else 1.0)
    if first is not None and (first.shape != (form.n_theta,) or not np.isfinite(first).all()):
        raise FitError(
            f"mixed.fit: start has shape {first.shape} for {form.n_theta} variance parameters; "
            "give the theta of a fit with the same levels, or none"
        )
    size = sum(g * q for g, q in zip(form.n_groups, form.sizes, strict=True)) * form.m
    is_small = size * form.n_theta < SMALL or min(form.n_groups) < GROUPS_A_COLUMN * form.p
    # Where less than the optimum will do the exact Hessian is not worth its columns, however small the data.
    is_exact = is_small and (promise is None or start is None)
    optimum = optimise(evaluate, form, start=first, exact=is_exact, promise=promise)
    return MixedFit(form, optimum, evaluate)
