"""Does what was recorded go with growth? Planted effects found, absent ones not claimed; equal to plain fits.

Outside: statsmodels MixedLM and OLS on the invented clinic, scipy's t limits, means by hand, and registers
whose truth is known.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats

from analytics import bench, factors, published, regrowth, reports, results, simulate
from analytics.factors import adjusted, persons, planted_density, second_sessions
from analytics.pages import audit
from analytics.pages.audit import beside, recorded

COVARIATES = "zone + age_years + curl + on_therapy"


@pytest.fixture(scope="module")
def units(demo):
    return bench.units(demo).frame


def _line(result, term):
    rows = result.table()
    return rows[rows["term"].eq(term)].iloc[0]


def test_what_an_interval_tells():
    assert adjusted.told(1, 20, 50) == factors.HIGHER
    assert adjusted.told(-9, -1, 50) == factors.LOWER
    assert adjusted.told(-9, 9, 50) == factors.NO_MORE
    # Half width 30 where 10 matters: nine times the patients.
    assert adjusted.told(-30, 30, 20) == "cannot be told; about 180 patients would do"


# ---- who grows poorly


def _poor(truth, n=140, seed=3):
    clinic = simulate.as_records(simulate.register(n, truth=truth, seed=seed)[0])
    plateaus = regrowth.fit_plateaus(clinic)
    return clinic, factors.poor_growth(clinic, plateaus=plateaus)


def test_an_error_that_rests_on_one_patient_who_came_twice_gives_no_number():
    """Student's 99 % limits at 0.0005 degrees of freedom were 147 digits long: nothing is known there."""
    row = {
        "term": ["doublings"],
        "estimate": [0.002],
        "std_error": [4e-6],
        "df": [5e-4],
        "statistic": [432.0],
    }
    fitted = SimpleNamespace(
        frame=pd.DataFrame({"patient_id": [*"abc", "c"]}), tidy=lambda level: pd.DataFrame(row)
    )
    line = adjusted.difference(fitted, "doublings", "a doubling", "points")
    assert np.isnan(line["estimate"])
    assert line["flag"].startswith("cannot be told; too few patients came more than once")


def test_a_planted_cause_of_poor_growth_is_found_and_an_absent_one_not_claimed():
    truth = replace(simulate.Truth(), smoker=-22.0, scar=0.0, per_hour_above_4=0.0, per_fu_above_35=0.0)
    _, told = _poor(truth)
    rows = told.table()
    rows = rows[rows["term"].eq("difference")].set_index("recorded")
    assert rows.loc["smoker", "flag"] == factors.HIGHER
    others = rows.drop(index="smoker")
    assert not others["flag"].isin([factors.HIGHER, factors.LOWER]).any()
    said = recorded.poor_growth(told)
    assert said.startswith("Chance of poor growth: smoker, +")
    listed = told.extra["look_at"]
    assert len(listed)
    assert listed["chance"].ge(50).all()
    shared = told.extra["shared"].set_index("recorded").loc["smoker"]
    assert shared["mean_of_those_listed"] > shared["mean_of_all"]


def test_poor_growth_equals_a_plain_mixed_model_and_names_no_surgeon_in_its_lines(demo, plateaus):
    told = factors.poor_growth(demo, plateaus=plateaus)
    frame = told.rows().merge(
        bench.units(demo).frame.drop(columns=["zone", "patient_id", "reason"]), on="placement_id"
    )
    frame = frame[frame["reason"].eq("")].dropna(subset=["smoker"])
    plain = smf.mixedlm(f"chance ~ {COVARIATES} + smoker", frame, groups=frame["patient_id"]).fit(reml=True)
    rows = told.table().set_index(["recorded", "term"])
    assert rows.loc[("smoker", "difference"), "estimate"] == pytest.approx(plain.params["smoker"], abs=0.02)
    m = len(rows) // 2 + len(told.extra["surgeons"])
    own = rows.loc[("smoker", "difference")]
    half = stats.t.ppf(1 - 0.025 / m, own["df"]) * own["se"]
    assert own["ci_high"] - own["estimate"] == pytest.approx(half, rel=1e-6)
    # A surgeon's code stands in a frame of its own, which readers outside do not get.
    assert not rows.reset_index()["recorded"].str.contains("surgeon").any()
    assert "surgeon" in told.extra["surgeons"]


