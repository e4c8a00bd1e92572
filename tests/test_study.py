"""The hypothesis study: plan, freeze, answers, verdicts, missing data, robustness, reporting."""

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from plans import PLAN

from analytics import disclosure, records, regrowth, simulate, study
from analytics.__main__ import main
from analytics.errors import FitError, ParameterError
from analytics.numerics import power
from analytics.study import answer as study_answer
from analytics.study import answer as study_verdict
from analytics.study import effects as study_columns
from analytics.study import effects as study_effects
from analytics.study import outcomes as study_events
from analytics.study import questions as study_questions
from analytics.study import report as study_report
from analytics.study import rows as study_rows
from analytics.study.confounding import side_by_side
from analytics.study.design import _simulated, closed_form, exchange
from analytics.study.effects import Effect
from analytics.study.lock import AS_FROZEN, CHANGED, NOT_FROZEN, place_of
from analytics.study.missing import tipping, treatments
from analytics.study.plan import checked

PLAN_FILE = Path(__file__).parents[1] / "data_demo" / "study_out_of_body.toml"
MORNING = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


def content(**changes) -> dict:
    """Return a small plan as a mapping, entries changed."""
    return {**PLAN, **changes}


def analysis_of(**changes) -> dict:
    return {**content()["analysis"][0], **changes}


def register(n: int, effect: float, seed: int, **truth):
    """Return an invented register in which FUE shifts the plateau by so many points, and its truth."""
    methods = {"FUT": 0.0, "FUE": effect, "combined": 0.0}
    known = replace(simulate.Truth(), method=methods, **truth)
    tables, latent = simulate.register(n, truth=known, seed=seed, months=30, entry_months=18)
    return simulate.as_records(tables), latent


@pytest.fixture(scope="module")
def planted():
    """Return a register of 150 patients in which FUE costs 20 points, its plan and the primary answer."""
    read, latent = register(150, -20.0, 5)
    plan = checked(content())
    return read, latent, plan, study_answer.answer(read, plan, plan.primary)


@pytest.fixture(scope="module")
def tipped(planted):
    """Return the tipping point of the planted register."""
    _, _, plan, found = planted
    return tipping(found, plan)


def units(y, x, patient, **more) -> pd.DataFrame:
    """Return units made by hand."""
    frame = pd.DataFrame({"y": np.asarray(y, float), "x": np.asarray(x, float), "patient_id": patient})
    return frame.assign(variance=np.nan, zone="frontal", session_id="s", site="whole", **more)


# The plan


def test_the_plan_of_the_demo_is_whole_and_frozen(demo):
    plan = study.read(PLAN_FILE)
    assert plan.primary.id == "yield_over_4_hours"
    assert study.status(PLAN_FILE, demo).word == AS_FROZEN


def test_all_problems_of_a_plan_are_told_at_once_without_a_value():
    wrong = content(
        alpha=0.9,
        exposure={"variable": "method", "reference": ["SECRET"], "reason": "r"},
        adjust=[{"variable": "zone"}],
        analysis=[analysis_of(outcome={"kind": "complication"}, hypothesis="equivalence")],
        speed=3,
    )
    with pytest.raises(ParameterError) as told:
        checked(wrong, "plan.toml")
    lines = str(told.value).splitlines()
    assert "plan.toml, alpha: expected less than 0.5; correct it" not in lines or len(lines) >= 5
    assert any("adjust 1 (zone), reason: is missing" in line for line in lines)
    assert any("exposure: expected both reference and compared" in line for line in lines)
    assert any("analysis 1 (yield), outcome: expected event" in line for line in lines)
    assert any("speed: is no known entry" in line for line in lines)
    assert "SECRET" not in str(told.value)
    assert "0.9" not in str(told.value)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"analysis": [analysis_of(role="secondary")]}, "one analysis with the role primary, there are 0"),
        ({"adjust": [{"variable": "method", "reason": "r"}]}, "exposure not to be adjusted for"),
        ({"analysis": [analysis_of(hypothesis="equivalence")]}, "expected margin"),
        ({"analysis": [analysis_of(outcome={"kind": "tempo"}, matters=0.9)]}, "matters above 1"),
        (
            {"intercurrent": [{"event": "therapy start", "strategy": "ignore", "reason": "r"}]},
            "treatment policy, while untreated",
        ),
    ],
)
def test_a_plan_that_contradicts_itself_is_refused(changes, said):
    with pytest.raises(ParameterError, match=said):
        checked(content(**changes))


