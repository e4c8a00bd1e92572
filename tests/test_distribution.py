"""Shares, single cases and forecasts from the distribution of plateaus: against the truth of drawn registers.

The likelihood is held against the multivariate normal of scipy, the whole against registers whose truth is
known (`simulate`), and against the normal model where plateaus are normal. Coverage in many worlds is counted
by `tests/bench/worlds.py`.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import simulated
from scipy.stats import multivariate_normal

from analytics import measurement, regrowth, simulate
from analytics.errors import ParameterError
from analytics.numerics.nonlinear import share
from analytics.regrowth import distribution, likelihood, plateaus, single_cases
from analytics.regrowth.distribution import CENTRES, POOR

# Points or hairs: what two million draws and the grid's cells leave open.
NEAR_DRAWS = 0.6


def _register(n, seed, **truth):
    world = replace(simulate.plain(), attendance=simulate.Truth().attendance, **truth)
    tables, latent = simulate.register(n, truth=world, seed=seed)
    records = simulate.as_records(tables)
    fit = regrowth.fit_emergence(records)
    rows = regrowth.rows_for(records, fit)
    return latent, fit, rows


@pytest.fixture(scope="module")
def skewed():
    """Return a register with bounded plateaus and poor growth: latent values, rows, distribution."""
    latent, fit, rows = _register(250, 11, plateau_law="beta", poor_growth=0.05)
    return latent, rows, plateaus.fit_distribution(rows, fit, seed=1)


def test_the_likelihood_of_a_placement_is_that_of_the_multivariate_normal(skewed):
    _, rows, dist = skewed
    of, by = likelihood.lay_out(dist.fit, rows.frame), likelihood.shared_by(dist.fit)
    table = likelihood.log_likelihood(of, by, dist.grid)
    several = np.flatnonzero(np.bincount(of.row_placement) > 3)[:3]
    assert len(several) == 3
    for j in several:
        at, zone = of.row_placement == j, of.zone[j]
        for a, t in ((10, 5), (40, 2), (55, 8)):
            ratio = of.month[at] * np.exp(-by.log_half[zone] - dist.tempos[t])
            grown = of.planted[at] * CENTRES[a] / 100 * share(by.shape, ratio, by.log_k[zone])[0]
            native = of.native_hat[of.region[at]] * of.kept[at]
            variance = by.residual + measurement.count_variance(
                np.maximum(native + grown, 1 / of.area[at]),
                of.area[at],
                marked=of.marked[at],
                reader_changed=of.changed[at],
                error=by.count_error,
            )
            whole = np.diag(variance) + of.cv[j] ** 2 * np.outer(grown, grown)
            same = of.region[at][:, None] == of.region[at]
            tau2 = of.native_var[of.region[at]]
            whole += np.where(same, tau2[:, None] * np.outer(of.kept[at], of.kept[at]), 0.0)
            mean = of.kept[at] * of.fixed[at] + grown
            expected = multivariate_normal.logpdf(of.density[at], mean, whole)
            # The grid leaves out the constant of the normal.
            constant = -0.5 * at.sum() * np.log(2 * np.pi)
            assert table[j, a, t] + constant == pytest.approx(expected, abs=1e-8)


def test_a_count_to_come_says_nothing(skewed):
    _, rows, dist = skewed
    patient = rows.frame["patient_id"].iloc[0]
    own = rows.frame[rows.frame["patient_id"].eq(patient)]
    before = single_cases.yields_at(single_cases.posterior(dist, own), [12.0])
    ahead = single_cases.forecast(dist, own, [12.0, 24.0]).path
    known = {
        n: float(v)
        for n, v in zip(single_cases.posterior(dist, own).of.names, before["mean"][:, 0], strict=True)
    }
    for line in ahead[ahead["month"].eq(12.0)].itertuples():
        assert line.yield_pct == pytest.approx(known[line.placement_id], abs=1e-6)


def test_shares_hold_the_truth_of_a_register_with_skewed_plateaus(skewed):
    latent, _, dist = skewed
    inside = []
    for zone in dist.fit.zones:
        plateau, half = simulated.drawn_placements(latent.truth, zone, n=20_000)
        shape = latent.truth.zones[zone].shape
        for percent in (50.0, 80.0):
            for month in (12.0, 18.0):
                grown = plateau * simulate.emerged(month / half, shape, curve=latent.truth.curve)
                truth = np.mean(grown >= percent)
                found = distribution.share_quantities(dist, zone, [month], percent)[0]
                assert 0 <= found.ci_low <= found.estimate <= found.ci_high <= 1
                inside.append(found.ci_low <= truth <= found.ci_high)
    # Of twenty limits of one register, highly alike; each holds in about 95 of 100 registers.
    assert np.mean(inside) >= 0.75


def test_shares_rise_with_the_month_and_fall_with_the_milestone(skewed):
    dist = skewed[2]
    zone = dist.fit.zones[0]
    by_month = distribution.share_past(dist, zone, [3.0, 6.0, 9.0, 12.0, 18.0], 50.0)[0]
    assert (np.diff(by_month) > 0).all()
    by_percent = [distribution.share_past(dist, zone, [12.0], q)[0][0] for q in (25.0, 50.0, 70.0, 90.0)]
    assert (np.diff(by_percent) < 0).all()
    month = dist.fit.maturity_month[0]
    below = distribution.share_below_quantity(dist, [zone], 70.0)
    past = distribution.share_quantities(dist, zone, [month], 70.0)[0]
    assert below.estimate + past.estimate == pytest.approx(1.0)
    assert below.ci_low + past.ci_high == pytest.approx(1.0)


def test_the_median_month_is_where_half_are_past(skewed):
    dist = skewed[2]
    for zone in dist.fit.zones:
        found = distribution.median_quantity(dist, zone, 50.0)
        assert distribution.share_past(dist, zone, [found.estimate], 50.0)[0][0] == pytest.approx(
            0.5, abs=1e-3
        )
        assert found.ci_low < found.estimate < found.ci_high
    assert distribution.median_quantity(dist, dist.fit.zones[0], 120.0) is None


def test_single_cases_hold_their_true_yields(skewed):
    latent, rows, dist = skewed
    post = single_cases.posterior(dist, rows.frame)
    true = simulated.true_yields(latent, [12.0])[:, 0]
    of_name = dict(zip(latent.placements["placement_id"], true, strict=True))
    truth = np.array([of_name[n] for n in post.of.names])
    found = single_cases.yields_at(post, [12.0], levels=(0.5, 0.95))
    inside = (found["low"][:, :, 0] <= truth) & (truth <= found["high"][:, :, 0])
    # 500 placements: a share of 50 % has an SE of 2 points, of 95 % of 1.
    assert inside[0].mean() == pytest.approx(0.5, abs=0.09)
    assert inside[1].mean() == pytest.approx(0.95, abs=0.04)


@pytest.mark.parametrize("points", [0.0, 2.0, 4.0])
def test_a_wrong_rate_of_native_loss_widens_true_yields_as_a_convolution_does(skewed, points):
    """Random draws from each case's own posterior, moved by a normal error, against the limits."""
    _, rows, dist = skewed
    moves = dict(dist.fit.shared, **{"native loss": np.full(len(dist.fit.beta), -points)})
    post = single_cases.posterior(replace(dist, fit=replace(dist.fit, shared=moves)), rows.frame)
    found = single_cases.yields_at(post, [36.0], levels=(0.9,))
    rng, n = np.random.default_rng(5), 200_000
    for j in (0, 7, 50):
        cell = rng.choice(post.weights[j].size, n, p=post.weights[j].ravel())
        plateau = CENTRES[cell // post.weights.shape[2]] + post.of.shift[j] + rng.uniform(-1, 1, n)
        grown = np.maximum(plateau + points * rng.standard_normal(n), 0.0)
        low, high = np.quantile(grown, [0.05, 0.95])
        assert found["low"][0, j, 0] == pytest.approx(low, abs=0.8)
        assert found["high"][0, j, 0] == pytest.approx(high, abs=0.8)
        # The practice's own centiles err by the same rate: against them nothing widens.
        held = single_cases.chance_below(post, [36.0], low, of_practice=True)[j, 0]
        assert held == pytest.approx(np.mean(plateau < low), abs=0.02)


@pytest.fixture(scope="module")
def failing():
    """Return the distribution of a practice some of whose placements failed."""
    _, fit, rows = _register(150, 4, failed_growth=8)
    return rows, plateaus.fit_distribution(rows, fit, seed=1)


def _dead(dist, readings=(4.0, 0.0, 11.0, 7.0, 9.0), planted=60.0, native=20.0) -> pd.DataFrame:
    """Return the rows of one patient whose placement reads so many percent at months 6, 9, 12, 15, 18."""
    density = [native, *(native + planted * r / 100 for r in readings)]
    return pd.DataFrame(
        {
            "patient_id": "x",
            "placement_id": "x-1",
            "region_id": "frontal",
            "group": "frontal",
            "planted": planted,
            "planted_source": "region",
            "month": [0.0, 6.0, 9.0, 12.0, 15.0, 18.0],
            "density": density,
            "is_baseline": [True] + [False] * 5,
            "kept": 1.0,
            "shed": 0.0,
            "is_later": False,
            "planted_before": 0.0,
            "counted_area_cm2": 1.0,
            "both_marked": True,
            "reader_changed": False,
        }
    )


@pytest.mark.parametrize("source", ["region", "zone"])
def test_a_placement_that_did_not_grow_is_not_said_to_have_grown(failing, source):
    # The normal plateau printed 24 % (12 to 36) for these readings; the truth was 3 %.
    _, dist = failing
    own = _dead(dist).assign(planted_source=source)
    post = single_cases.posterior(dist, own)
    found = single_cases.yields_at(post, [18.0])
    assert found["high"][0, 0, 0] < 30
    assert found["low"][0, 0, 0] < 8 < found["high"][0, 0, 0]
    assert single_cases.chance_below(post, [18.0], 70.0)[0, 0] > 0.99


@pytest.mark.parametrize("readings", [(40.0, 62.0, 75.0), (5.0, 12.0, 9.0), (70.0, 88.0, 97.0)])
def test_a_case_is_what_importance_sampling_makes_of_the_same_model(failing, readings):
    """Two million cases drawn from the model, weighed by how well they explain the readings."""
    dist = replace(failing[1], whole_draws=failing[1].whole[None], pi_draws=np.array([failing[1].pi]))
    fit, zone, n = dist.fit, "frontal", 2_000_000
    own = _dead(dist, readings=(*readings, np.nan, np.nan)).dropna()
    rng, k = np.random.default_rng(6), fit.zone_index(zone)
    plateau, tempo = regrowth.drawn(dist, zone, n, rng)
    of, by = likelihood.lay_out(fit, own), likelihood.shared_by(fit)
    base = of.fixed[0] + np.sqrt(of.native_var[0]) * rng.standard_normal(n)
    factor = 1 + of.cv[0] * rng.standard_normal(n)
    log_weight = np.zeros(n)
    for month, density in zip(of.month, of.density, strict=True):
        emerged = share(by.shape, month * np.exp(-by.log_half[k] - tempo), by.log_k[k])[0]
        grown = of.planted[0] * plateau / 100 * emerged
        variance = by.residual + measurement.count_variance(
            np.maximum(of.native_hat[0] + grown, 1.0), 1.0, marked=True, reader_changed=False,
            error=fit.count_error,
        )  # fmt: skip
        off = density - base - grown * factor
        log_weight += -0.5 * (off**2 / variance + np.log(variance))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    emerged = share(by.shape, 18.0 * np.exp(-by.log_half[k] - tempo), by.log_k[k])[0]
    true = plateau * emerged
    post = single_cases.posterior(dist, own)
    found = single_cases.yields_at(post, [18.0], levels=(0.8,))
    assert found["mean"][0, 0] == pytest.approx(weight @ true, abs=NEAR_DRAWS)
    order = np.argsort(true)
    low, high = np.interp([0.1, 0.9], np.cumsum(weight[order]), true[order])
    assert found["low"][0, 0, 0] == pytest.approx(low, abs=2 * NEAR_DRAWS)
    assert found["high"][0, 0, 0] == pytest.approx(high, abs=2 * NEAR_DRAWS)
    count = base + of.planted[0] * true / 100 * factor
    ahead = single_cases.forecast(dist, own, [18.0]).path.iloc[0]
    count = count - (1 - ahead["kept"]) * base
    assert ahead["density"] == pytest.approx(weight @ count, abs=NEAR_DRAWS)
    unseen = ahead["density_var"] - ahead["count_var"]
    assert unseen == pytest.approx(weight @ count**2 - (weight @ count) ** 2, rel=0.12)


def test_limits_of_a_count_to_come_are_where_its_distribution_says(skewed):
    _, rows, dist = skewed
    patient = rows.frame["patient_id"].iloc[5]
    own = rows.frame[rows.frame["patient_id"].eq(patient)]
    found = single_cases.forecast(dist, own, [12.0, 18.0], levels=(0.8,))
    assert (found.path["low_80"] < found.path["density"]).all()
    assert (found.path["density"] < found.path["high_80"]).all()
    np.testing.assert_allclose(found.below(found.path["high_80"]), 0.9, atol=1e-3)
    parts = ["parameter_var", "between_patient_var", "within_patient_var", "count_var"]
    np.testing.assert_allclose(found.path[parts].sum(axis=1), found.path["density_var"], rtol=1e-9)
    assert (found.path[parts] >= -1e-9).all(axis=None)


def test_chances_of_slow_and_low_add_up_and_are_a_tenth_before_any_reading(skewed):
    _, rows, dist = skewed
    post = single_cases.posterior(dist, rows.frame)
    found = single_cases.slow_or_low(post)
    np.testing.assert_allclose(sum(found.values()), 1.0)
    dist = replace(dist, whole_draws=dist.whole[None], pi_draws=np.array([dist.pi]))
    alone = rows.frame[rows.frame["is_baseline"].astype(bool)].drop_duplicates("patient_id")
    before = single_cases.slow_or_low(single_cases.posterior(dist, alone))
    np.testing.assert_allclose(before["low_only"] + before["both"], 0.1, atol=0.005)
    np.testing.assert_allclose(before["slow_only"] + before["both"], 0.1, atol=0.005)


def test_zones_together_count_each_patient_once(skewed):
    _, rows, dist = skewed
    after = rows.frame[~rows.frame["is_baseline"].astype(bool)]
    for zones in (["crown"], ["crown", "frontal"], list(dist.fit.zones)):
        here = after[after["group"].isin(zones)]
        assert dist.n_followed(zones) == (here["patient_id"].nunique(), here["placement_id"].nunique())


def test_the_readers_habit_widens_shares_and_leaves_their_estimates(skewed):
    """Yields are what is read over a habit of 2.8 %: at 80 % of planted hair that is 2.2 points."""
    dist = skewed[2]
    sure = replace(dist, scale_draws=np.ones_like(dist.scale_draws))
    for zone in dist.fit.zones:
        wide, narrow = (distribution.share_quantities(d, zone, [18.0], 80.0)[0] for d in (dist, sure))
        assert wide.estimate == narrow.estimate
        assert wide.se > 1.1 * narrow.se
        moved = distribution.share_past(
            replace(dist, scale_draws=np.full_like(dist.scale_draws, 1.05)), zone, [18.0], 80.0
        )
        as_if = distribution.share_past(sure, zone, [18.0], 84.0)
        np.testing.assert_allclose(moved[1], as_if[1], rtol=1e-12)


def test_the_same_seed_gives_the_same_limits(failing):
    rows, dist = failing
    again = plateaus.fit_distribution(rows, dist.fit, seed=1)
    other = plateaus.fit_distribution(rows, dist.fit, seed=2)
    np.testing.assert_array_equal(again.whole_draws, dist.whole_draws)
    np.testing.assert_array_equal(other.whole, dist.whole)
    assert not np.array_equal(other.whole_draws, dist.whole_draws)


def test_a_small_register_is_drawn_to_the_fit_and_has_wide_limits():
    _, fit, rows = _register(14, 3, plateau_law="beta")
    dist = plateaus.fit_distribution(rows, fit)
    assert dist.converged
    assert (dist.n_placements < plateaus.FEW_PLACEMENTS).any()
    plateau = fit.beta[fit.slices[1][0] : fit.slices[1][0] + len(fit.zones)]
    assert (np.abs(dist.regular @ CENTRES - plateau) < 12).all()
    np.testing.assert_allclose(dist.whole.sum(axis=1), 1.0)
    assert POOR.sum() == pytest.approx(1.0)


def test_a_share_has_no_limits_where_its_zone_is_followed_in_few():
    """Drawn worlds (`tests/bench/worlds.py`): of such zones they held 70 to 80 % of the time."""
    _, fit, rows = _register(14, 3, plateau_law="beta")
    dist = plateaus.fit_distribution(rows, fit)
    few = dist.n_placements < plateaus.FEW_PLACEMENTS
    for zone, is_few in zip(fit.zones, few, strict=True):
        found = distribution.share_quantities(dist, zone, [12.0], 80.0)[0]
        assert np.isnan([found.ci_low, found.ci_high]).all() == is_few
        line = regrowth.shares(dist, [12.0], 80.0, zones=(zone,)).table().dropna(subset="x").iloc[0]
        assert ("no interval" in line["flag"]) == is_few
        assert 0 <= line["estimate"] <= 100
    together = distribution.share_below_quantity(dist, fit.zones, 70.0)
    assert dist.n_placements.sum() >= plateaus.FEW_PLACEMENTS
    assert together.ci_low < together.estimate < together.ci_high


def test_a_threshold_that_is_no_yield_is_refused(skewed):
    with pytest.raises(ParameterError, match="not above 0"):
        distribution.share_below_quantity(skewed[2], skewed[2].fit.zones[:1], 0.0)
