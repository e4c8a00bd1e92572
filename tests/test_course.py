"""One case among its practice: centiles, standing, forecast, call-back, backtest."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
import scoringrules
import statsmodels.api as sm
from scipy import special, stats
from test_results import assert_keeps_the_contract

from analytics import course, measurement, records, regrowth, simulate
from analytics.course.backtest import closed_form_crps, scored
from analytics.course.standing import below, centile, state_of
from analytics.errors import FitError, ParameterError
from analytics.numerics.proportions import proportion
from analytics.pages import case as words
from analytics.regrowth.quantities import parameters


@pytest.fixture(scope="module")
def listed(demo, plateaus):
    return course.call_back(demo, plateaus=plateaus)


def test_a_centile_and_the_share_below_it_are_inverse(plateaus):
    for zone in plateaus.fit.zones:
        months = np.array([3.0, 6.0, 12.0])
        for percent in (5, 50, 95):
            at = centile(plateaus, zone, months, percent, 8.0)
            np.testing.assert_allclose(below(plateaus, zone, months, at, 8.0), percent / 100, atol=1e-6)


def test_the_spread_of_true_yields_is_the_one_that_cases_drawn_from_the_model_have(plateaus):
    """Monte Carlo of 200,000 cases against the sum over cells, at month 6 of the crown."""
    from analytics.numerics.nonlinear import curves

    fit = plateaus.fit
    _, log_half, log_k = (v[fit.zone_index("crown")] for v in parameters(fit, fit.beta))
    plateau, tempo = regrowth.drawn(plateaus, "crown", 200_000, np.random.default_rng(3))
    truth = plateau * curves.share(fit.curve, 6.0 * np.exp(-log_half - tempo), log_k)[0]
    for percent in (5, 50, 95):
        assert centile(plateaus, "crown", [6.0], percent)[0] == pytest.approx(
            np.percentile(truth, percent), abs=0.6
        )


def test_the_deviation_of_cases_is_standard_normal_over_the_practice(listed):
    z = listed.extra["standings"]["z"].dropna()
    assert abs(z.mean()) < 0.15
    assert 0.85 < z.std() < 1.2


def test_the_planted_failure_of_the_demo_is_on_the_call_back_list(listed):
    """The invented clinic holds one patient whose hairline hardly grew (data_demo/README.md)."""
    assert_keeps_the_contract(listed)
    named = listed.extra["behind"]
    assert ("0108", "hairline") in set(zip(named["patient_id"], named["zone"], strict=True))


def test_a_case_keeps_the_contract_and_its_limits_are_nested(demo, plateaus):
    result = course.case(demo, "0108", plateaus=plateaus)
    assert_keeps_the_contract(result)
    limits = result.extra["limits"]
    assert (limits["low_95"] < limits["low_80"]).all()
    assert (limits["low_80"] < limits["low_50"]).all()
    shares = result.extra["split"].groupby(["place", "x"])["share"].sum()
    np.testing.assert_allclose(shares, 100.0, atol=1e-6)


def test_every_interval_of_a_case_is_of_the_level_asked_for(demo, plateaus):
    """Half of the forecast lies inside its 50 % limits; quantiles of the normal for a reading, any table."""
    half, most = (course.case(demo, "0108", plateaus=plateaus, level=level) for level in (0.5, 0.95))
    for result, quantile in ((half, 0.67449), (most, 1.95996)):
        rows = result.table().query("term == 'reading'")
        np.testing.assert_allclose((rows["ci_high"] - rows["estimate"]) / rows["se"], quantile, rtol=1e-4)
    for term in ("predicted yield", "predicted density", "true yield"):
        narrow, wide = (
            r.table().loc[lambda t, term=term: t["term"].eq(term)].set_index(["place", "x"])
            for r in (half, most)
        )
        assert (narrow["ci_low"] > wide["ci_low"]).all()
        assert (narrow["ci_high"] < wide["ci_high"]).all()
        assert (narrow["ci_low"] < narrow["ci_high"]).all()
    ahead = half.table().query("term == 'predicted density'")
    places = list(zip(ahead["place"], ahead["x"], strict=True))
    limits = half.extra["limits"].set_index(["place", "x"]).loc[places]
    np.testing.assert_allclose(ahead["ci_low"], limits["density_low_50"])
    assert (half.path["ci_high"] - half.path["ci_low"] < most.path["ci_high"] - most.path["ci_low"]).all()
    assert half.table()["level"].eq(0.5).all()
    assert half.path["level"].eq(0.5).all()


def test_every_patient_of_the_demo_gets_words_or_numbers_never_a_traceback(demo, plateaus):
    for patient in demo.patients["patient_id"].iloc[:3]:
        result = course.case(demo, str(patient), plateaus=plateaus)
        assert words.in_short(result)
        assert len(words.in_words(result)) or result.table()["flag"].iloc[0]


def test_a_reading_beyond_the_months_followed_gets_words_and_no_chance(demo, plateaus):
    counts = demo.measurements.copy()
    late = counts["patient_id"].eq("0108") & counts["month"].gt(12)
    counts.loc[late, "month"] += 48
    result = course.case(dataclasses.replace(demo, measurements=counts), "0108", plateaus=plateaus)
    said = words.in_words(result).set_index("place")["sentence"]
    assert "too few of our cases were counted this late" in said["Frontal, session 1"]
    chances = result.table().query("place == 'frontal, session 1' and term.str.startswith('chance')")
    assert chances["estimate"].isna().all()


@pytest.mark.parametrize(
    ("ask", "says"),
    [
        (lambda r, f: course.false_alarms(r, plateaus=f, n=0), "expected 1 case or more"),
        (lambda r, f: course.backtest(r, quarters=0), "expected 1 to 12"),
        (lambda r, f: course.call_back(r, plateaus=f, error_rate=2), "expected 0.01 to 0.5"),
    ],
)
def test_settings_out_of_range_are_refused_in_words(demo, plateaus, ask, says):
    with pytest.raises(ParameterError, match=says):
        ask(demo, plateaus)


def test_an_unknown_patient_is_refused_without_the_code(demo, plateaus):
    with pytest.raises(ParameterError, match="no patient has this code") as refused:
        course.case(demo, "nobody", plateaus=plateaus)
    assert "nobody" not in str(refused.value)


@pytest.mark.parametrize(
    ("z", "told", "usual", "low", "state"),
    [
        (-1.65, 0.5, 0.6, 0.0, "behind"),  # 1.645: the normal's 5 % point, any table
        (-1.64, 0.5, 0.6, 0.0, "not low"),
        (-1.64, 0.5, 0.6, 0.06, "cannot tell"),
        (1.65, 0.5, 0.6, 0.0, "ahead"),
        (-3.0, 0.19, 0.5, 0.0, "cannot tell"),
        (0.0, 0.5, 0.91, 0.0, "usual"),
        (0.0, 0.5, 0.89, 0.06, "cannot tell"),
        (-3.0, 0.1, 0.2, 0.96, "low"),
    ],
)
def test_the_rule_of_standing_is_the_one_stated(z, told, usual, low, state):
    assert state_of(z, told, usual=usual, low=low) == state


def test_a_forecast_of_yield_is_what_would_be_read_from_the_forecast_count(demo, fit, plateaus):
    """The definition of a reading's yield, worked again from the register's own rows."""
    result = course.case(demo, "0108", plateaus=plateaus)
    rows = regrowth.rows_for(demo, fit).frame.query("patient_id == '0108'")
    for _, place in result.extra["limits"].groupby("place"):
        zone, number = place["place"].iloc[0].split(", session ")
        own = rows[rows["group"].eq(zone) & rows["session_number"].eq(int(number))].iloc[-1]
        at = place[np.isclose(place["x"], own["month"])]
        expected = (at["density"] - own["kept"] * own["baseline_density"]) / own["planted_hairs_cm2"]
        np.testing.assert_allclose(at["yield_pct"], 100 * expected, rtol=1e-9)


def test_a_crown_at_six_months_stands_where_a_front_stood_earlier(demo, fit):
    row = course.front_month(demo, fit=fit).table().iloc[0]
    assert row["ci_low"] < row["estimate"] < row["ci_high"] < 6.0


def test_the_closed_form_score_is_the_librarys():
    """scoringrules (registry package) computes the same normal CRPS."""
    rng = np.random.default_rng(5)
    y, mean, sd = rng.normal(size=50), rng.normal(size=50), rng.uniform(0.5, 3, size=50)
    np.testing.assert_allclose(
        closed_form_crps(y, mean, sd), scoringrules.crps_normal(y, mean, sd), rtol=1e-10
    )


@pytest.mark.slow
def test_past_forecasts_of_the_demo_hold_and_beat_both_rivals(demo):
    table = course.backtest(demo, quarters=2).table().query("zone == 'all zones'").set_index("term")
    assert table.loc["95 % limits held", "ci_high"] >= 93.0
    assert table.loc["skill over the practice mean", "ci_low"] > 0
    assert table.loc["skill over the last reading", "ci_low"] > 0


def test_counts_predicted_twice_do_not_make_past_forecasts_look_surer():
    """The patient as the unit: by statsmodels' cluster-robust variance, on the logit scale with t."""
    rng = np.random.default_rng(5)
    n, common = 300, rng.normal(size=60)
    who = rng.integers(60, size=n)
    pit = stats.norm.cdf(0.6 * common[who] + 0.8 * rng.normal(size=n))
    cases = pd.DataFrame({"patient_id": who, "pit": pit, "crps": 1.0, "observed": 1.0})
    cases = cases.assign(mean_rival=0.0, mean_rival_sd=1.0, last_rival=0.0, last_rival_sd=1.0)
    once, twice = (
        scored(rows, "all zones", 0.95).set_index("term").loc["80 % limits held"]
        for rows in (cases, pd.concat([cases, cases]))
    )
    held = np.abs(pit - 0.5) <= 0.4
    fit = sm.OLS(held.astype(float), np.ones(n)).fit(cov_type="cluster", cov_kwds={"groups": who})
    p, m = fit.params[0], len(np.unique(who))
    half = stats.t.ppf(0.975, m - 1) * fit.bse[0] / (p * (1 - p))
    expected = 100 * special.expit(special.logit(p) + np.array([-half, half]))
    np.testing.assert_allclose([once["ci_low"], once["ci_high"]], expected, rtol=1e-6)
    np.testing.assert_allclose([twice["ci_low"], twice["ci_high"]], expected, rtol=1e-6)
    wilson = proportion(held.sum(), n)
    assert once["ci_high"] - once["ci_low"] > 100 * float(wilson.high - wilson.low)


