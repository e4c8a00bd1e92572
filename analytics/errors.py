"""What every room says when something is wrong, and how a problem of a table is said.

A message has four parts, in this order: where (table.column, or function and argument), what (a count and the
first row), the rule, what to do. It never holds a value of a record: messages are logs, and logs travel. A
row is numbered as the person sees it in the file: the header is row 1, the first data row is row 2.
"""

from __future__ import annotations

import difflib
import errno
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd


class AnalyticsError(Exception):
    """Base of all errors that are shown to a person without a traceback."""


class RecordError(AnalyticsError):
    """A table breaks the dictionary, so that nothing can be computed; `problems` lists why, one by one."""

    def __init__(self, message: str, problems: tuple = ()) -> None:
        super().__init__(message)
        self.problems = tuple(problems)


class FitError(AnalyticsError):
    """A model cannot be fitted well enough to report anything."""


class NotRecorded(AnalyticsError):
    """A clinic does not record what a question is about: a page leaves it out without a word."""


class ParameterError(AnalyticsError):
    """An argument or a report parameter is unknown or out of its range."""


# What a message begins with for those who work on the package: a room, its function, what was wrong in it.
_ADDRESS = re.compile(
    r"^(?:(?:bench|course|disclosure|early|measurement|milestones|mixed|nonlinear|numerics|pages|planning|"
    r"pooling|records|regrowth|results|review|simulate|study|turnbull|yields)(?:\.\w+)*(?:\((\w*)[^)]*\))?"
    r"|\w+\((\w*)[^)]*\)): "
)
_NO_ARGUMENT = ("", "fit", "records", "path", "rows", "files")


def without_address(message: str, *, with_argument: bool = True) -> str:
    """Return a message without the function it begins with; the argument's name may stay.

    Examples
    --------
    >>> without_address("yields.average(month): out of range; expected 6 to 60 months")
    'month: out of range; expected 6 to 60 months'
    >>> without_address("placements.zone: 1 unknown value, at row 4")
    'placements.zone: 1 unknown value, at row 4'
    """

    def kept(found: re.Match) -> str:
        name = found.group(1) or found.group(2) or ""
        return f"{name}: " if with_argument and name not in _NO_ARGUMENT else ""

    return "\n".join(_ADDRESS.sub(kept, line) for line in message.split("\n"))


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return which of some names one is most like, capitals apart, or None where none is near.

    Examples
    --------
    >>> nearest("Croun", ("hairline", "crown"))
    'crown'
    """
    spelling = {each.casefold(): each for each in known}
    close = difflib.get_close_matches(name.casefold(), spelling, n=1)
    return spelling[close[0]] if close else None


def meant(name: str, known: Iterable[str]) -> str:
    """Return the end of a message that asks whether the nearest of some names was meant, else nothing.

    Examples
    --------
    >>> meant("croun", ("hairline", "crown")), meant("beard", ("hairline", "crown"))
    ("; did you mean 'crown'?", '')
    """
    close = nearest(name, known)
    return f"; did you mean '{close}'?" if close else ""


def of_system(fault: OSError) -> str:
    """Return what the system refused as a sentence: a full disk, rights, a file in the way.

    Examples
    --------
    >>> of_system(OSError(errno.ENOSPC, ""))
    'The disk is full; nothing half made was left. Make room or name another place, then try again.'
    """
    name = f"{Path(str(fault.filename)).name}: " if fault.filename else ""
    if fault.errno in (errno.ENOSPC, errno.EDQUOT):
        return (
            "The disk is full; nothing half made was left. Make room or name another place, then try again."
        )
    if fault.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return f"{name}the system refuses to read or write there; name another place, or mend its rights"
    if fault.errno in (errno.ENOTDIR, errno.EEXIST):
        return f"{name}a file stands where a folder is needed; name another place, or move the file"
    if fault.errno == errno.EISDIR:
        return f"{name}a folder stands where a file is needed; name another place"
    if fault.errno == errno.ENOENT:
        return f"{name}there is no such file or folder; look at the name"
    if fault.errno == errno.ENAMETOOLONG:
        return "a name is longer than the system allows; give a shorter one"
    return f"{name}the system refused it ({fault.strerror or type(fault).__name__}); look at the place"


FIRST_DATA_ROW = 2

Severity = Literal["error", "warning"]


class Sentence(NamedTuple):
    """What is wrong (it continues a count), the rule, what to do, and whether it stops the load."""

    for_one: str
    for_several: str
    rule: str
    action: str
    severity: Severity = "error"


@dataclass(frozen=True, slots=True)
class Problem:
    """One kind of fault in one column of one table.

    `what` is the fault in words, for one row and for several; `row` is the first row, None where the fault
    has no row of its own (an absent column). `code` names the fault for programs.
    """

    table: str
    column: str
    count: int
    row: int | None
    rule: str
    action: str
    severity: Severity = "error"
    code: str = ""
    what: tuple[str, str] = ("problem", "problems")

    def sentence(self) -> str:
        """Return where, what, the rule and what to do as one line.

        >>> words = Problem("placements", "zone", 2, 17, "use a or b", "mend it", what=("word", "words"))
        >>> words.sentence()
        'placements.zone: 2 words, first at row 17; use a or b; mend it'
        """
        where = f"{self.table}.{self.column}" if self.column else self.table
        what = f"{self.count} {self.what[0] if self.count == 1 else self.what[1]}"
        if self.row is None:
            what = self.what[0]
        else:
            what += f", {'at' if self.count == 1 else 'first at'} row {self.row}"
        return "; ".join(part for part in (f"{where}: {what}", self.rule, self.action) if part)


def at_rows(
    frame: pd.DataFrame, wrong: pd.Series | np.ndarray, where: str, code: str, sentence: Sentence
) -> list[Problem]:
    """Return one Problem for the rows where `wrong` is True, or none.

    `where` is table.column. The index of `frame` is the position in the file, so that index 0 is row 2.
    """
    mask = as_mask(wrong)
    if not mask.any():
        return []
    table, _, column = where.partition(".")
    first = int(frame.index.to_numpy()[mask].min()) + FIRST_DATA_ROW
    what = (sentence.for_one, sentence.for_several)
    return [
        Problem(
            table,
            column,
            int(mask.sum()),
            first,
            sentence.rule,
            sentence.action,
            sentence.severity,
            code,
            what,
        )
    ]


def that_stop(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Return the problems that stop a load, warnings left out.

    >>> wrong = Problem("zones", "", 1, None, "a rule", "an action")
    >>> len(that_stop([wrong, wrong])), that_stop([])
    (2, ())
    """
    return tuple(p for p in problems if p.severity == "error")