# ---- planted density


def _rows(rng, slope, at=32.0, n=120):
    patient = np.repeat(np.arange(n), 2)
    x = rng.normal(32, 7, 2 * n)
    y = 86 + rng.normal(0, 6, n)[patient] + rng.normal(0, 6, 2 * n) + slope * np.maximum(x - at, 0)
    return pd.DataFrame({"patient_id": patient.astype(str), "outcome": y, "x": x})


def test_a_planted_fall_is_found_with_its_density_and_a_level_yield_not_said_to_fall():
    inside, found, chances = 0, 0, []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        frame = _rows(rng, -1.5)
        told = planted_density.bend(bench.model("outcome ~ 1", frame), frame["x"].to_numpy(), seed=seed)
        found += told.p_value < 0.05
        inside += told.at_limits[0] <= 32 <= told.at_limits[1]
        frame = _rows(rng, 0.0)
        level = planted_density.bend(bench.model("outcome ~ 1", frame), frame["x"].to_numpy(), seed=seed)
        chances.append(level.p_value)
    assert found >= 28
    assert inside >= 26
    assert sum(p < 0.05 for p in chances) <= 4  # of 30 at 5 %: more than 4 comes in 1 of 60
    assert 0.38 < np.mean(chances) < 0.62  # even from 0 to 1 where yield is level: SE of the mean 0.053


def test_a_bend_equals_the_best_of_plain_least_squares(demo):
    frame = _rows(np.random.default_rng(2), -1.5).drop_duplicates("patient_id").reset_index(drop=True)
    x = frame["x"].to_numpy()
    told = planted_density.bend(bench.model("outcome ~ 1", frame), x)
    places = np.quantile(x, np.linspace(*planted_density.SEARCHED, planted_density.STEPS))
    fits = [sm.OLS(frame["outcome"], sm.add_constant(np.maximum(x - k, 0))).fit() for k in places]
    best = int(np.argmin([f.ssr for f in fits]))
    assert told.at == pytest.approx(places[best])
    assert told.slope == pytest.approx(fits[best].params["x1"])


def test_the_chance_of_a_bend_under_a_level_yield_equals_that_of_shuffled_densities():
    rng = np.random.default_rng(8)
    frame = _rows(rng, -0.12).drop_duplicates("patient_id").reset_index(drop=True)
    x, y = frame["x"].to_numpy(), (frame["outcome"] - frame["outcome"].mean()).to_numpy()
    told = planted_density.bend(bench.model("outcome ~ 1", frame), x)
    places = np.quantile(x, np.linspace(*planted_density.SEARCHED, planted_density.STEPS))
    hinges = np.maximum(x[:, None] - places, 0)
    hinges = (hinges - hinges.mean(axis=0)) / np.linalg.norm(hinges - hinges.mean(axis=0), axis=0)
    shuffled = np.array([(rng.permutation(y) @ hinges).min() for _ in range(4000)])
    chance = np.mean(shuffled <= (y @ hinges).min())
    assert 0.1 < chance < 0.7  # where the search costs most
    assert told.p_value == pytest.approx(chance, abs=0.03)


def test_yield_by_density_says_what_is_missing_and_leaves_uncounted_regions_out(demo):
    told = factors.by_density(demo)
    row = _line(told, "falls from")
    assert pd.isna(row["estimate"])
    assert row["flag"].startswith("cannot be told; about ")
    left = told.rows()["reason"].eq(planted_density.NOT_COUNTED)
    assert left.any()
    uncounted = demo.placements.loc[demo.placements["roi_planted_hairs_cm2"].isna(), "placement_id"]
    assert set(told.rows().loc[left, "placement_id"]) <= set(uncounted)
    assert recorded.by_density(told).startswith("Cannot be told; about ")


# ---- graft sizes


