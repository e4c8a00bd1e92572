"""What the model of a study leaves over: by hand, against V written out, and a patient planted far off."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analytics import regrowth, study
from analytics.numerics.diagnostics import among_simulated
from analytics.numerics.nonlinear import errors
from analytics.study import answer as study_answer
from analytics.study.effects import arrays, fitted, of_plan, parts_of
from analytics.study.robustness import leftover

PLAN_FILE = Path(__file__).parents[1] / "data_demo" / "study_out_of_body.toml"


@pytest.fixture(scope="module")
def answered(demo):
    plan = study.read(PLAN_FILE)
    return plan, study_answer.answer(demo, plan, plan.primary)


def test_observed_less_expected_of_a_zone_is_the_mean_with_its_error_by_patient():
    # Gaps of 3 and 0 in one patient, 4 and -2 in another, 5 in a third: sums 3, 2 and 5, mean 10 / 5.
    frame = pd.DataFrame(
        {"patient_id": ["a", "a", "b", "b", "c"], "zone": "crown", "month": [8.9, 9.0, 12.0, 24.0, 30.0]}
    )
    told = regrowth.observed(
        frame, np.array([13.0, 20, 34, 38, 55]), np.array([10.0, 20, 30, 40, 50]), month="month"
    )
    zone = told[told["by"].eq("zone")].iloc[0]
    assert zone["observed"] - zone["expected"] == pytest.approx(2.0)
    assert zone["se"] == pytest.approx(np.sqrt(9 + 4 + 25) / 5)
    assert (zone["n_rows"], zone["n_patients"]) == (5, 3)
    months = told[told["by"].eq("month")].set_index("group")["n_rows"]
    assert months.to_dict() == {
        "from 0 to under 9 months": 1,
        "from 9 to under 12 months": 1,
        "from 12 to under 15 months": 1,
        "from 24 months": 2,
    }


def test_quantiles_are_those_of_residuals_made_independent_by_the_covariance_written_out(answered):
    plan, found = answered
    told = leftover(found, plan)
    y, variance, patient = arrays(found.units)
    X = of_plan(found.units, found.given, plan).X
    fit = fitted(y, X, patient, variance)
    order = np.argsort(patient, kind="stable")
    same = patient[order][:, None] == patient[order]
    V = np.diag((fit.sigma**2 + variance)[order]) + float(fit.covariances[0][0, 0]) * same
    z = np.linalg.solve(np.linalg.cholesky(V), (y - X @ fit.beta)[order])
    shown = told.path[told.path["part"].eq("residuals") & told.path["term"].eq("observed")]
    assert shown["estimate"].to_numpy() == pytest.approx(
        np.quantile(z, np.linspace(0.05, 0.95, 37)), abs=1e-8
    )
    assert stats.norm.cdf(told.path["x"]).min() == pytest.approx(0.05)
    assert stats.norm.cdf(told.path["x"]).max() == pytest.approx(0.95)
    assert "patient_id" not in told.path


def test_a_patient_planted_far_off_is_counted_and_nobody_else(answered):
    plan, found = answered
    plain = leftover(found, plan)
    who = found.units["patient_id"].value_counts().index[0]
    units = found.given.units.copy()
    own = units["patient_id"].eq(who)
    units.loc[own, "y"] = units.loc[own, "y"] + np.where(np.arange(own.sum()) % 2, 160.0, -160.0)
    moved = study_answer.of_sample(replace(found.given, units=units), plan, found.analysis)
    told = leftover(moved, plan)
    assert plain.table()["numerator"].iloc[0] == 0
    assert told.table()["numerator"].iloc[0] == 1
    assert not told.checks["no_patient_further_off_than_chance_allows"]


def test_few_units_give_no_quantiles_and_an_answer_of_another_kind_says_why(answered, demo):
    plan, _ = answered
    assert regrowth.leftover_quantiles({"residuals": np.arange(19.0)}, 19).empty
    other = next(a for a in plan.analysis if a.outcome.kind == "complication")
    told = leftover(study_answer.answer(demo, plan, other), plan)
    assert "made for numbers" in told.table()["flag"].iloc[0]


# The growth model, by the same engine


def test_residuals_of_groups_are_made_independent_by_the_covariance_written_out():
    """Sum of squares of a group: r' V^-1 r with V = Z Psi Z' + R written out; independence: L' V L = I."""
    rng = np.random.default_rng(3)
    groups = np.repeat(np.arange(5), [1, 3, 4, 2, 6])
    inner = np.arange(16) // 2
    residual, X, z = rng.standard_normal(16), rng.standard_normal((16, 2)), rng.standard_normal((16, 1))
    variance, outer_psi, inner_psi = rng.uniform(1, 2, 16), np.array([[2.0]]), np.array([[0.7]])
    inner = inner + 100 * groups
    blocks = [(groups, z, outer_psi, "full"), (inner, np.ones((16, 1)), inner_psi, "full")]
    told = errors(residual, X, blocks, variance, groups=groups).independent
    for g in range(5):
        own = groups == g
        V = np.diag(variance[own]) + 2.0 * z[own] @ z[own].T
        V += 0.7 * (inner[own][:, None] == inner[own])
        expected = residual[own] @ np.linalg.solve(V, residual[own])
        assert (told[own] ** 2).sum() == pytest.approx(expected)


