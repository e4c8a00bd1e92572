"""Counts of persons inside sentences: methods, notes and flags speak of them too.

A count is a whole number before a noun of persons or of what is counted of them, with up to two words
between; a part of a whole (3 of 60); one before or after a change; and degrees of freedom, which give the
number of persons back where the rule rounds it.
"""

import re

from analytics.pages.disclosure_rules import Rule, in_words, rounded

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

    >>> from analytics.pages.disclosure_rules import rule
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
