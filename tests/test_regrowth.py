"""Regrowth: the truth put in by `simulate` comes out, limits hold, and what the data cannot tell is said."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from test_results import assert_keeps_the_contract

from analytics import regrowth, simulate
from analytics.errors import FitError, ParameterError
from analytics.numerics.nonlinear import share
from analytics.regrowth import rows as regrowth_rows
from analytics.regrowth.emergence import fit_rows, log_steepness
from analytics.regrowth.quantities import parameters, variances
from analytics.regrowth.spline import natural_basis

# An estimate of one register may lie this many of its standard errors from the truth (1 in 1,700 by chance).
FAR = 3.5
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(41)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def _truth(**changes) -> simulate.Truth:
    usual = simulate.Truth()
    return replace(simulate.plain(usual), attendance=usual.attendance, second_session=0.3, **changes)


@pytest.fixture(scope="module")
def drawn():
    tables, latent = simulate.register(260, truth=_truth(), seed=101)
    return simulate.as_records(tables), latent


@pytest.fixture(scope="module")
def fit(drawn):
    return regrowth.fit_emergence(drawn[0])


@pytest.fixture(scope="module")
def plateaus(drawn, fit):
    return regrowth.fit_plateaus(drawn[0], fit=fit)


@pytest.fixture(scope="module")
def answer(drawn, fit):
    return regrowth.emergence(drawn[0], fit=fit, both_shapes=True)


def _row(table, term, zone):
    return table[table["term"].eq(term) & table["zone"].eq(zone)].iloc[0]


def _is_near(row, truth):
    assert abs(row["estimate"] - truth) < FAR * row["se"], (row["term"], row["zone"])


def test_plateau_and_half_month_of_every_zone_are_recovered(answer):
    for zone, true in _truth().zones.items():
        _is_near(_row(answer.table(), "plateau_yield", zone), true.plateau_yield)
        _is_near(_row(answer.table(), "half_month", zone), true.half_month)


def test_yield_at_maturity_is_the_mean_over_tempos_at_the_zones_own_month(answer):
    truth = _truth()
    tempo = np.hypot(truth.log_tempo_sd_patient, truth.log_tempo_sd_placement) * NODES
    for zone, month in {"frontal": 12, "midscalp": 15, "crown": 18}.items():
        true = truth.zones[zone]
        share = simulate.emerged(month / (true.half_month * np.exp(tempo)), true.shape)
        row = _row(answer.table(), "yield_at_maturity", zone)
        assert row["x"] == month
        _is_near(row, true.plateau_yield * float(share @ WEIGHTS))


def test_the_tempo_ratio_of_crown_to_front_is_recovered_on_the_log_scale(answer):
    row = _row(answer.table(), "tempo_ratio", "crown : front")
    assert abs(np.log(row["estimate"] / (7.8 / 5.5))) < FAR * row["se"] / row["estimate"]
    assert row["ci_low"] * row["ci_high"] == pytest.approx(row["estimate"] ** 2, rel=1e-6)


def test_spreads_of_plateau_and_tempo_are_those_put_in(fit):
    truth = _truth()
    total, tempo, _ = variances(fit, fit.beta, fit.spread)
    errors = np.sqrt(np.diag(fit.spread_cov))
    named = dict(zip(fit.spread_names, errors, strict=True))
    true_total = truth.plateau_sd_patient**2 + truth.plateau_sd_placement**2
    assert abs(total - true_total) < FAR * np.hypot(
        named["patient: plateau"], named["placement: plateau (region)"]
    )
    true_tempo = truth.log_tempo_sd_patient**2 + truth.log_tempo_sd_placement**2
    assert abs(tempo - true_tempo) < FAR * np.hypot(
        named["patient: log tempo"], named["placement: log tempo"]
    )


def test_shares_past_a_milestone_are_those_of_the_latent_placements(plateaus):
    """The share itself is counted on 3,000 latent placements of a larger register of the same truth."""
    _, latent = simulate.register(3000, truth=_truth(), seed=7)
    shares = regrowth.shares(plateaus, [12.0, 18.0], 80.0)
    assert_keeps_the_contract(shares)
    for zone in ("frontal", "crown"):
        here = latent.placements[latent.placements["zone"].eq(zone)]
        for month in (12.0, 18.0):
            row = shares.table().query("zone == @zone and x == @month").iloc[0]
            assert abs(row["estimate"] - 100 * (here["month_80"] <= month).mean()) < FAR * row["se"] + 2.0


def test_the_median_month_is_missing_with_a_flag_where_fewer_than_half_ever_get_there(plateaus):
    table = regrowth.shares(plateaus, [12.0], 99.0, zones=("crown",)).table()
    row = table[table["term"].eq("median_month_to_99_pct")].iloc[0]
    assert np.isnan(row["estimate"])
    assert "fewer than half" in row["flag"]


def test_poor_growth_is_the_share_of_true_yields_and_not_of_readings(plateaus):
    _, latent = simulate.register(3000, truth=_truth(), seed=8)
    here = latent.placements.query("zone == 'crown'")["yield_at_maturity_pct"]
    found = regrowth.share_below(plateaus, "crown", 70.0)
    assert 0 < found.ci_low < found.estimate < found.ci_high < 1
    assert abs(found.estimate - (here < 70).mean()) < FAR * found.se + 0.02


def test_both_shapes_stand_in_the_table_and_the_curve_passes_zero(answer):
    assert_keeps_the_contract(answer)
    assert "yield_at_maturity (log-logistic)" in set(answer.table()["term"])
    assert answer.at(0.0)["estimate"].eq(0.0).all()
    assert answer.path.groupby("zone")["estimate"].apply(lambda e: e.is_monotonic_increasing).all()


@pytest.mark.parametrize(("curve", "times", "is_late"), [("gamma", 1.4, False), ("lag", 0.7, True)])
def test_the_tail_of_the_curve_is_found_and_the_plateau_with_it(curve, times, is_late):
    """Under a log-logistic these plateaus come out 2 points high and 2 low (tests/bench/README.md)."""
    base = _truth(curve=curve)
    zones = {z: replace(t, shape=t.shape * times) for z, t in base.zones.items()}
    register = simulate.register(250, truth=replace(base, zones=zones), seed=107)[0]
    fit = regrowth.fit_emergence(simulate.as_records(register))
    name, log_tail = fit.shape
    se = np.sqrt(fit.beta_cov[fit.beta_names.index("log tail"), fit.beta_names.index("log tail")])
    assert name == "Burr"
    assert (log_tail > 2 * se) if is_late else (log_tail < -se)
    plateau, errors = parameters(fit, fit.beta)[0], np.sqrt(np.diag(fit.beta_cov))
    start = fit.slices[1][0]
    for k, zone in enumerate(fit.zones):
        assert abs(plateau[k] - base.zones[zone].plateau_yield) < FAR * errors[start + k]


def test_what_all_placements_share_moves_the_fit_as_a_refit_does(drawn, fit):
    """One standard error less of native loss, one habit more: fitted again on records changed so."""
    records, start = drawn[0], fit.slices[1][0]
    rows = regrowth.rows_for(records, fit)
    kept = rows.frame["kept"] + rows.frame["kept_se"]
    again = fit_rows(replace(rows, frame=rows.frame.assign(kept=kept)), fit.count_error, near=fit)
    here = slice(start, start + len(fit.zones))
    moved = (again.beta - fit.beta)[here]
    np.testing.assert_allclose(moved, fit.shared["native loss"][here], rtol=0.1, atol=0.02)
    assert (moved < -0.3).all()
    high = rows.frame.assign(density=rows.frame["density"] * (1 + fit.habit_cv))
    again = fit_rows(replace(rows, frame=high), fit.count_error, near=fit)
    np.testing.assert_allclose(
        (again.beta - fit.beta)[here], fit.shared["habit of all readers"][here], rtol=0.1
    )


def test_a_plateau_is_reached_by_ten_patients_at_maturity_and_facts_are_the_models(drawn, fit):
    records = drawn[0]
    counts = records.measurements
    late = counts["zone"].eq("crown") & counts["month"].ge(16.0)
    seen = counts.loc[late, "patient_id"].unique()
    few = replace(records, measurements=counts[~(late & counts["patient_id"].isin(seen[9:]))])
    short = regrowth.fit_emergence(few)
    k = short.zone_index("crown")
    assert (fit.n_mature[k] > 20, short.n_mature[k] <= 9) == (True, True)
    assert (bool(fit.reached[k]), bool(short.reached[k])) == (True, False)
    table = regrowth.emergence(few, fit=short, both_shapes=False)
    row = _row(table.table(), "yield_at_maturity", "crown")
    assert row["x"] < 17.0
    assert "fewer than 10 patients" in row["flag"]
    assert "fewer than 10 patients" in _row(table.table(), "plateau_yield", "crown")["flag"]
    facts = table.facts().iloc[0]
    assert facts["n_rows"] == short.n_rows.sum()
    used = table.rows().query("reason == ''")
    assert facts["n_patients"] == used["patient_id"].nunique()
    assert used.groupby("zone").size().to_dict() == dict(zip(short.zones, short.n_rows, strict=True))


def test_baseline_counts_are_data_so_that_their_error_does_not_swell_the_spread(fit):
    """A baseline error of 8 points shared by a placement's rows would make a spread of 6 read 8.6 or more."""
    named = dict(zip(fit.spread_names, fit.spread, strict=True))
    # In the region: 6 points of placements and 86 x 0.06 of the planted count.
    assert np.sqrt(named["placement: plateau (region)"]) == pytest.approx(np.hypot(6.0, 86 * 0.06), abs=2.2)


