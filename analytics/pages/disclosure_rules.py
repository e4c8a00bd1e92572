"""What may leave for whom, by which published rule: thresholds, words and roundings."""

import re
from dataclasses import dataclass, replace

import numpy as np

from analytics.errors import ParameterError

AUDIENCES = ("internal", "shared", "public")
WITHHELD = "withheld, small numbers"
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


def hide_in_text(text: str, applied: Rule) -> str:
    """Return a note with small counts of persons replaced by words.

    >>> hide_in_text("left out: 3 patients of 120 patients", rule("shared"))
    'left out: fewer than 5 patients of 120 patients'
    """

    def replaced(match: re.Match) -> str:
        return f"{in_words(int(match.group(1)), applied)} {match.group(2)}"

    return _COUNT_IN_TEXT.sub(replaced, text)


_COUNT_IN_TEXT = re.compile(
    r"(?<![\d.])(\d+) ((?:patient|person|people|case|session|placement|visit|woman|women|man|men|row|reading"
    r"|count|event)s?)\b"
)


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
