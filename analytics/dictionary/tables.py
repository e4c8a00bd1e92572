"""Every table and column a clinic may hand in: type, unit, limits, allowed words, meaning, default, and why.

The one source for all checks, the data dictionary page, the Table Schema and the template workbook. Hard
limits (`low`, `high`) are errors, soft limits warnings. The basis of each limit is *published* (the source
named), *assumed* (usual practice, no source) or *definition*. Limits leave room on both sides of what was
published: they catch slips of the pen, they do not judge results.
"""

import json
from pathlib import Path

from analytics.dictionary.pages import table_schema
from analytics.dictionary.schema import (
    FRONT,
    Column,
    Table,
)
from analytics.dictionary.what import EVENTS, MEASUREMENTS, PLACEMENTS, RATINGS, THERAPIES, VISITS
from analytics.dictionary.who import PATIENTS, SESSIONS

TABLES: dict[str, Table] = {
    t.name: t for t in (PATIENTS, SESSIONS, PLACEMENTS, MEASUREMENTS, VISITS, THERAPIES, EVENTS, RATINGS)
}
SCHEMA_FILE = Path(__file__).with_name("table_schema.json")
REQUIRED_TABLES = tuple(name for name, t in TABLES.items() if not t.optional)


def column(table: str, name: str) -> Column:
    """Return one column of the dictionary.

    >>> column("placements", "area_cm2").unit
    'cm2'
    """
    return TABLES[table].column(name)


def is_front(zone: str) -> bool:
    """Return True for a zone of the front, which is hairline and frontal together.

    >>> [is_front(z) for z in ("hairline", "frontal", "crown")]
    [True, True, False]
    """
    return zone in FRONT


def as_table_schema() -> dict:
    """Return the dictionary as a Data Package with one Table Schema a table (Data Package v2 names)."""
    return table_schema(tuple(TABLES.values()))


def schema_text() -> str:
    """Return the Table Schema as the text of its file."""
    return json.dumps(as_table_schema(), indent=1, ensure_ascii=False) + "\n"