def test_a_zone_average_of_planted_density_does_not_bias_the_plateau():
    """A fifth of spread between region and zone average (TRAPS: +4 % in a mean of ratios)."""
    tables, _ = simulate.register(260, truth=_truth(planted_counted=0.15), seed=102)
    fit = regrowth.fit_emergence(simulate.as_records(tables))
    plateau, errors = parameters(fit, fit.beta)[0], np.sqrt(np.diag(fit.beta_cov))
    start = fit.slices[1][0]
    true = [_truth().zones[z].plateau_yield for z in fit.zones]
    assert np.all(np.abs(plateau - true) < FAR * errors[start : start + len(fit.zones)])


def test_the_error_of_the_ratio_of_region_over_zone_is_shared_by_all_who_lean_on_it():
    """Nobody counts in the region: its error is in every zone alike."""
    from analytics import yields

    tables, _ = simulate.register(120, truth=_truth(planted_counted=0.0), seed=108)
    records = simulate.as_records(tables)
    fit, error = regrowth.fit_emergence(records), yields.planted_error(records)
    rows = regrowth.rows_for(records, fit)
    alone = fit_rows(replace(rows, ratio_cv=0.0), fit.count_error)
    start = fit.slices[1][0]
    plateaus = slice(start, start + len(fit.zones))
    added = fit.beta_cov[plateaus, plateaus] - alone.beta_cov[plateaus, plateaus]
    shift = fit.beta[plateaus] * error.zone_ratio_se / error.zone_ratio
    np.testing.assert_allclose(added, np.outer(shift, shift), rtol=1e-6)