def test_cases_of_the_practice_are_called_behind_as_often_as_the_rule_states(demo, plateaus):
    table = course.false_alarms(demo, plateaus=plateaus, zones=("crown",), n=1500).table().set_index("term")
    stated = table.loc["called behind, of this practice's cases (stated 5 %)"]
    assert stated["ci_low"] <= 5.0 <= stated["ci_high"]
    assert table.loc["called behind, of healthy cases", "estimate"] < 5.0
    assert table.loc["called behind, of the lowest tenth", "estimate"] > 20.0


def test_a_practice_that_counts_no_planted_hairs_in_the_region_is_told_its_false_alarms_too():
    """Its planted densities are those of zones, and so less sure; the 5 % that the rule states stays."""
    truth = simulate.Truth(planted_counted=0.0)
    clinic = simulate.as_records(simulate.register(80, truth=truth, seed=5)[0])
    own = regrowth.fit_plateaus(clinic, fit=regrowth.fit_emergence(clinic))
    assert set(own.fit.planted_cv) == {"zone"}
    table = course.false_alarms(clinic, plateaus=own, zones=("frontal",), n=1500).table().set_index("term")
    stated = table.loc["called behind, of this practice's cases (stated 5 %)"]
    assert stated["ci_low"] <= 5.0 <= stated["ci_high"]


