"""Which placements share ground: the same zone of the same patient, on the same side or over the whole."""

from collections.abc import Sequence

import pandas as pd

KEYS = ("placement_id", "session_id", "patient_id", "zone", "site", "patient_month")


def same_ground(placements: pd.DataFrame, *, carried: Sequence[str] = ()) -> pd.DataFrame:
    """Return every placement with each earlier one whose ground it shares (its columns: `..._before`).

    Parameters
    ----------
    placements
        Columns KEYS (`patient_month` is that of the session) and those carried along.
    carried
        Further columns to carry along.

    Returns
    -------
    pandas.DataFrame
        One row per pair: the columns of the later placement, and those of the earlier one with `_before`.

    Examples
    --------
    The crown was planted twice, the hairline once:

    >>> planted = pd.DataFrame(
    ...     {"placement_id": ["a", "b", "c"], "session_id": ["1", "1", "2"], "patient_id": "P",
    ...      "zone": ["crown", "hairline", "crown"], "site": "whole", "patient_month": [0.0, 0.0, 14.0]}
    ... )
    >>> same_ground(planted)[["placement_id", "placement_id_before"]].values.tolist()
    [['c', 'a']]
    """
    places = placements[[*KEYS, *carried]]
    several = places.duplicated(["patient_id", "zone"], keep=False)
    pairs = places[several].merge(
        places[several], on=["patient_id", "zone"], suffixes=("", "_before"), validate="many_to_many"
    )
    sites, before = pairs["site"].fillna("whole"), pairs["site_before"].fillna("whole")
    shares = sites.eq(before) | sites.eq("whole") | before.eq("whole")
    return pairs[shares & pairs["patient_month_before"].lt(pairs["patient_month"])]
