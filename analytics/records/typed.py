"""From a table as read to a frame typed by the dictionary, and every cell that is not what it must be.

Strictly: what is not plainly a number or a known word is refused. Missing is an empty cell and nothing else;
a number has a decimal point, no unit, no thousands mark. The frame keeps the position in the file as its
index. A refused cell is missing in the frame, so that the checks that follow speak of other faults only.
"""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.dictionary import Column, RawTable, Table
from analytics.errors import Problem, Sentence, at_rows
from analytics.records.derive import missing

NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
YES = ("true", "yes", "1", "1.0")
NO = ("false", "no", "0", "0.0")
# Basic letters, so that no name in any script passes as a code; a dash in front would make a formula.
PLAIN_CODE = r"^([A-Za-z0-9_][A-Za-z0-9_-]*)?$"
LONGEST_CODE = 64
LONGEST_LABEL = 40
# Spaces that spreadsheets and word processors leave around a value.
UNTIDY = r"^\s|\s$|\s\s|[\t\r\n\x{a0}\x{2007}\x{202f}\x{feff}\x{200b}]"
SPACES = " \t\r\n\u00a0\u2007\u202f\ufeff\u200b"
ADVICE = {
    "decimal_comma": "the first has a comma; write a point for decimals, and no mark for thousands",
    "unit_in_cell": "the first has something beside the number; write the number alone, the unit is fixed",
    "spreadsheet_error": "the first is the error of a formula; mend the formula or leave the cell empty",
    "endless": "the first is larger than any number can be; mend it",
    "word_for_number": "the first is a word or a mark; leave the cell empty where nothing is known",
}


@dataclass(frozen=True, slots=True)
class Typed:
    """One table typed: its frame, its refused cells, and which rows (n,) are empty."""

    frame: pd.DataFrame
    problems: list[Problem]
    is_empty: np.ndarray


def typed(raw: RawTable, table: Table) -> Typed:
    """Return the frame of one table with every column of the dictionary, and its faults cell by cell.

    Numbers are float64 here, whole or not; words outside the allowed ones stay for the column checks. The
    name of a column counts without regard to capitals.
    """
    handed_in = {name.strip().casefold(): array for name, array in zip(raw.names, raw.cells, strict=True)}
    n = raw.n_rows
    columns: dict[str, object] = {}
    problems, is_empty = [], np.ones(n, dtype=bool)
    for column in table.columns:
        cells = None if column.derived else handed_in.pop(column.name, None)
        if cells is None:
            columns[column.name] = missing(n, column.dtype)
            continue
        text = tidy(cells)
        columns[column.name], bad, code = _one(text, column)
        problems += _refused(text, bad, table, column, code)
        is_empty &= np.asarray(pc.equal(text, ""))
    for other in handed_in.values():
        is_empty &= np.asarray(pc.equal(pc.fill_null(other, ""), ""))
    return Typed(pd.DataFrame(columns, index=pd.RangeIndex(n)), problems, is_empty)


def empty(table: Table) -> pd.DataFrame:
    """Return a frame without rows, its columns typed."""
    return pd.DataFrame({c.name: pd.Series([], dtype=c.dtype) for c in table.columns})


def _one(text: pa.Array, column: Column) -> tuple[object, np.ndarray, str]:
    """Return the values of one column, which cells were refused, and the code of the refusal."""
    if column.kind == "yesno":
        answers, bad = as_yes_or_no(text)
        return answers, bad, "not_yes_or_no"
    if column.kind in ("number", "integer"):
        numbers, bad = as_number(text)
        return numbers, bad, "not_a_number"
    words = as_word(text, column.allowed) if column.kind == "choice" else as_text(text)
    bad = np.zeros(len(text), bool) if column.kind == "choice" else not_a_code(text, column)
    return pd.array(words.to_numpy(zero_copy_only=False), dtype="string"), bad, "not_a_code"


def _refused(text: pa.Array, bad: np.ndarray, table: Table, column: Column, code: str) -> list[Problem]:
    if not bad.any():
        return []
    index = pd.DataFrame(index=pd.RangeIndex(len(bad)))
    sentence = _sentence(column, code, first=text[int(bad.argmax())].as_py())
    return at_rows(index, bad, f"{table.name}.{column.name}", code, sentence)


def _sentence(column: Column, code: str, *, first: str) -> Sentence:
    """Return what is said of refused cells; the first decides the advice and is never printed."""
    if code == "not_yes_or_no":
        return Sentence(
            "value is neither yes nor no",
            "values are neither yes nor no",
            "write True or False (yes, no, 1 and 0 are read too)",
            "leave the cell empty where it is not known",
        )
    if code == "not_a_number":
        rule = f"expected a number in {column.unit}" if column.unit else "expected a number"
        advice = ADVICE[looks_like(first)]
        return Sentence("value is not a plain number", "values are not plain numbers", rule, advice)
    name, longest = ("label", LONGEST_LABEL) if column.kind == "label" else ("code", LONGEST_CODE)
    rule = f"a {name} is at most {longest} of the letters a to z, digits, dashes and underscores"
    action = (
        "write a short code, never a name, a remark or a formula; regrowth deidentify makes codes of persons"
    )
    return Sentence(f"text is no {name}", f"texts are no {name}s", rule, action)


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
    r"""Return which cells (n,) are too long for a code or label, or hold other signs than one may.

    >>> column = Column("team_id", "id", "a team")
    >>> not_a_code(pa.array(["T-1", "", "김", "=1", "T 1", "a\x07"]), column).tolist()
    [False, False, True, True, True, True]
    """
    longest = LONGEST_LABEL if column.kind == "label" else LONGEST_CODE
    long = pc.greater(pc.utf8_length(text), longest)
    return np.asarray(pc.or_(long, pc.invert(pc.match_substring_regex(text, PLAIN_CODE))))


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
