"""Published examples of what those of whom nothing is known could change.

Sensitivity and specificity of a test that led to verification are formed here from the weighted shares; the
package itself asks only for the share of all.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import scipy
from scipy.special import expit, logit

from analytics.numerics import bounds, proportions
from analytics.published.cases import Case, Number, each, near

SIX, NINE, FIVE = {"absolute": 1e-6}, {"absolute": 1e-9}, {"absolute": 1e-5}
# Events among those with data, those with data, all operated.
FOLLICULITIS = (17, 73, 197)
RATIOS = (0.25, 0.5, 1.0, 2.0, 4.0)
# Liver scans read as abnormal and as normal: diseased and not among those verified, and not verified.
SCANS = {"positive": (231, 32, 166), "negative": (27, 54, 140)}


def _asked(_: Path) -> Iterator[Number]:
    events, asked, of = FOLLICULITIS
    among = proportions.proportion(events, asked)
    found = bounds.share(events, asked, of)
    yield from near(
        {
            "among those asked": (float(among.estimate), 0.232877),
            "among those asked, lower": (float(among.low), 0.150789),
            "among those asked, upper": (float(among.high), 0.341673),
            "all operated, at worst": (found.lower, 0.086294),
            "all operated, at best": (found.upper, 0.715736),
            "lower limit": (found.low, 0.053387),
            "upper limit": (found.high, 0.768597),
        },
        **SIX,
    )


def _odds(_: Path) -> Iterator[Number]:
    expected = (0.130695, 0.169244, 0.232877, 0.324083, 0.431472)
    found = bounds.at_odds_ratio(*FOLLICULITIS, RATIOS)
    yield from each("share of all at an odds ratio of {:g}", RATIOS, found, expected, **SIX)
    rate = bounds.unasked_share_for(*FOLLICULITIS, 0.20)
    yield from near({"share among the others that makes it 20 %": (rate, 0.180645)}, **SIX)


def _arms(_: Path) -> Iterator[Number]:
    one, other = bounds.share(60, 90, 100), bounds.share(40, 80, 100)
    low, high = bounds.difference(one, other)
    found = {"complete cases": (60 / 90 - 40 / 80, 1 / 6), "least": (low, 0.0), "greatest": (high, 0.30)}
    yield from near(found, **NINE)


def _mean(_: Path) -> Iterator[Number]:
    yield from each("mean of all, {}", ("at worst", "at best"), bounds.mean(80.0, 75, 100), (60.0, 85.0))


def _verified(_: Path) -> Iterator[Number]:
    sick, well, unverified = (np.array(v, dtype=float) for v in zip(*SCANS.values(), strict=True))
    asked, of = sick + well, sick + well + unverified
    naive = (sick[0] / sick.sum(), well[1] / well.sum(), sick.sum() / asked.sum())
    words = ("sensitivity", "specificity", "prevalence")
    yield from each("verified only, {}", words, naive, (0.895349, 0.627907, 0.75), **FIVE)
    prevalence = bounds.weighted(sick, asked, of)
    yield from near({"prevalence": (prevalence.share, 0.693029), "its SE": (prevalence.se, 0.024427)}, **FIVE)
    expected = {"sensitivity": (0.836467, 0.782647, 0.879020), "specificity": (0.738398, 0.655508, 0.807210)}
    share = of / of.sum()
    for name, part, here in (("sensitivity", sick, 0), ("specificity", well, 1)):
        p = part / asked
        value = share[here] * p[here] / (share @ p)
        # The log odds of the answer is log a p1 - log (1 - a) p0: three independent parts.
        se = np.sqrt(1 / (of.sum() * share.prod()) + ((1 - p) / (asked * p)).sum())
        ends = expit(logit(value) + scipy.stats.norm.ppf([0.025, 0.975]) * se)
        yield from each(f"{name}{{}}", ("", ", lower", ", upper"), [value, *ends], expected[name], **FIVE)
    yield from _at_worst(sick, well, unverified)


def _at_worst(sick: np.ndarray, well: np.ndarray, unverified: np.ndarray) -> Iterator[Number]:
    """Give the bounds: all not verified on either side sick or well, whichever is worst or best."""
    other = unverified[::-1]
    limits = {
        "sensitivity": (
            sick[0] / (sick.sum() + other[0]),
            (sick + unverified)[0] / (sick.sum() + unverified[0]),
        ),
        "specificity": (
            well[1] / (well.sum() + other[1]),
            (well + unverified)[1] / (well.sum() + unverified[1]),
        ),
    }
    expected = {"sensitivity": (0.580402, 0.936321), "specificity": (0.214286, 0.858407)}
    for name, found in limits.items():
        yield from each(f"{name}, {{}}", ("at worst", "at best"), found, expected[name], **FIVE)
    all_of = int((sick + well + unverified).sum())
    of_all = bounds.share(int(sick.sum()), int((sick + well).sum()), all_of)
    words = ("prevalence, at least", "prevalence, at most")
    yield from each("{}", words, (of_all.lower, of_all.upper), (0.396923, 0.867692), **FIVE)


OPERATED = (
    "Loganathan et al. 2014, Int J Trichology 6:168-72 (73 with data; the 197 second-hand); closed form"
)
CASES = (
    Case("Not everyone asked", "Share among the asked, and its bounds over all operated", OPERATED, _asked),
    Case("Odds among those not asked", "What the share of all would be", OPERATED, _odds),
    Case(
        "Two arms, some not seen",
        "Bounds of a difference",
        "Horowitz & Manski 2000, J Am Stat Assoc 95:77 (method); by hand",
        _arms,
    ),
    Case(
        "A bounded mean", "Mean of all where a quarter is missing", "Manski 1989, J Hum Resour 24:343", _mean
    ),
    Case(
        "Who was verified",
        "Sensitivity, specificity and prevalence where the test decides who is verified",
        "Begg & Greenes 1983, Biometrics 39:207; data of Drum & Christacopoulos 1972, J Nucl Med 13:908",
        _verified,
    ),
)
