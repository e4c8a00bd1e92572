"""The dictionary as a page of text: every table and column, and the rules across columns.

Made from the dictionary and the rules, so that the page of the demo cannot fall behind them.
"""

from pathlib import Path

from analytics.dictionary import (
    FRONT,
    MATURITY_MONTH,
    MEASURED_ZONES,
    SCHEMA_FILE,
    TABLES,
    markdown,
    rules,
    schema_text,
    zones,
)
from analytics.records.rules.sentences import SENTENCES

PAGE_BEGIN = "<!-- dictionary: made by analytics.records.write_pages, do not edit -->"
PAGE_END = "<!-- end of dictionary -->"


def as_markdown() -> str:
    """Return the dictionary as a page of text: the zones, a section a table, the rules across columns."""
    parts = [
        zones(MEASURED_ZONES, FRONT, MATURITY_MONTH),
        markdown(tuple(TABLES.values())),
        rules(SENTENCES),
    ]
    return "\n\n".join(parts) + "\n"


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