# Freezing


@pytest.fixture
def own_plan(tmp_path):
    """Return a copy of the demo's plan that may be changed."""
    return Path(shutil.copy(PLAN_FILE, tmp_path / "plan.toml"))


def test_a_plan_changed_after_freezing_is_exploratory_and_says_where(own_plan, demo):
    assert study.status(own_plan, demo).word == NOT_FROZEN
    made = study.freeze(own_plan, demo, now=MORNING)
    assert made.frozen_at == "2026-03-01T08:00:00+00:00"
    assert made.register_size["patients"] == len(demo.patients)
    assert study.status(own_plan, demo).word == AS_FROZEN
    own_plan.write_text(
        own_plan.read_text().replace("cut = 240", "cut = 200").replace("matters = 5", "matters = 4")
    )
    changed = study.status(own_plan, demo)
    assert changed.word == CHANGED
    assert set(changed.changed) == {"exposure.cut", "analysis 1.matters", "analysis 8.matters"}
    assert any("exposure.cut" in point for point in study.warnings(changed))


def test_a_second_freeze_does_not_make_a_changed_plan_confirmatory(own_plan, demo):
    study.freeze(own_plan, demo, now=MORNING)
    own_plan.write_text(own_plan.read_text().replace("cut = 240", "cut = 200"))
    study.freeze(own_plan, demo, now=MORNING)
    found = study.status(own_plan, demo)
    assert (found.word, found.n_freezes) == (CHANGED, 2)


def test_comments_and_spaces_are_no_change_and_the_same_is_not_frozen_twice(own_plan, demo):
    study.freeze(own_plan, demo, now=MORNING)
    own_plan.write_text("# a remark\n" + own_plan.read_text().replace("seed = ", "seed    =   "))
    assert study.status(own_plan, demo).word == AS_FROZEN
    with pytest.raises(ParameterError, match="says the same still"):
        study.freeze(own_plan, demo)


def test_reports_made_on_the_same_data_are_listed_and_others_are_not(own_plan, demo, tmp_path):
    def crate(name: str, sha: str) -> None:
        graph = [
            {"@id": "./", "name": "Did it grow?"},
            {
                "@id": "#run",
                "instrument": {"@id": "#01_surgeon_audit.ipynb"},
                "endTime": "2026-02-01T09:00:00",
            },
            {"@id": "#table-measurements", "sha256": sha},
        ]
        (tmp_path / "reports" / name).mkdir(parents=True)
        (tmp_path / "reports" / name / "run.json").write_text(json.dumps({"@graph": graph}))

    hashes = demo.sources.set_index("table")["sha256"]
    crate("same", hashes["measurements"])
    crate("other", "0" * 64)
    made = study.freeze(own_plan, demo, reports=tmp_path / "reports", now=MORNING)
    assert [(s.page, s.finished[:10]) for s in made.reports_before] == [("01_surgeon_audit", "2026-02-01")]
    assert any("reports had been made" in w for w in study.warnings(study.status(own_plan, demo)))


def test_a_damaged_freeze_is_named(own_plan, demo):
    place_of(own_plan).write_text("{")
    with pytest.raises(ParameterError, match="is no list of freezes"):
        study.status(own_plan, demo)


# Effects, against published numbers


