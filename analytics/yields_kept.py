"""Rows of `yields.by_visit` kept for one register that will not change.

Every question of a page begins with the same rows. A page that has read its records promises that they stay
as they are (`promise_unchanged`); rows made from them are then made once. Records of any other origin, such
as a frame a notebook works on, are never remembered.
"""

import pandas as pd

from analytics.records import Records

MOST = 6  # sets of choices kept; the oldest goes first
_promised: list[Records] = []
_rows: dict[tuple, pd.DataFrame] = {}


def promise_unchanged(records: Records) -> None:
    """Keep rows made from these records from now on, and no longer those of others."""
    _promised[:] = [records]
    _rows.clear()


def forget() -> None:
    """Keep nothing any more."""
    _promised.clear()
    _rows.clear()


def _is_promised(records: Records) -> bool:
    return any(records is one for one in _promised)


def find(records: Records, choices: tuple) -> pd.DataFrame | None:
    """Return the kept rows, or None; a shallow copy, so that columns added to it stay with the caller."""
    if not _is_promised(records) or choices not in _rows:
        return None
    return _rows[choices].copy(deep=False)


def keep(records: Records, choices: tuple, rows: pd.DataFrame) -> None:
    """Keep rows made under these choices, where the records are promised."""
    if not _is_promised(records):
        return
    if len(_rows) >= MOST:
        _rows.pop(next(iter(_rows)))
    _rows[choices] = rows.copy(deep=False)
