"""From the text of a cell to a value, strictly: what is not plainly a number or a known word is refused.

Missing is an empty cell and nothing else. A number has a decimal point, no unit, no thousands mark.

A table as read: the text of every cell, where it came from, and nothing judged yet.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.dictionary.schema import Column
from analytics.errors import Problem


@dataclass(frozen=True, slots=True)
class RawTable:
    """The cells of one table as text (empty where nothing stood), in the order of the file.

    `names` is the header, `cells` one array of text a column, each of n rows; row i stands at row i + 2 of
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
    """All tables found at a path, what was odd about the files, and the columns let through by name."""

    tables: dict[str, RawTable]
    problems: tuple[Problem, ...] = ()
    allowed: Mapping[str, str] = field(default_factory=dict)


def from_rows(
    rows: Sequence[Sequence[str]], *, table: str, file: str, sha256: str
) -> tuple[RawTable, list[Problem]]:
    """Return a table from rows of text (the first is the header), and rows that do not fit the header.

    Empty rows at the end are no rows. A short row is filled up with empty cells, cells beyond the header
    are not read; both are errors unless empty.
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


NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
YES = ("true", "yes", "1", "1.0")
NO = ("false", "no", "0", "0.0")
# The errors of spreadsheet formulas as exported, and the marks of the workbook reader.
FORMULA_ERROR = r"^#(NULL!|DIV/0!|VALUE!|REF!|NAME\?|NUM!|N/A|SPILL!|CALC!|ERROR!|NOT CALCULATED!)$"
# A spreadsheet takes a cell that begins so for a formula.
FORMULA_START = r"^[=+@|%＝＋－＠-]"
LONGEST_CODE = 64
LONGEST_LABEL = 40
# Spaces that spreadsheets and word processors leave around a value.
UNTIDY = r"^\s|\s$|\s\s|[\t\r\n\x{a0}\x{2007}\x{202f}\x{feff}\x{200b}]"
SPACES = " \t\r\n\u00a0\u2007\u202f\ufeff\u200b"


def tidy(text: pa.Array) -> pa.Array:
    """Return text without spaces around it, inner runs of spaces as one, missing as empty."""
    filled = pc.fill_null(text, "")
    if not pc.any(pc.match_substring_regex(filled, UNTIDY)).as_py():
        return filled
    trimmed = pc.utf8_trim(filled, characters=SPACES)
    return pc.replace_substring_regex(trimmed, pattern="[ \u00a0\t\r\n]+", replacement=" ")


def as_number(text: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Return values (n,) float with NaN where empty, and which cells (n,) are not a plain finite number.

    >>> values, bad = as_number(pa.array(["12", "0.5", "", "1,5", "12%"]))
    >>> values.tolist(), bad.tolist()
    ([12.0, 0.5, nan, nan, nan], [False, False, False, True, True])
    """
    empty = np.asarray(pc.equal(text, ""))
    plain = np.asarray(pc.match_substring_regex(text, NUMBER))
    values = np.full(len(text), np.nan)
    values[plain] = np.asarray(text.filter(pa.array(plain)).to_pylist(), dtype=float)
    endless = np.isinf(values)
    values[endless] = np.nan
    return values, (~plain & ~empty) | endless


def as_yes_or_no(text: pa.Array) -> tuple[pd.arrays.BooleanArray, np.ndarray]:
    """Return a boolean array with NA where empty or wrong, and which cells (n,) are neither yes nor no."""
    lower = pc.utf8_lower(text)
    yes = np.asarray(pc.is_in(lower, value_set=pa.array(YES)))
    no = np.asarray(pc.is_in(lower, value_set=pa.array(NO)))
    empty = np.asarray(pc.equal(text, ""))
    return pd.arrays.BooleanArray(yes, mask=~(yes | no)), ~(yes | no | empty)


def as_word(text: pa.Array, allowed: tuple[str, ...]) -> pa.Array:
    """Return the allowed word for each cell, capitals set right; an unknown word stays, empty is null."""
    encoded = text.dictionary_encode()
    spelling = {word.casefold(): word for word in allowed}
    known = [spelling.get(word.casefold(), word) or None for word in encoded.dictionary.to_pylist()]
    return pa.array(known, pa.string()).take(encoded.indices)


def as_text(text: pa.Array) -> pa.Array:
    """Return text with null where empty."""
    return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)


def not_a_code(text: pa.Array, column: Column) -> np.ndarray:
    """Return which cells (n,) are too long for a code or label, or a formula or its error."""
    longest = LONGEST_LABEL if column.kind == "label" else LONGEST_CODE
    long = pc.greater(pc.utf8_length(text), longest)
    formula = pc.or_(
        pc.match_substring_regex(text, FORMULA_ERROR), pc.match_substring_regex(text, FORMULA_START)
    )
    return np.asarray(pc.or_(long, formula))


def looks_like(text: str) -> str:
    """Return what a refused number looks like: a decimal comma, a unit, a spreadsheet error, a word.

    >>> looks_like("1,5"), looks_like("12%"), looks_like("#REF!"), looks_like("n/a")
    ('decimal_comma', 'unit_in_cell', 'spreadsheet_error', 'word_for_number')
    """
    if re.fullmatch(NUMBER, text):
        return "endless"
    if text.startswith("#"):
        return "spreadsheet_error"
    if re.fullmatch(r"[+-]?[0-9]{1,3}(\.[0-9]{3})*,[0-9]+|[+-]?[0-9]+,[0-9]*", text):
        return "decimal_comma"
    if re.match(r"[<>~≈]?\s*[+-]?[0-9]", text):
        return "unit_in_cell"
    return "word_for_number"
