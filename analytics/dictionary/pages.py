"""The dictionary as others read it: a page of text, and a Data Package with a Table Schema for each table.

Source: Data Package Standard v2 (2024), Table Schema: field types, constraints, primaryKey, foreignKeys.
"""

import re
from collections.abc import Iterable

from analytics.dictionary.schema import FRONT, MATURITY_MONTH, MEASURED_ZONES, Column, Table
from analytics.errors import Sentence

FIELD_TYPES = {
    "id": "string",
    "label": "string",
    "choice": "string",
    "number": "number",
    "integer": "integer",
    "yesno": "boolean",
}
# What stands for a gap that is filled with the name of a column where a rule is told.
GAPS = {
    "key": "the key of a table",
    "refers_to": "the column referred to",
    "refers_table": "its table",
    "column": "cell",
}
EFFECT = {"error": "the load stops", "warning": "a warning"}
HEADER = "| column | holds | unit | must be | usual | empty cell | basis of the limits |"


def as_page(tables: Iterable[Table], rules: Iterable[Sentence]) -> str:
    """Return the dictionary as text: zones, a section per table, the rules of more than one cell.

    Parameters
    ----------
    tables
        Of the dictionary.
    rules
        Rules across cells, in words.

    Returns
    -------
    str
        Markdown.
    """
    return "\n\n".join([_zones(), *(_section(t) for t in tables), _rules(rules)]) + "\n"


def _zones() -> str:
    """Return the zones with the month at which each is read as mature."""
    lines = ["### Zones", "", "| zone | mature at month | |", "| --- | --- | --- |"]
    for name in MEASURED_ZONES:
        remark = "counted, never planted" if name not in MATURITY_MONTH else ""
        remark = "part of the front" if name in FRONT else remark
        lines.append(f"| {name} | {MATURITY_MONTH.get(name, '')} | {remark} |")
    lines += [
        "",
        "Months of maturity are usual practice (front about 12, crown up to 18, no source): no measured "
        "curve by zone was found.",
    ]
    return "\n".join(lines)


def _rules(sentences: Iterable[Sentence]) -> str:
    """Return the rules that concern more than one cell, and what breaking each of them does."""
    lines = [
        "### Rules across cells, rows and tables",
        "",
        "| where a | the rule | else |",
        "| --- | --- | --- |",
    ]
    for s in sentences:
        rule = re.sub(r"\{(key|refers_to|column)\}", lambda m: GAPS[m.group(1)], s.rule)
        lines.append(f"| {s.for_one.format_map(GAPS)} | {rule} | {EFFECT[s.severity]} |")
    return "\n".join(lines)


def _section(table: Table) -> str:
    title = f"### `{table.name}`{' (optional)' if table.optional else ''}"
    lines = [title, "", f"One row is {table.row}. Key: {', '.join(f'`{k}`' for k in table.key)}."]
    if table.absent:
        lines.append(f"Where the table is absent: {table.absent}.")
    lines += ["", HEADER, "|" + " --- |" * 7]
    lines += [_line(c) for c in table.columns]
    return "\n".join(lines)


def _line(column: Column) -> str:
    star = "*" if column.optional else ""
    cells = [
        f"`{column.name}`{star}",
        column.meaning,
        column.unit,
        must_be(column),
        _usual(column),
        _when_empty(column),
        "; ".join(x for x in (column.basis, column.source) if x) if _has_limits(column) else "",
    ]
    return "| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |"


def _has_limits(column: Column) -> bool:
    """Return True where the column has any limit or list whose basis is to be stated."""
    limits = (column.low, column.high, column.soft_low, column.soft_high)
    return any(x is not None for x in limits) or bool(column.source)


def must_be(column: Column) -> str:
    """Return the hard rule of a column in words.

    Parameters
    ----------
    column
        Of the dictionary.

    Returns
    -------
    str
        What a cell has to be.

    Examples
    --------
    >>> must_be(Column("age", "integer", "age", low=16, high=95))
    'a whole number, 16 to 95'
    """
    if column.derived:
        return "filled at load"
    if column.allowed:
        return "one of " + ", ".join(column.allowed)
    if column.refers_to:
        return f"found in {column.refers_to}"
    if column.kind == "yesno":
        return "True or False (yes, no, 1, 0)"
    if column.kind == "id":
        return "a code, kept as text"
    if column.kind == "label":
        return "a short word"
    kind = "a whole number" if column.kind == "integer" else "a number"
    return f"{kind}{limits_in_words(column.low, column.high)}"


