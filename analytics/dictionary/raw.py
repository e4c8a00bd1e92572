"""A table as read: the text of every cell, where it came from, and nothing judged yet."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd
import pyarrow as pa

from analytics.dictionary.own import with_own
from analytics.dictionary.schema import Column, Table
from analytics.errors import Problem


@dataclass(frozen=True, slots=True)
class RawTable:
    """The cells of one table as text (empty where nothing stood), in the order of the file.

    `names` is the header, `cells` one array of text per column, each of n rows; row i stands at row i + 2 of
    the file. `file` is the name of the file without its folder, `sha256` of its bytes.
    """

    names: tuple[str, ...]
    cells: tuple[pa.Array, ...]
    file: str
    sha256: str

    @property
    def n_rows(self) -> int:
        """Return the number of data rows."""
        return len(self.cells[0]) if self.cells else 0

    def frame(self) -> pd.DataFrame:
        """Return the cells as text, a column by its position where its name is repeated or empty."""
        seen: dict[str, pa.Array] = {}
        for i, (name, cells) in enumerate(zip(self.names, self.cells, strict=True)):
            key = name if name and name not in seen else f"column {i + 1}"
            seen[key] = cells
        return pd.DataFrame({k: v.to_numpy(zero_copy_only=False) for k, v in seen.items()}, dtype=object)


@dataclass(frozen=True, slots=True)
class Raw:
    """All tables found at a path, what was odd about the files, columns let through by name.

    `own` are the columns a clinic declares, by table (`dictionary.own`). Where tables were made from
    one sheet, `origin` has, by table, the row of the sheet that each row was made from, and the sheet's names
    of its columns.
    """

    tables: dict[str, RawTable]
    problems: tuple[Problem, ...] = ()
    allowed: Mapping[str, str] = field(default_factory=dict)
    own: Mapping[str, tuple[Column, ...]] = field(default_factory=dict)
    origin: Mapping[str, tuple[tuple[int, Mapping[str, str]], ...]] = field(default_factory=dict)

    def table(self, name: str) -> Table:
        """Return a table of the dictionary with the clinic's own columns."""
        return with_own(self.own, name)


def from_rows(
    rows: Sequence[Sequence[str]], *, table: str, file: str, sha256: str
) -> tuple[RawTable, list[Problem]]:
    """Return a table from rows of text (the first is the header), and rows that do not fit the header.

    Empty rows at the end are no rows. A short row is filled up with empty cells, cells beyond the header
    are not read; both are errors unless empty.

    Parameters
    ----------
    rows
        Texts, the header first.
    table
        Name of the table, for problems.
    file
        Name of the file.
    sha256
        Hash of its bytes.

    Returns
    -------
    tuple
        The table, and what is wrong with its shape.

    Examples
    --------
    >>> rows = [["zone", "area"], ["crown"]]
    >>> found, problems = from_rows(rows, table="placements", file="p.csv", sha256="")
    >>> found.names, len(problems)
    (('zone', 'area'), 1)
    """
    last = len(rows)
    while last and not any(rows[last - 1]):
        last -= 1
    if last == 0:
        return RawTable((), (), file, sha256), [_without_header(table)]
    header = [name.strip() for name in rows[0]]
    while header and not header[-1]:
        header.pop()
    width = len(header)
    if not width:
        return RawTable((), (), file, sha256), [_without_header(table)]
    body = rows[1:last]
    ragged = [i for i, row in enumerate(body) if _does_not_fit(row, width)]
    fitted = [row if len(row) == width else _fit(row, width) for row in body]
    columns = zip(*fitted, strict=True) if fitted else ([] for _ in range(width))
    cells = tuple(pa.array(list(column), pa.string()) for column in columns)
    return RawTable(tuple(header), cells, file, sha256), _ragged(table, ragged)


def _does_not_fit(row: Sequence[str], width: int) -> bool:
    if len(row) == width:
        return False
    return any(row[width:]) if len(row) > width else any(row)


def _fit(row: Sequence[str], width: int) -> list[str]:
    return [*row[:width], *[""] * (width - len(row))]


def _without_header(table: str) -> Problem:
    return Problem(
        table,
        "",
        1,
        None,
        "the first row must hold the column names",
        "write the header of the dictionary in row 1",
        code="no_header",
        what=("row 1 is empty", ""),
    )


def _ragged(table: str, rows: list[int]) -> list[Problem]:
    if not rows:
        return []
    return [
        Problem(
            table,
            "",
            len(rows),
            rows[0] + 2,
            "every row has as many cells as the header",
            "look for a comma inside a cell that is not in quotes, or a cell lost or added",
            code="ragged",
            what=(
                "row with more or fewer cells than the header",
                "rows with more or fewer cells than the header",
            ),
        )
    ]
