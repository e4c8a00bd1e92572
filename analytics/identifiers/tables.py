"""Could a person be known by these tables? Every table is looked through before anything is computed from it.

The eighteen classes of 45 CFR 164.514(b)(2)(i), as far as a table can show them: by the name of a column
(`identifiers.lexicon`), by the shape of its values with check digits (`identifiers.patterns`), by what a
column is as a whole (free text, codes that are nearly all different, given names, day numbers of a
spreadsheet, ages over 89), and by what a spreadsheet leaves behind (`identifiers.leftovers`). What is found
stops the load, unless the clinic lets the column through by name and writes down why; the reason then
travels with the records. No message holds a value.

A code that stands for a person (`patient_id`) is what the law calls a code under 164.514(c): it is no
identifier as long as it was not made from one. Whether a chart number was handed in as a code, no table can
show.

A clean scan is no proof: a rare combination of ordinary facts can still point to one person.
"""

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.dictionary import TABLES, Column, RawTable
from analytics.errors import FIRST_DATA_ROW, Problem, RecordError
from analytics.identifiers import leftovers
from analytics.identifiers.lexicon import class_of_header, in_words, is_age, plain
from analytics.identifiers.patterns import given_names, kind_of, quick_look

ALLOW_FILE = "privacy.toml"
OLDEST = 90  # 90 stands for 90 and more
# A zero before other digits, or a plus before many, is no measure but may be a telephone number.
PLAIN_NUMBER = r"^-?(\+?[0-9]{0,4}|[0-9]{0,7}|(0?|[1-9][0-9]{0,6})[.,][0-9]{0,17})(e[+-]?[0-9]{1,3})?$"
YES_NO = ("true", "false", "yes", "no", "0", "1", "0.0", "1.0", "y", "n")
# Assumed, no source: what makes a column free text, or a column of unique codes.
FEWEST_CELLS = 8
MIXED = re.compile(r"(?=.*[A-ZÀ-Þ])(?=.*\d)(?:[A-ZÀ-Þ0-9][ -]?){5,9}")
WORD = re.compile(r"[^\W\d_]{2,}")
LONG_TEXT_LETTERS = 30
MANY_WORDS = 4
NEARLY_ALL_DIFFERENT = 0.9
CODE_LETTERS = 6
FEW_CATEGORIES = 6
# Codes of a number and a number counted behind it, such as 1901-1, 2024-03 or 1901-1-crown: of
# four digits this share can be no year and month, or numbers count up (`_count_up`).
NUMBERED = re.compile(r"([0-9]{1,5})-([0-9]{1,3})((?:-[0-9]{1,2})?(?:-[A-Za-z_]+)?)")
NO_MONTH_SHARE = 0.2
# Day numbers of a spreadsheet from 1927 to 2064, in a column that has no other meaning.
DAY_NUMBERS = (10_000, 60_000)
GRADED = ("photo", "other", "device", "url", "biometric")
YEARS = (1900, 2100)  # the year alone may stay
REMEDY = {
    "date": "write months since the operation, and the age in years with 90 for 90 and more",
    "photo": "take the column out; the tables hold numbers, never pictures or the names of files",
}
TAKE_OUT = f"take the column out, or run regrowth deidentify; {leftovers.LET_THROUGH}"


def examine(path: str | Path, tables: Mapping[str, RawTable]) -> list[Problem]:
    """Return everything at a path that could identify a person: in its tables, and beside them.

    What the clinic lets through in `privacy.toml` beside the tables comes back as a warning with its reason.

    Parameters
    ----------
    path
        What was handed to `records.load`; of a database only the tables are looked through.
    tables
        The tables as read from there.
    """
    if isinstance(path, str) and "://" in path:
        return scan(tables)
    allowed = allowed_beside(path)
    return [*leftovers.scan(Path(path), allowed=allowed), *scan(tables, allowed=allowed)]