def test_the_density_now_is_one_number_on_summary_and_handout(demo, plateaus):
    """The handout is made from one patient's records alone, the summary from the practice's model."""
    counted = course.own_counts(records.subset(demo, ["0108"]), patient_id="0108")
    now = counted.groupby("zone")["density"].last()
    found = course.against_usual(course.case(demo, "0108", plateaus=plateaus)).table()
    summary = found[found["term"].eq("density now")].set_index("zone")["estimate"]
    assert set(now.index) == set(summary.index)
    for zone, density in now.items():
        assert summary[zone] == pytest.approx(density)


def test_the_call_back_list_and_the_case_say_the_same_of_a_placement(demo, plateaus, listed):
    """One number per quantity: yield, its limits and the state of every placement named."""
    named = listed.extra["behind"]
    assert len(named)
    for row in named.itertuples():
        case = course.case(demo, row.patient_id, plateaus=plateaus).extra["standing"]
        own = case[case["place"].eq(f"{row.zone}, session {row.session_number}")].iloc[0]
        assert own["state"] == row.state
        for name in ("yield_now", "yield_low", "yield_high", "slow_only", "low_only"):
            assert own[name] == pytest.approx(getattr(row, name))


def test_a_mature_zone_that_is_surely_not_low_is_said_to_be_not_low(demo, plateaus):
    """It was *cannot be told yet* at month 17.6 with five counts and a chance of 0 % to be low."""
    standing = course.case(demo, "0108", plateaus=plateaus).extra["standing"].set_index("place")
    row = standing.loc["temples, session 1"]
    assert row["state"] == "not low"
    assert row["chance_low"] < 0.05
    assert row["is_mature"]


