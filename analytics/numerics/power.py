"""How many patients are needed, what can be found with those there are, and what is left of many tests?

Closed forms: a t test of two groups, one group or pairs (noncentral t, through statsmodels), the difference
that a standard error can find, and the effective number of independent rows in patients of unequal size. They
are what a simulated power is checked against; where the register's own pattern is known, simulation comes
first (`study.design`).

When many questions are asked of the same data their p-values are adjusted (`adjust`): Bonferroni, Holm,
Hommel and Benjamini-Hochberg through statsmodels; a missing p-value stays missing and does not count as a
test.

Sources: Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, 2nd ed.; Cohen 1992, Psychol Bull
112:155-159; Kish 1965, Survey Sampling (design effect); Holm 1979, Scand J Stat 6:65-70; Benjamini & Hochberg
1995, J R Stat Soc B 57:289-300.
"""

from __future__ import annotations

import warnings

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import FitError, ParameterError

DESIGNS = ("two groups", "one group", "pairs")
SIDES = {1: "larger", 2: "two-sided"}
METHODS = {"bonferroni": "bonferroni", "holm": "holm", "hommel": "hommel", "benjamini-hochberg": "fdr_bh"}


def t_test_power(
    difference: float, n: float, *, alpha: float = 0.05, design: str = "two groups", sides: int = 2,
    ratio: float = 1.0,
) -> float:  # fmt: skip
    """Return the power of a t test.

    Parameters
    ----------
    difference
        Standardised: the difference of means over the standard deviation (of the differences, for pairs).
    n
        Patients in the first group, in the one group, or pairs; 2 or more.
    alpha
        Size of the test, 0 to 1.
    design
        One of DESIGNS.
    sides
        1 or 2.
    ratio
        Patients of the second group for each of the first.

    Returns
    -------
    float
        Chance of 0 to 1.

    Raises
    ------
    ParameterError
        When an argument is unknown or out of range.

    Examples
    --------
    >>> round(t_test_power(0.0, 20), 6)
    0.05
    """
    _check(design, sides, alpha)
    if not n >= 2:
        raise ParameterError("power.t_test_power(n): below 2; a spread needs two patients")
    from statsmodels.stats.power import TTestIndPower, TTestPower

    if design == "two groups":
        found = TTestIndPower().power(difference, n, alpha, ratio=ratio, alternative=SIDES[sides])
    else:
        found = TTestPower().power(difference, n, alpha, alternative=SIDES[sides])
    return float(found)


def t_test_n(
    difference: float, *, power: float = 0.8, alpha: float = 0.05, design: str = "two groups", sides: int = 2,
    ratio: float = 1.0, normal: bool = False,
) -> float:  # fmt: skip
    """Return how many are needed (not rounded): in the first group, in the one group, or pairs.

    Parameters
    ----------
    difference, alpha, design, sides, ratio
        As in `t_test_power`; the difference is not 0.
    power
        Wanted, 0 to 1.
    normal
        Take the spread as known: the textbook formula, a little too small.

    Returns
    -------
    float
        Patients or pairs.

    Raises
    ------
    ParameterError
        When an argument is unknown or out of range.
    FitError
        When no number is found.

    Source
    ------
    Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, section 2.4.

    Examples
    --------
    >>> round(t_test_n(0.5, normal=True), 1)  # 2 (1.96 + 0.84)^2 / 0.5^2
    62.8
    """
    _check(design, sides, alpha)
    if difference == 0 or not 0 < power < 1:
        raise ParameterError(
            "power.t_test_n: a difference of 0 or a power outside 0 to 1; no number of patients does that"
        )
    from statsmodels.stats.power import NormalIndPower, TTestIndPower, TTestPower

    asked = {"effect_size": abs(difference), "alpha": alpha, "power": power, "alternative": SIDES[sides]}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            if normal:
                return float(NormalIndPower().solve_power(ratio=ratio, **asked))
            if design == "two groups":
                return float(TTestIndPower().solve_power(ratio=ratio, **asked))
            return float(TTestPower().solve_power(**asked))
        except (Warning, ValueError):
            raise FitError(
                "power.t_test_n: no number of patients was found; the difference is too large or too small"
            ) from None


def _check(design: str, sides: int, alpha: float) -> None:
    if design not in DESIGNS or sides not in SIDES or not 0 < alpha < 1:
        raise ParameterError(
            f"power: unknown design, sides or alpha; use one of {', '.join(DESIGNS)}, 1 or 2 sides, and "
            "alpha between 0 and 1"
        )


def detectable(se: float, df: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Return the difference a two-sided test finds with the wanted power, from its standard error and df.

    Parameters
    ----------
    se
        Standard error of the difference, in its unit.
    df
        Degrees of freedom, above 0.
    power, alpha
        0 to 1.

    Returns
    -------
    float
        In the unit of the standard error.

    Examples
    --------
    >>> round(detectable(1.0, 1e9), 4)
    2.8016
    """
    return float((scipy.stats.t.isf(alpha / 2, df) + scipy.stats.t.ppf(power, df)) * se)


def effective_rows(sizes: ArrayLike, correlation: float) -> float:
    """Return how many independent rows clustered rows are worth: sum of m / (1 + (m - 1) correlation).

    Parameters
    ----------
    sizes
        Rows of each patient, shape (g,).
    correlation
        Between two rows of a patient, 0 to 1.

    Returns
    -------
    float
        From the number of patients to the number of rows.

    Raises
    ------
    ParameterError
        When a size is below 1 or the correlation lies outside 0 to 1.

    Source
    ------
    Kish 1965, Survey Sampling.

    Examples
    --------
    Rows of one patient that are all alike count once:

    >>> effective_rows([3, 2], 1.0)
    2.0
    """
    m = np.asarray(sizes, dtype=float)
    if not 0 <= correlation <= 1 or (m < 1).any():
        raise ParameterError(
            "power.effective_rows: expected sizes of 1 or more and a correlation from 0 to 1"
        )
    return float((m / (1 + (m - 1) * correlation)).sum())


def adjust(p_values: ArrayLike, method: str = "holm") -> np.ndarray:
    """Return adjusted p-values in the order given.

    Parameters
    ----------
    p_values
        Shape (k,), 0 to 1; NaN for a test that could not be made.
    method
        One of METHODS.

    Returns
    -------
    numpy.ndarray
        Shape (k,), 0 to 1; NaN where the test could not be made.

    Raises
    ------
    ParameterError
        When the method is unknown or a p-value lies outside 0 to 1.

    Examples
    --------
    >>> adjust([0.01, 0.04], "holm").tolist()
    [0.02, 0.04]
    """
    if method not in METHODS:
        raise ParameterError(f"power.adjust(method): unknown; use one of {', '.join(METHODS)}")
    p = np.asarray(p_values, dtype=float)
    known = ~np.isnan(p)
    if ((p[known] < 0) | (p[known] > 1)).any():
        raise ParameterError("power.adjust(p_values): value(s) outside 0 to 1; give p-values, not z")
    adjusted = np.full(p.shape, np.nan)
    if known.any():
        from statsmodels.stats.multitest import multipletests

        adjusted[known] = multipletests(p[known], method=METHODS[method])[1]
    return adjusted
