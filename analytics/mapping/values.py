"""From one cell of a clinic's file to a value, by what the clinic declared: nothing here guesses.

Every function takes one cell (text, float, date) and returns a value or a `Fault`. A cell that could mean two
things under what was declared is a fault. Distinct values are read once and spread over the rows.

Words in common use in clinics' own files (headers, zones, units, months, marks) and the faults with their
sentences stand in lexicon.toml. They only propose: what a word was taken for stands in the mapping file, for
a person to change.
"""

import datetime
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics.identifiers import plain
from analytics.mapping.sources import SPACES

_WORDS = tomllib.loads(Path(__file__).with_name("lexicon.toml").read_text(encoding="utf-8"))

HEADERS: dict[str, list[str]] = _WORDS["headers"]
ZONE_WORDS: dict[str, list[str]] = _WORDS["zones"]
CHOICE_WORDS: dict[str, dict[str, list[str]]] = _WORDS["choices"]
MISSING: list[str] = _WORDS["marks"]["missing"]
TOTAL_WORDS: list[str] = _WORDS["marks"]["totals"]
FACT_NAMES = frozenset(_WORDS["marks"]["fact_names"])
FACT_VALUES = frozenset(_WORDS["marks"]["fact_values"])
NOT_HAIR_UNITS = frozenset(_WORDS["marks"]["not_hair_units"])
YES = frozenset(_WORDS["marks"]["yes"])
NO = frozenset(_WORDS["marks"]["no"])
MONTH_NAMES: dict[str, int] = {name: int(m) for m, names in _WORDS["months"].items() for name in names}
UNITS: dict[str, tuple[str, float, float]] = {
    spelling: (unit["unit"], unit["factor"], unit["offset"])
    for unit in _WORDS["units"]
    for spelling in unit["spelled"]
}
FAULTS: dict[str, dict[str, str]] = _WORDS["faults"]

SET_ASIDE = "set aside"
# Facts with a header of their own that are turned into columns of the dictionary.
DERIVED = {
    "patients.birth_date": "patients.age_years",
    "sessions.date": "sessions.register_month",
    "measurements.date": "measurements.month",
    "visits.date": "visits.month",
    "ratings.date": "ratings.month",
    "events.date": "events.month",
    "therapies.start_date": "therapies.start_register_month",
    "therapies.stop_date": "therapies.stop_register_month",
    "placements.hairs_per_graft": "placements.hairs",
}


