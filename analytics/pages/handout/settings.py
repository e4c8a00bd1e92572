"""What the surgeon says on a handout: nothing is judged by the workbook itself.

A verdict stands on the page only where the surgeon has chosen or written it. What would be unusual is the
clinic's own text; there is none by default.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from analytics.dictionary import ZONES
from analytics.errors import ParameterError, meant

# A verdict that can be chosen by a word; any other text is printed as it is written.
CHOICES = {
    "grown": "The planted hair here has grown.",
    "growing": "The planted hair here is growing.",
    "early": "It is too early to judge.",
    "little": "Little of the planted hair has grown here so far. Please talk with us about it.",
}


@dataclass(frozen=True, slots=True)
class Handout:
    """The settings of a handout; `verdicts` by zone."""

    patient: str
    message: str
    verdicts: Mapping[str, str]
    unusual: str
    as_of: str


def settings(given: Mapping[str, Any]) -> Handout:
    """Return checked settings of a handout.

    Raises
    ------
    ParameterError
        When one is unknown or malformed, the patient is not named, or a text holds the patient's code.

    Examples
    --------
    >>> settings({"patient": "P7", "verdicts": "crown: early; frontal: It looks good."}).verdicts["crown"]
    'It is too early to judge.'
    """
    names = [field.name for field in fields(Handout)]
    for name in given:
        if name not in names:
            known = ", ".join(names)
            raise ParameterError(f"handout has no setting '{name}'; it has {known}{meant(name, names)}")
    text = {name: str(given.get(name, "")).strip() for name in names}
    if not text["patient"]:
        raise ParameterError("handout: whose it is must be said; give it as: --set patient=CODE")
    if text["as_of"] and not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text["as_of"]):
        raise ParameterError("handout, setting as_of: expected a date as 2026-03-31, or nothing")
    for name in ("message", "verdicts", "unusual"):
        if holds_code(text[name], text["patient"]):
            raise ParameterError(
                f"handout, setting {name}: it holds the patient's code, which must not stand on a page that "
                "leaves the clinic; take it out"
            )
    return Handout(
        text["patient"], text["message"], _verdicts(text["verdicts"]), text["unusual"], text["as_of"]
    )


def holds_code(text: str, code: str) -> bool:
    """Tell whether a text holds a code as a word of its own.

    >>> holds_code("Mr 0108, welcome", "0108"), holds_code("10108 hairs", "0108")
    (True, False)
    """
    return bool(re.search(rf"(?<!\w){re.escape(code)}(?!\w)", text, re.IGNORECASE))


def _verdicts(text: str) -> dict[str, str]:
    """Return the verdict by zone of a text such as `crown: early; frontal: It looks good.`"""
    found: dict[str, str] = {}
    for part in (p for p in text.split(";") if p.strip()):
        zone, colon, said = (piece.strip() for piece in part.partition(":"))
        if not colon or zone not in ZONES or not said:
            raise ParameterError(
                f"handout, setting verdicts: expected zone: words; zone: words; zones are {', '.join(ZONES)}"
            )
        found[zone] = CHOICES.get(said, said)
    return found
