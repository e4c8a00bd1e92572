"""Every table and column a clinic may hand in: type, unit, limits, allowed words, meaning, default, and why.

The one source for all checks, the data dictionary page, the Table Schema and the template workbook. Hard
limits (`low`, `high`) are errors, soft limits warnings. The basis of each limit is *published* (the source
named), *assumed* (usual practice, no source) or *definition*. Limits leave room on both sides of what was
published: they catch slips of the pen, they do not judge results.
"""

import json
from pathlib import Path

from analytics.records import dictionary_page
from analytics.records.dictionary_case import PATIENTS, SESSIONS
from analytics.records.dictionary_follow import EVENTS, MEASUREMENTS, PLACEMENTS, RATINGS, THERAPIES, VISITS
from analytics.records.schema import Column, Table
from analytics.records.sentences import SENTENCES
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
    "schema_text",
    "with_dictionary",
    "write_pages",
]

TABLES: dict[str, Table] = {
    t.name: t for t in (PATIENTS, SESSIONS, PLACEMENTS, MEASUREMENTS, VISITS, THERAPIES, EVENTS, RATINGS)
}
SCHEMA_FILE = Path(__file__).with_name("table_schema.json")
PAGE_BEGIN = "<!-- dictionary: made by analytics.records.dictionary.write_pages, do not edit -->"
PAGE_END = "<!-- end of dictionary -->"
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
    """Return the dictionary as a page of text: the zones, a section a table, the rules across columns."""
    parts = [
        dictionary_page.zones(MEASURED_ZONES, FRONT, MATURITY_MONTH),
        dictionary_page.markdown(tuple(TABLES.values())),
        dictionary_page.rules(SENTENCES),
    ]
    return "\n\n".join(parts) + "\n"


def as_table_schema() -> dict:
    """Return the dictionary as a Data Package with one Table Schema a table (Data Package v2 names)."""
    return dictionary_page.table_schema(tuple(TABLES.values()))


def with_dictionary(page: str) -> str:
    """Return a page with the dictionary between its two marks, unchanged where it has none."""
    before, begin, rest = page.partition(PAGE_BEGIN)
    _, end, after = rest.partition(PAGE_END)
    if not begin or not end:
        return page
    return f"{before}{begin}\n{as_markdown()}{end}{after}"


def write_pages(page: str | Path) -> list[Path]:
    """Write the dictionary into a page that has its marks, and the Table Schema beside this module.

    Parameters
    ----------
    page
        A text file with the two marks of the dictionary, such as the page of the demo.
    """
    place = Path(page)
    place.write_text(with_dictionary(place.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8", newline="\n")
    return [place, SCHEMA_FILE]


def schema_text() -> str:
    """Return the Table Schema as the text of its file."""
    return json.dumps(as_table_schema(), indent=1, ensure_ascii=False) + "\n"
