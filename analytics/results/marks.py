"""Counts inside a text are marked, so that what may not be printed can be withheld there too."""

from __future__ import annotations

import re
from collections.abc import Callable

import pandas as pd

MARKED = re.compile(r"\{(\d+)(?: of (\d+))?\}")  # a count inside a text, as `counted` writes it


def counted(count: int, of: int | None = None) -> str:
    """Return a count of persons, or of what is counted of them, as it stands in a method, a note or a flag.

    The mark says to `disclosure` that it is a count; `plain` takes it off what anybody reads.

    Parameters
    ----------
    count
        A whole number.
    of
        What it is counted among, where that is said too.

    Returns
    -------
    str
        The count in its mark.

    Examples
    --------
    >>> f"risks from {counted(126)} baseline rows; {counted(3, of=60)} withdrew"
    'risks from {126} baseline rows; {3 of 60} withdrew'
    """
    return f"{{{int(count)}}}" if of is None else f"{{{int(count)} of {int(of)}}}"


def plain(text: str, say: Callable[[int, int | None], str] | None = None) -> str:
    """Return a text with its marked counts as they are, or as `say(count, of)` says them.

    Parameters
    ----------
    text
        With counts as `counted` marks them.
    say
        Says a count and what it is counted among; None: as they are.

    Returns
    -------
    str
        Without marks.

    Examples
    --------
    >>> plain(f"risks from {counted(1126)} rows")
    'risks from 1,126 rows'
    """
    said = say or as_it_is
    return MARKED.sub(lambda m: said(int(m[1]), int(m[2]) if m[2] else None), text)


def worded_frame(frame: pd.DataFrame, say: Callable[[int, int | None], str]) -> pd.DataFrame:
    """Return a frame with the counts marked in its texts as `say` puts them."""
    marked = [c for c in frame.columns if _has_marks(frame[c])]
    if not marked:
        return frame
    return frame.assign(**{c: [plain(v, say) if isinstance(v, str) else v for v in frame[c]] for c in marked})


def _has_marks(column: pd.Series) -> bool:
    return column.dtype == object and any(isinstance(v, str) and "{" in v for v in column)


def as_it_is(count: int, of: int | None) -> str:
    """Return a count as those see it from whom nothing is withheld."""
    return f"{count:,}" if of is None else f"{count:,} of {of:,}"
