"""Which placements share ground: the same zone of the same patient, on the same side or over the whole."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.records import numbered, pairs

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
    (zone,) = numbered(["patient_id", "zone"], places)
    known = np.flatnonzero(zone >= 0)
    first, second = pairs(zone[known])
    later, before = known[np.concatenate([first, second])], known[np.concatenate([second, first])]
    site, month = places["site"].fillna("whole").to_numpy(object), places["patient_month"].to_numpy()
    shares = (site[later] == site[before]) | (site[later] == "whole") | (site[before] == "whole")
    meant = shares & (month[before] < month[later])
    later, before = later[meant], before[meant]
    order = np.lexsort((before, later))
    earlier = places.drop(columns=["patient_id", "zone"]).add_suffix("_before").iloc[before[order]]
    own = places.iloc[later[order]].reset_index(drop=True)
    return pd.concat([own, earlier.reset_index(drop=True)], axis=1)
