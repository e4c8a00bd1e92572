"""Shares and ratios of totals at their edges, and under clustering; printed intervals: `published.shares`."""

import numpy as np
import pytest

from analytics.errors import FitError, ParameterError
from analytics.numerics import proportions, regression


def test_an_e_value_is_1_where_the_interval_holds_1():
    assert proportions.e_value(1.5, 0.9, 2.4)[1] == 1.0
    assert proportions.e_value(1 / 1.5, 1 / 2.4, 1 / 0.9)[1] == 1.0
    assert np.isnan(proportions.e_value(1.5)[1])


def test_counts_that_cannot_be_are_refused_in_words():
    with pytest.raises(ParameterError, match=r"1 count\(s\) below 0 or above their n, first at position 1"):
        proportions.proportion([1, 5], [2, 4])


def test_no_one_due_has_no_share():
    found = proportions.proportion([0], [0])
    assert np.isnan(found.estimate).all()
    assert np.isnan(found.high).all()


def test_counting_grafts_one_by_one_makes_intervals_too_narrow():
    # 95 % must cover about 95 %: the interval over sessions does, the one over grafts does not
    rng = np.random.default_rng(8)
    hits = np.zeros(2)
    for _ in range(400):
        sizes = rng.integers(800, 3000, 25)
        events = rng.binomial(sizes, rng.beta(0.05 * 250, 0.95 * 250, 25))
        session = proportions.ratio_of_totals(events, sizes)
        graft = proportions.proportion(events.sum(), sizes.sum())
        hits += [session.low <= 0.05 <= session.high, graft.low <= 0.05 <= graft.high]
    assert 0.92 <= hits[0] / 400 <= 0.98
    assert hits[1] / 400 < 0.7


def test_no_event_at_all_still_has_an_upper_limit():
    found = proportions.ratio_of_totals([0, 0, 0], [100, 100, 100])
    assert (found.estimate, found.low) == (0.0, 0.0)
    assert 0 < found.high < 1
    with pytest.raises(FitError, match="no event"):
        regression.shares([0, 0], [10, 10], np.ones((2, 1)), [0, 1])
