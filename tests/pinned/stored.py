"""How the numbers of a page are kept: tables of keyed rows, rounded, one row a line.

A number is kept to two digits beyond what is printed. A page prints a number to the first digit of its
standard error or the one after, so a row with a standard error is kept to four digits of it, any other number
to six digits, none beyond the sixth decimal. For readers outside, estimates leave with three digits and are
kept so. Counts are kept whole. Text is kept where it is a name, a unit or a short flag; of a sentence only
its numbers.
"""

import json
import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

DIGITS, DIGITS_OF_ERROR, DIGITS_OUTSIDE, MOST_DECIMALS = 6, 4, 3, 6
EVERY_POINT = 4  # of a curve: its neighbours move with it
MOST_WORDS = 8  # a text of more words is a sentence
COUNTS = ("numerator", "denominator", "count", "events")
FACTS = ("n_rows", "n_patients", "n_left_out", "failed_checks")
Key = tuple[str, ...]


@dataclass
class Table:
    """Rows of one table for one audience, by what names them."""

    names: list[str]
    columns: list[str]
    rows: dict[Key, list[Any]] = field(default_factory=dict)


@dataclass
class Pins:
    """What is kept of one page on one register: tables by (audience, table, part), refusals by audience."""

    tables: dict[Key, Table] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)


def kept(content: dict[str, Any], audience: str) -> dict[Key, Table]:
    """Return the tables of one results file."""
    out = {}
    for name, result in content["results"].items():
        by = result["by"]
        for part in (p for p in ("table", "path") if p in result):
            rows = result[part]
            if part == "path":
                rows = {**rows, "rows": rows["rows"][::EVERY_POINT]}
            keys = [c for c in (*by, "term", "x") if c in rows["columns"]]
            out[audience, name, part] = _table(rows, keys, audience)
    facts = [
        [name, *(r["facts"][f] for f in FACTS), len(r["checks"])] for name, r in content["results"].items()
    ]
    rows = {"columns": ["result", *FACTS, "n_checks"], "rows": facts}
    out[audience, "results", "facts"] = _table(rows, ["result"], audience)
    for shown in (s for s in content["shown"] if "frame" in s):
        rows = shown["frame"]
        out[audience, shown["title"], "frame"] = _table(rows, _leading_names(rows), audience)
    return out


def _table(rows: dict[str, Any], keys: list[str], audience: str) -> Table:
    """Return the rows under the values that name them; rows named alike are told apart by a number."""
    columns = rows["columns"]
    at = [columns.index(key) for key in keys]
    values = [i for i in range(len(columns)) if i not in at]
    table = Table(list(keys), [columns[i] for i in values])
    seen: Counter[Key] = Counter()
    for row in rows["rows"]:
        named = dict(zip(columns, row, strict=True))
        key: Key = tuple(_as_name(row[i]) for i in at)
        seen[key] += 1
        key = (*key, f"no. {seen[key]}") if seen[key] > 1 else key
        table.rows[key] = [_value(columns[i], row[i], named.get("se"), audience) for i in values]
    return table


def _leading_names(rows: dict[str, Any]) -> list[str]:
    """Return the first columns of a plain table that hold names, at least one."""
    names = rows["columns"][:1]
    for i, column in enumerate(rows["columns"][1:], start=1):
        texts = [row[i] for row in rows["rows"]]
        if not all(isinstance(t, str) and t and not re.search(r"\d", t) for t in texts) or i > 2:
            break
        names.append(column)
    return names


def _as_name(value: Any) -> str:
    return "" if value is None else f"{value:.6g}" if isinstance(value, float) else short(str(value))


def _value(column: str, value: Any, se: Any, audience: str) -> Any:
    if isinstance(value, str):
        return short(value)
    if value is None or isinstance(value, bool):
        return value
    places = decimals(column, float(value), se, audience)
    rounded = round(float(value), places) + 0.0  # no minus before a zero
    return int(rounded) if rounded.is_integer() else rounded


def decimals(column: str, value: float, se: Any, audience: str) -> int:
    """Return how many decimals of a number are kept; below zero for tens, hundreds and so on."""
    if column.startswith("n_") or column in COUNTS:
        return 0
    if audience != "internal":
        return _decimals_of(value, DIGITS_OUTSIDE)
    if isinstance(se, int | float) and se > 0 and column in ("estimate", "se", "ci_low", "ci_high"):
        return _decimals_of(float(se), DIGITS_OF_ERROR)
    return _decimals_of(value, DIGITS)


def _decimals_of(value: float, digits: int) -> int:
    if value == 0 or not math.isfinite(value):
        return MOST_DECIMALS
    return min(MOST_DECIMALS, digits - 1 - math.floor(math.log10(abs(value))))


def short(text: str) -> str:
    """Return a name or flag as it is, and of a sentence its numbers.

    >>> short("withheld, small numbers"), short("of the 40 patients who came none had more than 3 of them")
    ('withheld, small numbers', '... 40 3')
    """
    if len(text.split()) <= MOST_WORDS:
        return text
    return " ".join(["...", *re.findall(r"-?\d+(?:[.,]\d+)*", text)])


def write(path: Path, pins: Pins) -> None:
    """Write the pins of one page: a line a table with what its rows share, then a line a row."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines: list[Any] = [{"audience": a, "refused": kind} for a, kind in pins.refused.items()]
    seen: dict[str, Key] = {}
    for where, table in pins.tables.items():
        head = dict(zip(("audience", "table", "part"), where, strict=True))
        content = json.dumps([table.names, table.columns, list(table.rows.items())])
        if len(table.rows) > 1 and content in seen:
            lines.append({**head, "same as": list(seen[content])})
            continue
        seen[content] = where
        lines += _lines(head, table)
    text = "\n".join(json.dumps(x, ensure_ascii=False, separators=(",", ":")) for x in lines)
    path.write_text(text + "\n", encoding="utf-8")


def _lines(head: dict[str, Any], table: Table) -> list[Any]:
    rows = list(table.rows.values())
    shared = {
        column: rows[0][i]
        for i, column in enumerate(table.columns)
        if len(rows) > 1 and all(type(row[i]) is type(rows[0][i]) and row[i] == rows[0][i] for row in rows)
    }
    own = [i for i, column in enumerate(table.columns) if column not in shared]
    first = {**head, "names": table.names, "columns": table.columns, "shared": shared}
    return [first, *([list(key), *(row[i] for i in own)] for key, row in table.rows.items())]


def read(path: Path) -> Pins:
    """Return the pins of one page; none where the file is not there."""
    pins = Pins()
    if not path.exists():
        return pins
    table, shared = Table([], []), {}
    for line in map(json.loads, path.read_text(encoding="utf-8").splitlines()):
        if isinstance(line, list):
            own = iter(line[1:])
            table.rows[tuple(line[0])] = [shared[c] if c in shared else next(own) for c in table.columns]
        elif "refused" in line:
            pins.refused[line["audience"]] = line["refused"]
        elif "same as" in line:
            pins.tables[line["audience"], line["table"], line["part"]] = pins.tables[tuple(line["same as"])]
        else:
            table, shared = Table(line["names"], line["columns"]), line["shared"]
            pins.tables[line["audience"], line["table"], line["part"]] = table
    return pins


def size(paths: Iterable[Path]) -> int:
    """Return how many bytes the files take together."""
    return sum(p.stat().st_size for p in paths)
