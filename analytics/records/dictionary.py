"""Every table and column a clinic may hand in: type, unit, limits, allowed words, meaning, default, and why.

The one source for all checks, the data dictionary page, the Table Schema and the template workbook. Hard
limits (`low`, `high`) are errors, soft limits warnings. The basis of each limit is *published* (the source
named), *assumed* (usual practice, no source) or *definition*. Limits leave room on both sides of what was
published: they catch slips of the pen, they do not judge results.
"""

from analytics.records import dictionary_page
from analytics.records.dictionary_case import PATIENTS, SESSIONS
from analytics.records.dictionary_follow import EVENTS, MEASUREMENTS, PLACEMENTS, RATINGS, THERAPIES, VISITS
from analytics.records.schema import Column, Table
from analytics.records.words import (
    BASELINE_FROM_MONTH,
    FRONT,
    MATURITY_MONTH,
    MEASURED_ZONES,
    OLDEST_AGE,
    SCALES,
    ZONES,
)

__all__ = [
    "BASELINE_FROM_MONTH",
    "FRONT",
    "MATURITY_MONTH",
    "MEASURED_ZONES",
    "OLDEST_AGE",
    "REQUIRED_TABLES",
    "SCALES",
    "TABLES",
    "ZONES",
    "as_markdown",
    "as_table_schema",
    "column",
    "is_front",
]

TABLES: dict[str, Table] = {
    t.name: t for t in (PATIENTS, SESSIONS, PLACEMENTS, MEASUREMENTS, VISITS, THERAPIES, EVENTS, RATINGS)
}
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


def as_markdown() -> str:
    """Return the data dictionary as a page of text, one section a table."""
    return dictionary_page.markdown(tuple(TABLES.values()))


def as_table_schema() -> dict:
    """Return the dictionary as a Data Package with one Table Schema a table (Data Package v2 names)."""
    return dictionary_page.table_schema(tuple(TABLES.values()))
