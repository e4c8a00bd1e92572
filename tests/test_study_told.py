"""What is told of a study: the margin everywhere, one patient's weight, the groups, words from what ran."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from plans import PLAN, YIELD
from scipy import stats

from analytics import disclosure, simulate, study
from analytics.numerics import power, resample
from analytics.pages import figures, sentences, study_text
from analytics.pages.page import Page
from analytics.results import Result
from analytics.study import answer as study_answer
from analytics.study import report as study_report
from analytics.study import rows as study_rows
from analytics.study.confounding import side_by_side, undeclared
from analytics.study.design import _simulated
from analytics.study.plan import checked
from analytics.study.robustness import _against_declared

NI = {**YIELD, "hypothesis": "non-inferiority", "margin": 8, "better": "higher"}


def plan_of(**changes):
    return checked({**PLAN, **changes})


def given_of(y, x, patient):
    frame = pd.DataFrame({"y": np.asarray(y, float), "x": np.asarray(x, float), "patient_id": patient})
    frame = frame.assign(
        variance=np.nan, zone="frontal", session_id="s", site="whole", reason="", is_due=True,
        unit_id=[str(k) for k in range(len(frame))],
    )  # fmt: skip
    return study_rows.Sample(frame, True, plan_of().exposure)


@pytest.fixture(scope="module")
def register():
    known = replace(simulate.Truth(), method={"FUT": 0.0, "FUE": -4.0, "combined": 0.0})
    tables, _ = simulate.register(90, truth=known, seed=21, months=30, entry_months=15)
    return simulate.as_records(tables)


@pytest.fixture(scope="module")
def not_worse(register):
    plan = plan_of(analysis=[NI])
    return plan, study_answer.answer(register, plan, plan.primary)


# One patient


def test_an_answer_that_hangs_on_one_planted_patient_is_flagged():
    rng = np.random.default_rng(7)
    y = np.concatenate([rng.normal(80, 3, 12), rng.normal(80.5, 3, 12)])
    x = np.repeat([0.0, 1.0], 12)
    y[20] = -40.0
    plan = plan_of(adjust=[], analysis=[{**YIELD, "matters": 6}])
    found = study_answer.of_sample(given_of(y, x, [f"p{k:02d}" for k in range(24)]), plan, plan.primary)
    told = study_report.influence(found, plan)
    assert found.verdict.said == "cannot tell"
    assert told.checks == {"hangs_on_no_single_patient": False}
    assert (
        told.table()["flag"].str.contains(f"{study.HANGS}: without one of 1 the conclusion is another").sum()
        == 2
    )
    assert told.extra["each"].iloc[0]["patient_id"] == "p20"
    # Difference of two means without that patient, by hand.
    without = np.delete(y, 20)
    expected = without[12:].mean() - without[:12].mean()
    highest = told.table().set_index("term").loc["highest without one patient", "estimate"]
    assert highest == pytest.approx(expected, abs=1e-8)


def test_an_answer_near_its_edge_hangs_on_nobody_while_no_patient_is_further_off_than_the_furthest_would_be():
    # Normal scores moved apart until t is just past its 5 % point: somebody's absence must undo that.
    scores = stats.norm.ppf((np.arange(12) + 0.5) / 12)
    apart = 1.02 * stats.t.ppf(0.975, 22) * scores.std(ddof=1) * np.sqrt(2 / 12)
    y = 80 + np.concatenate([scores, scores + apart])
    plan = plan_of(adjust=[], analysis=[{**YIELD, "matters": 6}])
    given = given_of(y, np.repeat([0.0, 1.0], 12), [f"p{k:02d}" for k in range(24)])
    found = study_answer.of_sample(given, plan, plan.primary)
    told = study_report.influence(found, plan)
    assert found.verdict.said == "higher"
    assert told.checks == {"hangs_on_no_single_patient": True}
    assert told.table()["flag"].str.startswith("near the edge: without one of").sum() == 2
    # The chance against the definition, one patient's shift held against all others'.
    each = told.extra["each"]["without"].to_numpy()
    others = each[1:]
    far = abs(each[0] - others.mean()) / (others.std(ddof=1) * np.sqrt(1 + 1 / 23))
    moved = resample.Influence(np.arange(24), each[:, None], *[np.zeros(0)] * 5)
    assert moved.p_furthest()[0] == pytest.approx(min(24 * 2 * stats.t.sf(far, 22), 1.0))


def test_a_page_says_first_that_its_answer_hangs_on_one_patient():
    flags = pd.DataFrame(
        {"term": ["a", "b"], "estimate": [1.0, 2.0], "unit": "points", "flag": ["", f"{study.HANGS}: x"]}
    )
    page = Page("03_hypothesis_study", {}, None, "", {"influence": Result(flags, pd.DataFrame(), "m")})
    assert study_text.hanging(page) == [f"{study.HANGS}: x"]
    assert study_text.hanging(replace(page, results={})) == []


def test_an_answer_that_rests_on_all_is_not_flagged():
    rng = np.random.default_rng(8)
    y = np.concatenate([rng.normal(80, 3, 15), rng.normal(60, 3, 15)])
    plan = plan_of(adjust=[])
    found = study_answer.of_sample(given_of(y, np.repeat([0.0, 1.0], 15), np.arange(30)), plan, plan.primary)
    told = study_report.influence(found, plan)
    assert told.checks == {"hangs_on_no_single_patient": True}
    assert not told.table()["flag"].str.contains(study.HANGS).any()


# Against a margin


def test_the_one_sided_size_is_half_the_two_sided_and_the_interval_matches(not_worse):
    plan, found = not_worse
    assert plan.tail == 0.025
    assert found.verdict.level == 0.95
    declared = plan_of(analysis=[NI], one_sided_alpha=0.05)
    assert declared.level(declared.primary) == pytest.approx(0.90)
    # ICH E9: not inferior exactly where the lower limit of the two-sided interval is above the margin.
    assert (
        (found.verdict.low > -8) == (found.verdict.said == "not inferior") == (found.verdict.p_value < 0.025)
    )


def test_the_verdict_is_one_and_the_same_wherever_it_is_told(register, not_worse):
    plan, found = not_worse
    said = found.verdict.said
    answer, tests = study.answers(register, plan).table(), study.tests(register, plan).table()
    assert answer["flag"].iloc[0].startswith(said)
    assert tests["flag"].iloc[0].startswith(said)
    assert list(answer["term"]) == ["answer"]
    stated = study.estimand(plan).set_index("part").loc["hypothesis", "declared"]
    assert stated.startswith("non-inferiority, margin 8, 2.5 % one-sided, decided by the interval of 95 %")
    assert "2.5 % one-sided" in study.answers(register, plan).method


def test_the_margin_is_drawn_in_every_picture_of_the_answer(register, not_worse):
    plan, _ = not_worse
    told = {
        "answer": study.answers(register, plan),
        "tests": study.tests(register, plan),
        "confounding": study.confounding(register, plan),
        "missing": study.missing(register, plan),
        "robustness": study.robustness(
            register, plan, options={"native loss": ["none"], "photographs": ["standard"]}
        ),
    }
    for name, result in told.items():
        panel = figures.draw(result)
        lines = [line for line in panel.get_lines() if line.get_label() == "margin"]
        at = [float(np.asarray(v)[0]) for line in lines for v in (line.get_xdata(), line.get_ydata())]
        assert -8.0 in at, name
    assert not study.answers(register, plan_of()).extra


def test_combinations_with_another_verdict_are_flagged():
    table = pd.DataFrame(
        {"said": ["lower", "lower", "cannot tell", None], "flag": ["declared", "", "x", "y"]}
    )
    told, same = _against_declared(table)
    assert told["flag"].tolist() == ["declared", "", "another verdict: cannot tell; x", "y"]
    assert same == 2


def test_power_at_the_margin_is_that_of_a_one_sided_t_test():
    """Noncentral t, 30 a group, margin 2, SD 2.8, one-sided 2.5 %; 400 draws: SE 2.1 points."""
    rng = np.random.default_rng(2)
    y = rng.standard_normal(60)
    y = (y - y.mean()) / y.std(ddof=1) * 2.8
    given = given_of(y, np.repeat([0.0, 1.0], 30), np.arange(60))
    drawn = _simulated(given, plan_of(adjust=[]), np.random.default_rng(4), 400)
    expected = power.t_test_power(2 / 2.8, 30, alpha=0.025, sides=1)
    assert drawn.power_at_margin(2.0, 0.025, both=False) == pytest.approx(expected, abs=0.065)
    assert drawn.power_at_margin(2.0, 0.025, both=True) < drawn.power_at_margin(2.0, 0.025, both=False)


def test_the_design_check_speaks_of_the_margin_alone(register, not_worse):
    plan, _ = not_worse
    terms = " ".join(study.design(register, plan).table()["term"])
    assert "power at the margin, no true difference, simulated" in terms
    assert "needed for 80 % power at the margin" in terms
    assert "what matters" not in terms


def test_a_one_sided_p_is_adjusted_on_the_scale_of_the_two_sided():
    """Holm of .02 (two-sided) and .01 (one-sided at 2.5 %, as .02): .04 and .02 (by hand)."""
    scaled = power.adjust([0.02, 0.01 * 2], "holm") / np.array([1, 2])
    assert scaled == pytest.approx([0.04, 0.02])


# The groups and the model


def test_group_means_and_coefficients_are_those_of_the_units(register):
    plan = plan_of()
    found = study_answer.answer(register, plan, plan.primary)
    model = study.model(register, plan)
    table = model.table()
    raw = table[table["part"].eq("mean as it is")].set_index("term")["estimate"]
    by_hand = found.units.groupby("x")["y"].mean()
    assert raw.tolist() == pytest.approx(by_hand.tolist())
    held = table[table["part"].eq("mean, adjusted")]["estimate"]
    answer = study.answers(register, plan).table()["estimate"].iloc[0]
    assert held.iloc[1] - held.iloc[0] == pytest.approx(answer)
    coefficient = table[table["part"].eq("coefficient") & table["term"].eq("exposure")]["estimate"].iloc[0]
    assert coefficient == pytest.approx(answer)
    assert {"between patients", "within patients"} <= set(table["term"])
    # A coefficient is about those who hold its level: withheld where they are few, each side counted by hand.
    crowns = found.units.loc[found.units["zone"].eq("crown"), "patient_id"].nunique()
    for threshold, is_shown in ((crowns, True), (crowns + 1, False)):
        shown = disclosure.protect_all({"m": model}, "shared", threshold=threshold)["m"].table()
        assert shown.loc[shown["term"].eq("zone: crown"), "estimate"].notna().tolist() == [is_shown]
        assert shown.loc[shown["term"].eq("constant"), "estimate"].notna().all()


def test_the_groups_are_described_as_counted_by_hand(register):
    plan = plan_of()
    found = study_answer.answer(register, plan, plan.primary)
    table = study.table_one(register, plan).set_index(["variable", "level"])
    people = found.units.drop_duplicates(["patient_id", "x"])
    ages = people.groupby("x")["age_years"]
    row = table.loc[("age", "mean")]
    assert [row["reference"], row["compared"]] == pytest.approx(ages.mean().tolist())
    middle = table.loc[("age", "median")]
    assert [row["sd_reference"], middle["compared"]] == pytest.approx([ages.std()[0.0], ages.median()[1.0]])
    assert [middle["low_reference"], middle["high_reference"]] == pytest.approx(
        ages.quantile([0.05, 0.95])[0.0].tolist()
    )
    assert [row["n_reference"], row["n_missing_compared"]] == [
        ages.count()[0.0],
        people["age_years"].isna()[people["x"].eq(1)].sum(),
    ]
    # Austin 2009: difference of means over the root of the mean of the two variances.
    expected = (ages.mean()[1.0] - ages.mean()[0.0]) / np.sqrt((ages.var()[0.0] + ages.var()[1.0]) / 2)
    assert row["standardised_difference"] == pytest.approx(expected)
    crown = table.loc[("zone", "crown, %")]
    units = found.units[found.units["x"].eq(1.0)]
    assert crown["compared"] == pytest.approx(100 * units["zone"].eq("crown").mean())
    left = study.reasons(register, plan)
    assert left["n_units"].sum() == found.given.units["reason"].ne("").sum()
    # What was compared stands first; those without an outcome are those the flow loses at its last step.
    assert table.index[0][0] == "method"
    assert table.loc[("method", "FUE, %"), ["reference", "compared"]].tolist() == [0.0, 100.0]
    assert table.loc["method"]["standardised_difference"].isna().all()
    lost = left.loc[left["reached"].eq("outcome month reached"), "n_units"].sum()
    assert table.loc["zone"][["n_unseen_reference", "n_unseen_compared"]].to_numpy().sum() == lost
    everyone = found.given.units.assign(seen=found.given.units["reason"].eq(""))
    due = everyone[everyone["seen"] | everyone["is_due"]].drop_duplicates(["patient_id", "x", "seen"])
    own = due[due["x"].eq(1.0)].groupby("seen")["age_years"]
    apart = (own.mean()[False] - own.mean()[True]) / np.sqrt((own.var()[False] + own.var()[True]) / 2)
    assert row["difference_compared"] == pytest.approx(apart)
    # For others no word of few, none alone withheld (the rest would give it back); in public none of staff.
    shown = disclosure.protect_frame(study.table_one(register, plan), "shared")
    counts = shown[[c for c in shown if c.startswith("n_")]].to_numpy()
    assert not ((counts > 0) & (counts < 5)).any()
    words = shown[shown["level"].str.endswith(", %")]
    hidden = words["n_reference"].isna().groupby(words["variable"]).sum()
    assert hidden.gt(1).any()
    assert not hidden.eq(1).any()
    whole = study.table_one(register, plan).set_index(["variable", "level"])
    for variable, own in words.groupby("variable"):
        gone = whole.loc[variable].loc[own.loc[own["n_reference"].isna(), "level"]]
        left = gone[["n_reference", "n_compared", "n_unseen_reference", "n_unseen_compared"]].sum()
        assert len(gone) == len(own) or not left.between(1, 4).any(), variable
    public = disclosure.protect_frame(study.table_one(register, plan), "public")
    assert {"surgeon", "team"} & set(shown["variable"])
    assert not {"surgeon", "team"} & set(public["variable"])


def test_shares_of_few_are_withheld_with_all_that_would_give_them_back():
    """3 of 30 and 10 of 40 by hand; held is what the events carry: two a column."""
    x, y = np.repeat([1.0, 0.0], [30, 40]), np.zeros(70)
    y[:3], y[30:40] = 1.0, 1.0
    given = given_of(y, x, np.arange(70))
    given.units["smoker"] = np.where(np.arange(70) % 3 == 0, "yes", "no")
    rare = {**YIELD, "outcome": {"kind": "complication", "event": "folliculitis"}, "better": "lower"}
    plan = plan_of(adjust=[{"variable": "smoker", "reason": "r"}], analysis=[rare])
    found = study_answer.of_sample(given, plan, plan.primary)
    assert found.held == ("smoker",)
    groups = pd.DataFrame(study_report.by_group(found, plan))
    assert groups["estimate"].tolist() == pytest.approx([25.0, 10.0])
    told = Result(pd.DataFrame([study_answer.row(found)]), given.units, "m", extra={"groups": groups})
    seen = disclosure.protect_all({"t": told}, "shared")["t"]  # fewer than 5
    assert seen.table()["estimate"].isna().all()
    assert seen.extra["groups"]["estimate"].notna().tolist() == [True, False]
    fewer = replace(given, units=given.units.assign(y=np.where(np.arange(70) % 14 == 0, 1.0, 0.0)))
    assert study_answer.of_sample(fewer, plan, plan.primary).held == ()


# Words


def _page(register, plan, *names: str) -> Page:
    results = {
        name: getattr(study, name if name != "answer" else "answers")(register, plan) for name in names
    }
    return Page("03_hypothesis_study", {}, register, "", results)


WORDS = {
    "confounding": "weighted by propensity", "balance": "standardised difference", "e_values": "E-value",
    "missing": "imputed", "tipping": "points were added",
    "influence": "refitted without each patient", "leftover": "with a normal distribution",
    "by_zone": "estimated in each of", "design": "power with the units",
    "tests": "1 primary", "answer": "Kenward-Roger",
}  # fmt: skip


def test_no_sentence_without_its_result(register, tmp_path):
    plan, standing = plan_of(), study.Status("not frozen: exploratory", None, (), {}, 0)
    names = tuple(WORDS)
    page = _page(register, plan, *names)
    whole = study_text.methods(page, plan, standing)
    text = " ".join(whole["text"])
    for name, word in WORDS.items():
        assert word in text, name
        fewer = replace(page, results={k: v for k, v in page.results.items() if k != name})
        kept = study_text.methods(fewer, plan, standing)
        said = " ".join(kept.loc[kept["part"].ne("References"), "text"])
        # A tipping point is told with what is missing.
        assert word not in said or name == "missing", name
    bare = study_text.methods(replace(page, results={}), plan, standing)
    assert bare["part"].tolist() == ["Design", "Patients", "Comparison", "Outcome", "Software", "References"]
    assert bare["text"].iloc[-1] == ""
    cited = whole.set_index("part").loc["References", "text"]
    assert "Kenward & Roger" in cited
    assert "Austin 2009" in cited
    assert "Mancl" not in cited


def test_an_outcome_of_times_claims_no_weights_and_no_imputation(register):
    second = {**YIELD, "id": "s", "role": "secondary", "outcome": {"kind": "satisfaction"}, "matters": 1}
    first = {**YIELD, "outcome": {"kind": "milestone", "percent": 25}, "matters": 1.2}
    plan = plan_of(analysis=[first, second])
    page = _page(
        register, plan, "answer", "confounding", "missing", "tipping", "e_values", "influence", "tests"
    )
    said = study_text.methods(page, plan, study.Status("not frozen: exploratory", None, (), {}, 0))
    text = " ".join(said["text"])
    for word in ("weighted", "imputed", "points were added", "refitted without"):
        assert word not in text
    assert "time-ratio model" in text
    assert "units have no count that serves" in text
    # A secondary outcome has its method and its groups from the tests that ran, and neither without them.
    others = said.set_index("part").loc["Other outcomes", "text"]
    assert others.startswith("Satisfaction, 0 to 10, nearest to month 12: mixed model")
    shown = study_text.by_group(page.results["tests"])
    of_s = shown[shown["analysis"].eq("s") & shown["part"].eq("Mean as it is")]
    units = study_answer.answer(register, plan, plan.named("s")).units
    mean, sd = units.groupby("x")["y"].mean()[1.0], units.groupby("x")["y"].std()[1.0]
    assert of_s["outcome"].iloc[1].startswith(f"{mean:.1f} of 10; SD {sd:.1f}")
    fewer = replace(page, results={k: v for k, v in page.results.items() if k != "tests"})
    rest = study_text.methods(fewer, plan, study.Status("not frozen: exploratory", None, (), {}, 0))
    assert "Other outcomes" not in set(rest["part"])


def test_every_reporting_item_is_answered_said_absent_or_left_to_the_author(register):
    plan, standing = plan_of(), study.Status("not frozen: exploratory", None, (), {}, 0)
    items = study_text.items(_page(register, plan, "answer", "confounding"), plan, standing)
    # STROBE has 22 items; RECORD adds 13 (von Elm 2007; Benchimol 2015)
    numbers = items.loc[items["guideline"].eq("STROBE"), "item"].str.extractall(r"(\d+)")[0].astype(int)
    assert {1, *numbers} >= {1, 2, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 21, 22}
    assert items["guideline"].eq("RECORD").sum() == 13
    answered = items.set_index(["guideline", "item"])["answered"]
    assert answered["STROBE", "14c"] == "the groups: month of the outcome"
    assert answered["STROBE", "16"] == "ways to allow for differences"
    assert answered["STROBE", "12b"] == study_text.ABSENT
    assert (answered.str.len() > 0).all()


def test_what_was_not_declared_and_lies_apart_is_added_after_the_plan():
    """40 patients, one unit each; grafts and curl apart, age 0.2 SD apart: least squares by hand."""
    rng = np.random.default_rng(5)
    x, alike = np.repeat([0.0, 1.0], 20), np.tile(np.linspace(-1, 1, 20), 2)
    grafts, age = 900 + 100 * alike + 150 * x, 40 + alike**2 + 0.2 * np.std(alike[:20] ** 2, ddof=1) * x
    y = 70 + 0.02 * grafts + rng.normal(0, 3, 40)
    given = given_of(y, x, [f"p{k:02d}" for k in range(40)])
    curl = np.where((np.arange(40) % 5 == 0) | (x == 0) & (np.arange(40) % 2 == 0), "straight", "wavy")
    given.units[["grafts", "age_years", "curl"]] = pd.DataFrame(
        {"grafts": grafts, "age_years": age, "curl": curl}
    )
    plan = plan_of(adjust=[])
    found = study_answer.of_sample(given, plan, plan.primary)
    assert undeclared(found, plan) == (["grafts", "curl"], [])
    wide = plan_of(adjust=[{"variable": v, "reason": "r"} for v in ("grafts", "curl")])
    more = study_answer.of_sample(given, wide, wide.primary)
    told = side_by_side(found, found, plan, more, []).table().set_index("term").loc[study.ADDED]
    X = np.column_stack([x, np.ones(40), grafts, curl == "wavy"])
    assert told["estimate"] == pytest.approx(np.linalg.lstsq(X, y, rcond=None)[0][0])
    assert told["flag"].startswith("added after the plan: grafts, curl")
    # Two patients a column: with six there is room for one beside exposure and constant.
    few = replace(given, units=given.units.groupby("x").head(3).reset_index(drop=True))
    found = study_answer.of_sample(few, plan, plan.primary)
    assert undeclared(found, plan) == (["grafts"], ["age_years"])
    page = Page("03_hypothesis_study", {}, None, "", {"confounding": replace_table(told)})
    said = study_text.methods(page, plan, study.Status("not frozen: exploratory", None, (), {}, 0))
    assert "at least 0.25 standard deviations apart: grafts, curl." in " ".join(said["text"])
    assert "Stuart 2010" in said["text"].iloc[-1]


def replace_table(row: pd.Series) -> Result:
    return Result(row.to_frame().T.reset_index(names="term"), pd.DataFrame(), "m")


# The flow drawn


def test_the_flow_is_drawn_with_everyone_left_out_beside_the_stage_not_reached(register):
    """Boxes and their order: what stands in the picture is the table's, and what is left out adds up."""
    plan = plan_of()
    stages, left = study.flow(register, plan), study.reasons(register, plan)
    labels = study.flow_labels(register, plan)
    units = stages.set_index("stage")["n_placements"]
    for before, after in zip(units.index, units.index[1:], strict=False):
        assert left.loc[left["reached"].eq(before), "n_units"].sum() == units[before] - units[after]
    for narrow in (False, True):
        panel = figures.flow(stages, left, labels, narrow=narrow)
        said = [text.get_text() for text in panel.texts if text.get_text()]
        for _, row in stages.iterrows():
            assert f"{row['n_patients']} patients, {row['n_placements']} planted zones" in said
        whole = " ".join(said)
        for _, row in left.iterrows():
            counts = f"{row['n_units']} ({row['n_reference']}, {row['n_compared']})"
            assert f"{counts}: {row['left_out'][:20]}" in whole
        boxes = sorted((p.get_bbox().bounds for p in panel.patches), key=lambda b: b[1])
        for a, b in pairwise(boxes if narrow else [x for x in boxes if x[0] > 0]):
            assert a[1] + a[3] <= b[1] + 1e-9  # none lies over another


