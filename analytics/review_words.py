"""A panel that cannot be filled yet says so in a sentence instead of stopping the page."""

import numpy as np
import pandas as pd

from analytics.results import Result


def stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the frames one under another, empty ones left out; the first of them where all are empty.

    pandas 2 lets an empty frame change the type of a column, and pandas 3 will not: neither may matter here.
    """
    filled = [p for p in parts if len(p)]
    if filled:
        return pd.concat(filled, ignore_index=True)
    return parts[0].reset_index(drop=True) if parts else pd.DataFrame()


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
