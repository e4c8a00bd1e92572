"""How a page looks: the two style sheets of the templates."""

from functools import lru_cache
from pathlib import Path

TEMPLATES = Path(__file__).parent / "templates"


@lru_cache(maxsize=1)
def parts() -> str:
    """Return the sheet of the page's parts: figures, tables, answer; used in JupyterLab and in the report."""
    return (TEMPLATES / "sheet" / "parts.css").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def document() -> str:
    """Return the sheet of the whole document: measure, margins, headings, print."""
    return (TEMPLATES / "sheet" / "document.css").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def overview() -> str:
    """Return the sheet of the front page of a folder of reports."""
    return (TEMPLATES / "sheet" / "overview.css").read_text(encoding="utf-8")
