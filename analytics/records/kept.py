"""What was made of records once, while somebody promises that they stay as they are.

Every question of a page begins with the same rows. A page that has read its records promises them
(`promise_unchanged`); what is made of them (`once`) is then made once. Records of any other origin, such as a
frame a notebook works on, are never remembered; but for records that were made of promised ones (`derived`),
as those of an earlier quarter are.
"""

from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from analytics.records.frames import Records

DERIVED = "records"
MOST = 6  # things of a kind remembered, one for each way they are asked; the oldest goes first

Made = TypeVar("Made")
Promise = tuple[Records, dict[str, dict[Hashable, object]]]
_promised: list[Promise] = []


def promise_unchanged(records: Records) -> None:
    """Remember what is made of these records from now on, and no longer what was made of others.

    Parameters
    ----------
    records
        The records that nobody will change in place.

    Examples
    --------
    Shown with `once`.
    """
    _promised[:] = [(records, {})]


@contextmanager
def unchanged(records: Records) -> Iterator[Records]:
    """Remember what is made of these records too, as long as the block runs."""
    promise: Promise = (records, {})
    _promised.append(promise)
    try:
        yield records
    finally:
        _promised[:] = [one for one in _promised if one is not promise]


def once(records: Records, kind: str, asked: Hashable, make: Callable[[], Made]) -> Made:
    """Return what `make()` gives, from before where these records are promised and it was asked alike.

    Parameters
    ----------
    kind, asked
        What it is, and the choices it was made under.
    make
        Makes it of these records. A frame is to be copied (shallow) by who may add columns to it.

    Returns
    -------
    Made
        As `make()` gave it: not to be changed in place.

    Examples
    --------
    Nothing is kept of records that nobody promised to leave unchanged:

    >>> from analytics import simulate
    >>> clinic, calls = simulate.as_records(simulate.register(40)[0]), []
    >>> for _ in range(2):
    ...     n = once(clinic, "example", (), lambda: calls.append(1) or len(calls))
    >>> n
    2
    >>> with unchanged(clinic):
    ...     m = [once(clinic, "example", (), lambda: calls.append(1) or len(calls)) for _ in range(2)]
    >>> m
    [3, 3]
    """
    made = _made_of(records, _promised)
    if made is None:
        return make()
    of_kind = made.setdefault(kind, {})
    if asked not in of_kind:
        found = make()
        if len(of_kind) >= MOST:
            of_kind.pop(next(iter(of_kind)))
        of_kind[asked] = found
    return of_kind[asked]  # type: ignore[return-value]


def derived(records: Records, asked: Hashable, make: Callable[[], Records]) -> Records:
    """Return the records that `make()` makes of these: the same ones again where these are promised.

    What is made of them is then remembered too, for as long as they are.

    Parameters
    ----------
    records
        The records it is made of.
    asked
        The choices it is made under.
    make
        Makes the other records.

    Returns
    -------
    Records
        As made.
    """
    promise: Promise = once(records, DERIVED, asked, lambda: (make(), {}))
    return promise[0]


def _made_of(records: Records, promises: Iterable[Promise]) -> dict[str, dict[Hashable, object]] | None:
    """Return what was made of promised records, or of records made of such; None of any other."""
    for one, made in promises:
        if one is records:
            return made
        deeper = _made_of(records, made.get(DERIVED, {}).values())  # type: ignore[arg-type]
        if deeper is not None:
            return deeper
    return None