def test_a_reading_far_below_what_all_counts_say_takes_the_reassurance_away(demo, plateaus):
    """Readings of 26 and 29 % after a first count of 132, and 107 three months on: it was *not low*."""
    result = course.case(demo, "0001", plateaus=plateaus)
    row = result.extra["standing"].set_index("place").loc["frontal, session 2"]
    assert row["chance_low"] < 0.05
    assert row["reading"] + stats.norm.isf(0.025) * row["reading_se"] < row["yield_now"]
    assert row["state"] == "cannot tell"
    assert row["before_by_all"] < row["before"]
    said = words.in_words(result).set_index("place")["sentence"]["Frontal, session 2"]
    assert "far below what all counts together say" in said


def test_only_what_reassures_is_taken_away(plateaus, demo):
    """The same counts with the last reading said to be far below: low and behind stand as they were."""
    from analytics.course.standing import REASSURING, practice_bounds, standings_of

    rows = regrowth.rows_for(demo, plateaus.fit).frame
    bounds = practice_bounds(plateaus)
    before = standings_of(plateaus, rows, bounds=bounds)
    after = standings_of(plateaus, rows.assign(yield_pct=-500.0, yield_pct_se=1.0), bounds=bounds)
    judged = before["yield_now"].notna()
    assert after.loc[judged, "is_far_below"].all()
    assert not after["state"].isin(REASSURING).any()
    rest = ~before["state"].isin(REASSURING)
    pd.testing.assert_series_equal(after["state"][rest], before["state"][rest])


def test_who_a_patient_is_comes_from_that_patient_alone(demo):
    alone = course.person(records.subset(demo, ["0108"]), patient_id="0108")
    among = course.person(demo, patient_id="0108")
    pd.testing.assert_frame_equal(alone.table(), among.table())
    said = " ".join(words.who(among))
    # Patient 0108 of data_demo/patients.csv, sessions.csv and placements.csv, added up by hand.
    for phrase in ("man, aged 20 to 29", "Norwood-Hamilton II", "hair 74 µm, wavy", "FUE", "1,556 grafts"):
        assert phrase in said
    told = words.told(among).set_index("what")["sentence"]
    assert told["rating"] == "session 2, month 5.5: rated 3 of 10, would not choose it again"


def test_hair_mass_of_a_count_is_density_times_the_area_of_a_hair(demo):
    """180 hairs of 70 micrometres: 180 x pi / 4 x 0.07^2 = 0.69 mm2 a cm2, worked out by hand."""
    counts = demo.measurements.copy()
    code = counts.loc[counts["hair_calibre_um"].notna(), "patient_id"].iloc[0]
    seen = {"hair_calibre_um": 70.0, "density_hairs_cm2": 180.0, "roi_marked": False, "roi_area_cm2": 1.0}
    counts.loc[counts["patient_id"].eq(code), [*seen, "n_fields"]] = [*seen.values(), 1]
    known = dataclasses.replace(demo, measurements=counts)
    found = course.person(known, patient_id=code).extra["thickness"]
    assert len(found)
    np.testing.assert_allclose(found["cross_section_mm2_cm2"], 0.6927, atol=1e-4)
    # A count of 180 taken as 181, and twice the calibre's error; 1.96 standard errors.
    error = measurement.error_model(known)
    half = 1.96 * 0.6927 * np.hypot(np.sqrt(error.phi * 181) / 180, 2 * error.calibre_cv)
    np.testing.assert_allclose(found["ci_high"] - found["ci_low"], 2 * half, rtol=1e-3)
    # The simulator measures a calibre with a CV of 3 % (42 repeats: to a ninth).
    assert error.calibre_cv == pytest.approx(0.03, rel=0.25)


def test_a_case_of_which_no_zone_is_judged_says_why(demo, plateaus):
    with pytest.raises(FitError, match=r"no planted zone of this patient can be judged: .*non-standard"):
        course.case(demo, patient_id="0173", plateaus=plateaus)
