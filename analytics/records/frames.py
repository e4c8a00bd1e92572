"""The records that leave the door: what `records.load` returns and every question takes."""

from dataclasses import dataclass, field

import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class Records:
    """What a clinic handed in, checked and typed: one frame a table, and what the reading found.

    `warnings` are Problems that did not stop the load; `balance` has one row a table (table, read, used,
    left_out, reason) with read = used + left_out; `sources` one row a table (table, file, sha256, n_rows).
    """

    patients: pd.DataFrame
    sessions: pd.DataFrame
    placements: pd.DataFrame
    measurements: pd.DataFrame
    visits: pd.DataFrame
    therapies: pd.DataFrame
    events: pd.DataFrame
    ratings: pd.DataFrame
    warnings: tuple = ()
    balance: pd.DataFrame = field(default_factory=pd.DataFrame)
    sources: pd.DataFrame = field(default_factory=pd.DataFrame)