def test_hairs_per_graft_equals_the_ratio_by_hand(demo):
    told = factors.hairs_per_graft(demo)
    placed = demo.placements.groupby("session_id")[["hairs", "grafts"]].sum()
    rows = demo.sessions.set_index("session_id").join(placed)
    rows = rows.reset_index().merge(demo.patients, on="patient_id")
    rows = rows[rows["donor_measured_before_session"] <= rows["session_number"]]
    log = np.log(rows["hairs"] / rows["grafts"] / (rows["donor_hairs_cm2"] / rows["donor_fu_cm2"]))
    log = log.astype(float).groupby(rows["patient_id"]).mean()
    low, high = stats.t.interval(0.95, len(log) - 1, log.mean(), stats.sem(log))
    row = _line(told, "planted over offered")
    assert row["estimate"] == pytest.approx(np.exp(log.mean()))
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((np.exp(low), np.exp(high)))
    assert row["n_rows"] == len(rows)
    assert "a ratio of 0.96" in recorded.hairs_per_graft(told)


def _singles(clinic, share):
    """Return the clinic with a share of each planted zone's hairs in single-hair grafts."""
    placed = clinic.placements
    grafts = (placed["hairs"] * share).round().astype("Int64")
    return replace(clinic, placements=placed.assign(grafts_1=grafts))


def test_single_hair_grafts_that_grow_less_are_found_and_equal_statsmodels(demo):
    truth = simulate.plain()
    tables, _latent = simulate.register(120, truth=truth, seed=4)
    clinic = simulate.as_records(tables)
    rng = np.random.default_rng(1)
    share = pd.Series(rng.uniform(0.2, 0.8, len(clinic.placements)), index=clinic.placements.index)
    absent = factors.single_hair_grafts(_singles(clinic, share)).table().iloc[0]
    assert absent["flag"] not in (factors.HIGHER, factors.LOWER)
    plateau = bench.units(clinic).frame.set_index("placement_id")["yield_pct"]
    own = clinic.placements["placement_id"].map(plateau).fillna(86.0)
    linked = (share - 0.02 * (own - 86)).clip(0.05, 0.95)
    told = factors.single_hair_grafts(_singles(clinic, linked)).table().iloc[0]
    assert told["flag"] == factors.LOWER
    frame = bench.units(demo).analysed
    frame["singles"] = 10 * frame["grafts_1"] / frame["hairs"]
    fitted = bench.model(f"yield_pct ~ {COVARIATES} + singles", frame)
    plain = bench.beside_statsmodels(fitted).set_index("term").loc["singles"]
    row = factors.single_hair_grafts(demo).table().iloc[0]
    assert row["estimate"] == pytest.approx(plain["here"])
    assert row["estimate"] == pytest.approx(plain["plain"], abs=0.25 * row["se"])


# ---- a second session into a zone


def test_later_sessions_are_numbered_within_patient_zone_and_side(demo, units):
    told = second_sessions.numbered(units, demo).set_index("placement_id")["is_later"]
    month = demo.sessions.set_index("session_id")["patient_month"]
    for _, rows in demo.placements.groupby(["patient_id", "zone"]):
        if rows["site"].fillna("whole").nunique() == 1:
            months = rows["session_id"].map(month).astype(float)
            assert (told[rows["placement_id"]].to_numpy() == (months > months.min()).to_numpy()).all()


def test_a_second_session_that_grows_less_is_found_and_an_equal_one_not_claimed():
    flags = []
    for repeat in (-30.0, 0.0):
        truth = replace(simulate.Truth(), repeat_session=repeat)
        clinic = simulate.as_records(simulate.register(260, truth=truth, seed=5, months=96)[0])
        told = factors.second_session(clinic)
        assert told.gap is None, told.gap
        flags.append(_line(told, "planted before minus first")["flag"])
    assert flags[0] == factors.LOWER
    assert flags[1] not in (factors.HIGHER, factors.LOWER)


def test_too_few_second_sessions_are_said(demo):
    told = factors.second_session(demo)
    assert told.gap is not None
    assert "needs 5 patients on the smaller side, and there are 2." in told.gap.why
    assert recorded.SAYS["second_session"](told) == told.gap.why


@pytest.mark.parametrize("ask", ["by_density", "hairs_per_graft", "single_hair_grafts", "second_session"])
@pytest.mark.parametrize("n", [1, 12])
def test_small_registers_get_a_sentence_or_an_answer(ask, n):
    clinic = simulate.as_records(simulate.register(n, seed=2)[0])
    # As a page asks: what cannot be fitted is a sentence too.
    asked = reports.answers({ask: reports.Question(getattr(factors, ask), {})}, clinic, "")
    told = asked[ask]
    assert len(told.table()) or (told.gap is not None and not told.gap.is_defect), told.gap


