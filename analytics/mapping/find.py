"""Find the tables on a sheet: where a header stands, how far its rows reach, where totals and remarks begin.

A header is a row of short texts of which several are known words for what a table holds, above rows that
hold something else. A second line above it, often over merged cells, lends its words to the columns below.
Tables may stand under or beside one another, with empty rows or columns between.
"""

import re
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from rapidfuzz import fuzz, process

from analytics.mapping.sources import EMPTY, Sheet
from analytics.mapping.values import HEADERS, TOTAL_WORDS, UNITS, ZONE_WORDS, key, unit_key

FEWEST_KNOWN = 2
LONGEST_HEADER = 60
SURE, LIKELY = 90, 80  # of 100; assumed, no source
_MONTH = "m|mo|mon|mth|mths|month|months|monat|monate|mois|mes|meses|mese|mesi|maand|maanden|ay|ayda|" + key(
    "개월"
)
_BEFORE = (
    "before|baseline|base|pre|preop|pre op|vor|vorher|vor op|avant|antes|prima|voor|przed|once|ameliyat "
    "oncesi|" + "|".join(map(key, ("수술전", "수술 전", "술전")))
)
VISIT = re.compile(
    rf"(?<!\w)(?:(\d{{1,3}}) ?(?:{_MONTH})|(?:{_MONTH}) ?(\d{{1,3}})"
    r"|(\d{1,3}) ?(?:w|wk|wks|week|weeks|woche|wochen|semaine|semaines|semanas)"
    r"|(\d{1,2}) ?(?:y|yr|yrs|year|years|jahr|jahre|an|ans|ano|anos|anni)"
    rf"|({_BEFORE}|0))(?!\w)"
)
DATA_LIKE = re.compile(r"\d[.,/-]\d|@|\d{5}")
KNOWN = [(key(word), target) for target, words in HEADERS.items() for word in words]
KNOWN_WORDS = [word for word, _ in KNOWN]
ZONES_BY_WORD = {key(word): zone for zone, words in ZONE_WORDS.items() for word in words}


@dataclass(frozen=True, slots=True)
class FoundTable:
    """A table on a sheet, rows and columns from 0: header rows, first and last row of data, headers.

    `headers` has for each column its own text and the text above it. `aside` are rows between the first
    and the
    last that are totals or remarks, not data.
    """

    header_rows: tuple[int, ...]
    first_row: int
    last_row: int
    headers: dict[int, tuple[str, str]]
    aside: tuple[int, ...] = ()


def tables(sheet: Sheet) -> list[FoundTable]:
    """Return the tables of a sheet in reading order."""
    filled = sheet.fate != EMPTY
    heads = [row for row in range(len(filled)) if _is_header(sheet, filled, row)]
    heads = [row for row in heads if row - 1 not in heads or not _only_units(sheet, row)]
    out = []
    for i, row in enumerate(heads):
        end = heads[i + 1] - 1 if i + 1 < len(heads) else len(filled) - 1
        for left, right in _side_by_side(sheet, filled, row):
            table = _table(sheet, filled, row, end, left, right)
            if table is not None:
                out.append(table)
    return out


def _is_header(sheet: Sheet, filled: np.ndarray, row: int) -> bool:
    """Tell whether a row is texts, short and different, of which at least two are known words of headers."""
    cells = [c for c, f in zip(sheet.cells[row], filled[row], strict=True) if f]
    texts = [c for c in cells if isinstance(c, str) and len(c) <= LONGEST_HEADER]
    if len(cells) < FEWEST_KNOWN or len(texts) < 0.8 * len(cells) or row + 1 >= len(filled):
        return False
    if any(DATA_LIKE.search(t) for t in texts):
        return False
    n_known = sum(is_known(t) for t in texts)
    if n_known < FEWEST_KNOWN or n_known < len(cells) / 3:
        return False
    below = filled[row + 1 :][:3]
    return bool(below.any()) and not _repeats(sheet, filled, row)


def _only_units(sheet: Sheet, row: int) -> bool:
    """Tell whether all that stands in a row are units, which belong to the headings above."""
    return all(is_unit(c) for c in sheet.cells[row] if isinstance(c, str) and c)


def _repeats(sheet: Sheet, filled: np.ndarray, row: int) -> bool:
    """Tell whether the same header stands further up, as on every printed page."""
    same = (sheet.cells[:row] == sheet.cells[row]).all(axis=1)
    return bool(same.any())


@cache
def is_known(text: str) -> bool:
    """Tell whether a header is a known word, a visit, or a zone.

    >>> is_known("Op. date"), is_known("6M"), is_known("wet photo")
    (True, True, False)
    """
    word = key(text)
    if not word:
        return False
    if VISIT.search(word) or word in ZONES_BY_WORD:
        return True
    match = process.extractOne(word, KNOWN_WORDS, scorer=fuzz.ratio, score_cutoff=SURE)
    return match is not None


def _side_by_side(sheet: Sheet, filled: np.ndarray, row: int) -> list[tuple[int, int]]:
    """Return ranges of columns of tables in one header row, cut where an empty column precedes a code."""
    columns = np.flatnonzero(filled[row])
    cuts = [columns[0]]
    for a, b in pairwise(columns):
        empty_between = b - a > 1 and not filled[row:, a + 1 : b].any()
        if empty_between and any(_is_patient(sheet.cells[row, c]) for c in columns[columns >= b]):
            cuts.append(b)
    ends = [*(c for c in cuts[1:]), columns[-1] + 1]
    return [(int(a), int(b)) for a, b in zip(cuts, ends, strict=True)]


