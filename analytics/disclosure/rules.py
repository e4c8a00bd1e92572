"""What may leave for whom, by which published rule: thresholds, words and roundings."""

from dataclasses import dataclass, replace

import numpy as np

from analytics.errors import ParameterError

ABOUT = 10  # totals that stand beside other totals of the same rows are said to the nearest ten (assumed)
AUDIENCES = ("internal", "shared", "public")
WITHHELD = "withheld, small numbers"
UNSAID = "The answer rests on too few patients to be shown to this audience."
UNTOLD = "These records do not answer this."  # why not is said inside the clinic: it may hold small numbers
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

    def said(self) -> str:
        """Return what is withheld and by which rule, as a page says it."""
        rounding = f" Counts rounded to {self.round_to}; percentages from rounded counts."
        return (
            f"Counts of 1 to {self.threshold - 1} persons, and what would give them back, are withheld "
            f"({self.source}).{rounding if self.round_to > 1 else ''}"
        )


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


def is_few(count, applied: Rule):
    """Tell of counts, one or many, whether they are too few to be shown; none at all is not."""
    return (count > 0) & (count < applied.threshold)


def in_words(count: int, of: int | None, applied: Rule) -> str:
    """Return a count as it may be shown: in words where few, rounded where the rule says so.

    What a part leaves of its whole is a count too.

    Examples
    --------
    >>> in_words(3, 60, rule("shared")), in_words(171, 173, rule("shared"))
    ('fewer than 5 of 60', 'more than 168 of 173')
    """
    said = f"{rounded(count, applied.round_to):,.0f}"
    if is_few(count, applied):
        said = f"fewer than {applied.threshold}"
    elif of is not None and is_few(of - count, applied):
        said = f"more than {rounded(of - applied.threshold, applied.round_to):,.0f}"
    return said if of is None else f"{said} of {in_words(of, None, applied)}"


def about(count: int, applied: Rule) -> str | int:
    """Return a total as it may be shown: 0, in words where few, else to the nearest ten.

    >>> about(3, rule("shared")), about(2284, rule("shared")), about(0, rule("shared"))
    ('fewer than 5', 'about 2,280', 0)
    """
    if count == 0:
        return 0
    return in_words(count, None, applied) if is_few(count, applied) else f"about {rounded(count, ABOUT):,.0f}"


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