def scan(tables: Mapping[str, RawTable], *, allowed: Mapping[str, str] | None = None) -> list[Problem]:
    """Return what in the tables could identify a person, one problem per column and class.

    Parameters
    ----------
    tables
        Table name to the table as read.
    allowed
        `table.column` to the clinic's reason for letting it through; its problems become warnings that say
        why.

    Examples
    --------
    >>> table = RawTable(("zone", "contact"), (pa.array(["crown"]), pa.array(["x@example.org"])), "f.csv", "")
    >>> [(p.column, p.severity) for p in scan({"placements": table})]
    [('contact', 'error')]
    """
    let_through = dict(allowed or {})
    problems = []
    columns = {name: {c.name: c for c in TABLES[name].columns} for name in tables if name in TABLES}
    numbered = _numbered(tables, columns)
    looked_at = [
        _looked_at(name, header, cells, columns.get(name, {}).get(header), is_numbered=header in numbered)
        for name, table in tables.items()
        for header, cells in zip(table.names, table.cells, strict=True)
    ]
    for one, caught in zip(looked_at, _caught([one.texts for one in looked_at]), strict=True):
        problems += [_let(p, let_through) for p in _column(one, caught)]
    return problems


def _let(problem: Problem, allowed: Mapping[str, str]) -> Problem:
    """Turn a problem of a column that was let through by name into a warning that gives the reason."""
    reason = allowed.get(f"{problem.table}.{problem.column}")
    if reason is None:
        return problem
    return leftovers.let_through(
        problem.table, problem.column, problem.count, problem.row, reason, problem.what
    )


def allowed_beside(path: str | Path) -> dict[str, str]:
    """Return what a clinic lets through beside a path; of a database nothing: its queries choose columns."""
    return {} if isinstance(path, str) and "://" in path else read_allowed(Path(path))


def read_allowed(place: Path) -> dict[str, str]:
    """Return the columns a clinic lets through, from `privacy.toml` in the folder or beside the file.

    The file has a table `[allow]` with `"table.column" = "reason"`.

    Raises
    ------
    RecordError
        When the file is no such TOML, or a reason is missing.
    """
    file = (place if place.is_dir() else place.parent) / ALLOW_FILE
    if not file.is_file():
        return {}
    try:
        allow = tomllib.loads(file.read_text(encoding="utf-8")).get("allow", {})
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise RecordError(
            f'{ALLOW_FILE}: the file is not TOML; write [allow] and lines such as "patients.area" = "reason"'
        ) from fault
    short = [key for key, reason in allow.items() if not isinstance(reason, str) or len(reason.strip()) < 10]
    if short:
        raise RecordError(
            f"{ALLOW_FILE}: {len(short)} of {len(allow)} columns let through without a reason; a reason is a "
            'sentence of at least 10 letters; write "table.column" = "reason"'
        )
    return {str(key): reason.strip() for key, reason in allow.items()}


def _numbered(tables: Mapping[str, RawTable], columns: Mapping[str, Mapping[str, Column]]) -> set[str]:
    """Return the codes, such as patient_id, that are numbers counted up in all tables taken together."""
    found: dict[str, list[pa.Array]] = {}
    for name, of_table in columns.items():
        for header, cells in zip(tables[name].names, tables[name].cells, strict=True):
            if header in of_table and of_table[header].kind == "id":
                found.setdefault(header, []).append(cells)
    return {header for header, cells in found.items() if _are_numbers_counted(pa.chunked_array(cells))}


def _are_numbers_counted(cells: pa.ChunkedArray) -> bool:
    """Tell whether codes of two numbers were counted up, and are no years and months that look like them."""
    values = [v for v in pc.unique(cells.drop_null()).to_pylist() if v]
    matches = [m for m in map(NUMBERED.fullmatch, values) if m]
    if len(values) < FEWEST_CELLS or len(matches) < len(values):
        return False
    codes = [m.groups() for m in matches]
    # Codes of another length stand for nothing: dates may have been put among them.
    no_month = [not _is_month(first, second) for first, second, _ in codes if len(first) == 4]
    if len(no_month) >= FEWEST_CELLS and sum(no_month) >= NO_MONTH_SHARE * len(no_month):
        return True
    has_days = any(any(c.isdigit() for c in third) for *_, third in codes)
    return not has_days and _count_up(codes)


def _is_month(first: str, second: str) -> bool:
    return YEARS[0] <= int(first) <= YEARS[1] and len(second) <= 2 and 1 <= int(second) <= 12


