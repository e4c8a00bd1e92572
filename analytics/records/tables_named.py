"""Which files, sheets or tables of a database bear no table's name, and which of them nearly do."""

from collections.abc import Collection, Mapping

from analytics.records.dictionary import TABLES
from analytics.records.messages import Problem, not_loaded
from analytics.records.typed import nearest


def others(
    unread: Mapping[str, str], thing: str, found: Collection[str], *, only_near: bool = False
) -> list[Problem]:
    """Return what is said of things that are not read: a warning, or an error where an absent table is near.

    Parameters
    ----------
    unread
        Name in small letters to how a message calls it.
    thing
        file, sheet or table.
    found
        The tables that were read.
    only_near
        Say nothing of the others, as a database holds many.

    Examples
    --------
    >>> [p.severity for p in others({"therapie": "a.csv", "costs": "b.csv"}, "file", ("patients",))]
    ['error', 'warning']
    """
    absent = tuple(name for name in TABLES if name not in found)
    like = {name: nearest(name, absent) for name in unread}
    return [
        not_loaded(label, thing, like=like[name])
        for name, label in unread.items()
        if like[name] or not only_near
    ]
