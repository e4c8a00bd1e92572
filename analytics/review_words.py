"""A panel that cannot be filled yet says so in a sentence instead of stopping the page."""

import numpy as np
import pandas as pd

from analytics.results import Result


def not_yet(used: pd.DataFrame, method: str, *, by: dict[str, str], term: str, unit: str, why: str) -> Result:
    """Return a result of one row without a number, whose flag says why.

    Parameters
    ----------
    used
        The rows there are so far.
    by
        Grouping columns and their values.
    why
        What is missing and what to do, in words.
    """
    row = {**by, "term": term, "estimate": np.nan, "unit": unit, "n_rows": len(used), "flag": why}
    return Result(pd.DataFrame([row]), used, method, by=tuple(by), picture="sentence")
