"""The mapping file: what each column of a clinic's own file means, as a small TOML that a person edits.

`mapping.propose` writes it, a person corrects it, `mapping.apply` follows it to the letter. A `"?"`
anywhere is a question that must be answered first. Rows and columns are named as a spreadsheet shows them
(row 5, column B).
"""

import re
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from analytics.dictionary import TABLES
from analytics.errors import ParameterError, meant
from analytics.mapping.sources import Unfold
from analytics.mapping.values import DERIVED, GROUPS, ORDERS, SET_ASIDE, Reading, key

VERSION = 1
QUESTION = "?"
CONFIRMED = "hold_for_every_row"
EVERY_SHEET, SHEET_NAME = "*", "sheet name"
WIDEST_CODE = 20
TARGETS = frozenset(
    [f"{t.name}.{c.name}" for t in TABLES.values() for c in t.columns if not c.derived] + list(DERIVED)
)
SAME_OPERATION = re.compile(r"day|month|within \d+ days")
CHOICES = {
    "decimal": ("comma", "point"),
    "thousands": tuple(GROUPS),
    "date_order": ORDERS,
    "short_years": ("", "1900", "2000"),
    "epoch": ("1900", "1904"),
    "swapped": ("stop", "as stored", "turn back"),
    "contradiction": ("stop", "leave out"),
    "undated_counts": ("stop", "planned month"),
    "off_month": ("stop", "by date", "planned month"),
    "same_codes": ("stop", "one", "as written"),
    "blank_codes": ("stop", "as above"),
    "approximate": ("stop", "as written"),
    "ranges": ("stop", "midpoint"),
    "code_marks": ("stop", "drop", "keep"),
    "errors": ("stop", "set aside"),
}

JOINING = ("contradiction", "undated_counts", "off_month", "same_codes", "blank_codes")  # as in `Plan`
TEXT, NUMBER, WHOLE = (str,), (int, float), (int,)
KIND: dict[type, str] = {str: "a text", int: "a whole number", float: "a number", list: "a list"}
COLUMN: dict[str, object] = {
    **dict.fromkeys(("letter", "header", "split", "reason", "zone", "site", "visit", "unit"), TEXT),
    "to": (str, list),
    "session": WHOLE,
    "month": NUMBER,
    "width": WHOLE,
}
SHAPE: dict[str, object] = {
    "reading": {"missing": [TEXT], "*": TEXT},
    "joining": {"*": TEXT},
    "zones": {"*": TEXT},
    "words": {"*": {"*": TEXT}},
    "constants": {"hold_for_every_row": TEXT, "*": {"because": TEXT}},
    "unfold": [{"sheet": TEXT, "header_row": WHOLE, "names": TEXT, "values": TEXT}],
    "table": [
        {"sheet": TEXT, "header_rows": [WHOLE], "first_row": WHOLE, "last_row": WHOLE, "column": [COLUMN]}
    ],
    "set_aside": [{"sheet": TEXT, "rows": [WHOLE], "reason": TEXT}],
}


@dataclass(frozen=True, slots=True)
class ColumnPlan:
    """What one column means: its targets, and what its header says about zone, session and visit."""

    letter: str
    header: str
    to: tuple[str, ...]
    split: str = ""
    reason: str = ""
    zone: str = ""
    site: str = ""
    session: int = 0
    visit: str = ""
    month: float | None = None
    unit: str = ""
    width: int = 0

    @property
    def is_set_aside(self) -> bool:
        """Return whether the whole column is set aside."""
        return self.to == (SET_ASIDE,)

    @property
    def about(self) -> tuple[str, str, int, str]:
        """Return zone, site, session and visit that the header speaks of; empty where it does not."""
        return (self.zone, self.site, self.session, self.visit)


@dataclass(frozen=True, slots=True)
class TablePlan:
    """One table on a sheet: rows of its header, first and last row of data, its columns.

    Sheet "*" stands for every sheet with these headings in these rows, to its last row of data.
    """

    sheet: str
    header_rows: tuple[int, ...]
    first_row: int
    last_row: int
    columns: tuple[ColumnPlan, ...]