def test_a_difference_between_children_is_tested_with_their_number(published, printed):
    # Pinheiro & Bates 2000 (data: Potthoff & Roy 1964), distance ~ age + Sex + (1 | Subject), REML; Kenward-
    # Roger by R packages lmerTest and pbkrtest: 25 df, p 0.0054; z would give 0.0023
    d = pd.read_csv(published / "orthodont.csv")
    frame = units(d["distance"], d["Sex"].eq("Female"), d["Subject"])
    X = np.column_stack([frame["x"], np.ones(len(d)), d["age"]])
    found = study_effects.normal(frame, study_columns.Columns(X, (), (), ()))
    expected = printed("Orthodontic distances")
    assert found.estimate == pytest.approx(expected["female minus male"], rel=1e-6)
    assert found.se == pytest.approx(expected["female minus male, standard error"], rel=1e-4)
    assert found.df == pytest.approx(25, abs=0.01)
    assert found.p == pytest.approx(expected["female minus male, p"], rel=1e-3)


BEFORE = [148, 142, 136, 134, 138, 140, 132, 144, 128, 170, 162, 150, 138, 154, 126, 116]
AFTER = [152, 152, 134, 148, 144, 136, 144, 150, 146, 174, 162, 162, 146, 156, 132, 126]


def test_two_sides_of_one_scalp_are_recognised_and_analysed_as_pairs(printed):
    # Altman et al. 2000, Statistics with Confidence, p. 31
    expected = printed("Paired change")
    people = [f"p{i}" for i in range(16)]
    frame = units(BEFORE + AFTER, [0] * 16 + [1] * 16, people * 2)
    frame["site"] = ["left"] * 16 + ["right"] * 16
    frame["session_id"] = frame["patient_id"]
    assert study_effects.recognised(frame) == "split scalp"
    found = study_effects.paired(frame, ("session_id", "zone"))
    assert found.estimate == pytest.approx(expected["mean change"], abs=1e-5)
    assert found.se == pytest.approx(expected["its SE"], abs=1e-5)
    assert found.limits(0.95) == pytest.approx((expected["lower"], expected["upper"]), abs=1e-5)


def test_unpaired_groups_are_not_taken_for_pairs():
    frame = units(BEFORE + AFTER, [0] * 16 + [1] * 16, [f"p{i}" for i in range(32)])
    assert study_effects.recognised(frame) == "between patients"


def test_risks_of_a_fourfold_table(printed):
    # Agresti 2002, table 3.1 as proportions of 100 times fewer, shares 189/11034 and 104/11037 whole
    y = np.repeat([1, 0, 1, 0], [189, 11034 - 189, 104, 11037 - 104])
    frame = units(y, np.repeat([1, 0], [11034, 11037]), np.arange(len(y)))
    columns = study_columns.design(frame, ())
    found = study_events.risk_difference(frame, columns)
    expected = printed("Ratios")
    assert found.estimate == pytest.approx(100 * expected["difference"], abs=1e-4)
    assert np.exp(found.more["log_ratio"]) == pytest.approx(expected["risk ratio"], abs=1e-5)


def test_a_group_without_events_gets_newcombes_interval(printed):
    # Newcombe 1998, Stat Med 17:873, table II: 5/56 - 0/29
    expected = printed("Differences of shares")
    y = np.repeat([1, 0, 0], [5, 51, 29])
    frame = units(y, np.repeat([1, 0], [56, 29]), np.arange(85))
    found = study_events.risk_difference(frame, study_columns.design(frame, ()))
    limits = [100 * expected[f"5/56 - 0/29, {end}"] for end in ("lower", "upper")]
    assert found.limits(0.95) == pytest.approx(limits, abs=1e-4)
    assert found.p > 0.05


def test_best_and_worst_case_hold_every_way_the_unseen_could_have_gone():
    # by hand: 3 of 8 seen, 2 unseen against 1 of 9 seen, 1 unseen; worst 5/10 - 1/10, best 3/10 - 2/10
    y = [1] * 3 + [0] * 5 + [np.nan] * 2 + [1] + [0] * 8 + [np.nan]
    frame = units(y, [1] * 10 + [0] * 10, np.arange(20))
    found = study_events.bounds(frame).set_index("term")["estimate"]
    assert found["most in the compared group"] == pytest.approx(40.0)
    assert found["fewest in the compared group"] == pytest.approx(10.0)
    assert found["as seen"] == pytest.approx(100 * (3 / 8 - 1 / 9))