def test_shedding_makes_a_false_tempo_ratio_and_its_term_takes_it_out():
    """TRAPS: native hair shed and back by month 9; true ratio here 1.00, the crown with most native hair."""
    base = _truth(shed_native_pct=40.0)
    zones = {
        "frontal": replace(base.zones["frontal"], native_density=15.0, native_sd=4.0),
        "crown": replace(base.zones["frontal"], native_density=70.0, native_sd=12.0),
    }
    zones = {z: zones.get(z, t) for z, t in base.zones.items()}
    tables, _ = simulate.register(220, truth=replace(base, zones=zones), seed=103)
    records = simulate.as_records(tables)
    of = {}
    for term in (False, True):
        fit = regrowth.fit_emergence(records, early_shedding=term)
        table = regrowth.emergence(records, fit=fit, both_shapes=False).table()
        of[term] = _row(table, "tempo_ratio", "crown : front")
    assert of[False]["ci_low"] > 1.0
    assert of[True]["ci_low"] < 1.0 < of[True]["ci_high"]


def test_readings_before_a_month_can_be_left_out_with_steepness_held(drawn, fit):
    late = regrowth.fit_emergence(drawn[0], from_month=6.0)
    assert late.from_month == 6.0
    np.testing.assert_allclose(log_steepness(late), log_steepness(fit), rtol=1e-9)
    plateau = parameters(late, late.beta)[0]
    np.testing.assert_allclose(plateau, parameters(fit, fit.beta)[0], atol=6.0)


