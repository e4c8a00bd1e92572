"""The research bench against statsmodels, lifelines and pandas, on the invented clinic.

statsmodels MixedLM maximises the same REML likelihood with known variances of zero; with known variances the
independent fit is a direct maximisation of the same likelihood by scipy, written here.
"""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import records_small
import statsmodels.formula.api as smf
from lifelines import WeibullAFTFitter
from matplotlib.figure import Figure
from scipy import optimize, stats

import analytics
from analytics import bench, records, results, yields
from analytics.dictionary import Column
from analytics.errors import ParameterError
from analytics.numerics import diagnostics, mixed
from analytics.pages.figures import show


@pytest.fixture(scope="module")
def units(demo):
    return bench.units(demo)


def test_units_hold_every_planted_zone_once_with_its_reason_and_plain_types(demo, units):
    frame = units.frame
    assert len(frame) == len(demo.placements)
    assert frame["reason"].eq("").sum() == frame["yield_pct"].notna().sum() == len(units.analysed)
    assert set(map(str, frame.dtypes)) <= {"object", "float64", "int64"}
    assert frame["smoker"].dropna().isin([0.0, 1.0]).all()
    whole = yields.one_reading(yields.by_visit(demo))
    same = whole.merge(units.analysed, on="placement_id", suffixes=("_w", ""))
    assert len(same) == len(units.analysed)
    assert units.codebook().set_index("column").loc["yield_pct", "unit"] == "% of planted hairs"
    assert units.left_out()["n_rows"].sum() == len(frame) - len(units.analysed)


def test_units_are_written_for_other_programs(units, tmp_path):
    again = pd.read_csv(units.to_csv(tmp_path / "units.csv"), dtype={"patient_id": str})
    assert np.allclose(again["yield_pct"], units.frame["yield_pct"], equal_nan=True)
    assert (tmp_path / "units_codebook.csv").exists()
    assert len(pd.read_parquet(units.to_parquet(tmp_path / "units.parquet"))) == len(again)


def _direct(model) -> np.ndarray:
    """Return REML coefficients with known variances by plain maximisation: dense, patient by patient."""
    groups = diagnostics.by_group(model.patient)

    def parts(log):
        between, own = np.exp(log)
        xx, xy, yy, det = np.zeros((model.X.shape[1],) * 2), np.zeros(model.X.shape[1]), 0.0, 0.0
        for g in groups:
            v = np.diag(own + model.variance[g]) + between
            inverse = np.linalg.inv(v)
            xx += model.X[g].T @ inverse @ model.X[g]
            xy += model.X[g].T @ inverse @ model.y[g]
            yy += model.y[g] @ inverse @ model.y[g]
            det += np.linalg.slogdet(v)[1]
        return xx, xy, yy, det

    def deviance(log):
        xx, xy, yy, det = parts(log)
        return det + np.linalg.slogdet(xx)[1] + yy - xy @ np.linalg.solve(xx, xy)

    best = optimize.minimize(
        deviance,
        np.log([50.0, 50.0]),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000},
    )
    xx, xy, _, _ = parts(best.x)
    return np.linalg.solve(xx, xy)


def test_a_formula_with_known_variances_equals_a_plain_maximisation(units):
    model = bench.model("yield_pct ~ zone + smoker + age_years", units)
    assert np.allclose(model.tidy()["estimate"], _direct(model), atol=2e-3)


def test_without_known_variances_it_equals_statsmodels(units):
    frame = units.analysed.drop(columns="yield_variance").dropna(subset=["smoker"])
    ours = bench.model("yield_pct ~ zone + smoker", frame).tidy().set_index("term")
    theirs = smf.mixedlm("yield_pct ~ zone + smoker", frame, groups=frame["patient_id"]).fit(reml=True)
    assert np.allclose(ours["estimate"], theirs.fe_params.to_numpy(), atol=1e-2)


def test_contrasts_means_and_tests_agree_with_one_another(units):
    model = bench.model("yield_pct ~ C(zone) + method", units)
    told = model.contrast("C(zone)[T.frontal] - C(zone)[T.hairline]").iloc[0]
    means = model.means("zone").set_index("zone")["estimate"]
    assert told["estimate"] == pytest.approx(means["frontal"] - means["hairline"])
    by_weight = model.contrast({"C(zone)[T.frontal]": 1.0, "C(zone)[T.hairline]": -1.0}).iloc[0]
    assert by_weight["std_error"] == pytest.approx(told["std_error"])
    one = bench.model("yield_pct ~ smoker", units)
    t = one.tidy().iloc[1]
    assert one.test("smoker")["f"] == pytest.approx(t["statistic"] ** 2, rel=1e-6)
    assert one.test("smoker")["p_value"] == pytest.approx(t["p_value"], rel=1e-6)
    with pytest.raises(ParameterError, match="no term"):
        one.test("zone")


