"""Codes as whole numbers: rows matched and grouped without comparing names again and again."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

MISSING = -1  # the number of a missing code


def numbered(columns: Sequence[str], *frames: pd.DataFrame) -> list[np.ndarray]:
    """Return one whole number for each combination of codes, the same in every frame.

    Parameters
    ----------
    columns
        The columns that make a combination.
    frames
        Each with these columns.

    Returns
    -------
    list of numpy.ndarray
        For each frame a number per row, from 0 in the order of rows, MISSING where a part is missing.

    Examples
    --------
    >>> left = pd.DataFrame({"patient_id": ["P1", "P2", None], "zone": ["crown", "crown", "crown"]})
    >>> right = pd.DataFrame({"patient_id": ["P2", "P2"], "zone": ["crown", "hairline"]})
    >>> [n.tolist() for n in numbered(["patient_id", "zone"], left, right)]
    [[0, 1, -1], [1, 3]]
    """
    number = np.zeros(sum(len(frame) for frame in frames), dtype=np.int64)
    for column in columns:
        parts = [frame[column].to_numpy() for frame in frames]
        number = paired(number, pd.factorize(parts[0] if len(parts) == 1 else np.concatenate(parts))[0])
    return np.split(number, np.cumsum([len(frame) for frame in frames])[:-1])


def paired(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return one number for each pair of numbers, MISSING where either is."""
    pair = pd.factorize(first * (second.max(initial=0) + 1) + second)[0]
    return np.where((first == MISSING) | (second == MISSING), MISSING, pair)


def pairs(code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return all pairs of rows of one code, the earlier row first, in the order of rows."""
    order = np.argsort(code, kind="stable")
    ahead = range(1, int(np.bincount(code).max(initial=0)))
    found = [np.stack([order[:-k], order[k:]])[:, code[order[:-k]] == code[order[k:]]] for k in ahead]
    first, second = np.hstack([np.empty((2, 0), int), *found])
    again = np.lexsort((second, first))
    return first[again], second[again]


def beside(rows: pd.DataFrame, table: pd.DataFrame, code: str) -> pd.DataFrame:
    """Return rows with the other columns of the table's row of the same code, missing where it has none.

    Parameters
    ----------
    rows
        Any rows with this code.
    table
        One row per code.
    code
        The column that both have.

    Returns
    -------
    pandas.DataFrame
        The rows in their order, with the table's columns after their own.

    Examples
    --------
    >>> counts = pd.DataFrame({"session_id": ["b", "a", "b"]})
    >>> sessions = pd.DataFrame({"session_id": ["a", "b"], "register_month": [3.0, 5.0]})
    >>> beside(counts, sessions, "session_id")["register_month"].tolist()
    [5.0, 3.0, 5.0]
    """
    at = pd.Index(table[code]).get_indexer(pd.Index(rows[code]))
    found = table.drop(columns=code).set_axis(pd.RangeIndex(len(table))).reindex(at)
    return pd.concat([rows, found.set_axis(rows.index)], axis=1)