# Verdicts


def verdict(estimate: float, se: float, **changes):
    plan = checked(content(analysis=[analysis_of(**changes)]))
    return study_verdict.judge(Effect(estimate, se, 1e9, 100, 100, ""), plan.primary, plan)


@pytest.mark.parametrize(
    ("estimate", "se", "said"),
    [(6, 2, "higher"), (-6, 2, "lower"), (1, 2, "no difference that matters"), (3, 2, "cannot tell")],
)
def test_a_difference_is_said_by_its_interval(estimate, se, said):
    # intervals +/- 1.96 x 2 = 3.92; 5 points matter
    assert verdict(estimate, se).said == said


def test_equivalence_is_two_one_sided_tests():
    # Schuirmann 1987: estimate 0, SE 1, margin 2: p = P(Z > 2) = 0.0227501. ICH E9: each test at 2.5 %, so
    # that the interval is +/- 1.959964; at 5 % each it is +/- 1.644854.
    found = verdict(0.0, 1.0, hypothesis="equivalence", margin=2)
    assert found.said == "equivalent"
    assert found.p_value == pytest.approx(0.0227501, abs=1e-6)
    assert found.high == pytest.approx(1.959964, abs=1e-5)
    wider = checked(content(one_sided_alpha=0.05, analysis=[analysis_of(hypothesis="equivalence", margin=2)]))
    at_five = study_verdict.judge(Effect(0.0, 1.0, 1e9, 100, 100, ""), wider.primary, wider)
    assert at_five.high == pytest.approx(1.644854, abs=1e-5)
    assert verdict(1.0, 1.0, hypothesis="equivalence", margin=2).said == "cannot tell"
    assert verdict(5.0, 1.0, hypothesis="equivalence", margin=2).said == "not equivalent"


def test_non_inferiority_looks_at_the_worse_side_alone():
    asked = {"hypothesis": "non-inferiority", "margin": 3}
    assert verdict(0.0, 1.0, **asked).said == "not inferior"
    assert verdict(-2.0, 1.0, **asked).said == "cannot tell"
    assert verdict(-6.0, 1.0, **asked).said == "inferior"
    assert verdict(6.0, 1.0, better="lower", **asked).said == "inferior"


def test_the_number_that_would_do_is_cohens(printed):
    # Cohen 1992, table 2, normal form, d = .5. Two groups of 50 with SD 1: SE 0.2
    per_group = printed("Patients needed")["difference 0.5, power 80 %, spread known"]
    found = study_verdict.needed(Effect(0.1, 0.2, 1e9, 100, 100, ""), 0.5, 0.025, 0.8)
    assert found == np.ceil(2 * per_group)


# Design check


def test_simulated_power_is_that_of_a_two_sample_t_test():
    # Cohen 1988, p. 40: difference 2, SD 2.8, 30 a group: power .776. 400 draws: SE 2.1 points
    rng = np.random.default_rng(2)
    y = rng.standard_normal(60)
    x = np.repeat([0.0, 1.0], 30)
    y = (y - y.mean()) / y.std(ddof=1) * 2.8
    frame = units(y, x, np.arange(60), reason="", is_due=True)
    given = study_rows.Sample(frame, True, checked(content()).exposure)
    plan = checked(content(adjust=[]))
    drawn = _simulated(given, plan, np.random.default_rng(4), 400)
    assert drawn.power(2.0, 0.05) == pytest.approx(0.776, abs=0.065)
    assert drawn.power(0.0, 0.05) == pytest.approx(0.05, abs=0.035)
    form = closed_form(frame, given, plan, drawn, 2.0)
    assert form == pytest.approx(power.t_test_power(2 / 2.8, 30), abs=0.002)