DAYS_A_MONTH = 365.25 / 12
FIRST_DAY = {"1900": datetime.date(1899, 12, 30), "1904": datetime.date(1904, 1, 1)}
DAY_NUMBERS = (20_000, 60_000)  # 1954 to 2064 counted from 1900
ABOUT = re.compile(
    r"^(?:~|≈|ca\.?|circa|approx\.?|about|etwa|env\.?|aprox\.?|yaklasik|약) ?(?=\d)", re.IGNORECASE
)
RANGE = re.compile(r"^(\d[\d.,]*) ?(?:-|–|—|to|bis|à) ?(\d[\d.,]*)(?![\d.,/-])")
CODE_MARKS = "*†‡°#!"
FORMULA_ERRORS = frozenset(
    ["#ERROR!", "#REF!", "#N/A", "#VALUE!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!", "#NOT CALCULATED!"]
)
ORDERS = ("day-month-year", "month-day-year", "year-month-day")
GROUPS = {"none": "", "point": r"\.", "comma": ",", "space": " ", "apostrophe": "['’]"}


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a cell could not be read; `code` is a key of `FAULTS`."""

    code: str


@dataclass(frozen=True, slots=True)
class Reading:
    """How cells are read, as the clinic declared it.

    `decimal` is comma or point, `thousands` what stands between groups of three digits (none, point, comma,
    space, apostrophe), `date_order` one of ORDERS, `short_years` the century of years of two digits (""
    stops at them), `missing` words that stand for an empty cell, `mark` what follows a count whose
    photograph was not to standard, `epoch` the year from which a workbook counts days. `approximate` says
    what
    a number written as about (~45) is, `ranges` what 45-50 is, `code_marks` whether a mark before or after a
    code belongs to it, `errors` what becomes of cells that hold the error of a formula.
    """

    decimal: str = "point"
    thousands: str = "none"
    date_order: str = "year-month-day"
    short_years: str = ""
    missing: frozenset[str] = frozenset()
    mark: str = ""
    epoch: str = "1900"
    swapped: str = "stop"
    approximate: str = "stop"
    ranges: str = "stop"
    code_marks: str = "stop"
    errors: str = "stop"
    words: dict[str, dict[str, str]] = field(default_factory=dict)


def tidy(cell: object) -> object:
    """Return a cell without spaces around it, inner runs of spaces as one.

    >>> tidy("\u00a042,5 \u2009cm2 ")
    '42,5 cm2'
    """
    return re.sub(f"[{SPACES}]+", " ", cell.strip(SPACES)) if isinstance(cell, str) else cell


def key(text: str) -> str:
    """Return the form in which words are compared: no accents, capitals, dots or marks, single spaces.

    >>> key(" Mid-Scalp. ")
    'mid scalp'
    """
    return re.sub(r"[\W_]+", " ", plain(text).replace("ı", "i")).strip()


def spread(cells: np.ndarray, read: Callable[[Any], Any]) -> tuple[np.ndarray, np.ndarray]:
    """Return `read` of every cell (n,), and the fault's code (n,) or "" ; each distinct cell is read once.

    An empty cell gives None.
    """
    codes, distinct = pd.factorize(cells, use_na_sentinel=False)
    values = np.empty(len(distinct), dtype=object)
    faults = np.full(len(distinct), "", dtype=object)
    for i, cell in enumerate(distinct):
        value = None if isinstance(cell, str) and cell == "" else read(cell)
        if isinstance(value, Fault):
            faults[i] = value.code
        else:
            values[i] = value
    return values[codes], faults[codes]


BROKEN = Reading(missing=FORMULA_ERRORS)  # the words that stand for the error of a formula


def is_missing(cells: np.ndarray, reading: Reading) -> np.ndarray:
    """Return which cells (n,) hold a word that stands for missing."""
    if not reading.missing:
        return np.zeros(len(cells), dtype=bool)
    codes, distinct = pd.factorize(cells, use_na_sentinel=False)
    words = {w.casefold() for w in reading.missing}
    hit = np.array([isinstance(c, str) and c.strip(SPACES).casefold() in words for c in distinct], dtype=bool)
    return hit[codes] if len(distinct) else np.zeros(len(cells), dtype=bool)


def number(cell: object, reading: Reading, *, unit: str = "", given_unit: str = "") -> float | Fault:
    """Return a number in the unit of the dictionary.

    Parameters
    ----------
    unit
        The unit wanted.
    given_unit
        The unit of the whole column, where the header or the clinic said so.

    Examples
    --------
    >>> comma = Reading(decimal="comma")
    >>> number("42,8 cm²", comma, unit="cm2"), number("250 mm²", comma, unit="cm2"), number("1.234", comma)
    (42.8, 2.5, Fault(code='ambiguous_thousands'))
    """
    if isinstance(cell, float):
        return _converted(cell, given_unit, unit)
    if isinstance(cell, datetime.timedelta):
        return cell.total_seconds() / 60 if unit == "minutes" else Fault("date_for_number")
    if isinstance(cell, datetime.time):
        return cell.hour * 60.0 + cell.minute if unit == "minutes" else Fault("date_for_number")
    if not isinstance(cell, str):
        return Fault("date_for_number")
    text = str(tidy(cell))
    clock = re.fullmatch(r"(\d{1,2}) ?(?:h|:|std\.?) ?(\d{2})(?: ?min)?", text, re.IGNORECASE)
    if clock and unit == "minutes":
        return int(clock.group(1)) * 60.0 + int(clock.group(2))
    written = _value_and_unit(text, reading)
    if isinstance(written, Fault):
        return written
    value, unit_there = written
    return _converted(value, unit_there or given_unit, unit)


def _value_and_unit(text: str, reading: Reading) -> tuple[float, str] | Fault:
    """Return the value of a text and the unit written behind it.

    >>> _value_and_unit("~45 /cm2", Reading(approximate="as written"))
    (45.0, '/cm2')
    >>> _value_and_unit("45-50", Reading(ranges="midpoint")), _value_and_unit("45-50", Reading())
    ((47.5, ''), Fault(code='range'))
    """
    bare = ABOUT.sub("", text)
    if bare != text and reading.approximate != "as written":
        return Fault("approximate")
    between = RANGE.match(bare)
    if between:
        ends = [_digits(between.group(k), reading) for k in (1, 2)]
        fault = next((e for e in ends if isinstance(e, Fault)), None)
        if fault or reading.ranges != "midpoint":
            return fault or Fault("range")
        low, high = (float(e) for e in ends if not isinstance(e, Fault))
        return ((low + high) / 2, bare[between.end() :].strip()) if low <= high else Fault("not_a_number")
    match = re.fullmatch(r"([+-−]?\d[\d.,'’ ]*)(.*)", bare)
    if not match:
        return Fault("not_a_number")
    value = _digits(match.group(1).strip(), reading)
    return value if isinstance(value, Fault) else (value, match.group(2).strip())


def _digits(text: str, reading: Reading) -> float | Fault:
    """Return the value of digits with their marks."""
    mark, other = (",", ".") if reading.decimal == "comma" else (".", ",")
    group = GROUPS[reading.thousands]
    text = text.replace("−", "-")
    if re.fullmatch(rf"[+-]?\d+(?:{re.escape(mark)}\d+)?", text):
        return float(text.replace(mark, "."))
    if group and re.fullmatch(rf"[+-]?\d{{1,3}}(?:{group}\d{{3}})+(?:{re.escape(mark)}\d+)?", text):
        return float(re.sub(group, "", text).replace(mark, "."))
    if re.fullmatch(rf"[+-]?\d{{1,3}}(?:[{re.escape(other)} '’]\d{{3}})+(?:{re.escape(mark)}\d+)?", text):
        return Fault("ambiguous_thousands")
    if re.fullmatch(rf"[+-]?\d+{re.escape(other)}\d+", text):
        return Fault("other_decimal")
    return Fault("not_a_number")


def _converted(value: float, unit_there: str, wanted: str) -> float | Fault:
    if not unit_there:
        return value
    name = UNITS.get(unit_key(unit_there))
    if name is None:
        return Fault("unknown_unit")
    if name[0] != wanted:
        return Fault("wrong_unit")
    return round(value * name[1] + name[2], 9)


def unit_key(text: str) -> str:
    """Return the form in which units are compared.

    >>> unit_key("(cm^2)"), unit_key("hairs / cm²")
    ('cm2', 'hairs/cm2')
    """
    return re.sub(r"[ .^()\[\]]", "", plain(text))


def date(cell: object, reading: Reading) -> datetime.date | Fault:
    """Return a day.

    >>> order = Reading(date_order="day-month-year")
    >>> date("03/04/2024", order), date(45292.0, order), date("13/13/2024", order)
    (datetime.date(2024, 4, 3), datetime.date(2024, 1, 1), Fault(code='impossible_date'))
    """
    if isinstance(cell, datetime.date):
        return cell.date() if isinstance(cell, datetime.datetime) else cell
    if isinstance(cell, float):
        return _from_day_number(cell, reading)
    if not isinstance(cell, str):
        return Fault("not_a_date")
    text = re.sub(r"[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp][Mm])?Z?$", "", str(tidy(cell)))
    iso = re.fullmatch(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", text)
    if iso:
        return _day(*(int(p) for p in iso.groups()))
    three = re.fullmatch(r"(\d{1,2}) ?[-/. ] ?(\d{1,2}) ?[-/. ] ?(\d{4}|\d{2})\.?", text)
    if three:
        return _by_order(three, reading)
    named = _named(text, reading)
    if named is not None:
        return named
    if re.fullmatch(r"\d{1,2}[-/. ]\d{4}|\d{4}[-/.]\d{1,2}|[^\W\d]+\.? \d{4}", text):
        return Fault("no_day")
    if re.fullmatch(r"\d{5}", text):
        return _from_day_number(float(text), reading)
    return Fault("not_a_date")


def _named(text: str, reading: Reading) -> datetime.date | Fault | None:
    """Return a day written with the name of its month, or None where it is not."""
    back = re.fullmatch(
        r"(\d{1,2})(?:st|nd|rd|th|\.|º)?[-/ ]?(?:de |d')?([^\W\d]+)\.?,?(?:[-/ ]| de )?(\d{4}|\d{2})", text
    )
    front = re.fullmatch(r"([^\W\d]+)\.? (\d{1,2})(?:st|nd|rd|th)?,? (\d{4})", text)
    if back:
        day, name, year = back.groups()
    elif front:
        name, day, year = front.groups()
    else:
        return None
    month = MONTH_NAMES.get(plain(name))
    if month is None:
        return None
    full = _year(year, reading)
    return full if isinstance(full, Fault) else _day(full, month, int(day))


def _by_order(match: re.Match, reading: Reading) -> datetime.date | Fault:
    first, second = int(match.group(1)), int(match.group(2))
    if reading.date_order == "year-month-day":
        return Fault("other_date_order")
    year = _year(match.group(3), reading)
    if isinstance(year, Fault):
        return year
    day, month = (first, second) if reading.date_order == "day-month-year" else (second, first)
    return _day(year, month, day)


def _year(text: str, reading: Reading) -> int | Fault:
    if len(text) == 4:
        return int(text)
    return int(reading.short_years) + int(text) if reading.short_years else Fault("short_year")


def _from_day_number(value: float, reading: Reading) -> datetime.date | Fault:
    low, high = DAY_NUMBERS
    if not low <= value <= high:
        return Fault("not_a_date")
    return FIRST_DAY[reading.epoch] + datetime.timedelta(days=int(value))


def _day(year: int, month: int, day: int) -> datetime.date | Fault:
    try:
        return datetime.date(year, month, day)
    except ValueError:
        return Fault("impossible_date")


def swapped(cells: np.ndarray, reading: Reading) -> bool:
    """Tell whether a spreadsheet program may have turned day and month round in part of a column.

    It turns 04/05/2024 typed day first into a date of 5 April and leaves 13/05/2024 as text: the stored
    dates all have a day up to 12, the texts all one above.
    """
    stored = [c for c in set(cells) if isinstance(c, datetime.date)]
    texts = [re.match(r"\s*(\d{1,2})[-/. ]", c) for c in set(cells) if isinstance(c, str) and c]
    firsts = [int(m.group(1)) for m in texts if m]
    return bool(stored and firsts) and all(d.day <= 12 for d in stored) and all(f > 12 for f in firsts)


def yes_or_no(cell: object) -> bool | Fault:
    """Return yes or no, in several languages.

    >>> yes_or_no("ja"), yes_or_no("Non"), yes_or_no("perhaps")
    (True, False, Fault(code='not_yes_or_no'))
    """
    text = key(str(int(cell)) if isinstance(cell, float) and cell in (0.0, 1.0) else str(cell))
    if text in YES:
        return True
    return False if text in NO else Fault("not_yes_or_no")


def word(cell: object, known: dict[str, str]) -> str | Fault:
    """Return the dictionary's word for a cell, by the words the clinic declared.

    >>> word("H-line", {"h line": "hairline"})
    'hairline'
    """
    text = str(int(cell)) if isinstance(cell, float) and cell == int(cell) else str(cell)
    meaning = known.get(key(text))
    return Fault("unknown_word") if meaning in (None, "?") else str(meaning)


def code(cell: object, *, width: int = 0, marks: str = "keep") -> str | Fault:
    """Return a code as text, its leading zeros kept or, where a width is declared, put back.

    >>> code("0012"), code(12.0, width=4), code(12.5)
    ('0012', '0012', Fault(code='not_a_code'))
    >>> code("*0012", marks="drop"), code("*0012", marks="stop")
    ('0012', Fault(code='marked_code'))
    """
    if isinstance(cell, float):
        if cell != int(cell):
            return Fault("not_a_code")
        return str(int(cell)).zfill(width)
    if not isinstance(cell, str):
        return Fault("not_a_code")
    text = str(tidy(cell))
    bare = text.strip(CODE_MARKS + SPACES)
    if bare != text and marks != "keep":
        if marks == "stop" or not bare:
            return Fault("marked_code")
        text = bare
    return text.zfill(width) if text.isdigit() else text


def marked(cell: object, mark: str) -> tuple[object, bool]:
    """Return a cell without its mark, and whether it had one.

    >>> marked("42,5*", "*"), marked("42,5", "*")
    (('42,5', True), ('42,5', False))
    """
    if not mark or not isinstance(cell, str):
        return cell, False
    text = cell.strip(SPACES)
    if text.endswith(mark):
        return text[: -len(mark)].rstrip(SPACES), True
    return (text[len(mark) :].lstrip(SPACES), True) if text.startswith(mark) else (cell, False)


def two(cell: object, separator: str) -> tuple[str, str] | Fault:
    """Return the two facts of one cell, cut at a separator, or a number and the words after it.

    >>> two("strip / S2", "/"), two("42,8 cm² Mid scalp", "number and word")
    (('strip', 'S2'), ('42,8 cm²', 'Mid scalp'))
    """
    if not isinstance(cell, str):
        return Fault("not_two_facts")
    text = str(tidy(cell))
    if separator != "number and word":
        first, sign, second = text.partition(separator)
        return (
            (first.strip(), second.strip())
            if sign and first.strip() and second.strip()
            else Fault("not_two_facts")
        )
    match = re.fullmatch(
        r"([\d][\d.,'’]*(?: ?[^\s\d]*[²2])?) +(.+)|(.+?) +([\d][\d.,'’]*(?: ?[^\s\d]*[²2])?)", text
    )
    if not match:
        return Fault("not_two_facts")
    return (match.group(1), match.group(2)) if match.group(1) else (match.group(4), match.group(3))