def as_mask(wrong: pd.Series | np.ndarray) -> np.ndarray:
    """Return which rows (n,) are wrong; not known is not wrong.

    >>> import pandas as pd
    >>> as_mask(pd.Series([True, None, False], dtype="boolean")).tolist()
    [True, False, False]
    """
    if not hasattr(wrong, "to_numpy"):
        return wrong.astype(bool)
    # Asked for a value in place of missing ones, pandas looks for them even where a plain bool has none.
    return wrong.to_numpy() if wrong.dtype == bool else wrong.to_numpy(dtype=bool, na_value=False)


def refused(where: str, what: str, rule: str, action: str, *, code: str = "unreadable") -> RecordError:
    """Return the error that a file or source as a whole cannot be read, to be raised by the reader."""
    problem = Problem(where, "", 1, None, rule, action, "error", code, (what, what))
    return RecordError(problem.sentence(), (problem,))


def twice(table: str, places: str) -> Problem:
    """Return the error that a table stands in two places."""
    return Problem(
        table,
        "",
        1,
        None,
        "a table stands in one place",
        "keep the one that is right and take the other away",
        code="table_twice",
        what=(f"the table stands in two {places}", ""),
    )


def not_loaded(name: str, thing: str, *, like: str | None = None) -> Problem:
    """Return the warning that a file, sheet or table bears no table's name; an error where one is near."""
    if like is not None:
        return Problem(
            name,
            "",
            1,
            None,
            f"a {thing} named nearly like a table that is absent could be that table",
            f"name it {like} if it holds that table, else give it another name or take it away",
            code="nearly_a_table",
            what=(f"this {thing} is named nearly like {like}", ""),
        )
    return Problem(
        name,
        "",
        1,
        None,
        f"a {thing} is named after one of the tables of the dictionary",
        f"rename the {thing} if it holds a table",
        severity="warning",
        code="not_loaded",
        what=(f"this {thing} was not loaded", ""),
    )