def test_counts_that_are_withheld_are_not_drawn(register):
    plan = plan_of()
    stages, left = study.flow(register, plan), study.reasons(register, plan)
    hidden = left.assign(n_units=np.nan, n_patients=np.nan, n_reference=np.nan, n_compared=np.nan)
    panel = figures.flow(stages.assign(n_reference=np.nan), hidden, study.flow_labels(register, plan))
    said = [text.get_text() for text in panel.texts]
    assert sum(text.startswith("withheld: ") for text in said) == len(left)


def test_the_table_of_groups_is_read_with_both_groups_beside_each_other(register):
    plan = plan_of()
    whole = study.table_one(register, plan)
    read = study_text.groups(whole)
    assert list(read.columns) == [
        "variable", "level", "reference", "compared", "missing", "standardised_difference",
    ]  # fmt: skip
    row, middle = (r for _, r in whole[whole["variable"].eq("age")].iterrows())
    seen, under = (r for _, r in read[read["variable"].eq("age")].iterrows())
    assert seen["compared"] == f"{row['compared']:.1f} ({row['sd_compared']:.1f})"
    ends = f"{middle['low_compared']:.1f} to {middle['high_compared']:.1f}"
    assert under["compared"] == f"{middle['compared']:.1f} ({ends})"
    beside = study_text.unseen(whole)
    assert len(beside.columns) == 6
    of_age = beside[beside["variable"].str.startswith("age: not seen less seen")].iloc[0]
    assert of_age["unseen_compared"] == f"{row['unseen_compared']:.1f} ({row['sd_unseen_compared']:.1f})"
    assert not beside["variable"].str.contains("of the outcome").any()
    everyone = whole.assign(n_unseen_reference=0, n_unseen_compared=0)
    assert study_text.unseen(everyone).empty
    assert seen["missing"] == f"{row['n_missing_reference']:.0f} and {row['n_missing_compared']:.0f}"
    words = read[read["variable"].eq("zone")]
    assert (words["missing"] != "").sum() == 1


