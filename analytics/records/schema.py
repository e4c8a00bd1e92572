"""How the dictionary is written down: columns, tables, and the records that leave the door.

A `Column` says what one cell may hold, a `Table` what one row is. `Records` is what `records.load` returns
and every question takes: one frame a table, each with every column of the dictionary.
"""

from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

Kind = Literal["id", "label", "choice", "number", "integer", "yesno"]

TEXT_KINDS = ("id", "label", "choice")


@dataclass(frozen=True, slots=True)
class Column:
    """What the cells of one column may hold.

    `kind` is id (a code, kept as text with its leading zeros), label (a short word of the clinic's own),
    choice (one of `allowed`), number, integer or yesno. `low` and `high` are hard limits (breaking them is
    an error), `soft_low` and `soft_high` usual limits (a warning). A column that is `optional` may be
    absent; `default` says in words what an empty cell then means. A cell of a `required` column may not be
    empty. `derived` columns are filled at load and never asked for. `basis` is published, assumed (no
    source) or definition; `source` names the publication.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    soft_low: float | None = None
    soft_high: float | None = None
    allowed: tuple[str, ...] = ()
    required: bool = False
    optional: bool = False
    default: str = ""
    refers_to: str = ""
    derived: bool = False
    basis: str = "definition"
    source: str = ""

    @property
    def dtype(self) -> str:
        """Return the pandas type: string, float64 (missing NaN), int64 (never missing) or boolean."""
        if self.kind in TEXT_KINDS:
            return "string"
        if self.kind == "yesno":
            return "boolean"
        never_missing = self.kind == "integer" and (self.required or self.derived or self.fills)
        return "int64" if never_missing else "float64"

    @property
    def fills(self) -> bool:
        """Return True where an empty cell takes a stated default, so that no loaded cell is empty."""
        return self.optional and self.default != "" and not self.default.startswith("empty")


@dataclass(frozen=True, slots=True)
class Table:
    """What one row of a table is, its key, and its columns in order."""

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    optional: bool = False
    absent: str = ""

    def names(self) -> list[str]:
        """Return the column names in order, those filled at load included."""
        return [c.name for c in self.columns]

    def asked(self) -> tuple[Column, ...]:
        """Return the columns a clinic may hand in."""
        return tuple(c for c in self.columns if not c.derived)

    def column(self, name: str) -> Column:
        """Return one column by its name."""
        return next(c for c in self.columns if c.name == name)


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
