"""Nonlinear least squares: the engine where there are no levels.

Source: Moré 1978, The Levenberg-Marquardt algorithm, as MINPACK has it, through scipy.
"""

import warnings

import numpy as np
import scipy

from analytics.errors import FitError
from analytics.numerics.nonlinear.model import Model, NonlinearFit, slices_of

# As tight as double precision allows: certified values are given to eleven digits.
_TOLERANCE = 1e-15
# A direction whose singular value is this small beside the largest is not determined by the data.
_UNDETERMINED = 1e-8
# A curve through every reading leaves rounding alone; its log-likelihood is then a very large number.
_TINY = 1e-300
_ROUNDING = 1e-24


def fit(model: Model, start: np.ndarray) -> NonlinearFit:
    """Minimise the residual sum of squares from `start`, shape (p,).

    Raises
    ------
    FitError
        When the curve is not finite at the start.
    """

    def residuals(beta):
        return model.evaluate(model.parameters(beta, []))[0] - model.y

    def slopes(beta):
        return model.fixed_slopes(model.evaluate(model.parameters(beta, []))[1])

    with warnings.catch_warnings(record=True) as caught, np.errstate(all="ignore"):
        warnings.simplefilter("always")
        found = _minimise(residuals, slopes, start)
    return _answer(model, found, no_warnings=not caught)


def _minimise(residuals, slopes, start):
    kind = "lm" if len(residuals(start)) >= len(start) else "trf"
    options = {"xtol": _TOLERANCE, "ftol": _TOLERANCE, "gtol": _TOLERANCE, "max_nfev": 2000}
    try:
        return scipy.optimize.least_squares(
            residuals, start, jac=slopes, method=kind, x_scale="jac", **options
        )
    except ValueError as problem:
        raise FitError(
            "nonlinear.fit(start): the curve is not finite at the starting values; give others"
        ) from problem


def _answer(model: Model, found, *, no_warnings: bool) -> NonlinearFit:
    n, p = len(model.y), model.n_fixed
    singular = np.linalg.svd(
        found.jac / np.maximum(np.linalg.norm(found.jac, axis=0), 1e-300), compute_uv=False
    )
    determined = bool(n >= p and singular[-1] > _UNDETERMINED * singular[0])
    rss = float(2 * found.cost)
    sigma2 = rss / max(n - p, 1)
    cov = sigma2 * np.linalg.pinv(found.jac.T @ found.jac) if determined else np.full((p, p), np.nan)
    spread = max(rss / n, _TINY)
    fitted = model.evaluate(model.parameters(found.x, []))[0]
    loglik = -0.5 * (n * float(np.log(2 * np.pi * spread)) + rss / spread)
    # The steps end where rounding does: judged by the gradient beside the sizes of residual and slope.
    slope_size = np.linalg.norm(found.jac, axis=0) * np.sqrt(rss) + 1e-300
    exact = rss <= _ROUNDING * float(model.y @ model.y)
    converged = bool(found.success and (exact or np.all(np.abs(found.grad) <= 1e-5 * slope_size)))
    words = () if determined else ("a parameter is not determined by the data",)
    return NonlinearFit(
        beta=found.x,
        beta_cov=cov,
        beta_se=np.sqrt(np.diag(cov)),
        slices=slices_of(model),
        sigma=float(np.sqrt(sigma2)),
        covariances=(),
        random=(),
        random_se=(),
        loglik=loglik,
        aic=2 * (p + 1) - 2 * loglik,
        bic=float(np.log(n)) * (p + 1) - 2 * loglik,
        likelihood="least squares",
        fitted=fitted,
        population=fitted,
        known_variance=np.zeros(n),
        converged=converged,
        on_boundary=(),
        n_iterations=int(found.nfev),
        checks={
            "converged": converged,
            "no_warnings": no_warnings,
            "not_on_boundary": True,
            "finite_se": bool(np.isfinite(cov).all()),
            "determined": determined,
        },
        words=words,
        residual_df=float(max(n - p, 1)),
        model=model,
    )
