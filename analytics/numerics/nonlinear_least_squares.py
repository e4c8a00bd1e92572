"""Nonlinear least squares: the engine where there are no levels."""

import warnings

import numpy as np
from scipy.optimize import least_squares

from analytics.errors import FitError
from analytics.numerics.nonlinear_model import Model, NonlinearFit, slices_of

# As tight as double precision allows: certified values are given to eleven digits.
_TOLERANCE = 1e-15
# A direction whose singular value is this small beside the largest is not determined by the data.
_UNDETERMINED = 1e-8


def fit(model: Model, start: np.ndarray, known_variance: np.ndarray | None) -> NonlinearFit:
    """Minimise the (weighted) residual sum of squares from `start`.

    Source: Moré 1978, The Levenberg-Marquardt algorithm, as MINPACK has it, through scipy.
    """
    weight = np.ones(len(model.y)) if known_variance is None else 1.0 / np.sqrt(known_variance)

    def residuals(beta):
        return weight * (model.evaluate(model.parameters(beta, []))[0] - model.y)

    def slopes(beta):
        return weight[:, None] * model.fixed_slopes(model.evaluate(model.parameters(beta, []))[1])

    with warnings.catch_warnings(record=True) as caught, np.errstate(all="ignore"):
        warnings.simplefilter("always")
        found = _minimise(residuals, slopes, start)
    return _answer(model, found, known_variance, no_warnings=not caught)


def _minimise(residuals, slopes, start):
    kind = "lm" if len(residuals(start)) >= len(start) else "trf"
    options = {"xtol": _TOLERANCE, "ftol": _TOLERANCE, "gtol": _TOLERANCE, "max_nfev": 2000}
    try:
        return least_squares(residuals, start, jac=slopes, method=kind, x_scale="jac", **options)
    except ValueError as problem:
        raise FitError(
            "nonlinear.fit(start): the curve is not finite at the starting values; give others"
        ) from problem


def _answer(model: Model, found, known_variance, *, no_warnings: bool) -> NonlinearFit:
    n, p = len(model.y), model.n_fixed
    singular = np.linalg.svd(
        found.jac / np.maximum(np.linalg.norm(found.jac, axis=0), 1e-300), compute_uv=False
    )
    determined = bool(n >= p and singular[-1] > _UNDETERMINED * singular[0])
    rss = float(2 * found.cost)
    sigma2 = rss / max(n - p, 1)
    scale = sigma2 if known_variance is None else max(1.0, sigma2)
    cov = scale * np.linalg.pinv(found.jac.T @ found.jac) if determined else np.full((p, p), np.nan)
    spread = np.full(n, rss / n) if known_variance is None else known_variance
    fitted = model.evaluate(model.parameters(found.x, []))[0]
    loglik = -0.5 * float(np.sum(np.log(2 * np.pi * spread) + (model.y - fitted) ** 2 / spread))
    # The steps end where rounding does: judged by the gradient beside the sizes of residual and slope.
    slope_size = np.linalg.norm(found.jac, axis=0) * np.sqrt(rss) + 1e-300
    converged = bool(found.success and np.all(np.abs(found.grad) <= 1e-5 * slope_size))
    n_free = p + (known_variance is None)
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
        aic=2 * n_free - 2 * loglik,
        bic=np.log(n) * n_free - 2 * loglik,
        likelihood="least squares",
        fitted=fitted,
        population=fitted,
        known_variance=np.zeros(n) if known_variance is None else known_variance,
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
