"""Score tests for interval-censored times against their own exchanges; published tests: `published.times`."""

import numpy as np
import pytest

from analytics.errors import ParameterError
from analytics.numerics import scores


def test_exact_times_give_the_log_rank_scores():
    # Savage scores of four distinct times: 1 - (1/4), 1 - (1/4 + 1/3), ... (Kalbfleisch and Prentice 2002).
    found = scores.interval_scores([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0, 4.0], kind="sun")
    hazard = np.cumsum([1 / 4, 1 / 3, 1 / 2, 1.0])
    np.testing.assert_allclose(found, 1.0 - hazard, atol=1e-9)


def _clustered(seed):
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(40), rng.integers(1, 5, 40))
    size = patient.size
    return (
        rng.normal(size=size) + rng.normal(size=40)[patient],
        rng.integers(0, 3, size),
        patient,
        rng.integers(0, 2, size),
    )


def test_the_stated_moments_are_those_of_the_exchanges():
    # The expectation is the Monte Carlo itself: 3,000 exchanges of patients and of places within patients.
    score, group, patient, stratum = _clustered(0)
    test = scores.permutation_test(score, group, patient=patient, stratum=stratum)
    classes = scores._classes(score, group, 3, patient, stratum)
    rng = np.random.default_rng(1)
    drawn = np.array([np.sum([c.exchanged(rng) for c in classes], axis=0) for _ in range(3000)])
    np.testing.assert_allclose(test.expected, drawn.mean(axis=0), atol=4 * drawn.std() / np.sqrt(3000))
    np.testing.assert_allclose(test.covariance, np.cov(drawn.T), rtol=0.12)


def test_the_monte_carlo_p_value_is_near_the_approximation(cosmesis):
    left, right, group = cosmesis
    found = scores.permutation_test(
        scores.interval_scores(left, right, kind="wilcoxon"), group, n_permutations=4000, seed=3
    )
    assert abs(found.p_monte_carlo - found.p_value) < 4 * found.p_monte_carlo_se + 1 / 4000


def test_copying_every_row_of_a_patient_does_not_make_the_evidence_stronger():
    # Two identical placements a patient: sums double and so does their standard deviation, z stays.
    rng = np.random.default_rng(5)
    score, group = rng.normal(size=60), np.repeat(["a", "b"], 30)
    once = scores.permutation_test(score, group)
    patient = np.tile(np.arange(60), 2)
    twice = scores.permutation_test(np.tile(score, 2), np.tile(group, 2), patient=patient)
    np.testing.assert_allclose(twice.z, once.z)
    as_if_independent = scores.permutation_test(np.tile(score, 2), np.tile(group, 2))
    assert abs(as_if_independent.z[0]) > 1.3 * abs(once.z[0])


@pytest.mark.slow
def test_under_no_difference_one_in_twenty_is_called_a_difference():
    # Patients with one or two zones, a patient effect on tempo, no zone effect: 5 % by construction.
    rng = np.random.default_rng(11)
    visits = np.array([0.0, 3, 6, 9, 12, 18, np.inf])
    called = 0
    for _ in range(600):
        patient = np.repeat(np.arange(60), rng.integers(1, 3, 60))
        month = np.exp(2.0 + 0.4 * rng.normal(size=60)[patient] + 0.3 * rng.normal(size=patient.size))
        zone = np.where(
            np.r_[True, np.diff(patient) > 0], rng.choice(["front", "crown"], patient.size), "crown"
        )
        at = np.searchsorted(visits[1:-1], month)
        score = scores.interval_scores(visits[at], visits[at + 1])
        called += scores.permutation_test(score, zone, patient=patient).p_value < 0.05
    assert 0.028 < called / 600 < 0.075


def test_one_group_alone_is_refused_in_words():
    with pytest.raises(ParameterError, match=r"1 group\(s\) with rows; at least 2 are needed"):
        scores.permutation_test([1.0, -1.0], ["a", "a"])


def test_groups_that_no_exchange_can_mix_are_refused_in_words():
    with pytest.raises(ParameterError, match="no exchange of patients moves a group"):
        scores.permutation_test([1.0, -1.0], ["a", "b"], stratum=[1, 2])


def test_an_unknown_kind_is_refused_in_words():
    with pytest.raises(ParameterError, match="use one of sun, finkelstein, wilcoxon"):
        scores.interval_scores([0.0], [1.0], kind="savage")