def test_one_unit_per_patient_is_least_squares_by_patient(units):
    first = units.analysed.drop_duplicates("patient_id").reset_index(drop=True)
    model = bench.model("yield_pct ~ smoker", first)
    assert model.mixed_fit is None
    theirs = smf.ols("yield_pct ~ smoker", first).fit()
    assert np.allclose(model.tidy()["estimate"], theirs.params)
    assert np.allclose(model.tidy()["std_error"], theirs.get_robustcov_results("HC2").bse, rtol=1e-6)


def test_what_the_set_cannot_tell_is_named_and_not_estimated(units):
    model = bench.model("yield_pct ~ zone * method", units)
    empty = units.analysed.groupby(["zone", "method"]).size().unstack().isna().any(axis=1)
    assert model.not_estimated
    means = model.means("zone").set_index("zone")["estimate"]
    assert means.isna().sum() >= 1
    assert not means[~empty].isna().any()


def test_a_contrast_takes_terms_as_they_are_printed(units):
    model = bench.model("yield_pct ~ zone * smoker + bs(age_years, df=4)", units)
    tidy = model.tidy().set_index("term")["estimate"]
    long = [t for t in tidy.index if ":" in t or "(" in t]
    for term in long:
        assert model.contrast(f"{term} - smoker").iloc[0]["estimate"] == pytest.approx(
            tidy[term] - tidy["smoker"]
        )
    assert any(":" in t for t in long)
    assert any("bs(" in t for t in long)