def test_nothing_held_equal_is_no_repetition_where_the_plan_holds_nothing_equal(register):
    plan = plan_of(adjust=[])
    page = _page(register, plan, "confounding")
    said = study_text.methods(page, plan, study.Status("not frozen: exploratory", None, (), {}, 0))
    assert "unadjusted" not in " ".join(said["text"])
    held = _page(register, plan_of(), "confounding")
    again = study_text.methods(held, plan_of(), study.Status("not frozen: exploratory", None, (), {}, 0))
    assert "unadjusted" in " ".join(again["text"])


def test_the_months_of_the_outcomes_stand_with_the_groups(register):
    """Time followed (STROBE 14c): the mean month of the outcomes of each group, from the units by hand."""
    plan = plan_of()
    units = study_answer.answer(register, plan, plan.primary).units
    row = (
        study.table_one(register, plan).set_index(["variable", "level"]).loc[("month of the outcome", "mean")]
    )
    means = units.groupby("x")["month"].mean()
    assert [row["reference"], row["compared"]] == pytest.approx(means.tolist())


def test_bars_that_are_all_withheld_are_said_and_not_drawn(register):
    plan = plan_of()
    overlap = study.overlap(register, plan)
    assert figures.unsaid(overlap) == ""
    hidden = overlap.estimates.assign(estimate=np.nan, flag="withheld, small numbers")
    assert figures.unsaid(replace(overlap, estimates=hidden)) == "Withheld, small numbers."
    grid = replace(overlap, picture="specification")  # every combination of choices without an answer
    few = hidden.assign(flag="5 patients in the compared group")
    assert figures.unsaid(replace(grid, estimates=few)) == "5 patients in the compared group."


def test_an_answer_without_a_number_claims_no_estimate():
    row = {
        "term": "answer",
        "estimate": np.nan,
        "unit": "points of yield",
        "flag": "cannot tell: 2 are too few",
    }
    plan, standing = plan_of(), study.Status("not frozen: exploratory", None, (), {}, 0)
    told = Result(pd.DataFrame([row]), pd.DataFrame(), "m")
    said = sentences.study_answer(told, plan, "cannot tell: 2 are too few", standing)
    assert said.endswith("differs. 2 are too few.")
    known = replace(told, estimates=pd.DataFrame([{**row, "estimate": 1.0}]))
    assert "The estimate is 1 point." in sentences.study_answer(known, plan, "1 point", standing)
