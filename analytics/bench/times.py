"""When is a milestone reached: time ratios by a formula, first readings known only to lie between two visits.

    times("80 % ~ smoker", records)

A time ratio of 1.2 means that the milestone comes a fifth later. Errors are clustered in patients. Where
placements may never reach the milestone, the ratio mixes later with fewer; 25 % is purest (see the page of
the audit on the share that never reaches).

Source: Kalbfleisch & Prentice 2002, The Statistical Analysis of Failure Time Data, chapter 3 (from memory).
"""

import html
import re
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from formulaic import Formula

from analytics import milestones
from analytics.bench import pictures
from analytics.bench.formula import variables_of
from analytics.bench.units import units
from analytics.errors import FitError, ParameterError
from analytics.numerics import diagnostics, time_ratios
from analytics.records import Records
from analytics.results import LEVEL, limits

PERCENT = re.compile(r"^\s*([0-9]+(?:\.[0-9]+)?)\s*%?\s*$")


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """Time ratios of a formula: `fit` on the log scale, `frame` and `X` one row per zone."""

    formula: str
    frame: pd.DataFrame
    X: np.ndarray = field(repr=False)
    terms: tuple[str, ...]
    fit: time_ratios.TimeRatioFit = field(repr=False)
    n_left_out: int = 0

    def tidy(self, *, level: float = LEVEL) -> pd.DataFrame:
        """Return one row per term but the constant: time_ratio, its log and error, statistic, df, p, limits.

        Limits are of t with one less than the number of patients.

        Returns
        -------
        pandas.DataFrame
            A row per term; `estimate` and limits of the log, `time_ratio` and its limits: 2 is twice as long.
        """
        from scipy import stats

        df = max(self.frame["patient_id"].nunique() - 1, 1)
        rows = []
        for j, term in enumerate(self.terms):
            if term == "Intercept":
                continue
            log, se = float(self.fit.beta[j]), float(np.sqrt(self.fit.cov_robust[j, j]))
            low, high = limits(log, se, level=level, df=df)
            p = float(2 * stats.t.sf(abs(log / se), df))
            rows.append((term, np.exp(log), log, se, log / se, df, p, np.exp(low), np.exp(high)))
        names = [
            "term",
            "time_ratio",
            "estimate",
            "std_error",
            "statistic",
            "df",
            "p_value",
            "conf_low",
            "conf_high",
        ]
        return pd.DataFrame(rows, columns=names)

    def plot(self, ax=None):
        """Draw the time ratios with limits on a logarithmic scale, 1 marked; return the axes.

        Parameters
        ----------
        ax
            Matplotlib axes of one's own.

        Examples
        --------
        >>> from analytics import simulate
        >>> found = times("50 % ~ smoker", simulate.as_records(simulate.register(40)[0]))
        >>> found.plot().get_xlabel().splitlines()[0]
        'time ratio of 50 % of planted hairs (above 1: later)'
        """
        told = self.tidy()
        told = told.assign(estimate=told["time_ratio"])
        what = f"time ratio of {self.formula.partition('~')[0].strip()} of planted hairs (above 1: later)"
        return pictures.dots(told, ax, what=what, of=repr(self).partition(": ")[2], at=1.0)

    def __repr__(self) -> str:
        reached = int(np.isfinite(self.frame["right"]).sum())
        return f"Times {self.formula}: {len(self.frame)} planted zones, {reached} reached it"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(repr(self))}</p>{self.tidy().round(4).to_html(index=False)}"


def times(formula: str, records: Records, *, family: str = "log-logistic") -> Times:
    """Fit time ratios of a milestone.

    Parameters
    ----------
    formula
        Percent of planted hairs ~ terms, such as `80 % ~ zone + smoker`; `50 % ~ zone + zone:smoker` asks
        for the smokers' ratio in each zone. Terms are of columns of `units(records).codebook()`.
    family
        Of `numerics.time_ratios`: log-logistic, log-normal or weibull.

    Returns
    -------
    Times
        With `tidy()` (time ratios, their logarithms and errors clustered in patients) and `plot()`.

    Raises
    ------
    ParameterError
        When the formula is not understood.
    FitError
        When nobody reached the milestone.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> list(times("50 % ~ smoker", clinic).tidy()["term"])
    ['smoker']
    """
    left, sign, right = formula.partition("~")
    found = PERCENT.match(left)
    if not sign or not found:
        raise ParameterError("times: write percent ~ terms, such as 80 % ~ smoker")
    spans = milestones.intervals(records, percent=float(found.group(1)))
    seen = spans.loc[spans["reason"].fillna("").eq(""), ["placement_id", "left", "right"]]
    known = units(records).frame.drop(columns=["reason", "is_due"])
    whole = seen.astype({"placement_id": object}).merge(known, on="placement_id", how="left")
    variables = variables_of(right.strip(), whole, "times")
    kept = whole.dropna(subset=sorted(variables)).reset_index(drop=True)
    X = Formula(right.strip()).get_model_matrix(kept, output="pandas")
    repeated = [
        str(c) for j, c in enumerate(X.columns) if j not in diagnostics.independent(X.to_numpy(dtype=float))
    ]
    if repeated:
        raise FitError(
            f"times: {', '.join(repeated)} cannot be told apart from the terms before; take it out"
        )
    fit = time_ratios.fit(
        kept["left"].to_numpy(dtype=float),
        kept["right"].to_numpy(dtype=float),
        X.to_numpy(dtype=float),
        family=family,
        patient=kept["patient_id"].astype(str).to_numpy(),
    )
    return Times(formula, kept, X.to_numpy(dtype=float), tuple(X.columns), fit, len(whole) - len(kept))