def test_a_plateau_the_data_do_not_reach_is_flagged_and_replaced_by_the_last_month(drawn):
    # One session each: the count before a second session would be a late reading of the first.
    tables, _ = simulate.register(200, truth=replace(_truth(), second_session=0.0), seed=104)
    tables["measurements"] = tables["measurements"].query("month <= 10.5")
    records = simulate.as_records(tables)
    fit = regrowth.fit_emergence(records)
    table = regrowth.emergence(records, fit=fit, both_shapes=False).table()
    assert not fit.checks["plateau_reached"]
    assert "extrapolation" in _row(table, "plateau_yield", "crown")["flag"]
    head = _row(table, "yield_at_maturity", "crown")
    assert "the last supported" in head["flag"]
    assert 8 < head["x"] <= 10.5


def test_few_patients_and_few_zones_still_get_an_answer_or_a_sentence():
    tables, _ = simulate.register(14, truth=_truth(), seed=105)
    records = simulate.as_records(tables)
    fit = regrowth.fit_emergence(records)
    assert not fit.checks["own_tempo_by_zone"]
    assert any("too few followed placements" in w for w in fit.words)
    assert_keeps_the_contract(regrowth.emergence(records, fit=fit, both_shapes=False))
    tables["measurements"] = tables["measurements"].query("month <= 0")
    with pytest.raises(FitError, match="no zone has 3 plantings"):
        regrowth.fit_emergence(simulate.as_records(tables))


def test_case_mix_enters_as_points_of_plateau():
    """Truth: saline against buffered, 12 points (a large effect, so that one register shows it)."""
    truth = _truth(medium={"saline": 0.0, "buffered": 12.0})
    tables, _ = simulate.register(220, truth=truth, seed=106)
    records = simulate.as_records(tables)
    table = regrowth.emergence(records, case_mix=("holding_medium",), both_shapes=False).table()
    row = table[table["term"].str.startswith("case mix: holding_medium")].iloc[0]
    sign = 1 if row["term"].endswith("buffered") else -1
    assert abs(row["estimate"] - sign * 12.0) < FAR * row["se"]
    assert row["unit"] == "points"


# --- one case, given its readings


def test_a_case_is_predicted_with_limits_that_hold(fit, plateaus):
    """Other patients of the same truth: month 12 from readings up to month 7, 95 % and 80 % limits."""
    tables, _ = simulate.register(260, truth=_truth(), seed=107)
    rows = regrowth.rows_for(simulate.as_records(tables), fit).frame
    coming = rows[~rows["is_baseline"] & rows["month"].between(11, 13)].drop_duplicates("placement_id")
    seen = rows[rows["month"].le(7)]
    coming = coming[coming["placement_id"].isin(seen["placement_id"])]
    seen = seen[seen["placement_id"].isin(coming["placement_id"])]
    off = np.concatenate(
        [
            np.abs(found.below(coming["density"].to_numpy()[at]) - 0.5)
            for at, found in regrowth.forecasts_of_each(plateaus, seen, coming)
        ]
    )
    n, inside95, inside80 = len(off), (off < 0.475).sum(), (off < 0.4).sum()
    assert n > 150
    # Three binomial standard errors about the stated coverage.
    assert abs(inside95 / n - 0.95) < 3 * np.sqrt(0.95 * 0.05 / n)
    assert abs(inside80 / n - 0.80) < 3 * np.sqrt(0.80 * 0.20 / n)


