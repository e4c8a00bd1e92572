"""The words that belong to a page and not to its numbers, from `words.toml`, by page."""

import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Any


def of_page(name: str) -> dict[str, Any]:
    """Return the words of a page; none for a notebook of one's own."""
    return _all().get(name, {})


def of_check(check: str) -> str:
    """Return what a check that did not pass means for the reader; empty where nothing is written of it."""
    return _all()["checks"].get(check, "")


@lru_cache(maxsize=1)
def glossary() -> dict[str, str]:
    """Return what the words of the pages mean, by word."""
    return tomllib.loads((Path(__file__).parent / "glossary.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def _all() -> dict[str, dict[str, Any]]:
    return tomllib.loads((Path(__file__).parent / "words.toml").read_text(encoding="utf-8"))
