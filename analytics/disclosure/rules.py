"""Counts of persons inside sentences: methods, notes and flags speak of them too.

A count is a whole number before a noun of persons or of what is counted of them, with up to two words
between; a part of a whole (3 of 60); one before or after a change; and degrees of freedom, which give the
number of persons back where the rule rounds it.

What may leave for whom, by which published rule: thresholds, words and roundings.
"""

import re
from dataclasses import dataclass, replace

import numpy as np

from analytics.errors import ParameterError

ABOUT = 10  # totals that stand beside other totals of the same rows are said to the nearest ten (assumed)
AUDIENCES = ("internal", "shared", "public")
WITHHELD = "withheld, small numbers"
UNSAID = "The answer rests on too few patients to be shown to this audience."
BANNER = {
    "internal": "For this clinic only: contains small numbers, do not forward.",
    "shared": "",
    "public": "",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """What may leave: counts from 1 to `threshold` - 1 are withheld, the others rounded to `round_to`."""

    name: str
    threshold: int
    round_to: int
    by_staff: bool
    quantiles_from: int
    source: str


RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule("internal", 1, 1, True, 1, "the clinic looks at its own records; nothing withheld"),
        Rule(
            "shared",
            5,
            1,
            True,
            10,
            "fewer than 5: risk assessment of the UK congenital anomaly registers, 2011",
        ),
        Rule(
            "public",
            10,
            5,
            False,
            10,
            "counts from 1 to 9: Washington State Department of Health, Standards for Reporting Data with "
            "Small Numbers, May 2018; rounding to 5: hospital statistics for England since September 2018",
        ),
        Rule(
            "cms",
            11,
            1,
            False,
            11,
            "counts from 1 to 10: US Centers for Medicare & Medicaid Services, cell size suppression policy, "
            "26 January 2024",
        ),
        Rule(
            "england",
            8,
            5,
            False,
            8,
            "counts from 1 to 7, others to the nearest 5, quantiles from 8: hospital statistics for England "
            "since September 2018 (read from a secondary copy)",
        ),
    )
}


def rule(audience: str, *, threshold: int | None = None) -> Rule:
    """Return the rule of an audience, or of a named published rule, made stricter where the clinic asks.

    Parameters
    ----------
    audience
        internal, shared, public; or a published rule by its name in RULES (cms, england).
    threshold
        A local rule: the smallest count that may be shown. It can only raise the threshold.

    Raises
    ------
    ParameterError
        When the audience is unknown or the threshold would loosen the rule.

    Examples
    --------
    >>> rule("public").threshold, rule("shared", threshold=8).threshold
    (10, 8)
    """
    if audience not in RULES:
        raise ParameterError(
            f"disclosure.rule(audience): unknown audience; use {', '.join(AUDIENCES)}, or the published "
            f"rules {', '.join(name for name in RULES if name not in AUDIENCES)}"
        )
    found = RULES[audience]
    if threshold is None:
        return found
    if threshold < found.threshold:
        raise ParameterError(
            f"disclosure.rule(threshold): lower than the {found.threshold} of the rule '{found.name}'; "
            "a local rule may be stricter, not looser"
        )
    return replace(found, threshold=int(threshold))


def in_words(count: int, applied: Rule) -> str | int:
    """Return a count as it may be shown: in words where small, rounded where the rule says so."""
    if 0 < count < applied.threshold:
        return f"fewer than {applied.threshold}"
    return int(rounded(count, applied.round_to))


def about(count: int, applied: Rule) -> str | int:
    """Return a total as it may be shown: 0, in words where small, else to the nearest ten.

    >>> about(3, rule("shared")), about(2284, rule("shared")), about(0, rule("shared"))
    ('fewer than 5', 'about 2,280', 0)
    """
    if count < applied.threshold:
        return in_words(count, applied)
    return f"about {rounded(count, ABOUT):,.0f}"


def rounded(count, to: int):
    """Return counts rounded half up to a multiple of `to`; unchanged for 1.

    >>> float(rounded(12, 5)), float(rounded(13, 5))
    (10.0, 15.0)
    """
    return count if to <= 1 else np.floor(count / to + 0.5) * to


def three_digits(value: float) -> float:
    """Return a number with three significant digits, so that no sum over persons can be worked out from it.

    >>> three_digits(81.2345)
    81.2
    """
    return float(f"{value:.3g}") if np.isfinite(value) else value


NUMBER = r"(?<![\d.,])(?<!month )(?<!months )(\d{1,3}(?:,\d{3})+|\d+)"
NOUN = (
    r"(?:patient|person|people|case|session|placement|visit|woman|women|man|men|row|reading|count|event|unit"
    r"|operation)s?\b"
)
# A word that ends the noun's own words: what follows it is counted by another number.
NO_ADJECTIVE = (
    r"(?!(?:in|of|for|at|to|and|or|by|per|with|from|on|as|is|are|was|were|than|the|a|an|each|every|months?"
    r"|years?|days?|quarters?|points?|times?|hours?|minutes?|weeks?|percent|df|draws?|resamples)\b)"
)
COUNT = re.compile(rf"{NUMBER}(?=(?: {NO_ADJECTIVE}[a-z-]+){{0,2}} {NOUN})")
# Of 10, 100 or 1,000 is a way to say a share.
PART = re.compile(rf"{NUMBER} of (?!(?:10|100|1,?000)\b)(\d{{1,3}}(?:,\d{{3}})+|\d+)(?![\d.]*\d| ?%)")
BESIDE_A_CHANGE = re.compile(rf"{NUMBER}(?= (?:before|after)\b)")
FREEDOM = re.compile(r"(?<![\d.,])(\d{2,}) df\b")


def hide_in_text(text: str, applied: Rule) -> str:
    """Return a text with its counts as they may be shown: small ones in words, the others rounded.

    >>> from analytics.disclosure.rules import rule
    >>> hide_in_text("left out: 3 patients of 120 patients; 2 of 60 withdrew", rule("shared"))
    'left out: fewer than 5 patients of 120 patients; fewer than 5 of 60 withdrew'
    >>> hide_in_text("126 baseline rows, 7 after the change; F 1.1 on 2 and 104 df", rule("public"))
    '125 baseline rows, fewer than 10 after the change; F 1.1 on 2 and about 105 df'
    """
    if applied.threshold <= 1:
        return text
    text = PART.sub(lambda m: _part(m.group(1), m.group(2), applied), text)
    for pattern in (COUNT, BESIDE_A_CHANGE):
        text = pattern.sub(lambda m: _said(m.group(1), applied), text)
    if applied.round_to > 1:
        text = FREEDOM.sub(lambda m: f"about {rounded(int(m.group(1)), applied.round_to):.0f} df", text)
    return text


def _said(number: str, applied: Rule) -> str:
    """Return a number of a text as it may be shown, with its mark between thousands."""
    shown = in_words(int(number.replace(",", "")), applied)
    if isinstance(shown, str):
        return shown
    return f"{shown:,}" if "," in number else str(shown)


def _part(part: str, whole: str, applied: Rule) -> str:
    """Return a part of a whole in words; what is left of the whole is a count too."""
    k, n = (int(x.replace(",", "")) for x in (part, whole))
    said = _said(part, applied)
    if 0 < n - k < applied.threshold <= k:
        said = f"more than {rounded(n - applied.threshold, applied.round_to):.0f}"
    return f"{said} of {_said(whole, applied)}"
