"""Words that give identifiers away, from lexicon.toml: column names in several languages, names, months.

The file is read once, when the first table is looked through. It holds the shapes of `patterns` too.
"""

import re
import tomllib
import unicodedata
from functools import cache
from pathlib import Path
from typing import Any


@cache
def lexicon() -> dict[str, Any]:
    """Return the file as it stands."""
    return tomllib.loads(Path(__file__).with_name("lexicon.toml").read_text(encoding="utf-8"))


@cache
def words(name: str) -> tuple[str, ...]:
    """Return the words of one list of the file, in its order."""
    return tuple(lexicon()["words"][name].split())


def in_words(kind: str) -> str:
    """Return what a message calls a class of identifier.

    Examples
    --------
    >>> in_words("fax")
    'a fax number'
    """
    return lexicon()["classes"][kind]


def class_of_header(header: str) -> str | None:
    """Return the class of identifier a column name speaks of, or None.

    Single words, neighbours written as one (chart no, codice fiscale), and stems are tried.

    Examples
    --------
    >>> class_of_header("Patient Name"), class_of_header("Geburtsdatum"), class_of_header("zone")
    ('name', 'date', None)
    """
    single = tokens(header)
    n = len(single)
    joined = ["".join(single[i:j]) for i in range(n) for j in range(i + 2, min(i + 4, n) + 1)]
    whole, stems = _header_words()
    for word in [*joined, *single]:
        if word in whole:
            return whole[word]
    for word in [*single, *joined]:
        for stem, kind in stems:
            if word.startswith(stem):
                return kind
    return None


@cache
def _header_words() -> tuple[dict[str, str], list[tuple[str, str]]]:
    """Return the words of column names with their class, and the stems with theirs."""
    whole: dict[str, str] = {}
    stems: list[tuple[str, str]] = []
    for kind, text in lexicon()["headers"].items():
        for word in plain(text).split():
            if word.endswith("*"):
                stems.append((word[:-1], kind))
            else:
                whole.setdefault(word.replace("_", "").replace("-", ""), kind)
    return whole, stems


def is_age(header: str) -> bool:
    """Tell whether a column name speaks of an age.

    >>> is_age("Alter"), is_age("age_years"), is_age("dosage")
    (True, True, False)
    """
    return any(word in words("ages") for word in tokens(header))


def tokens(header: str) -> list[str]:
    """Return the words of a column name, without accents and capitals, split at marks and at humps.

    >>> tokens("Geb.-Datum"), tokens("patientName")
    (['geb', 'datum'], ['patient', 'name'])
    """
    humps = re.sub(r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Þ])", " ", header)
    return [word for word in re.split(r"[^\w]+|_+", plain(humps)) if word]


def plain(text: str) -> str:
    """Return text without accents, in small letters."""
    decomposed = unicodedata.normalize("NFKD", text)
    return "".join(c for c in decomposed if not unicodedata.combining(c)).casefold()