@pytest.mark.long
def test_ten_questions_of_ones_own_equal_independent_fits():
    """Statsmodels GLS with scipy, lifelines, curve_fit: the script names tolerance and source of each."""
    script = Path(__file__).parent / "bench" / "ten_questions.py"
    ran = subprocess.run([sys.executable, script], check=False, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stdout + ran.stderr


def test_a_model_is_drawn_in_axes_of_ones_own_and_says_what_cannot_be_told(units):
    axes = Figure().subplots()
    model = bench.model("yield_pct ~ zone * method + out_of_body_min", units)
    assert model.plot("method", ax=axes) is axes
    said = f"{len(model.frame)} planted zones of {model.frame['patient_id'].nunique()} patients"
    assert axes.get_xlabel().startswith("adjusted mean of yield_pct (% of planted hairs) by method\n95 %")
    assert said in axes.get_xlabel()
    assert "combined (n = 1) (cannot be told)" in [t.get_text() for t in axes.get_yticklabels()]
    with pytest.raises(ParameterError, match="has no surgeon_id"):
        model.means("surgeon_id")


def test_the_mean_over_a_number_is_a_curve_and_equals_the_line_of_a_straight_term(units):
    model = bench.model("yield_pct ~ zone + out_of_body_min", units)
    curve = model.means("out_of_body_min")
    assert curve["out_of_body_min"].iloc[[0, -1]].tolist() == [
        model.frame["out_of_body_min"].min(), model.frame["out_of_body_min"].max()
    ]  # fmt: skip
    slope = np.polyfit(curve["out_of_body_min"], curve["estimate"], 1)[0]
    assert slope == pytest.approx(model.tidy().set_index("term").loc["out_of_body_min", "estimate"])
    (line,) = model.plot("out_of_body_min", ax=Figure().subplots()).lines
    assert np.allclose(line.get_ydata(), curve["estimate"])


def test_draw_takes_models_and_times_and_says_what_else_has_a_picture(demo, units):
    axes = Figure().subplots()
    made = bench.times("50 % ~ zone + zone:smoker", demo)
    assert analytics.draw(made, axes) is axes
    dots = next(line for line in axes.lines if line.get_marker() == "s")
    assert np.allclose(dots.get_xdata(), made.tidy()["time_ratio"])
    assert axes.get_xscale() == "log"
    yes_no = bench.model("yield_pct ~ smoker", units).plot("smoker", ax=Figure().subplots())
    assert [t.get_text().split()[0] for t in yes_no.get_yticklabels()] == ["no", "yes"]
    model = bench.model("yield_pct ~ zone", units)
    assert len(analytics.draw(model, Figure().subplots()).get_yticks()) == len(model.terms) - 1
    for thing in (demo, units, units.frame):
        with pytest.raises(ParameterError, match=f"{type(thing).__name__} has no picture; drawn are results"):
            analytics.draw(thing)


def test_draw_shows_a_result_in_a_notebook_and_nowhere_else(demo, monkeypatch):
    result, shown = yields.average(demo), []
    monkeypatch.setattr(show, "display", shown.append)
    analytics.draw(result)
    assert not shown
    monkeypatch.setattr(show, "get_ipython", lambda: "a notebook")
    analytics.draw(result)
    assert "<svg" in shown[0].data
    assert result.method.split(";")[0] in shown[0].data  # its words for who cannot see it
    axes = Figure().subplots()
    assert analytics.draw(result, axes) is axes
    assert len(shown) == 1


@pytest.mark.parametrize(
    ("formula", "said"),
    [
        ("yield_pct ~ zoen", "no column zoen"),
        ("yield_pct zone", "outcome ~ terms"),
        ("yield_pct ~ zone +", "not understood"),
    ],
)
def test_a_formula_that_is_wrong_is_refused_in_words(units, formula, said):
    with pytest.raises(ParameterError, match=said):
        bench.model(formula, units)


def test_times_equal_lifelines_on_the_same_intervals(demo):
    made = bench.times("50 % ~ smoker", demo, family="weibull")
    frame = made.frame[["left", "right", "smoker"]].assign(left=made.frame["left"].clip(lower=1e-9))
    theirs = WeibullAFTFitter().fit_interval_censoring(frame, "left", "right", formula="smoker")
    ours = made.tidy().iloc[0]
    assert ours["estimate"] == pytest.approx(theirs.params_["lambda_"]["smoker"], abs=2e-3)
    assert ours["time_ratio"] == pytest.approx(np.exp(ours["estimate"]))


def test_a_planted_patient_is_found_by_the_influence_flag(units):
    frame = units.analysed
    crown = frame[frame["zone"].eq("crown")].head(3)
    odd = frame.copy()
    odd.loc[odd["patient_id"].eq(crown["patient_id"].iloc[0]) & odd["zone"].eq("crown"), "yield_pct"] -= 150
    told = bench.model("yield_pct ~ zone", odd).diagnose()
    worst = told.patients.sort_values("cook").iloc[-1]
    assert worst["patient_id"] == crown["patient_id"].iloc[0]
    assert any("coefficient moves" in flag for flag in told.flags)
    calm = bench.model("yield_pct ~ zone", frame).diagnose()
    assert not any("further from the model" in flag for flag in calm.flags)
    assert stats.kstest(calm.rows["pit"], "uniform").pvalue > 0.001


def test_results_records_and_answers_say_themselves_shortly(demo):
    answer = yields.average(demo, by="method")
    assert answer.by == ("method",)
    smokers = yields.average(demo, by="smoker")
    assert set(smokers.table()["smoker"].dropna()) == {True, False}
    assert all(f"<td>{said}</td>" in smokers._repr_html_() for said in ("yes", "no", "not recorded"))
    for thing in (demo, answer, bench.model("yield_pct ~ zone", demo), bench.times("50 % ~ zone", demo)):
        assert len(repr(thing)) < 300
        assert "<" in thing._repr_html_()
    assert "without an answer" in repr(results.unanswered(results.Gap("No crown was counted.")))


def test_the_package_offers_the_bench_by_name():
    assert analytics.model is bench.model
    assert {"model", "times", "units", "records", "draw"} <= set(dir(analytics))
    # A room's completion: what it hands on, and neither its files, its constants nor its imports.
    assert {"average", "by_visit", "Choices"} <= set(dir(analytics.yields))
    assert not {"rows", "means", "USES", "__file__"} & set(dir(analytics.yields))
    assert "load" in dir(analytics.records)


OWN = """
[[variable]]
table = "patients"
name = "body_mass_index"
type = "number"
unit = "kg/m2"
low = 12
high = 70
meaning = "body mass index at the first session"

[[variable]]
table = "sessions"
name = "assistant_side"
type = "choice"
levels = ["left", "right"]
meaning = "side at which the assistant stood"
"""


def _with_own(tmp_path, **cells):
    register = records_small.small()
    for i, row in enumerate(register["patients"]):
        row["body_mass_index"] = cells.get("bmi", str(22 + i))
    for row in register["sessions"]:
        row["assistant_side"] = cells.get("side", "left")
    place = records_small.save(register, tmp_path / "register")
    (place / "variables.toml").write_text(OWN, encoding="utf-8")
    return place


def test_a_column_of_the_clinics_own_is_read_checked_and_reaches_formulas(tmp_path):
    read = records.load(_with_own(tmp_path))
    assert read.patients["body_mass_index"].tolist() == [22, 23, 24]
    assert read.sessions["assistant_side"].dtype == "string"
    assert "body_mass_index" in bench.units(read).frame
    found = records.check(_with_own(tmp_path, bmi="700", side="behind"))
    assert {p.column for p in found.problems} == {"body_mass_index", "assistant_side"}
    again = records.load(records.write(read, tmp_path / "again"))
    assert again.patients.equals(read.patients)
    assert again.own == read.own


def test_words_of_ones_own_stand_in_the_order_declared_the_first_as_reference(units):
    rng = np.random.default_rng(1)
    words = ("under 25", "25 to 30", "over 30")
    own = Column("band", "choice", "an invented band", allowed=words)
    frame = units.frame.assign(band=rng.choice(words, len(units.frame)))
    fitted = bench.model("yield_pct ~ band + zone", replace(units, frame=frame, own=(own,)))
    assert fitted.means("band")["band"].tolist() == list(words)
    assert [t for t in fitted.terms if "band" in t] == ["band[T.25 to 30]", "band[T.over 30]"]


def test_every_fault_of_a_declaration_is_told(tmp_path):
    place = _with_own(tmp_path)
    (place / "variables.toml").write_text(
        '[[variable]]\ntable = "people"\nname = "Zone"\ntype = "date"\n', encoding="utf-8"
    )
    with pytest.raises(ParameterError) as told:
        records.load(place)
    for part in ("table is one of", "name is of small letters", "type is one of", "meaning"):
        assert part in str(told.value)


def test_leaving_out_what_carries_a_term_alone_is_no_error(units):
    frame = units.analysed
    alone = frame["patient_id"].eq(frame["patient_id"].iloc[0])
    told = bench.model("yield_pct ~ mark", frame.assign(mark=alone.astype(float))).diagnose()
    lost = told.patients.set_index("patient_id")["moves"].isna()
    assert lost[lost].index.tolist() == [frame["patient_id"].iloc[0]]
    assert any("carry a term alone" in flag for flag in told.flags)


def test_a_crossed_factor_is_fitted_with_the_patient_and_said_to_be_linked_or_not(units):
    frame = units.analysed
    shared = frame.assign(surgeon=np.where(np.arange(len(frame)) % 3 == 0, "a", "b"))
    found = bench.model("yield_pct ~ zone", shared, crossed="surgeon")
    own = mixed.fit(
        found.y, found.X, [(found.patient, np.ones((len(found.y), 1)))], known_variance=found.variance,
        crossed=[found.frame["surgeon"].to_numpy(dtype=str)],
    )  # fmt: skip
    told = found.tidy()
    assert np.allclose(told["estimate"], own.beta)
    assert np.allclose(told["df"], own.beta_df)
    spread = found.variances().set_index("component")
    assert list(spread.index) == ["patient_id", "surgeon", "residual"]
    assert spread["conf_low"].iloc[1] <= spread["variance"].iloc[1] <= spread["conf_high"].iloc[1]
    assert list(found.effects()["surgeon"]) == ["a", "b"]
    whole = bench.model("yield_pct ~ zone", units, crossed="surgeon_id")
    assert whole.variances()["is_zero"].tolist() == [False, True, False]
    assert whole.effects()["std_error"].isna().all()
    assert "share no patient" not in " ".join(found.notes)
    assert "2 groups tell little" in " ".join(found.notes)
    half = np.where(pd.factorize(frame["patient_id"])[0] % 2, "a", "b")
    apart = bench.model("yield_pct ~ zone", frame.assign(surgeon=half), crossed="surgeon")
    assert "fall into 2 parts that share no patient" in " ".join(apart.notes)
    for wrong, why in (("nobody", "crossed names a column"), ("patient_id", "other than patient_id")):
        with pytest.raises(ParameterError, match=why):
            bench.model("yield_pct ~ zone", frame, crossed=wrong)
    with pytest.raises(ParameterError, match="has 1 groups in the set"):
        bench.model("yield_pct ~ zone", frame.assign(one="x"), crossed="one")
    with pytest.raises(ParameterError, match="without crossed"):
        found.diagnose()
    with pytest.raises(ParameterError, match="crossed factor"):
        bench.model("yield_pct ~ zone", units).variances()
