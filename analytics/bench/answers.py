"""A question of one's own as a result that a page shows: the formula's numbers, checked, beside a plain fit.

The plain fits are those that a reader can repeat: statsmodels MixedLM (a patient intercept, counting
variances not known to it) and lifelines (the same intervals, errors not clustered). They agree
nearly, not wholly, for these two reasons.
"""

import warnings

import numpy as np
import pandas as pd

from analytics import results
from analytics.bench.formula import Model, model
from analytics.bench.times import Times, times
from analytics.bench.units import Units, units
from analytics.records import Records
from analytics.results import LEVEL, Result

POINTS = "points of yield"


def answer(records: Records, *, formula: str, compared: str = "", level: float = LEVEL) -> Result:
    """Return the coefficients of a formula as a result, with what speaks for and against them.

    Parameters
    ----------
    formula
        As `model` takes it.
    compared
        A variable of the formula whose adjusted means are wanted.

    Returns
    -------
    Result
        One line per coefficient. `extra`: means, left_out, patients, observed, plain (frames).

    Raises
    ------
    ParameterError, FitError
        As `model`; and when the formula lacks `compared`.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> answer(clinic, formula="yield_pct ~ method").table()["term"].tolist()
    ['Intercept', 'method[T.FUT]']
    """
    given = units(records)
    fitted = model(formula, given)
    told = fitted.diagnose()
    frames = {
        "means": fitted.means(compared, level=level) if compared else pd.DataFrame(),
        "left_out": given.left_out(),
        "patients": told.patients.sort_values("cook", ascending=False).head(5),
        "observed": told.observed,
        "plain": beside_statsmodels(fitted),
    }
    named = (f"not estimated: {', '.join(fitted.not_estimated)}",) if fitted.not_estimated else ()
    lines = [
        results.line(
            row.term,
            row.estimate,
            POINTS if formula.split("~")[0].strip() == "yield_pct" else "units of the outcome",
            se=row.std_error,
            ci=(row.conf_low, row.conf_high),
            level=level,
            basis="model",
            n_patients=int(fitted.frame["patient_id"].nunique()),
            n_rows=len(fitted.frame),
            statistic=row.statistic,
            df=row.df,
            p_value=row.p_value,
        )
        for row in fitted.tidy(level=level).itertuples()
    ]
    return Result(
        pd.DataFrame(lines), _used(given), f"{formula}; {fitted.method}", checks=fitted.checks,
        notes=(*named, *told.flags), extra=frames,
    )  # fmt: skip


def time_answer(records: Records, *, formula: str, level: float = LEVEL) -> Result:
    """Return the time ratios of a milestone as a result; `extra` holds the plain fit beside them.

    Parameters
    ----------
    formula
        As `times` takes it.

    Returns
    -------
    Result
        One line per term, the time ratio with limits. `extra["plain"]`: logarithms beside lifelines'.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> time_answer(clinic, formula="50 % ~ smoker").table()["term"].tolist()
    ['smoker']
    """
    fitted = times(formula, records)
    patients = int(fitted.frame["patient_id"].nunique())
    lines = [
        results.line(
            row.term,
            row.time_ratio,
            "time ratio",
            ci=(row.conf_low, row.conf_high),
            level=level,
            basis="model",
            n_patients=patients,
            n_rows=len(fitted.frame),
            statistic=row.statistic,
            df=row.df,
            p_value=row.p_value,
        )
        for row in fitted.tidy(level=level).itertuples()
    ]
    method = (
        f"{formula}; log-logistic time ratios of first readings at or above the milestone, known to lie "
        "between two visits, errors clustered in patients"
    )
    return Result(
        pd.DataFrame(lines), fitted.frame.assign(reason=""), method, checks=dict(fitted.fit.checks),
        extra={"plain": beside_lifelines(fitted)},
    )  # fmt: skip


def beside_statsmodels(fitted: Model) -> pd.DataFrame:
    """Return each coefficient beside that of a plain statsmodels fit of the same rows, patients as groups.

    Parameters
    ----------
    fitted
        Of `model`.

    Returns
    -------
    pandas.DataFrame
        One row per coefficient: `term`, `here`, `plain` (statsmodels, without counting variances) and
        `difference`, in the units of the outcome.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> beside_statsmodels(model("yield_pct ~ method", clinic)).columns.tolist()
    ['term', 'here', 'plain', 'difference']
    """
    import statsmodels.api as sm

    with warnings.catch_warnings():
        # Its warnings speak of its own search, which is not ours.
        warnings.simplefilter("ignore")
        if fitted.mixed_fit is None:
            plain = sm.OLS(fitted.y, fitted.X).fit().params
        else:
            plain = sm.MixedLM(fitted.y, fitted.X, fitted.patient).fit(reml=True).fe_params
    return _beside(fitted.tidy().set_index("term")["estimate"], np.asarray(plain))


def beside_lifelines(fitted: Times) -> pd.DataFrame:
    """Return each log time ratio beside the one of a plain lifelines fit on the same intervals."""
    from lifelines import LogLogisticAFTFitter

    X = pd.DataFrame(fitted.X, columns=[f"x{j}" for j in range(fitted.X.shape[1])])
    told = [j for j, term in enumerate(fitted.terms) if term != "Intercept"]
    frame = X[[f"x{j}" for j in told]].assign(
        # It takes no interval that begins at 0.
        left=fitted.frame["left"].clip(lower=1e-9).to_numpy(),
        right=fitted.frame["right"].to_numpy(),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        plain = LogLogisticAFTFitter().fit_interval_censoring(frame, "left", "right").params_["alpha_"]
    return _beside(fitted.tidy().set_index("term")["estimate"], plain[[f"x{j}" for j in told]].to_numpy())


def _beside(ours: pd.Series, plain: np.ndarray) -> pd.DataFrame:
    out = pd.DataFrame({"term": ours.index, "here": ours.to_numpy(), "plain": plain})
    return out.assign(difference=out["here"] - out["plain"])


def _used(given: Units) -> pd.DataFrame:
    return given.frame[["patient_id", "placement_id", "zone", "reason"]]