def test_exchanging_exposures_keeps_their_number_and_the_outcomes():
    frame = units(range(12), [0, 1] * 6, np.repeat(np.arange(6), 2), reason="", is_due=True)
    mixed = exchange(frame, np.random.default_rng(1))
    assert mixed["x"].sum() == frame["x"].sum()
    np.testing.assert_array_equal(mixed["y"], frame["y"])


# A register with a planted effect


def test_a_planted_effect_is_found_and_lies_in_its_interval(planted):
    _, latent, _, found = planted
    method = found.units[["placement_id", "x"]].drop_duplicates()
    true = latent.placements.merge(method, on="placement_id").groupby("x")["yield_at_maturity_pct"].mean()
    low, high = found.effect.limits(0.95)
    assert found.verdict.said == "lower"
    # the groups' zones are alike by chance only: two points of slack beside the interval
    assert low - 2 <= true[1.0] - true[0.0] <= high + 2


def test_no_unit_is_lost_without_a_reason(planted):
    read, _, _, found = planted
    given = found.given.units
    assert set(given["placement_id"]) == set(read.placements["placement_id"])
    assert (given["reason"].eq("") == given["y"].notna()).loc[given["is_due"]].all()
    assert given.loc[given["reason"].eq(""), "is_due"].all()


def test_too_few_patients_end_in_cannot_tell_and_say_how_many_would_do():
    read, _ = register(25, 0.0, 9)
    result = study.answers(read, checked(content()))
    flag = result.table()["flag"].iloc[0]
    assert flag.startswith("cannot tell: about ")
    n = int(flag.split("about ")[1].split(" ")[0].replace(",", ""))
    assert n > result.table()["n_patients"].iloc[0]


def test_an_empty_group_ends_in_cannot_tell_with_its_counts():
    read, _ = register(25, 0.0, 9)
    exposure = {"variable": "method", "reference": ["FUT"], "compared": ["none"], "reason": "r"}
    row = study.answers(read, checked(content(exposure=exposure))).table().iloc[0]
    assert np.isnan(row["estimate"])
    assert "0 patients in the compared group" in row["flag"]


def test_the_answer_moves_with_what_is_added_to_the_missing(tipped):
    from analytics.pages import figures

    path, result = tipped.path, tipped
    assert figures.draw(result).get_figure() is not None
    assert (np.diff(path["estimate"]) > 0).all()
    tip = result.table().set_index("term")["estimate"]
    # FUE is lower: only adding points to its unseen can tip that
    assert np.isnan(tip["tipping point, worse"])
    assert tip["tipping point, better"] > 0 or np.isnan(tip["tipping point, better"])


def test_weighted_matched_and_modelled_answers_agree_where_the_groups_are_dealt_at_random(planted):
    _, _, plan, found = planted
    plain = study_answer.of_sample(found.given, plan, plan.primary, adjusted=False)
    table = side_by_side(found, plain, plan).table().set_index("term")
    assert len(table) == 4
    assert table["estimate"].between(*found.effect.limits(0.99)).all()
    assert (table["se"] > 0).all()


def test_other_treatments_of_the_missing_agree_where_dropping_out_is_alike(planted):
    read, _, plan, found = planted
    table = treatments(read, found, plan).table()
    assert len(table) == 4
    assert table["estimate"].between(*found.effect.limits(0.995)).all()


def test_secondary_tests_are_adjusted_by_holm_and_the_primary_is_not(demo):
    plan = checked(
        content(
            analysis=[
                analysis_of(),
                analysis_of(id="a", role="secondary", outcome={"kind": "satisfaction"}),
                analysis_of(
                    id="b", role="secondary", outcome={"kind": "complication", "event": "folliculitis"}
                ),
            ]
        )
    )
    listed = study.tests(demo, plan).extra["tests"].set_index("analysis")
    assert listed.loc["yield", "p_adjusted"] == listed.loc["yield", "p_value"]
    p = listed.loc[["a", "b"], "p_value"]
    # Holm 1979: the smaller of two times two, the larger at least that
    assert listed.loc[p.idxmin(), "p_adjusted"] == pytest.approx(min(2 * p.min(), 1))
    assert listed.loc[p.idxmax(), "p_adjusted"] == pytest.approx(max(min(2 * p.min(), 1), p.max()))


