"""Fit a curve with fixed and nested random effects on its parameters.

    y = curve(x, parameters) + error,  parameter k of a row = design_k beta_k + its groups' random effects

Four answers, and a fit says which one it holds (`likelihood`):

* *least squares*: no levels; the residual sum of squares is minimised;
* *Lindstrom-Bates*: the curve is made linear at the present fixed effects and conditional modes, the linear
  mixed model of `numerics.mixed` is fitted to the working response, and the two steps alternate until
  nothing moves. The log-likelihood is that of the last linear model, as R's nlme reports it; where random
  effects enter the curve nonlinearly it is an approximation. Any number of nested levels;
* *marginal*: the curve is averaged over its random effects before it is made linear, so that the fixed
  effects are consistent where Lindstrom-Bates leans towards the noise (`numerics.nonlinear.marginal`). Any
  number of nested levels;
* *quadrature*: the marginal likelihood itself, by adaptive Gauss-Hermite quadrature about each group's
  mode. One level, one to three random effects. Exact, and said to be, where they enter linearly.

Sources: Lindstrom & Bates 1990, Biometrics 46:673-87; Pinheiro & Bates 1995, J Comput Graph Stat 4:12-35;
Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, section 7.2 (from memory).
"""

from collections.abc import Callable, Sequence

from analytics.errors import FitError, ParameterError
from analytics.numerics.nonlinear import alternating, least_squares, marginal, quadrature
from analytics.numerics.nonlinear.model import NonlinearFit, build, flat_start

METHODS = ("lindstrom-bates", "marginal", "quadrature")
CRITERIA = ("ML", "REML")


def fit(
    y,
    x,
    curve: Callable,
    start,
    *,
    designs: Sequence,
    levels: Sequence,
    method: str = "lindstrom-bates",
    criterion: str = "ML",
    known_variance=None,
    longest_step: Sequence[float] | None = None,
    near: Sequence | None = None,
    prior: tuple | None = None,
) -> NonlinearFit:
    """Fit a nonlinear (mixed) model.

    Parameters
    ----------
    y
        Shape (n,), finite.
    x
        Shape (n,) or (n, k), finite: what the curve takes.
    curve
        curve(x, parameters (n, r)) returns the mean, shape (n,), or the mean with its derivatives, shape
        (n, r); without them they are taken by central differences.
    start
        Starting fixed effects, one array per parameter or all in one vector (`curves.start` gives them for
        shipped shapes).
    designs
        One design matrix per parameter, (n, p_k); None is one common value.
    levels
        [(codes (n,), {parameter: structure}), ...], outermost first, each nested in the one before; a
        structure is "full", "diagonal" or "identity", or (structure, Z) with Z (n, q) multiplying the
        random effects. Parameters of one level with "full" share one covariance matrix. No levels: least
        squares.
    method
        "lindstrom-bates", "marginal" or "quadrature".
    criterion
        "ML" or "REML" of the linearised model; quadrature is ML.
    known_variance
        Shape (n,): sampling variances added to sigma squared; or (Lindstrom-Bates) a function of the
        population curve, (n,) to (n,), taken anew in each pass.
    longest_step
        One per parameter (marginal only): how far it may move in one pass, so that a parameter the data
        hardly determine cannot run off.
    near
        Covariances of a similar fit to begin from (marginal only), one per block of random effects that
        share a structure, in the order of `levels`; those of another shape are passed over.
    prior
        Mean and precision of what is known of the fixed effects beforehand, (p,) each, 0 where nothing is
        (marginal only): normal, independent. `beta_cov` stays that of the linear model without it.

    Raises
    ------
    FitError
        When arrays do not fit together, a level is not nested, or the engine cannot take the model.
    ParameterError
        When an option is unknown.

    Examples
    --------
    Two parameters, two rows: the curve passes through both.

    >>> import numpy as np
    >>> line = lambda x, p: p[:, 0] * np.exp(p[:, 1] * x)
    >>> found = fit([2.0, 4.0], [0.0, 1.0], line, [1.0, 0.0], designs=[None, None], levels=[])
    >>> [round(float(b), 6) for b in found.beta], round(float(np.log(2)), 6)
    ([2.0, 0.693147], 0.693147)
    """
    if method not in METHODS or criterion not in CRITERIA:
        raise ParameterError(
            f"nonlinear.fit(method, criterion): unknown; use one of {', '.join(METHODS)} "
            f"and {' or '.join(CRITERIA)}"
        )
    model = build(y, x, curve, designs=designs, levels=levels)
    beta = flat_start(start, model)
    if not model.blocks:
        if known_variance is not None:
            raise FitError(
                "nonlinear.fit(known_variance): there are no levels, and least squares weighs all rows "
                "alike; give a level or leave known_variance out"
            )
        return least_squares.fit(model, beta)
    if method == "quadrature":
        return quadrature.fit(model, beta, known_variance)
    if method == "marginal":
        return marginal.fit(
            model,
            beta,
            known_variance,
            criterion=criterion,
            longest_step=longest_step,
            near=near,
            prior=prior,
        )
    return alternating.fit(model, beta, known_variance, criterion=criterion)
