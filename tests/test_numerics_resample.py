"""Resampling of patients against closed forms and against its own promises."""

from functools import partial
from pathlib import Path

import numpy as np
import pytest

from analytics.errors import FitError, ParameterError
from analytics.numerics import mixed, resample


def _mean(weights, values=None):
    return np.array([weights @ values / weights.sum()])


def _cell_means(weights, values=None, cell=None):
    return np.array(
        [weights[cell == k] @ values[cell == k] / weights[cell == k].sum() for k in range(cell.max() + 1)]
    )


def test_the_standard_error_of_a_mean_is_the_closed_form():
    # Resampled mean of independent patients: sqrt(sum (x - mean)^2) / n (Efron and Tibshirani 1993, eq. 6.8).
    values = np.random.default_rng(0).normal(size=200)
    drawn = resample.patients(np.arange(200), partial(_mean, values=values), n=4000, seed=5)
    closed = np.sqrt(np.sum((values - values.mean()) ** 2)) / 200
    assert drawn.se()[0] == pytest.approx(closed, rel=0.05)
    assert drawn.estimate[0] == pytest.approx(values.mean())


def test_rows_of_a_patient_move_together():
    # Five equal rows a patient: the error is that of the patients, sqrt(5) times the error of the rows.
    values = np.repeat(np.random.default_rng(1).normal(size=60), 5)
    codes = np.repeat(np.arange(60), 5)
    together = resample.patients(codes, partial(_mean, values=values), n=3000)
    apart = resample.patients(np.arange(300), partial(_mean, values=values), n=3000)
    assert together.se()[0] / apart.se()[0] == pytest.approx(np.sqrt(5), rel=0.06)


def test_percentile_limits_of_a_mean_are_near_the_normal_ones():
    values = np.random.default_rng(2).normal(size=400)
    drawn = resample.patients(np.arange(400), partial(_mean, values=values), n=4000)
    low, high = drawn.pointwise(0.95)
    np.testing.assert_allclose(
        [low[0], high[0]], values.mean() + np.array([-1.96, 1.96]) * values.std() / 20, atol=0.01
    )


def test_simultaneous_limits_of_independent_means_have_the_sidak_width():
    # Ten independent means: a point must be held with 0.95 ** (1 / 10), that is 2.80 standard errors (Sidak
    # 1967).
    rng = np.random.default_rng(3)
    cell = np.repeat(np.arange(10), 400)
    values = rng.normal(size=4000)
    drawn = resample.patients(np.arange(4000), partial(_cell_means, values=values, cell=cell), n=4000)
    low, high = drawn.simultaneous(0.95)
    width = (high - low) / (2 * drawn.se())
    assert width.mean() == pytest.approx(2.80, rel=0.06)
    held = ((drawn.draws >= low) & (drawn.draws <= high)).all(axis=1).mean()
    assert held == pytest.approx(0.95, abs=0.01)


def test_the_answer_does_not_depend_on_the_number_of_processes():
    values = np.random.default_rng(4).normal(size=30)
    one = resample.patients(np.arange(30), partial(_mean, values=values), n=60, seed=9)
    two = resample.patients(np.arange(30), partial(_mean, values=values), n=60, seed=9, n_jobs=2)
    np.testing.assert_array_equal(one.draws, two.draws)
    other = resample.patients(np.arange(30), partial(_mean, values=values), n=60, seed=10)
    assert not np.array_equal(one.draws, other.draws)


def test_strata_keep_their_size():
    stratum = np.repeat(["a", "b"], [3, 7])
    drawn = resample.patients(
        np.arange(10), lambda w: np.array([w[:3].sum(), w[3:].sum()]), n=50, stratum=stratum
    )
    np.testing.assert_array_equal(np.unique(drawn.draws, axis=0), [[3.0, 7.0]])


def _fails_often(weights):
    if weights[0] > 0:
        raise FitError("no fit")
    return np.array([1.0])


