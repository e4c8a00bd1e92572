"""Balance, propensity and weights, against a printed example and arithmetic."""

import numpy as np
import pytest

from analytics.errors import ParameterError
from analytics.numerics import weighting

# Hernán & Robins, Causal Inference: What If, table 2.2: 20 people, prognosis L, treatment A, death Y.
PROGNOSIS = np.array([0] * 8 + [1] * 12)
TREATED = np.array([0, 0, 0, 0, 1, 1, 1, 1, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1], dtype=bool)
DIED = np.array([0, 1, 0, 0, 0, 0, 0, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1, 0, 0, 0])


def test_weighting_takes_the_confounding_out_of_the_printed_example():
    # Hernán & Robins, section 2.4: crude risks 7/13 and 3/7; weighted, both are one half
    assert DIED[TREATED].mean() == pytest.approx(7 / 13)
    assert DIED[~TREATED].mean() == pytest.approx(3 / 7)
    share = weighting.propensity(TREATED, PROGNOSIS[:, None]).share
    np.testing.assert_allclose(share, np.where(PROGNOSIS == 1, 9 / 12, 4 / 8), atol=1e-6)
    weight = weighting.stabilised(TREATED, share, truncated_at=(0.0, 1.0)).weight
    for group in (TREATED, ~TREATED):
        assert np.average(DIED[group], weights=weight[group]) == pytest.approx(0.5, abs=1e-6)


def test_stabilised_weights_add_up_to_the_people_there_are():
    # Cole & Hernán 2008, Am J Epidemiol 168:656: the mean of stabilised weights is 1
    share = weighting.propensity(TREATED, PROGNOSIS[:, None]).share
    found = weighting.stabilised(TREATED, share, truncated_at=(0.0, 1.0))
    assert found.weight.mean() == pytest.approx(1.0, abs=1e-6)
    assert found.effective < 20


def test_weighting_balances_what_it_weighs_for():
    share = weighting.propensity(TREATED, PROGNOSIS[:, None]).share
    weight = weighting.stabilised(TREATED, share, truncated_at=(0.0, 1.0)).weight
    before = weighting.standardised_difference(PROGNOSIS, TREATED)
    after = weighting.standardised_difference(PROGNOSIS, TREATED, weights=weight)
    # before: (9/13 - 3/7) over the root mean of the two sample variances, by hand 0.5261
    assert before == pytest.approx((9 / 13 - 3 / 7) / np.sqrt((0.230769 + 0.285714) / 2), abs=1e-4)
    assert after == pytest.approx(0.0, abs=1e-6)


def test_words_with_two_values_differ_as_shares_do():
    # Austin 2009, Stat Med 28:3083: (p1 - p0) / sqrt((p1 q1 + p0 q0) / 2), 0.8 and 0.5: 0.6626
    group = np.repeat([True, False], 10)
    words = ["a"] * 8 + ["b"] * 2 + ["a"] * 5 + ["b"] * 5
    assert weighting.categorical_difference(words, group) == pytest.approx(0.3 / np.sqrt(0.205), abs=1e-9)


def test_groups_told_apart_wholly_are_named_and_still_get_a_propensity():
    group = np.repeat([True, False], 10)
    found = weighting.propensity(group, np.arange(20.0)[:, None])
    assert found.separated
    assert found.overlap < 0.2
    assert np.all((found.share > 0) & (found.share < 1))


def test_an_empty_group_is_refused():
    with pytest.raises(ParameterError, match="one group is empty"):
        weighting.propensity(np.ones(5, dtype=bool), np.ones((5, 1)))
