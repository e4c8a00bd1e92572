"""What drafts say in words: side by side in one table, and which of them spend more than is left."""

import numpy as np
import pandas as pd

from analytics.planning_drafts import DONOR_LEFT
from analytics.results import Result


def side_by_side(result: Result) -> pd.DataFrame:
    """Return the table of `drafts` with one column a draft: a number, with its limits where it has them."""
    table = result.table()
    said = [_in_full(row) if np.isfinite(row.estimate) else row.flag for row in table.itertuples()]
    wide = table.assign(said=said, draft="draft " + table["draft"].astype(str))
    wide = wide.pivot_table(
        index=["zone", "term", "unit"], columns="draft", values="said", aggfunc="first", sort=False
    )
    return wide.fillna("not planted").reset_index()


def beyond(result: Result) -> pd.DataFrame:
    """Return the drafts that would spend more than the safe share leaves: draft, FU beyond it."""
    table = result.table()
    over = table[table["term"].eq(DONOR_LEFT) & (table["estimate"] < 0)]
    return pd.DataFrame({"draft": over["draft"], "fu_beyond": -over["estimate"]})


def in_words(over: pd.DataFrame) -> str:
    """Return one sentence on the drafts of `beyond`.

    Examples
    --------
    >>> in_words(pd.DataFrame({"draft": ["A", "B"], "fu_beyond": [618.0, 20.4]}))
    'Draft A would spend 618 FU, draft B 20 FU more than the safe share chosen leaves.'
    """
    parts = [
        f"draft {row.draft} {'' if i else 'would spend '}{row.fu_beyond:,.0f} FU"
        for i, row in enumerate(over.itertuples())
    ]
    said = ", ".join(parts)
    return f"{said[:1].upper()}{said[1:]} more than the safe share chosen leaves."


def _in_full(row) -> str:
    limits = f" ({row.ci_low:,.0f} to {row.ci_high:,.0f})" if np.isfinite(row.ci_low) else ""
    return f"{row.estimate:,.0f}{limits}".replace("-", "−")
