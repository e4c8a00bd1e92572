"""The dictionary as a page of text: every table and column, and the rules across columns.

Made from the dictionary and the rules, so that the page of the demo cannot fall behind them.
"""

from pathlib import Path

from analytics.dictionary import SCHEMA_FILE, TABLES, as_page, schema_text
from analytics.errors import Sentence
from analytics.records.rules import ACROSS, Rule, exact_copy, first_counts

PAGE_BEGIN = "<!-- dictionary: made by analytics.records.write_pages, do not edit -->"
PAGE_END = "<!-- end of dictionary -->"


def as_markdown() -> str:
    """Return the dictionary as a page of text: the zones, a section per table, the rules across columns."""
    return as_page(TABLES.values(), across_cells().values())


def across_cells() -> dict[str, Sentence]:
    """Return by code what is said of every rule that concerns more than one cell, its gaps left open."""
    copies = (exact_copy(table) for table in TABLES.values())
    rules: tuple[Rule, ...] = (*ACROSS, *first_counts.RULES, *copies)
    return {r.code: Sentence(r.one, r.several, r.rule, r.action, r.severity) for r in rules}


def with_dictionary(page: str) -> str:
    """Return a page with the dictionary between its two marks, unchanged where it has none."""
    before, begin, rest = page.partition(PAGE_BEGIN)
    _, end, after = rest.partition(PAGE_END)
    if not begin or not end:
        return page
    return f"{before}{begin}\n{as_markdown()}{end}{after}"


def write_pages(page: str | Path) -> list[Path]:
    """Write the dictionary into a page that has its marks, and the Table Schema where it has changed.

    Parameters
    ----------
    page
        A text file with the two marks of the dictionary, such as the page of the demo.

    Returns
    -------
    list of Path
        The page, and the Table Schema.

    Raises
    ------
    OSError
        When one of them cannot be written.

    Examples
    --------
    >>> from shutil import copy
    >>> from tempfile import mkdtemp
    >>> from analytics import records
    >>> page = copy("data_demo/README.md", mkdtemp())
    >>> [path.name for path in records.write_pages(page)]
    ['README.md', 'table_schema.json']
    """
    place = Path(page)
    place.write_text(with_dictionary(place.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
    if SCHEMA_FILE.read_text(encoding="utf-8") != schema_text():
        SCHEMA_FILE.write_text(schema_text(), encoding="utf-8", newline="\n")
    return [place, SCHEMA_FILE]
