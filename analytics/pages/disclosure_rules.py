"""What may leave for whom, by which published rule: thresholds, words and roundings."""

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