def test_without_a_reading_a_case_is_the_practices_own(plateaus):
    target = pd.DataFrame(
        {
            "placement_id": ["new"],
            "region_id": ["crown"],
            "group": ["crown"],
            "planted": [50.0],
            "planted_source": ["zone"],
        }
    )
    sure = replace(plateaus, whole_draws=plateaus.whole[None], pi_draws=np.array([plateaus.pi]))
    found = regrowth.forecast(sure, None, [18.0], targets=target, levels=(0.5,))
    fit = plateaus.fit
    _, log_half, log_k = (v[fit.zone_index("crown")] for v in parameters(fit, fit.beta))
    plateau, tempo = regrowth.drawn(plateaus, "crown", 400_000, np.random.default_rng(4))
    yields = plateau * share(fit.shape, 18 / np.exp(log_half + tempo), log_k)[0]
    # 400,000 draws of an SD of 15: 0.03 points.
    assert found.path["yield_pct"].iloc[0] == pytest.approx(yields.mean(), abs=0.3)
    low, high = np.quantile(yields, [0.25, 0.75])
    assert found.path["yield_low_50"].iloc[0] == pytest.approx(low, abs=1.0)
    assert found.path["yield_high_50"].iloc[0] == pytest.approx(high, abs=1.0)


def test_readings_narrow_what_is_expected(drawn, fit, plateaus):
    rows = regrowth.rows_for(drawn[0], fit).frame
    many = rows["patient_id"].value_counts().index[0]
    own = rows[rows["patient_id"].eq(many)]
    few = regrowth.forecast(plateaus, own[own["month"].le(0)], [12.0]).path
    more = regrowth.forecast(plateaus, own[own["month"].le(9)], [12.0], targets=own).path
    assert more["yield_var"].iloc[0] < few["yield_var"].iloc[0]


# --- the spline view


def test_natural_basis_is_the_one_of_patsy_up_to_a_straight_change_of_columns():
    """patsy.cr spans the same functions: projecting one on the other leaves nothing."""
    patsy = pytest.importorskip("patsy")
    month, knots = np.linspace(0.0, 20.0, 60), [0.0, 4.0, 9.0, 20.0]
    ours = np.column_stack([np.ones(60), natural_basis(month, knots)])
    theirs = np.asarray(
        patsy.dmatrix(
            "cr(x, knots=inner, lower_bound=0, upper_bound=20) - 1", {"x": month, "inner": knots[1:-1]}
        )
    )
    left = theirs - ours @ np.linalg.lstsq(ours, theirs, rcond=None)[0]
    np.testing.assert_allclose(left, 0.0, atol=1e-9)


def test_the_spline_view_agrees_with_the_truth_near_maturity(drawn):
    curve = regrowth.by_zone(drawn[0])
    assert_keeps_the_contract(curve)
    truth = _truth()
    for zone in ("hairline", "frontal", "crown"):
        row = _row(curve.table(), "yield", zone)
        true = truth.zones[zone]
        _is_near(row, true.plateau_yield * float(simulate.emerged(row["x"] / true.half_month, true.shape)))


def test_unknown_choices_are_refused_in_words(drawn, plateaus):
    with pytest.raises(ParameterError, match="use one of log-logistic"):
        regrowth.fit_emergence(drawn[0], curve="straight")
    with pytest.raises(ParameterError, match="no column of patients"):
        regrowth.fit_emergence(drawn[0], case_mix=("weather",))
    with pytest.raises(ParameterError, match="not in this fit"):
        regrowth.share_below(plateaus, "eyebrow")
    with pytest.raises(ParameterError, match="not above 0"):
        regrowth.shares(plateaus, [12.0], 0.0)


def test_counts_in_the_region_are_drawn_towards_the_zone_average_by_their_reliability(small_register):
    """Zone average CV 0.2, count CV 0.06: the count keeps 0.04 / (0.04 + 0.0036) of its distance."""
    rows, error = small_register
    known = 40.0 * error.zone_ratio
    share = error.zone_cv**2 / (error.zone_cv**2 + error.region_cv**2)
    assert rows["planted"].iloc[0] == pytest.approx(known + share * (50.0 - known))


@pytest.fixture
def small_register():
    from analytics import yields

    tables, _ = simulate.register(40, truth=_truth(planted_counted=0.3), seed=9)
    records = simulate.as_records(tables)
    placements = records.placements.copy()
    first = placements.index[0]
    placements.loc[first, ["roi_planted_hairs_cm2", "hairs", "area_cm2"]] = [50.0, 400.0, 10.0]
    records = replace(records, placements=placements)
    visits = yields.by_visit(records)
    wanted = placements.loc[first, "placement_id"]
    rows = regrowth_rows.prepare(visits, records).frame
    return rows[rows["placement_id"].eq(wanted)], yields.planted_error(records)