def _count_up(codes: Sequence[Sequence[str]]) -> bool:
    """Tell whether numbers begin anew at 1 behind each of many, and mostly end there, as sessions do.

    As months, more than half of the years would have January alone: then they tell no more than the year.
    """
    behind: dict[str, set[int]] = {}
    for first, second, _ in codes:
        behind.setdefault(first, set()).add(int(second))
    n_single = sum(numbers == {1} for numbers in behind.values())
    goes_on = all(numbers == set(range(1, len(numbers) + 1)) for numbers in behind.values())
    return goes_on and len(behind) >= FEWEST_CELLS and n_single > len(behind) / 2


@dataclass(frozen=True, slots=True)
class _Column:
    """One column as it is looked at: its cells by distinct value, and the texts that could identify."""

    table: str
    header: str
    encoded: pa.DictionaryArray
    texts: pa.Array
    known: Column | None
    is_numbered: bool


def _looked_at(
    table: str, header: str, cells: pa.Array, known: Column | None, *, is_numbered: bool
) -> _Column:
    encoded = pc.fill_null(cells, "").dictionary_encode()
    texts = encoded.dictionary.filter(pc.invert(_is_ordinary(encoded.dictionary, known)))
    return _Column(table, header, encoded, texts, known, is_numbered and known is not None)


def _caught(texts: Sequence[pa.Array]) -> list[list[str]]:
    """Return, of each column, the texts that may hold an identifier.

    All at once: to make the expression ready takes longer than to look through a clinic's register.
    """
    if not texts:
        return []
    whole = pa.concat_arrays(texts)
    is_caught = pc.match_substring_regex(whole, quick_look())
    out, start = [], 0
    for own in texts:
        out.append(own.filter(is_caught.slice(start, len(own))).to_pylist())
        start += len(own)
    return out


def _column(one: _Column, caught: list[str]) -> list[Problem]:
    """Return the problems of one column, at most one by its name and one per class by its values."""
    values = one.encoded.dictionary
    by_class = _by_value(caught)
    if one.is_numbered:
        by_class.pop("date", None)
    for kind, members in _by_shape(one).items():
        by_class.setdefault(kind, members)
    problems = [_problem(one, kind, members) for kind, members in by_class.items()]
    by_name = class_of_header(one.header) if one.known is None else None
    if by_name and by_name not in by_class and _name_counts(by_name, values):
        filled = [v for v in values.to_pylist() if v.strip()]
        problems.append(_problem(one, by_name, filled))
    return problems


def _is_ordinary(values: pa.Array, column: Column | None) -> pa.Array:
    """Return which distinct values cannot identify: empty, a short number, yes or no, an allowed word."""
    lower = pc.utf8_lower(values)
    words = [*YES_NO, "", *(w.casefold() for w in (column.allowed if column else ()))]
    number = pc.match_substring_regex(lower, PLAIN_NUMBER)
    return pc.or_(number, pc.is_in(pc.utf8_trim_whitespace(lower), value_set=pa.array(words)))


def _by_value(caught: list[str]) -> dict[str, list[str]]:
    """Return by class the distinct values that hold an identifier."""
    by_class: dict[str, list[str]] = {}
    for value in caught:
        kind = kind_of(value)
        if kind:
            by_class.setdefault(kind, []).append(value)
    return by_class


def _by_shape(one: _Column) -> dict[str, list[str]]:
    """Return by class what a column is as a whole."""
    encoded, column = one.encoded, one.known
    values = encoded.dictionary.to_pylist()
    by_class: dict[str, list[str]] = {}
    old = _too_old(values) if is_age(one.header) else []
    if old:
        by_class["date"] = old
    if column is not None and column.kind in ("number", "integer", "yesno", "choice"):
        return by_class
    filled = len(encoded) - pc.sum(pc.equal(encoded.cast(pa.string()), "")).as_py() if len(encoded) else 0
    words = one.texts.to_pylist()
    if _is_free_text(words, filled):
        by_class["other"] = words
    if column is None or column.kind == "label":
        if _is_given_names(words):
            by_class["name"] = words
        elif _is_unique_code([v for v in values if v.strip()], filled):
            by_class.setdefault("other", [v for v in values if v.strip()])
    if column is None and _is_day_numbers(values):
        by_class["date"] = [v for v in values if v.strip()]
    return by_class