def test_a_zone_cannot_be_compared_on_an_outcome_of_the_session(demo):
    exposure = {"variable": "zone", "reference": ["frontal"], "compared": ["crown"], "reason": "r"}
    plan = checked(
        content(exposure=exposure, adjust=[], analysis=[analysis_of(outcome={"kind": "satisfaction"})])
    )
    with pytest.raises(ParameterError, match="belongs to a zone"):
        study.answers(demo, plan)


def test_what_goes_with_the_exposure_wholly_is_named_not_dropped_unseen():
    frame = units(range(8), [0, 1] * 4, np.arange(8), method=["FUT", "FUE"] * 4)
    made = study_columns.design(frame, ("method",))
    assert made.left_out == ("method",)
    assert made.held == ()


# Copy, reporting, pictures, command


def test_the_copy_has_the_shape_of_the_register_and_none_of_its_outcomes(demo):
    copy = study.synthetic(demo, seed=3)
    again = study.synthetic(demo, seed=3)
    pd.testing.assert_frame_equal(copy.measurements, again.measurements)
    keys = ["patient_id", "zone", "region_id", "session_id", "month", "count_number", "reader_id"]
    pd.testing.assert_frame_equal(copy.measurements[keys], demo.measurements[keys])
    same = copy.measurements["density_hairs_cm2"].eq(demo.measurements["density_hairs_cm2"])
    assert same.mean() < 0.02
    np.testing.assert_array_equal(
        np.sort(copy.ratings["satisfaction_0_10"].dropna()),
        np.sort(demo.ratings["satisfaction_0_10"].dropna()),
    )


def test_the_plan_is_printed_in_full():
    plan = study.read(PLAN_FILE)
    printed = study.plan_in_full(plan)["declared"].tolist()
    for reason in (a.reason for a in plan.adjust):
        assert reason in printed


@pytest.mark.parametrize("question", ["balance", "overlap", "by_zone", "confounding"])
def test_the_pictures_of_a_study_are_drawn(planted, question):
    from analytics.pages import figures

    read, _, plan, _ = planted
    result = getattr(study, question)(read, plan)
    for narrow in (False, True):
        assert figures.draw(result, narrow=narrow).get_figure() is not None


def test_the_grid_holds_the_declared_answer_and_every_combination():
    from analytics.pages import figures

    read, _ = register(40, 0.0, 21)
    plan = checked(content())
    options = {"native loss": ("none", "published and own"), "photographs": ("standard", "failed too")}
    grid = study.robustness(read, plan, options={**options, "planted density": ("best known",)})
    table = grid.table()
    declared = table[table["flag"].eq("declared")]
    assert len(declared) == 1
    assert len(table) == 2 * 2 * 3 * 1
    assert declared["estimate"].iloc[0] == pytest.approx(
        study.answers(read, plan).table()["estimate"].iloc[0]
    )
    assert not table.duplicated(list(grid.by)).any()
    assert figures.draw(grid).get_figure() is not None


def test_the_command_freezes_and_tells_where_a_plan_stands(own_plan, tmp_path, capsys):
    data, memory = str(PLAN_FILE.parent), ["--state", str(tmp_path / "state")]
    assert main(["study", "freeze", str(own_plan), data, "--reports", "", *memory]) == 0
    assert "plan SHA-256" in capsys.readouterr().out
    assert main(["study", "status", str(own_plan), data, "--reports", "", *memory]) == 0
    assert "plan: as frozen" in capsys.readouterr().out
    assert main(["study", "freeze", str(own_plan), data, "--reports", "", *memory]) == 2


def test_a_design_check_with_too_few_is_refused_in_words():
    read, _ = register(4, 0.0, 2)
    with pytest.raises(FitError, match="needed"):
        study.design(read, checked(content()))


def test_a_register_without_readings_is_told_so(demo):
    empty = replace(demo, measurements=demo.measurements.iloc[:0])
    row = study.answers(empty, checked(content())).table().iloc[0]
    assert row["flag"].startswith("cannot tell")
    assert records is not None


