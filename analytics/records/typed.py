"""From a table as read to a frame typed by the dictionary, and every cell that is not what it must be.

The frame keeps the position in the file as its index. A refused cell is missing in the frame, so that the
checks that follow speak of other faults only.
"""

import difflib
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.dictionary import (
    LONGEST_CODE,
    LONGEST_LABEL,
    Column,
    RawTable,
    Table,
    as_number,
    as_text,
    as_word,
    as_yes_or_no,
    looks_like,
    not_a_code,
    tidy,
)
from analytics.errors import Problem, Sentence, at_rows

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
    found = {name.strip().casefold(): array for name, array in zip(raw.names, raw.cells, strict=True)}
    n = raw.n_rows
    nothing = pa.array([""] * n, pa.string())
    columns: dict[str, object] = {}
    problems, is_empty = [], np.ones(n, dtype=bool)
    for column in table.columns:
        given = None if column.derived else found.pop(column.name, None)
        text = nothing if given is None else tidy(given)
        columns[column.name], bad, code = _one(text, column)
        problems += _refused(text, bad, table, column, code)
        is_empty &= np.asarray(pc.equal(text, ""))
    for other in found.values():
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
    kept = as_word(text, column.allowed) if column.kind == "choice" else as_text(text)
    bad = np.zeros(len(text), bool) if column.kind == "choice" else not_a_code(text, column)
    return pd.array(kept.to_numpy(zero_copy_only=False), dtype="string"), bad, "not_a_code"


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
    rule = f"a {name} has at most {longest} letters and does not begin with one of = + - @ | %"
    return Sentence(
        f"text is no {name}", f"texts are no {name}s", rule, "write a short code, never a remark or a formula"
    )


def nearest(word: str, known: tuple[str, ...]) -> str | None:
    """Return the known word a word is most like, or None where none is near.

    >>> nearest("croun", ("hairline", "crown"))
    'crown'
    """
    lower = {k.casefold(): k for k in known}
    close = difflib.get_close_matches(word.casefold(), list(lower), n=1, cutoff=0.7)
    return lower[close[0]] if close else None
