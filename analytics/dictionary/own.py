"""Columns of a clinic's own, declared in `variables.toml` beside the tables: read, checked, and put to use.

[[variable]]
table = "patients"
name = "body_mass_index"
type = "number"          # number, integer, choice, yesno or label
unit = "kg/m2"
low = 12
high = 70
meaning = "body mass index at the first session"
# levels = ["a", "b"]    # the words of a choice
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import tomli_w

from analytics.dictionary.schema import Column, Table
from analytics.dictionary.tables import TABLES
from analytics.errors import ParameterError

FILE = "variables.toml"
KINDS = ("number", "integer", "choice", "yesno", "label")
ENTRIES = ("table", "name", "type", "unit", "low", "high", "levels", "meaning")
NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")


def declared(path: str | Path) -> dict[str, tuple[Column, ...]]:
    """Return the columns a clinic declares beside its register, by table; none where there is no such file.

    Parameters
    ----------
    path
        The register, or its folder.

    Returns
    -------
    dict
        Table -> columns.

    Raises
    ------
    ParameterError
        When the file is no TOML or a declaration is not whole; every fault is named.

    Examples
    --------
    >>> declared("data_demo")
    {}
    """
    if "://" in str(path):
        return {}
    place = Path(path)
    file = (place if place.is_dir() else place.parent) / FILE
    if not file.is_file():
        return {}
    try:
        found = tomllib.loads(file.read_text(encoding="utf-8")).get("variable", [])
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise ParameterError(f"{FILE}: not read as TOML; a variable begins with [[variable]]") from fault
    if not isinstance(found, list) or not all(isinstance(v, Mapping) for v in found):
        raise ParameterError(f"{FILE}: a variable begins with [[variable]]")
    faults = [f"{FILE}, variable {i}: {fault}" for i, v in enumerate(found, 1) for fault in _faults(v)]
    names = [v.get("name") for v in found]
    if len(names) > len(set(map(str, names))):
        faults.append(f"{FILE}: two variables have one name; rename one, as rows and plans know them by name")
    if faults:
        raise ParameterError("\n".join(faults))
    out: dict[str, tuple[Column, ...]] = {}
    for variable in found:
        out[variable["table"]] = (*out.get(variable["table"], ()), _column(variable))
    return out


def as_declared(own: Mapping[str, tuple[Column, ...]]) -> str:
    """Return the text of the file that declares columns.

    Parameters
    ----------
    own
        Table -> columns.

    Returns
    -------
    str
        TOML, as `variables.toml` beside the data holds it.

    Examples
    --------
    >>> print(as_declared({"patients": (Column("bmi", "number", "body-mass index", unit="kg/m2"),)}).strip())
    [[variable]]
    table = "patients"
    name = "bmi"
    type = "number"
    meaning = "body-mass index"
    unit = "kg/m2"
    """
    said = {"number": ("low", "high"), "integer": ("low", "high"), "choice": ("allowed",)}
    variables = []
    for table, columns in own.items():
        for c in columns:
            more = {e: getattr(c, e) for e in said.get(c.kind, ()) if getattr(c, e) not in (None, ())}
            levels = {"levels": list(more.pop("allowed"))} if "allowed" in more else {}
            unit = {"unit": c.unit} if c.unit else {}
            known = {"table": table, "name": c.name, "type": c.kind, "meaning": c.meaning}
            variables.append({**known, **unit, **more, **levels})
    return tomli_w.dumps({"variable": variables})


def with_own(own: Mapping[str, tuple[Column, ...]], name: str) -> Table:
    """Return a table of the dictionary with the clinic's own columns at its end."""
    table = TABLES[name]
    return replace(table, columns=(*table.columns, *own[name])) if own.get(name) else table


def _faults(variable: Mapping) -> list[str]:
    """Return what is wrong with one declaration, in words."""
    kind, table, name = variable.get("type"), variable.get("table"), str(variable.get("name", ""))
    taken = [c for t in TABLES.values() for c in t.names()]
    checks = (
        (set(variable) <= set(ENTRIES), f"unknown entry; use {', '.join(ENTRIES)}"),
        (table in TABLES, f"table is one of {', '.join(TABLES)}"),
        (bool(NAME.fullmatch(name)), "name is of small letters, digits and underscores, the first a letter"),
        (name not in taken, "name is a column of the dictionary; take another"),
        (kind in KINDS, f"type is one of {', '.join(KINDS)}"),
        (bool(str(variable.get("meaning", "")).strip()), "meaning says in words what a cell holds"),
        (kind != "choice" or bool(_levels(variable)), "levels names the words of a choice"),
        (kind != "number" or bool(variable.get("unit")), "unit is given for a number ('' is none: write 1)"),
        (_in_order(variable), "low and high are numbers, low below high"),
    )
    return [said for is_right, said in checks if not is_right]


def _levels(variable: Mapping) -> tuple[str, ...]:
    levels = variable.get("levels", [])
    return tuple(levels) if isinstance(levels, list) and all(isinstance(w, str) for w in levels) else ()


def _in_order(variable: Mapping) -> bool:
    low, high = variable.get("low"), variable.get("high")
    given = [v for v in (low, high) if v is not None]
    if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in given):
        return False
    return low is None or high is None or low < high


def _column(variable: Mapping) -> Column:
    return Column(
        variable["name"],
        variable["type"],
        str(variable["meaning"]),
        unit=str(variable.get("unit", "")),
        low=variable.get("low"),
        high=variable.get("high"),
        allowed=_levels(variable),
        optional=True,
        default="empty: not recorded",
        basis="assumed",
        source="declared by the clinic",
    )