def test_the_public_sees_no_exact_count_of_the_flow_the_design_or_the_register(demo):
    """Counts rounded to 5 is the stated rule for the public; what is printed must follow it."""
    plan = study.read(PLAN_FILE)
    flow = disclosure.protect_frame(study.flow(demo, plan), "public")
    counts = flow[[c for c in flow if c.startswith("n_")]].to_numpy(dtype=float)
    assert counts.shape[1] == 4
    assert (counts[np.isfinite(counts)] % 5 == 0).all()
    assert set(study.flow_labels(demo, plan)) >= set(flow.columns)
    shown = disclosure.protect_all({"design": study.design(demo, plan)}, "public")["design"].table()
    patients = shown.loc[shown["unit"].eq("patients"), "estimate"].to_numpy(dtype=float)
    assert len(patients) == 3
    assert (patients[np.isfinite(patients)] % 5 == 0).all()
    for audience in ("shared", "public"):
        said = study.standing(study.status(PLAN_FILE, demo), demo, audience=audience)
        assert not said["what"].isin(["register then", "rows added since"]).any()


@pytest.mark.parametrize(
    ("word", "adjusted_p", "says"),
    [
        ("lower", 0.094, "cannot tell once all such tests are counted (lower alone)"),
        ("lower", 0.020, "lower"),
        ("no difference that matters", 0.500, "no difference that matters"),
    ],
)
def test_a_difference_is_said_only_if_it_holds_among_all_tests_of_its_role(word, adjusted_p, says):
    """The conclusion goes by the p-value that the plan declares: the adjusted one."""
    found = SimpleNamespace(verdict=SimpleNamespace(said=word), effect=SimpleNamespace(is_known=True))
    assert study_questions._said_among(found, adjusted_p, 0.05) == says


def test_a_difference_of_plateaus_is_that_of_the_plateaus_drawn():
    """Simulated truth: FUE 8 points lower in the end. Zones: beside the coefficients of the audit's curve."""
    known = replace(simulate.Truth(), method={"FUT": 0.0, "FUE": -8.0, "combined": 0.0})
    tables, drawn = simulate.register(150, truth=known, seed=53, months=30, entry_months=12)
    read = simulate.as_records(tables)
    plateau = {"id": "plateau", "role": "primary", "outcome": {"kind": "plateau_yield"}, "matters": 5}
    plan = checked({**content(), "adjust": [{"variable": "zone", "reason": "r"}], "analysis": [plateau]})
    found = study_answer.answer(read, plan, plan.primary)
    units = found.units.merge(drawn.placements[["placement_id", "plateau_pct"]], on="placement_id")
    units["above"] = units["plateau_pct"] - units.groupby("zone")["plateau_pct"].transform("mean")
    true = units.groupby("x")["above"].mean().diff().iloc[-1]
    assert found.effect.estimate == pytest.approx(true, abs=2 * found.effect.se)
    assert found.verdict.said == "lower"
    zones = {"variable": "zone", "reference": ["frontal"], "compared": ["crown"], "reason": "r"}
    by_zone = checked({**content(), "exposure": zones, "adjust": [], "analysis": [plateau]})
    of_zones = study_answer.answer(read, by_zone, by_zone.primary)
    crown = of_zones.effect
    fit = regrowth.fit_emergence(read)
    ends = dict(zip(fit.zones, fit.beta[slice(*fit.slices[regrowth.PLATEAU])], strict=True))
    assert crown.estimate == pytest.approx(ends["crown"] - ends["frontal"], abs=crown.se)
    # The plateaus of the groups: the audit's for zones, and apart by the answer for methods.
    told = [row["estimate"] for row in study_report.by_group(of_zones, by_zone)]
    assert told == pytest.approx([ends["frontal"], ends["crown"]], abs=crown.se)
    strip, single = (row["estimate"] for row in study_report.by_group(found, plan))
    assert single - strip == pytest.approx(found.effect.estimate)