def test_a_statistic_that_often_does_not_exist_gets_no_limits():
    with pytest.raises(FitError):
        resample.patients(np.arange(9), _fails_often, n=40)
    drawn = resample.patients(
        np.arange(9), lambda w: _fails_often(w) if w[0] != 1 else np.array([2.0]), n=400
    )
    assert np.isnan(drawn.draws).mean() > 0.1
    assert np.isnan(drawn.se()[0])
    assert np.isnan(drawn.pointwise()[0][0])


def test_an_infinite_draw_counts_as_the_largest():
    draws = np.column_stack([np.r_[np.arange(88.0), np.full(12, np.inf)], np.arange(100.0)])
    drawn = resample.Resamples(np.array([45.0, 50.0]), draws, 1, 20)
    low, high = drawn.pointwise(0.9)
    assert (np.isfinite(low[0]), high[0]) == (True, np.inf)
    assert np.isnan(drawn.se()[0])


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: resample.patients(["a", "a"], np.sum), "fewer than 2 patients"),
        (lambda: resample.patients(["a", "b"], np.sum, n=0), "0 resamples; at least 1 is needed"),
        (
            lambda: resample.patients(["a", "a", "b"], np.sum, stratum=[1, 2, 1]),
            "1 patient.s. in more than one",
        ),
        (lambda: resample.patients(["a", "b"], np.sum, n=5).pointwise(95), "expected above 0 and under 1"),
    ],
)
def test_bad_requests_are_refused_in_words(call, sentence):
    with pytest.raises(ParameterError, match=sentence):
        call()


def test_a_statistic_that_takes_many_resamples_at_once_gives_the_same_draws():
    values = np.random.default_rng(4).normal(size=30)
    one = resample.patients(np.arange(30), partial(_mean, values=values), n=60, seed=9)

    def means(weights):
        return (weights @ values / weights.sum(axis=1))[:, None]

    together = resample.patients(np.arange(30), means, n=60, seed=9, together=True)
    np.testing.assert_allclose(together.draws, one.draws)


def _refit(y, X, codes, Z):
    def fit(keep):
        found = mixed.fit(y[keep], X[keep], [(codes[keep], Z[keep])])
        return found.beta, found.beta_cov

    return fit


def test_one_subject_left_out_moves_the_line_as_in_refits_elsewhere(published):
    """sleepstudy (lme4): Cook's D with the full fit's covariance, DFBETAS, covariance ratio."""
    data = np.genfromtxt(published / "sleepstudy.csv", delimiter=",", names=True, deletechars='"')
    X = np.column_stack([np.ones(len(data)), data["Days"]])
    subject = data["Subject"].astype(int)
    found = resample.leave_one_out(_refit(data["Reaction"], X, subject, X), subject)
    cook = dict(zip(found.groups.tolist(), found.cook, strict=True))
    expected = {309: 0.148525, 335: 0.129480, 337: 0.1260, 310: 0.110522, 308: 0.092417, 369: 0.001198}
    for name, value in expected.items():
        assert cook[name] == pytest.approx(value, rel=2e-3)
    k = found.groups.tolist().index(309)
    assert found.dfbetas[k] == pytest.approx([-0.410876, -0.309889], abs=1e-3)
    assert found.covratio.min() == pytest.approx(found.covratio[k])
    assert found.covratio[k] == pytest.approx(0.889690, abs=1e-3)


def test_the_covariance_that_cooks_distance_uses_is_named():
    """school23: 1.313450 with the full fit's V, 1.117185 with the reduced one, as influence.ME prints it."""
    place = Path(__file__).parent / "reference" / "school23.csv"
    data = np.genfromtxt(place, delimiter=",", names=True)
    X = np.column_stack([np.ones(len(data)), data["structure"]])
    school, one = data["school"].astype(int), np.ones((len(data), 1))
    found = resample.leave_one_out(_refit(data["math"], X, school, one), school)
    k = found.groups.tolist().index(7472)
    assert found.beta[k, 1] == pytest.approx(-4.551885, rel=1e-3)
    assert found.cook[k] == pytest.approx(1.313450, rel=2e-3)
    assert found.cook_reduced[k] == pytest.approx(1.117185, rel=2e-3)
    assert found.covratio[k] == pytest.approx(0.925372, rel=2e-3)
    assert found.dfbetas[k, 1] == pytest.approx(1.430032, rel=2e-3)
