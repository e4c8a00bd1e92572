"""Non-inferiority of shares and means against published and independently computed values."""

import numpy as np
import pytest
from scipy import stats

from analytics.numerics import non_inferiority, power

PRINTED = 5e-4  # sources print four decimals of patients


def test_restricted_shares_are_those_of_farrington_and_manning():
    """rpact and gsDesign give .787381 and .887381 for .85 against .85, margin .10."""
    assert non_inferiority.restricted(0.85, 0.85, -0.10) == pytest.approx((0.787381, 0.887381), abs=1e-6)


@pytest.mark.parametrize(
    ("p1", "p2", "margin", "wanted", "score", "plain"),
    [
        # rpact 4 and the gsDesign source, one-sided .025, patients in each group.
        (0.85, 0.85, 0.10, 0.90, 275.7481, 267.9393),
        (0.90, 0.90, 0.10, 0.80, 154.4333, 141.2798),
        (0.95, 0.95, 0.05, 0.90, 440.1619, 399.2821),
        (0.85, 0.90, 0.10, 0.80, 701.0395, None),
    ],
)
def test_patients_needed_for_shares(p1, p2, margin, wanted, score, plain):
    assert non_inferiority.patients(p1, p2, margin, power=wanted) == pytest.approx(score, abs=PRINTED)
    if plain:
        found = non_inferiority.patients(p1, p2, margin, power=wanted, how=non_inferiority.PLAIN)
        assert found == pytest.approx(plain, abs=PRINTED)


def test_the_score_test_is_that_of_gsdesign():
    found = non_inferiority.test(400, 500, 410, 500, margin=0.05)
    assert found.z == pytest.approx(1.207938, abs=1e-6)
    assert found.p_value == pytest.approx(0.113536, abs=1e-6)


def test_limits_are_where_the_test_no_longer_rejects():
    low, high = non_inferiority.limits(56, 70, 48, 80, level=0.95)
    reach = stats.norm.ppf(0.975)
    assert non_inferiority.test(56, 70, 48, 80, margin=-low).z == pytest.approx(reach, abs=1e-8)
    assert non_inferiority.test(56, 70, 48, 80, margin=-high).z == pytest.approx(-reach, abs=1e-8)
    assert non_inferiority.limits(10, 10, 0, 10)[1] == 1.0


def test_exact_size_and_power_by_enumeration():
    """Size at (.80, .90) and power at (.90, .90), n 50, margin .10, one-sided .025: .022860 and .336965."""
    n = 50
    z = np.array(
        [[non_inferiority.test(a, n, b, n, margin=0.10).z for b in range(n + 1)] for a in range(n + 1)]
    )
    rejects = z > stats.norm.isf(0.025)
    counts = np.arange(n + 1)
    for p1, expected in ((0.80, 0.022860), (0.90, 0.336965)):
        chance = np.outer(stats.binom.pmf(counts, n, p1), stats.binom.pmf(counts, n, 0.90))
        assert float(chance[rejects].sum()) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(
    ("margin", "n"),
    # Julious 2004, Stat Med 23:1921, table for power .90, one-sided .025, true difference 0.
    [(0.05, 8407), (0.10, 2103), (0.25, 338), (0.50, 86), (1.0, 23)],
)
def test_patients_needed_for_means_at_the_margin(margin, n):
    found = power.t_test_n(margin, power=0.9, alpha=0.025, sides=1)
    assert int(np.ceil(found)) == n