# ---- learning and drift of a person


def _with_drift(clinic, points):
    """Return the clinic whose surgeons transect so many points more of their grafts at each doubling."""
    rows = persons.numbered(clinic, "surgeon_id").set_index("session_id")["doublings"]
    sessions = clinic.sessions
    rng = np.random.default_rng(3)
    patient = pd.Series(rng.normal(0, 1.5, len(clinic.patients)), index=clinic.patients["patient_id"])
    share = (
        8
        + sessions["patient_id"].map(patient)
        + points * sessions["session_id"].map(rows)
        + rng.normal(0, 1.5, len(sessions))
    )
    cut = (sessions["grafts_out"].astype(float) * share.clip(0, 90) / 100).round()
    return replace(clinic, sessions=sessions.assign(grafts_transected=cut.astype("Int64")))


def test_a_drift_of_a_person_is_found_an_absent_one_not_claimed_and_both_equal_statsmodels():
    clinic = simulate.as_records(simulate.register(100, seed=6)[0])
    for points in (-1.0, 0.0):
        drifts = _with_drift(clinic, points)
        told = factors.by_person(drifts)
        rows = told.table().set_index(["role", "term"])
        row = rows.loc[("surgeon", "transected grafts, for each doubling of sessions")]
        assert (row["flag"] == factors.LOWER) == (points < 0)
        assert row["ci_low"] < points < row["ci_high"]
        of_yield = rows.loc[("surgeon", "yield, for each doubling of sessions")]
        assert of_yield["flag"] not in (factors.HIGHER, factors.LOWER)
    frame = persons.numbered(drifts, "surgeon_id").merge(
        drifts.patients[["patient_id", "curl", "age_years"]], on="patient_id"
    )
    frame["y"] = (100 * frame["grafts_transected"] / frame["grafts_out"]).astype(float)
    frame = frame.astype(dict.fromkeys(("method", "curl", "person"), object)).astype({"age_years": float})
    often = frame.groupby("person")["session_id"].transform("count") >= persons.FEWEST_SESSIONS
    frame = frame[often].dropna(subset=["y"])
    plain = smf.mixedlm(
        "y ~ method + curl + age_years + person + doublings", frame, groups=frame["patient_id"]
    ).fit(reml=True)
    assert row["estimate"] == pytest.approx(plain.params["doublings"], abs=0.1 * row["se"])


def test_sessions_of_a_person_are_numbered_in_their_order(demo):
    rows = persons.numbered(demo, "surgeon_id")
    for _, own in rows.groupby("person"):
        assert own.sort_values("number")["register_month"].is_monotonic_increasing
        assert sorted(own["number"]) == list(range(1, len(own) + 1))
    assert np.allclose(2 ** rows["doublings"], rows["number"])


# ---- beside what is published


def test_each_headline_stands_beside_its_published_number_with_source_and_without_a_verdict():
    line = results.line(
        "yield_at_maturity", 81.26, "%", by={"zone": "frontal"}, ci=(76.0, 86.5), n_patients=61
    )
    other = results.line(
        "yield_at_maturity", 70.0, "%", by={"zone": "temples"}, ci=(60.0, 80.0), n_patients=9
    )
    one = results.Result(pd.DataFrame([other, line]), pd.DataFrame(), "m", ("zone",))
    gap = results.unanswered(results.Gap("No count."))
    shown = {p.panel: gap for p in published.PUBLISHED_RANGES} | {"at_maturity": one}
    rows = audit.published_table(shown).set_index("headline")
    row = rows.loc["planted hairs grown at maturity, frontal, %"]
    assert row["here"].replace("\u2009", " ").replace("\u202f", " ") == "81.3 (95 % interval 76.0 to 86.5)"
    assert row["n_patients"] == 61
    # Stoneburner et al. 2020, abstract: 84.98 % (78.90 to 91.06), 34 articles.
    assert row["published"] == f"{84.98:.1f} (95 % interval {78.90:.1f} to {91.06:.1f}), 34 articles"
    assert set(rows["here"]) - {row["here"]} == {beside.NOT_TOLD}
    told = rows[rows["published"].ne("none found")]
    assert told[["source, and definition there", "how far it compares"]].ne("").all(axis=None)
    assert not rows.astype(str).apply(lambda c: c.str.contains("better|worse|met")).any(axis=None)
