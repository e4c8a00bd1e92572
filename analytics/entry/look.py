"""What the rules say of an entry before it is written: only what the entry itself brings.

The same rules as `regrowth check`, run over the person's rows with the entry; what they said before is known.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from analytics import records
from analytics.entry.case import Case, as_raw
from analytics.entry.changes import Change, applied, by_table
from analytics.entry.forms import carried_out
from analytics.errors import Problem, that_stop
from analytics.identifiers import scan


@dataclass(frozen=True, slots=True)
class Look:
    """What speaks against an entry (`problems`), what is odd about it, and the person's rows with it."""

    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
    tables: Mapping[str, pd.DataFrame]

    @property
    def is_usable(self) -> bool:
        """Return True where nothing stops the entry."""
        return not self.problems


def look(case: Case, changes: Sequence[Change]) -> Look:
    """Return what the rules say of changes to the rows of one person.

    Parameters
    ----------
    case
        Of `case_of`.
    changes
        To rows of this person.

    Returns
    -------
    Look
        What is wrong, what is odd, and the person's rows as they would be.

    Examples
    --------
    As `regrowth add` and notebook 09 do, which say what it finds before anything is written.
    """
    after = with_changes(case.tables, changes)
    found = records.check_raw(as_raw(after))
    problems = (*_new(found.problems, case.told), *_identifying(changes))
    return Look(problems, _new(found.warnings, case.told), after)


def with_changes(tables: Mapping[str, pd.DataFrame], changes: Iterable[Change]) -> dict[str, pd.DataFrame]:
    """Return frames of text after changes."""
    out = dict(tables)
    for table, of_table in by_table(changes).items():
        frame = out[table]
        names = list(frame.columns)
        rows = frame.to_numpy(dtype=object).tolist()
        out[table] = pd.DataFrame(carried_out(rows, applied(names, rows, of_table)), columns=names)
    return out


def _new(problems: Iterable[Problem], told: Mapping[tuple[str, str, str], int]) -> tuple[Problem, ...]:
    """Return the problems that the entry brings; the row is the entry's own and needs no number."""
    fresh = []
    for p in problems:
        more = p.count - told.get((p.table, p.column, p.code), 0)
        if more > 0 and p.code != "visits_derived":
            fresh.append(replace(p, count=more, row=None))
    return tuple(fresh)


def _identifying(changes: Sequence[Change]) -> tuple[Problem, ...]:
    """Return what in the rows that come could tell who somebody is."""
    rows = {
        t: pd.DataFrame([dict(c.becomes or {}) for c in of]).fillna("") for t, of in by_table(changes).items()
    }
    return tuple(replace(p, row=None) for p in that_stop(scan(as_raw(rows).tables)))