def _is_patient(cell: object) -> bool:
    return isinstance(cell, str) and best_target(key(cell))[0] == "patients.patient_id"


def best_target(word: str) -> tuple[str, float]:
    """Return the target a header word is most like, and how much (0 to 100).

    Parameters
    ----------
    word
        A header, in small letters.

    Returns
    -------
    tuple
        `table.column`, and how like it is, 0 to 100; empty text and 0 where nothing is.

    Examples
    --------
    >>> best_target("chart no")[0], best_target("geburtsdatum")[0]
    ('patients.patient_id', 'patients.birth_date')
    """
    match = process.extractOne(word, KNOWN_WORDS, scorer=fuzz.ratio)
    if match is None:
        return "", 0.0
    return KNOWN[match[2]][1], float(match[1])


def _table(sheet: Sheet, filled: np.ndarray, row: int, end: int, left: int, right: int) -> FoundTable | None:
    """Return the table under a header, without totals and remarks at its end."""
    block = filled[:, left:right]
    second = _goes_on(sheet, filled, row, end, left, right)
    above = {} if second else _above(sheet, filled, row, left, right)
    own_row = row + 1 if second else row
    first = own_row + 1
    last, between = _last_row(sheet, block, first, end, left)
    if last < first:
        return None
    headers = {}
    spread_over = _spread(sheet, row, left, right)
    for column in (int(c) for c in np.flatnonzero(block[row : last + 1].any(axis=0)) + left):
        text, upper = _text(sheet, own_row, column), above.get(column, "")
        if second:
            upper = spread_over.get(column, "")
            text, upper = (text, upper) if text else (upper, "")
        headers[column] = (text, upper)
    top = (row, own_row) if second else ((row - 1, row) if above else (row,))
    return FoundTable(top, first, last, headers, between)


def _goes_on(sheet: Sheet, filled: np.ndarray, row: int, end: int, left: int, right: int) -> bool:
    """Tell whether the row below a header is its second line: no code, only texts, some known or units."""
    if row + 1 > end or filled[row + 1, left] or not filled[row + 1, left:right].any():
        return False
    cells = [c for c in sheet.cells[row + 1, left:right] if c != ""]
    texts = [c for c in cells if isinstance(c, str) and len(c) <= LONGEST_HEADER]
    return len(texts) == len(cells) and any(is_known(t) or is_unit(t) for t in texts)


def is_unit(text: str) -> bool:
    """Tell whether a text is a unit, in brackets or not.

    >>> is_unit("(cm²)"), is_unit("crown")
    (True, False)
    """
    return unit_key(text) in UNITS


def _spread(sheet: Sheet, row: int, left: int, right: int) -> dict[int, str]:
    """Return for each column the last text to its left in a row."""
    words: dict[int, str] = {}
    current = ""
    for column in range(left, right):
        current = str(sheet.cells[row, column]).strip() or current
        if current:
            words[column] = current
    return words


def _text(sheet: Sheet, row: int, column: int) -> str:
    cell = sheet.cells[row, column]
    if isinstance(cell, float) and cell == int(cell):
        return str(int(cell))
    return str(cell).strip()


def _above(sheet: Sheet, filled: np.ndarray, row: int, left: int, right: int) -> dict[int, str]:
    """Return the words of a line above the header for each column; none where the line is a title."""
    if row == 0 or not filled[row - 1, left:right].any():
        return {}
    cells = sheet.cells[row - 1, left:right]
    is_title = filled[row - 1].sum() == 1 and filled[row - 1, left]
    return (
        {} if is_title or not all(isinstance(c, str) for c in cells) else _spread(sheet, row - 1, left, right)
    )


def _last_row(
    sheet: Sheet, block: np.ndarray, first: int, end: int, left: int
) -> tuple[int, tuple[int, ...]]:
    """Return the last row of data, and the rows before it that are totals or remarks.

    What ends a table is that no row of data follows: a subtotal or a remark between rows does not.
    """
    rows = np.flatnonzero(block[first : end + 1].any(axis=1)) + first
    usual = np.median(block[rows].sum(axis=1)) if len(rows) else 0
    last, aside, ended = first - 1, [], False
    for row in map(int, rows):
        filled = block[row].sum()
        opening = next((c for c in sheet.cells[row, left : left + block.shape[1]] if c != ""), "")
        after_gap = last >= first and row > last + 1 and not block[last + 1 : row].any()
        is_thin = filled <= max(1, usual / 4)
        ended = ended or (after_gap and is_thin and not _looks_like(sheet, row, last, left))
        if _is_total(opening, is_thin=bool(is_thin), is_full=bool(filled >= 0.75 * usual)) or (
            ended and is_thin
        ):
            aside.append(row)
        else:
            last, ended = row, False
    return last, tuple(row for row in aside if row < last)


def _is_total(opening: object, *, is_thin: bool, is_full: bool) -> bool:
    """Tell whether a row is a total or remark: by its first word if not full, by a mark if it is thin."""
    if not isinstance(opening, str):
        return False
    words = key(opening).split()
    by_word = bool(words) and words[0] in TOTAL_WORDS and not is_full
    return by_word or (is_thin and opening.strip()[:1] in ("*", "†", "Σ"))


def _looks_like(sheet: Sheet, row: int, before: int, left: int) -> bool:
    """Tell whether a row opens with a code shaped like that of the row before."""
    one, other = (re.sub(r"\d+", "9", str(sheet.cells[r, left])) for r in (row, before))
    return one == other and one != ""
