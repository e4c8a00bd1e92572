"""Adjustment of p-values when many questions are asked of the same data.

Bonferroni, Holm, Hommel and Benjamini-Hochberg through statsmodels; a missing p-value stays missing and does
not count as a test.

Sources: Holm 1979, Scand J Stat 6:65-70; Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300.
"""

import numpy as np
from numpy.typing import ArrayLike
from statsmodels.stats.multitest import multipletests

from analytics.errors import ParameterError

METHODS = {"bonferroni": "bonferroni", "holm": "holm", "hommel": "hommel", "benjamini-hochberg": "fdr_bh"}


def adjust(p_values: ArrayLike, method: str = "holm") -> np.ndarray:
    """Return adjusted p-values in the order given.

    Parameters
    ----------
    p_values
        Shape (k,), 0 to 1; NaN for a test that could not be made.
    method
        One of METHODS.

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
        raise ParameterError(f"multiplicity.adjust(method): unknown; use one of {', '.join(METHODS)}")
    p = np.asarray(p_values, dtype=float)
    known = ~np.isnan(p)
    if ((p[known] < 0) | (p[known] > 1)).any():
        raise ParameterError("multiplicity.adjust(p_values): value(s) outside 0 to 1; give p-values, not z")
    adjusted = np.full(p.shape, np.nan)
    if known.any():
        adjusted[known] = multipletests(p[known], method=METHODS[method])[1]
    return adjusted