def test_a_patient_whose_counts_no_curve_explains_is_counted_on_the_audit(demo, fit):
    plain = regrowth.leftover(demo, fit=fit)
    row = plain.table().query("part == 'as simulated'").iloc[0]
    assert row["p_value"] > 0.05
    assert plain.checks["distributed_as_simulated"]
    assert set(plain.path["part"]) == {"residuals", "patients", "gains as simulated"}
    assert plain.table()["numerator"].iloc[0] == 0
    months = plain.table()[plain.table()["part"].str.endswith("by month")]
    assert (months["ci_low"] < 0).all()
    assert (months["ci_high"] > 0).all()
    counts = demo.measurements.copy()
    who = counts.loc[counts["region_kind"].eq("planted"), "patient_id"].value_counts().index[0]
    own = counts["patient_id"].eq(who) & counts["month"].gt(0)
    counts.loc[own, "density_hairs_cm2"] = np.where(np.arange(own.sum()) % 2, 300.0, 5.0)
    odd = replace(demo, measurements=counts)
    told = regrowth.leftover(odd, fit=regrowth.fit_emergence(odd))
    assert told.table()["numerator"].iloc[0] == 1
    assert not told.checks["no_patient_further_off_than_chance_allows"]


# Simulated from the fitted model


def test_places_among_simulated_values_are_uniform_by_kolmogorov_where_the_model_holds_and_else_not():
    """Dunn & Smyth 1996: uniform whatever the distribution; scipy's one-sample test as the judge."""
    rng = np.random.default_rng(5)
    skewed = 4 * rng.gamma(2.0, size=(200, 300))
    told = among_simulated(np.round(skewed[0]), skewed[1:], step=1.0)
    assert stats.kstest(stats.norm.cdf(told.residual), "uniform").pvalue > 0.05
    assert told.p_value > 0.05
    other = among_simulated(np.round(rng.normal(8.0, 5.6, size=300)), skewed[1:], step=1.0)
    assert stats.kstest(stats.norm.cdf(other.residual), "uniform").pvalue < 0.01
    assert other.p_value <= 0.01


def test_the_test_of_the_shape_holds_its_size_with_patients_and_a_fit_and_finds_grafts_that_failed():
    """60 registers of 40 patients by 2, patient effect and six coefficients fitted: 5 % by chance."""
    rng = np.random.default_rng(6)
    patient, n = np.repeat(np.arange(40), 2), 80
    found = {"none": [], "failed": []}
    for seed in range(60):
        X = np.column_stack([np.ones(n), rng.standard_normal((n, 5))])
        y = 80 + 10 * rng.standard_normal(40)[patient] + 12 * rng.standard_normal(n)
        for kind, loss in (("none", 0.0), ("failed", 60.0 * (rng.random(n) < 0.08))):
            parts = parts_of(fitted(y - loss, X, patient, None), y - loss, X, None)
            simulated = parts.simulated(X, patient, 99, seed=seed)
            found[kind].append(among_simulated(y - loss, simulated, seed=seed).p_value <= 0.05)
    assert sum(found["none"]) <= 7  # 1 in 100 by chance at 5 %
    assert sum(found["failed"]) >= 30


def test_a_study_says_how_far_outcomes_depart_from_simulated_ones(answered):
    plan, found = answered
    row = leftover(found, plan).table().query("part == 'as simulated'").iloc[0]
    assert row["n_rows"] == len(found.units)
    assert 0 < row["estimate"] < 15