def _too_old(values: list[str]) -> list[str]:
    """Return ages over 89 that are not written as 90."""
    return [v for v in values if (number := _number(v)) is not None and OLDEST < number < 130]


def _is_free_text(words: list[str], filled: int) -> bool:
    """Tell whether a column is remarks: long, or many words and mostly different."""
    if filled < FEWEST_CELLS or len(words) < FEWEST_CELLS:
        return any(len(w) > 2 * LONG_TEXT_LETTERS and w.count(" ") >= MANY_WORDS for w in words)
    letters = float(np.mean([len(w) for w in words]))
    spaces = float(np.mean([len(WORD.findall(w)) - 1 for w in words]))
    different = len(words) / filled
    return spaces >= 2 and (letters > LONG_TEXT_LETTERS or (spaces >= MANY_WORDS - 1 and different > 0.3))


def _is_given_names(words: list[str]) -> bool:
    if len(words) < 3:
        return False
    first = [plain(w).split(" ")[0].strip(",.") for w in words]
    return sum(f in given_names() for f in first) >= len(words) / 2


def _is_unique_code(values: list[str], filled: int) -> bool:
    """Tell whether a column is codes with digits in them, nearly all different."""
    if filled < FEWEST_CELLS or len(values) < NEARLY_ALL_DIFFERENT * filled:
        return False
    long = [v for v in values if len(v) >= CODE_LETTERS and sum(c.isdigit() for c in v) >= 4 and _is_code(v)]
    # Number plates of most countries: five to nine capitals and digits, some of each.
    mixed = [v for v in values if MIXED.fullmatch(v) and sum(c.isdigit() for c in v) in range(1, 7)]
    return max(len(long), len(mixed)) >= NEARLY_ALL_DIFFERENT * len(values)


def _is_code(value: str) -> bool:
    return "." not in value and "," not in value and value.replace("-", "").replace(" ", "").isalnum()


def _is_day_numbers(values: list[str]) -> bool:
    numbers = [_number(v) for v in values if v.strip()]
    low, high = DAY_NUMBERS
    whole = [n for n in numbers if n is not None and n == int(n) and low <= n <= high]
    return len(whole) >= FEWEST_CELLS and len(whole) == len(numbers)


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _name_counts(kind: str, values: pa.Array) -> bool:
    """Tell whether a column's name alone accuses it: not where it holds grades, yes or no, or measures."""
    filled = [v.strip() for v in values.to_pylist() if v.strip()]
    if not filled or all(v.casefold() in YES_NO for v in filled):
        return False
    numbers = [_number(v) for v in filled]
    if kind == "date":
        return not all(n is not None and (n < 100 or YEARS[0] <= n <= YEARS[1]) for n in numbers)
    if kind not in GRADED:
        return True
    if all(n is not None and abs(n) < 1000 for n in numbers):
        return False
    return len(filled) > FEW_CATEGORIES or max(len(v) for v in filled) > LONG_TEXT_LETTERS


def _problem(one: _Column, kind: str, members: list[str]) -> Problem:
    """Return the problem: which column, how many rows, the first, what class; no value."""
    places = {value: i for i, value in enumerate(one.encoded.dictionary.to_pylist())}
    wanted = pa.array([places[m] for m in members], one.encoded.indices.type)
    rows = np.asarray(pc.is_in(one.encoded.indices, value_set=wanted))
    first = int(rows.argmax()) + FIRST_DATA_ROW
    noun = in_words(kind)
    return Problem(
        one.table,
        one.header,
        int(rows.sum()),
        first,
        "nothing by which a person could be known is read (45 CFR 164.514(b)(2))",
        f"{REMEDY[kind]}; {leftovers.LET_THROUGH}" if kind in REMEDY else TAKE_OUT,
        "error",
        f"identifier_{kind}",
        (f"cell holds what looks like {noun}", f"cells hold what looks like {noun}"),
    )
