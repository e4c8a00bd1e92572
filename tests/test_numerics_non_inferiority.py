"""Limits of a difference of two shares; the rest of non-inferiority is a published case (`shares`)."""

import pytest
from scipy import stats

from analytics.numerics import non_inferiority


def test_limits_are_where_the_test_no_longer_rejects():
    low, high = non_inferiority.limits(56, 70, 48, 80, level=0.95)
    reach = stats.norm.ppf(0.975)
    assert non_inferiority.test(56, 70, 48, 80, margin=-low).z == pytest.approx(reach, abs=1e-8)
    assert non_inferiority.test(56, 70, 48, 80, margin=-high).z == pytest.approx(-reach, abs=1e-8)
    assert non_inferiority.limits(10, 10, 0, 10)[1] == 1.0