def _usual(column: Column) -> str:
    """Return the soft limits of a column in words, empty where there are none."""
    return limits_in_words(column.soft_low, column.soft_high).strip().removeprefix(", ")


def limits_in_words(low: float | None, high: float | None) -> str:
    """Return limits in words, with a leading comma for one-sided ones.

    Parameters
    ----------
    low, high
        In the unit of the column; None where there is no limit.

    Returns
    -------
    str
        Empty where there is none.

    Examples
    --------
    >>> limits_in_words(0, 450), limits_in_words(None, 6000)
    (', 0 to 450', ', up to 6000')
    """
    if low is not None and high is not None:
        return f", {low:g} to {high:g}"
    if high is not None:
        return f", up to {high:.15g}"
    return f", from {low:g}" if low is not None else ""


def _when_empty(column: Column) -> str:
    """Return what an empty cell means."""
    if column.derived:
        return ""
    if column.required:
        return "not allowed"
    if column.default:
        return column.default.removeprefix("empty cell: ").removeprefix("empty: ")
    return "not recorded"


def note(column: Column) -> str:
    """Return what is written on a header: meaning, unit, rule, usual limits, and what an empty cell means.

    Parameters
    ----------
    column
        Of the dictionary.

    Returns
    -------
    str
        A line each.

    Examples
    --------
    >>> print(note(Column("site", "choice", "side planted", allowed=("left", "right"), default="left")))
    side planted
    one of left, right
    empty: left
    """
    often = _usual(column)
    lines = [
        column.meaning,
        f"unit: {column.unit}" if column.unit else "",
        must_be(column),
        f"usual: {often}" if often else "",
        f"empty: {_when_empty(column)}",
    ]
    return "\n".join(line for line in lines if line)


def table_schema(tables: tuple[Table, ...]) -> dict:
    """Return a Data Package descriptor with one tabular resource per table."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "regrowth-records",
        "resources": [_resource(t) for t in tables],
    }


def _resource(table: Table) -> dict:
    required = {c.name for c in table.asked() if c.required}
    schema: dict = {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "fieldsMatch": "partial",
        "fields": [_field(c) for c in table.asked()],
        "missingValues": [""],
    }
    if set(table.key) <= required:
        schema["primaryKey"] = list(table.key)
    keys = [c for c in table.asked() if c.refers_to]
    if keys:
        schema["foreignKeys"] = [_foreign_key(c) for c in keys]
    return {
        "name": table.name,
        "title": f"one row is {table.row}",
        "path": f"{table.name}.csv",
        "type": "table",
        "schema": schema,
    }


def _foreign_key(column: Column) -> dict:
    table, _, name = column.refers_to.partition(".")
    return {"fields": [column.name], "reference": {"resource": table, "fields": [name]}}


def _field(column: Column) -> dict:
    field: dict = {
        "name": column.name,
        "type": FIELD_TYPES[column.kind],
        "description": column.meaning,
    }
    if column.unit:
        field["unit"] = column.unit
    if column.kind == "yesno":
        field |= {"trueValues": ["True", "true", "yes", "1"], "falseValues": ["False", "false", "no", "0"]}
    constraints = {
        "required": True if column.required else None,
        "minimum": column.low,
        "maximum": column.high,
        "enum": list(column.allowed) or None,
    }
    constraints = {k: v for k, v in constraints.items() if v is not None}
    if constraints:
        field["constraints"] = constraints
    usual_limits = {"minimum": column.soft_low, "maximum": column.soft_high}
    usual_limits = {k: v for k, v in usual_limits.items() if v is not None}
    if usual_limits:
        field["usual"] = usual_limits
    if column.default:
        field["whenEmpty"] = _when_empty(column)
    if _has_limits(column):
        field |= {"basis": column.basis, "source": column.source}
    return field