@dataclass(frozen=True, slots=True)
class Aside:
    """Rows of a sheet (all of it where `rows` is empty) that the clinic sets aside, and why."""

    sheet: str
    rows: tuple[int, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Constant:
    """A fact the file does not say, stated by the clinic for all rows, and why it may be."""

    value: object
    because: str


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole mapping file."""

    reading: Reading
    tables: tuple[TablePlan, ...]
    register_begins: tuple[int, int]
    same_operation: str = "day"
    contradiction: str = "stop"
    undated_counts: str = "stop"
    off_month: str = "stop"
    same_codes: str = "stop"
    blank_codes: str = "stop"
    encoding: str = ""
    separator: str = ""
    zones: dict[str, str] = field(default_factory=dict)
    constants: dict[str, Constant] = field(default_factory=dict)
    aside: tuple[Aside, ...] = ()
    unfold: tuple[Unfold, ...] = ()


def read_plan(path: Path) -> Plan:
    """Return the mapping file at a path.

    Parameters
    ----------
    path
        A TOML file, such as `propose` writes.

    Returns
    -------
    Plan
        Checked, with nothing left open.

    Raises
    ------
    ParameterError
        When it is no TOML, names an unknown key, target or choice, or still asks a question; all at once.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from pathlib import Path
    >>> with TemporaryDirectory() as folder:
    ...     place = Path(folder) / "mapping.toml"
    ...     _ = place.write_text("no toml", encoding="utf-8")
    ...     read_plan(place)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: mapping.toml: not TOML; ...
    """
    try:
        return parse(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise ParameterError(
            f"{path.name}: not TOML; propose it again, or mend the line named: {fault}"
        ) from fault


def parse(raw: dict[str, Any]) -> Plan:
    """Return the plan a TOML document states; see `read_plan`."""
    faults: list[str] = []
    _shaped(raw, SHAPE, "", faults)
    if faults:
        raise ParameterError("\n".join(f"mapping: {f}" for f in faults))
    _known(
        raw,
        {"version", *SHAPE},
        "",
        faults,
    )
    if raw.get("version") != VERSION:
        faults.append(f"version: this program reads mapping files of version {VERSION}; propose it again")
    reading, joining = dict(raw.get("reading", {})), dict(raw.get("joining", {}))
    _questions(raw, "", faults)
    _known(
        reading, {f.name for f in fields(Reading)} - {"words"} | {"encoding", "separator"}, "reading.", faults
    )
    _known(joining, {"register_begins", "same_operation", *JOINING}, "joining.", faults)
    _choices({**reading, **joining}, faults)
    tables = tuple(_table(t, i, faults) for i, t in enumerate(raw.get("table", []), 1))
    begins = re.fullmatch(r"(\d{4})-(\d{2})", str(joining.get("register_begins", "")))
    if not begins and joining.get("register_begins") != QUESTION:
        faults.append("joining.register_begins: write year and month, such as 2021-01")
    given = dict(raw.get("constants", {}))
    if given.pop(CONFIRMED, "yes") not in ("yes", QUESTION):
        faults.append(f'constants.{CONFIRMED}: write "yes" once the values hold, or take away what does not')
    constants = {k: _constant(k, v, faults) for k, v in given.items()}
    aside = tuple(_aside(a, faults) for a in raw.get("set_aside", []))
    unfold = tuple(_unfold(u, faults) for u in raw.get("unfold", []))
    if not tables:
        faults.append("table: no table is named; propose the mapping again")
    if faults:
        raise ParameterError("\n".join(f"mapping: {f}" for f in faults))
    assert begins is not None
    stated: dict[str, Any] = {name: str(joining[name]) for name in JOINING if name in joining}
    return Plan(
        _reading(reading, raw.get("words", {})),
        tables,
        (int(begins.group(1)), int(begins.group(2))),
        str(joining.get("same_operation", "day")),
        encoding=str(reading.get("encoding", "")),
        separator=str(reading.get("separator", "")),
        zones={key(k): str(v) for k, v in raw.get("zones", {}).items()},
        constants=constants,
        aside=aside,
        unfold=unfold,
        **stated,
    )


def _shaped(value_there: object, shape: object, where: str, faults: list[str]) -> None:
    """Note every value that is not of the kind its place asks for."""
    if isinstance(shape, dict):
        if not isinstance(value_there, dict):
            faults.append(f"{where.strip('.') or 'the file'}: names with values belong here")
            return
        for name, value in value_there.items():
            inner = shape.get(name, shape.get("*"))
            if inner is not None:
                _shaped(value, inner, f"{where}.{name}", faults)
    elif isinstance(shape, list):
        if not isinstance(value_there, list):
            faults.append(f"{where.strip('.')}: a list belongs here")
            return
        for i, value in enumerate(value_there, 1):
            _shaped(value, shape[0], f"{where}[{i}]", faults)
    elif isinstance(shape, tuple) and (isinstance(value_there, bool) or not isinstance(value_there, shape)):
        faults.append(f"{where.strip('.')}: {' or '.join(KIND[k] for k in shape)} belongs here")


def _reading(given: dict[str, Any], words: dict[str, dict[str, str]]) -> Reading:
    values = {k: v for k, v in given.items() if k not in ("encoding", "separator", "missing")}
    return Reading(
        **values,
        missing=frozenset(given.get("missing", ())),
        words={target: {key(k): str(v) for k, v in known.items()} for target, known in words.items()},
    )


def _known(given: dict[str, Any], allowed: set[str], where: str, faults: list[str]) -> None:
    unknown = (name for name in given if name not in allowed)
    faults.extend(f"{where}{name}: no such key{meant(name, allowed)}" for name in unknown)


def _choices(given: dict[str, Any], faults: list[str]) -> None:
    for name, allowed in CHOICES.items():
        if name in given and given[name] not in (*allowed, QUESTION):
            faults.append(f"{name}: use one of {', '.join(a or 'empty' for a in allowed)}")
    same = str(given.get("same_operation", "day"))
    if same != QUESTION and not SAME_OPERATION.fullmatch(same):
        faults.append('same_operation: use "day", "month" or "within N days"')


def _questions(raw: object, where: str, faults: list[str]) -> None:
    """Note every place that still holds a question mark."""
    if raw == QUESTION:
        faults.append(f"{where.strip('.')}: still a question; write the answer")
    elif isinstance(raw, dict):
        # The words of a sheet are its cells: they are told by their place.
        are_words = where == ".zones" or where.startswith(".words.")
        for place, (name, value) in enumerate(raw.items(), 1):
            if name not in ("missing", "header"):
                _questions(value, f"{where}, word {place}" if are_words else f"{where}.{name}", faults)
    elif isinstance(raw, list):
        for i, value in enumerate(raw, 1):
            _questions(value, f"{where}[{i}]", faults)


def _table(given: dict[str, Any], number: int, faults: list[str]) -> TablePlan:
    where = f"table {number}"
    _known(given, {"sheet", "header_rows", "first_row", "last_row", "column"}, f"{where}, ", faults)
    columns = tuple(_column(c, where, faults) for c in given.get("column", []))
    first, last = given.get("first_row", 0), given.get("last_row", 0)
    is_every = given.get("sheet") == EVERY_SHEET
    if not (0 < first <= last or (is_every and first > 0)):
        faults.append(f"{where}: first_row and last_row are rows as the spreadsheet shows them")
        first, last = 1, 1
    letters = [c.letter for c in columns]
    if len(set(letters)) < len(letters):
        faults.append(f"{where}: a column is named twice; put both targets in one list")
    faults.extend(_double_targets(columns, where))
    return TablePlan(str(given.get("sheet", "")), tuple(given.get("header_rows", ())), first, last, columns)


def _double_targets(columns: tuple[ColumnPlan, ...], where: str) -> list[str]:
    """Return a fault for each pair of columns that would say the same fact of the same thing."""
    first: dict[tuple, str] = {}
    faults = []
    for column in columns:
        for target in column.to:
            month = column.visit if column.month is None else column.month
            other = first.setdefault((target, column.zone, column.site, column.session, month), column.letter)
            if other != column.letter and target not in (SET_ASIDE, QUESTION):
                faults.append(
                    f"{where}, columns {other} and {column.letter}: both are {target} of the same zone, "
                    f"session and "
                    'visit; keep the right one and write to = "set aside" for the other'
                )
    return faults


def _column(given: dict[str, Any], where: str, faults: list[str]) -> ColumnPlan:
    letter = str(given.get("letter", ""))
    here = f"{where}, column {letter or 'without a letter'}"
    _known(given, {f.name for f in fields(ColumnPlan)}, f"{here}, ", faults)
    to = given.get("to", SET_ASIDE)
    targets = tuple(to) if isinstance(to, list) and to else (str(to),)
    allowed = {*TARGETS, SET_ASIDE, QUESTION}
    unknown = (str(target) for target in targets if not isinstance(target, str) or target not in allowed)
    faults.extend(f"{here}: no such target{meant(target, TARGETS)}" for target in unknown)
    if len(targets) > 1 and not given.get("split"):
        faults.append(f'{here}: two targets need split: a separator, or "number and word"')
    if not re.fullmatch(rf"[A-Z]{{1,3}}[0-9]{{0,7}}|{SHEET_NAME}", letter):
        faults.append(f"{here}: letter is a column, such as B, one cell, such as B2, or {SHEET_NAME}")
    if not 0 <= given.get("width", 0) <= WIDEST_CODE:
        faults.append(f"{here}: width is how many digits a code has, at most {WIDEST_CODE}")
    values = {k: v for k, v in given.items() if k in {f.name for f in fields(ColumnPlan)}}
    values.update(letter=letter, header=str(given.get("header", "")), to=targets)
    return ColumnPlan(**values)


def _constant(name: str, given: object, faults: list[str]) -> Constant:
    if name not in TARGETS or (name in DERIVED and name != "placements.hairs_per_graft"):
        faults.append(f"constants: {name} is no column of the dictionary")
    if not isinstance(given, dict) or "value" not in given or len(str(given.get("because", "")).strip()) < 10:
        faults.append(f'constants."{name}": write {{ value = ..., because = "why it holds for every row" }}')
        return Constant(None, "")
    if given["value"] != QUESTION and not _is_of_kind(name, given["value"]):
        faults.append(
            f'constants."{name}": value is a number with a point, without quotation marks, true or false, or '
            "one of the dictionary's words, as the column asks"
        )
    return Constant(given["value"], str(given["because"]))


def _is_of_kind(name: str, value: object) -> bool:
    """Tell whether a constant has the kind of its column."""
    table, _, column_name = name.partition(".")
    column = (
        next((c for c in TABLES[table].columns if c.name == column_name), None) if table in TABLES else None
    )
    is_number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12
    if column is None or column.kind in ("number", "integer"):
        return is_number
    if column.kind == "yesno":
        return isinstance(value, bool)
    return isinstance(value, str) and (column.kind != "choice" or value in column.allowed)


def _unfold(given: dict[str, Any], faults: list[str]) -> Unfold:
    _known(given, {"sheet", "header_row", "names", "values"}, "unfold, ", faults)
    letters = [str(given.get(k, "")) for k in ("names", "values")]
    if not all(re.fullmatch(r"[A-Z]{1,3}", x) for x in letters) or not given.get("header_row", 0) > 0:
        faults.append("unfold: header_row is a row, names and values are letters of columns, such as C and D")
        letters = ["A", "B"]
    return Unfold(str(given.get("sheet", "")), max(1, int(given.get("header_row", 1))), *letters)


def _aside(given: dict[str, Any], faults: list[str]) -> Aside:
    _known(given, {"sheet", "rows", "reason"}, "set_aside, ", faults)
    if not given.get("reason"):
        faults.append("set_aside: a reason is needed")
    return Aside(str(given.get("sheet", "")), tuple(given.get("rows", ())), str(given.get("reason", "")))
