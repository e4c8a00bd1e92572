"""Milestones on hand-made registers whose answers can be counted, and on invented ones with a known truth."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr
from statsmodels.stats.proportion import proportion_confint
from test_results import assert_keeps_the_contract

from analytics import milestones, regrowth, simulate, yields
from analytics.errors import ParameterError
from analytics.milestones import first_readings as milestones_curves
from analytics.milestones import model as milestones_model
from analytics.milestones.intervals import Question
from analytics.numerics.nonlinear import share
from analytics.regrowth.quantities import parameters, variances

NEVER = np.inf
UNCHANGED = yields.Choices(native_change="none")


def _register(cases, *, therapies=None):
    """Return a register from cases: (patient, zone, {month: gain in percent of 50 planted hairs/cm2}).

    Each case is one session of one patient. Marked fields of 4 cm2 with 40 native hairs/cm2; a month of 0 is
    the baseline.
    """
    rows, places, done = [], {}, {}
    for patient, zone, gains in cases:
        session = f"{patient}-1"
        done.setdefault(session, {"session_id": session, "patient_id": patient, "register_month": 10})
        places[session, zone] = {
            "placement_id": f"{session}-{zone}",
            "session_id": session,
            "zone": zone,
            "area_cm2": 40.0,
            "grafts": 1000,
            "hairs": 2000.0,
            "roi_planted_hairs_cm2": 50.0,
        }
        for month, gain in gains.items():
            rows.append(
                {
                    "patient_id": patient,
                    "zone": zone,
                    "region_kind": "planted",
                    "session_id": session,
                    "month": float(month),
                    "density_hairs_cm2": 40.0 + 50.0 * gain / 100.0,
                    "roi_area_cm2": 4.0,
                    "n_fields": 1,
                    "roi_marked": True,
                    "reader_id": "R1",
                    "standard_conditions": True,
                }
            )
    table = pd.DataFrame(list(done.values())).assign(
        session_number=lambda t: t.groupby("patient_id").cumcount() + 1,
        method="FUE",
        surgeon_id="S1",
        team_id="T1",
        grafts_out=1000,
        grafts_discarded=0,
        register_month=lambda t: 10 + 14 * t.groupby("patient_id").cumcount(),
    )
    return simulate.as_records(
        {
            "patients": pd.DataFrame({"patient_id": list(dict.fromkeys(c[0] for c in cases)), "sex": "M"}),
            "sessions": table,
            "placements": pd.DataFrame(list(places.values())),
            "measurements": pd.DataFrame(rows),
            "therapies": pd.DataFrame(
                therapies or [], columns=["patient_id", "kind", "start_register_month"]
            ),
        }
    )


def _four_visits():
    """Return 100 crowns seen at 0, 3, 6, 9: 10 reach 50 % in 0-3, 50 in 3-6, 30 in 6-9, 10 never."""
    courses = [(10, (60, 70, 80)), (50, (10, 60, 70)), (30, (10, 30, 60)), (10, (5, 20, 40))]
    cases = []
    for n, gains in courses:
        for _ in range(n):
            cases.append((f"P{len(cases):03d}", "crown", dict(zip((0, 3, 6, 9), (0, *gains), strict=True))))
    return _register(cases)


def _spans(records, **how):
    table = milestones.intervals(records, choices=UNCHANGED, **how)
    return table.set_index("placement_id")


def test_four_visits_give_the_shares_that_can_be_counted():
    found = milestones.time_to(_four_visits(), months=(3, 6, 9), n_resamples=50, choices=UNCHANGED)
    table = found.table()
    shares = table[table["term"].eq("first reading")].set_index("x")["estimate"]
    np.testing.assert_allclose(shares.loc[[3.0, 6.0, 9.0]], [10.0, 60.0, 90.0], atol=1e-6)
    assert_keeps_the_contract(found)


def test_limits_of_a_share_of_independent_placements_are_wilson_s():
    # One placement a patient, no interval between: Wilson's limits of 60 of 100 (Newcombe 1998, formula) are
    # 50.2 to 69.1; the resampled error stands for sqrt(0.6 x 0.4 / 100).
    table = milestones.time_to(_four_visits(), months=(6,), n_resamples=1000, choices=UNCHANGED).table()
    row = table[table["term"].eq("first reading")].iloc[0]
    np.testing.assert_allclose([row["ci_low"], row["ci_high"]], [50.20, 69.06], atol=0.8)


def test_limits_of_a_share_rest_on_what_its_error_is_worth():
    # 25 % with the error of 10 independent placements: Wilson's formula gives 8.1 to 55.8, whatever was
    # counted.
    error = np.array([np.sqrt(0.25 * 0.75 / 10)])
    low, high = milestones_curves.share_limits(np.array([0.25]), error, np.array([1e9]), level=0.95)
    np.testing.assert_allclose([low[0], high[0]], [0.08095, 0.55783], atol=2e-5)
    # An error from 20 patients: t of 19 degrees of freedom is 2.0930 (any table), so that the 10 are worth
    # 10 x 19/20 x (1.9600 / 2.0930)^2 = 8.3308; Wilson's formula from the reference library.
    low, high = milestones_curves.share_limits(np.array([0.25]), error, np.array([20.0]), level=0.95)
    wanted = proportion_confint(0.25 * 8.3308, 8.3308, method="wilson")
    np.testing.assert_allclose([low[0], high[0]], wanted, atol=2e-5)


def test_a_placement_lies_between_its_last_visit_below_and_its_first_at_or_above():
    spans = _spans(
        _register(
            [
                ("A", "crown", {0: 0, 3: 10, 6: 49.9, 9: 50, 12: 30}),
                ("B", "crown", {0: 0, 3: 55}),
                ("C", "crown", {0: 0, 3: 5, 12: 45}),
                ("D", "crown", {-2: 0, 9: 80}),
            ]
        )
    )
    np.testing.assert_array_equal(spans["left"], [6.0, 0.0, 12.0, 0.0])
    np.testing.assert_array_equal(spans["right"], [9.0, 3.0, NEVER, 9.0])
    assert list(spans["ended_by"]) == ["reached", "reached", "last visit", "reached"]


def test_readings_belong_to_their_nearest_planned_visit_unless_exact_months_are_asked_for():
    records = _register(
        [("A", "crown", {0: 0, 5.6: 10, 8.4: 20, 12.7: 60}), ("B", "crown", {0: 0, 11.4: 10, 12.4: 60})]
    )
    grouped, exact = _spans(records), _spans(records, planned_months=None)
    np.testing.assert_array_equal(grouped[["left", "right"]], [[9.0, 12.0], [9.0, 12.0]])
    np.testing.assert_array_equal(exact[["left", "right"]], [[8.4, 12.7], [11.4, 12.4]])


def test_repeated_counts_of_one_visit_are_averaged():
    records = _register([("A", "crown", {0: 0, 6: 40, 9: 70})])
    again = records.measurements.iloc[[1]].assign(density_hairs_cm2=40.0 + 35.0, count_number=2)
    twice = replace(records, measurements=pd.concat([records.measurements, again], ignore_index=True))
    assert _spans(twice).loc["A-1-crown", "right"] == 6.0


def test_a_second_session_in_the_zone_ends_the_watch():
    # The count before the second session (month 0 there) is the first session's last reading, at month 14.
    records = _register([("A", "crown", {0: 0, 6: 20}), ("A", "crown", {0: 30, 12: 90})])
    first = records.measurements.iloc[:2]
    second = records.measurements.iloc[2:].assign(session_id="A-2")
    sessions = pd.concat(
        [
            records.sessions,
            records.sessions.assign(
                session_id="A-2", session_number=2, register_month=24, patient_month=14.0
            ),
        ]
    )
    places = pd.concat(
        [records.placements, records.placements.assign(session_id="A-2", placement_id="A-2-crown")]
    )
    both = replace(
        records,
        measurements=pd.concat([first, second], ignore_index=True),
        sessions=sessions.reset_index(drop=True),
        placements=places.reset_index(drop=True),
    )
    spans = _spans(both, planned_months=None)
    assert (spans.loc["A-1-crown", "left"], spans.loc["A-1-crown", "right"]) == (14.0, NEVER)
    assert spans.loc["A-1-crown", "ended_by"] == "second session in the zone"


def test_the_start_of_medical_therapy_ends_the_watch_only_where_asked_for():
    # Session in register month 10; therapy from register month 17, that is month 7 of the session.
    course = [{"patient_id": "A", "kind": "finasteride", "start_register_month": 17}]
    records = _register([("A", "crown", {0: 0, 3: 10, 6: 20, 9: 60})], therapies=course)
    assert _spans(records).loc["A-1-crown", "right"] == 9.0
    ended = _spans(records, end_at_therapy=True).loc["A-1-crown"]
    assert (ended["left"], ended["right"], ended["ended_by"]) == (6.0, NEVER, "start of medical therapy")
    before = [{**course[0], "start_register_month": 3}]
    under = _register([("A", "crown", {0: 0, 3: 10, 6: 20, 9: 60})], therapies=before)
    assert _spans(under, end_at_therapy=True).loc["A-1-crown", "right"] == 9.0


def test_a_placement_without_a_baseline_is_left_out_with_its_reason():
    records = _register([("A", "crown", {6: 60}), ("B", "crown", {0: 0}), ("C", "crown", {0: 0, 6: 60})])
    spans = _spans(records)
    assert spans.loc["A-1-crown", "reason"] == yields.REASONS["no_baseline"]
    assert spans.loc["B-1-crown", "reason"] == "no reading after the session"
    assert spans.loc["C-1-crown", "reason"] == ""
    assert spans.loc[["A-1-crown", "B-1-crown"], "left"].isna().all()


def test_the_rules_differ_as_they_are_meant_to():
    # 55 % touched once at 6 and lost: first says 6, twice says 12. Errors of some 7 points: confirmed needs
    # more.
    records = _register([("A", "crown", {0: 0, 6: 55, 9: 40, 12: 58, 15: 60, 18: 80})])
    months = {
        rule: _spans(records, rule=rule).loc["A-1-crown", "right"] for rule in ("first", "twice", "confirmed")
    }
    assert months == {"first": 6.0, "twice": 12.0, "confirmed": 18.0}


def test_a_median_is_not_printed_where_most_of_its_interval_lies_past_the_last_visit():
    shown = milestones_curves.printable_median(11.0, 9.0, 15.0, 12.0)
    assert (shown["estimate"], shown["flag"]) == (11.0, "")
    # Exactly 70 % past follow-up: 9 to 19, seen to 12.
    assert np.isnan(milestones_curves.printable_median(14.0, 9.0, 19.0, 12.0)["estimate"])
    assert milestones_curves.printable_median(14.0, 9.0, 18.9, 12.0)["estimate"] == 14.0
    never = milestones_curves.printable_median(11.0, 9.0, np.inf, 12.0)
    assert "past the last visit" in never["flag"]


def test_nobody_reached_and_few_patients_are_flagged_and_not_hidden():
    rows = {}
    for n in (4, 5):
        records = _register([(f"P{i}", "crown", {0: 0, 6: 10, 12: 20}) for i in range(n)])
        table = milestones.time_to(records, n_resamples=30, choices=UNCHANGED).table()
        rows[n] = table[table["term"].eq("first reading") & table["x"].eq(12.0)].iloc[0]
    assert (rows[5]["estimate"], rows[5]["ci_low"]) == (0.0, 0.0)
    # Wilson's upper limit of 0 of 5: z^2 / (5 + z^2) = 43.4 %.
    assert rows[5]["ci_high"] == pytest.approx(43.45, abs=0.01)
    assert rows[4]["estimate"] == 0.0
    assert np.isnan(rows[4]["ci_high"])
    assert "fewer than 5 patients" in rows[4]["flag"]
    assert "no placement was seen to reach it" in rows[4]["flag"]
    at_18 = table[table["term"].eq("first reading") & table["x"].eq(18.0)].iloc[0]
    assert np.isnan(at_18["estimate"])
    assert at_18["flag"] == "past the last visit"


BAD = [
    ({"percent": 0}, r"milestones.time_to\(percent\): 1 value out of range"),
    ({"by": "weather"}, r"milestones.time_to\(by\): 1 unknown column; use one of zone, session_number"),
    ({"family": "both"}, r"milestones.time_to\(family\): unknown; use one of planted, plateau"),
    ({"months": ()}, r"milestones.time_to\(months\): none, or not above 0"),
    ({"planned_months": (6.0, 3.0)}, "not rising above 0"),
    ({"level": 95}, "expected above 0 and under 1"),
]


@pytest.mark.parametrize(("how", "sentence"), BAD, ids=[next(iter(b[0])) for b in BAD])
def test_a_question_without_an_answer_is_refused_in_words(how, sentence):
    with pytest.raises(ParameterError, match=sentence):
        milestones.time_to(_four_visits(), **how)


def test_a_register_without_any_interval_is_refused_in_words():
    with pytest.raises(ParameterError, match="no placement with a baseline and a later reading"):
        milestones.time_to(_register([("A", "crown", {6: 60}), ("B", "crown", {0: 0})]))


@pytest.fixture(scope="module")
def clinic():
    """Return an invented register with a known truth, its rows and its model."""
    truth = replace(simulate.plain(), attendance=simulate.Truth().attendance)
    tables, latent = simulate.register(200, truth=truth, seed=11)
    records = simulate.as_records(tables)
    return records, latent, regrowth.fit_plateaus(records)


@pytest.fixture(scope="module")
def small():
    """Return a small invented register, for questions of form rather than of number."""
    return simulate.as_records(simulate.register(70, truth=simulate.plain(), seed=3)[0])


@pytest.fixture(scope="module")
def eighty(clinic):
    return milestones.time_to(clinic[0], percent=80, plateaus=clinic[2], n_resamples=200)


def _row(result, zone, term, x=None):
    table = result.table()
    own = table[table["zone"].eq(zone) & table["term"].eq(term)]
    return (own if x is None else own[own["x"].eq(x)]).iloc[0]


def test_the_headline_is_the_emergence_model_s_share(clinic, eighty):
    model = regrowth.shares(clinic[2], [12.0], 80.0, zones=["crown"]).table()
    expected = model[model["term"].str.startswith("share_past")].iloc[0]
    found = _row(eighty, "crown", "share reached", 12.0)
    assert (found["estimate"], found["ci_low"]) == pytest.approx((expected["estimate"], expected["ci_low"]))
    assert eighty.table()["term"].iloc[0] == "share reached"
    assert_keeps_the_contract(eighty)


def test_the_model_holds_the_latent_share_and_error_makes_first_readings_early(clinic, eighty):
    # Latent truth: the placements' own months, from the simulator. First readings of the crown are to stand
    # above the model's share at month 12: the first of several noisy readings touches 80 % early.
    latent = clinic[1].placements
    true = 100 * (latent.loc[latent["zone"].eq("crown"), "month_80"] <= 12.0).mean()
    model = _row(eighty, "crown", "share reached", 12.0)
    assert model["ci_low"] < true < model["ci_high"]
    assert _row(eighty, "crown", "first readings expected", 12.0)["estimate"] > model["estimate"] + 3.0
    assert any(note.startswith("crown, month 12: first readings stand") for note in eighty.notes)


def test_expected_first_readings_at_one_visit_are_the_sum_of_plateaus_and_errors(clinic):
    # One reading at month 12 for everyone: of each plateau and tempo in turn, errors of reading, baseline and
    # planted density are normal and add, so the share at or above 80 is a mean of Phi((mean - 80) / sd).
    model, n = clinic[2], 3000
    rows = pd.DataFrame({"placement_id": [f"P{i:04d}" for i in range(n)]}).assign(
        zone="crown", month=12.0, yield_pct=70.0, yield_pct_se=10.0, planted_hairs_cm2=50.0, planted_se=5.0,
        baseline_se=3.0, density_se=4.0, for_milestone=True, is_baseline=False,
    )  # fmt: skip
    _, log_half, log_k = (v[model.fit.zone_index("crown")] for v in parameters(model.fit, model.fit.beta))
    plateau, tempo = regrowth.drawn(model, "crown", 400_000, np.random.default_rng(9))
    true = plateau * share(model.fit.shape, 12.0 / np.exp(log_half + tempo), log_k)[0]
    sd = np.sqrt((0.1 * true) ** 2 + (100 * 3.0 / 50) ** 2 + (100 * 4.0 / 50) ** 2)
    found = milestones_model.expected_first_readings(model, rows, Question(80.0), [12.0], seed=2, copies=10)
    # 30,000 draws: standard error at most 0.3 points.
    assert found["expected"].iloc[0] == pytest.approx(100 * ndtr((true - 80.0) / sd).mean(), abs=1.0)


@pytest.mark.slow
def test_expected_first_readings_are_those_of_the_register(clinic):
    # The simulator's own counting error, visits and hair, in a larger register: every zone within 3.5
    # standard errors of what its readings show (ten comparisons, so 3.5 and not 2).
    truth = replace(simulate.plain(), attendance=simulate.Truth().attendance)
    records = simulate.as_records(simulate.register(600, truth=truth, seed=5)[0])
    found = milestones.time_to(records, percent=80, months=(12, 18), n_resamples=100)
    table = found.table()
    seen = table[table["term"].eq("first reading")].set_index(["zone", "x"])
    expected = table[table["term"].eq("first readings expected")].set_index(["zone", "x"])["estimate"]
    away = (seen["estimate"] - expected) / seen["se"]
    assert len(away) == 10
    assert away.abs().max() < 3.5


def test_the_median_to_half_of_the_own_plateau_is_the_half_month(clinic):
    found = milestones.time_to(clinic[0], percent=50, family="plateau", plateaus=clinic[2])
    half = regrowth.emergence(clinic[0], fit=clinic[2].fit, both_shapes=False).table()
    expected = half[half["zone"].eq("crown") & half["term"].eq("half_month")].iloc[0]
    row = _row(found, "crown", "median month")
    assert (row["estimate"], row["ci_low"], row["ci_high"]) == pytest.approx(
        (expected["estimate"], expected["ci_low"], expected["ci_high"]), rel=1e-6
    )
    # Truth of the simulator: 7.8 / 5.5.
    ratio = _row(found, "crown", "tempo ratio to front")
    assert ratio["ci_low"] < 7.8 / 5.5 < ratio["ci_high"]
    assert_keeps_the_contract(found)
    with pytest.raises(ParameterError, match="a share of the own plateau lies above 0 and under 100"):
        milestones.time_to(clinic[0], percent=100, family="plateau", plateaus=clinic[2])


def test_the_share_at_the_half_month_is_one_half_and_follows_the_spread_of_tempo(clinic):
    # log T = log half + t with t normal: at half x exp(sd) the share is Phi(1) = 84.134 %.
    fit = clinic[2].fit
    k = fit.zone_index("crown")
    half = np.exp(parameters(fit, fit.beta)[1][k])
    sd = np.sqrt(variances(fit, fit.beta, fit.spread)[1])
    table = milestones_model.plateau_rows(fit, 50.0, [half, half * np.exp(sd)], level=0.95)
    shares = table[table["zone"].eq("crown") & table["term"].eq("share reached")]["estimate"]
    np.testing.assert_allclose(shares, [50.0, 84.1345], atol=1e-3)


def test_time_ratios_hold_the_true_one_and_eighty_percent_carries_a_never_reaching_share(clinic, eighty):
    # Truth 7.8 / 5.5 = 1.418 in tempo. First readings at 25 % are noisy, so the interval is what is asked.
    found = milestones.time_to(clinic[0], percent=25, plateaus=clinic[2], n_resamples=20)
    row = _row(found, "crown : front", "time ratio (log-logistic)")
    assert row["ci_low"] < 7.8 / 5.5 < row["ci_high"]
    assert row["p_value"] < 1e-6
    assert not found.table()["term"].str.startswith("never").any()
    assert_keeps_the_contract(found)
    assert eighty.table()["term"].str.startswith("never reaches").sum() >= 3
    ratio = _row(eighty, "crown : front", "time ratio (log-logistic)")
    assert "never reaches stands beside it" in ratio["flag"]


def test_a_share_of_counts_is_declared_with_them_and_an_estimate_between_visits_is_not():
    # By hand: of 100 crowns 10 have reached by month 3, 60 by 6, 90 by 9. One crown not read at month 6 is
    # known at months 3 and 9 alone.
    table = milestones.time_to(_four_visits(), months=(3, 6, 9), n_resamples=20, choices=UNCHANGED).table()
    seen = table[table["term"].eq("first reading")].set_index("x")
    assert seen["basis"].eq("share").all()
    assert seen["numerator"].tolist() == [10, 60, 90]
    assert seen["denominator"].eq(100).all()
    np.testing.assert_allclose(seen["estimate"], 100 * seen["numerator"] / seen["denominator"])
    more = _register([("Z", "crown", {0: 0, 3: 10, 9: 60}), ("Y", "crown", {0: 0, 3: 10, 6: 60})])
    table = milestones.time_to(more, months=(3, 6, 9), n_resamples=20, choices=UNCHANGED).table()
    seen = table[table["term"].eq("first reading")].set_index("x")
    assert seen["basis"].tolist() == ["share", "model", "share"]
    assert seen["numerator"].isna().tolist() == [False, True, False]
    assert table.loc[table["term"].str.startswith("median month of"), "basis"].tolist() == ["quantile"]


def test_a_fit_under_another_native_change_is_refused_in_words(clinic):
    with pytest.raises(ParameterError, match="made under other choices of a yield"):
        milestones.time_to(clinic[0], plateaus=clinic[2], choices=UNCHANGED)


@pytest.mark.parametrize("by", ["surgeon_id", "smoker"])
def test_another_grouping_speaks_of_first_readings_alone(small, by):
    patients = small.patients.assign(smoker=small.patients["smoker"].mask(small.patients.index == 0))
    found = milestones.time_to(replace(small, patients=patients), by=by, n_resamples=30)
    groups = found.table().query("term == 'median month of first reading'")
    used = found.rows().query("reason == ''")
    assert groups["n_rows"].sum() == len(used)  # nobody is in no group
    assert set(found.table()["term"]) == {"first reading", "median month of first reading"}
    assert "speaks of zones" in found.notes[0]
    assert_keeps_the_contract(found)


def test_numbers_at_risk_and_intervals_can_be_counted():
    found = milestones.time_to(_four_visits(), months=(3, 6, 9), n_resamples=20, choices=UNCHANGED)
    risk = found.extra["at_risk"].set_index("x")
    np.testing.assert_array_equal(risk.loc[[0.0, 3.0, 6.0, 9.0], "n"], [100, 100, 90, 40])
    np.testing.assert_array_equal(risk.loc[[3.0, 6.0, 9.0], "n_intervals"], [10, 50, 30])


def test_the_band_for_the_whole_curve_holds_it_at_once_and_a_single_month_more_often():
    # By definition 95 % of the resampled curves lie in the band at all three months together.
    table = milestones.intervals(_four_visits(), choices=UNCHANGED)
    groups, months = milestones_curves.fit_groups(table, ("zone",)), np.array([3.0, 6.0, 9.0])
    drawn = milestones_curves.resampled(table, groups, months, n=1000, seed=2, n_jobs=1)
    band = milestones_curves.simultaneous(groups, drawn, months, months, ("zone",), level=0.95)
    curves = 100.0 * drawn.draws[:, :3]
    inside = (curves >= band["ci_low"].to_numpy()) & (curves <= band["ci_high"].to_numpy())
    assert inside.all(axis=1).mean() == pytest.approx(0.95, abs=0.02)
    assert (inside.mean(axis=0) > 0.96).all()
    free = milestones_curves.undetermined(groups, months, ("zone",))
    np.testing.assert_allclose(free.loc[free["x"].eq(6.0), ["low", "high"]].to_numpy(), [[60.0, 60.0]])


def test_the_same_seed_gives_the_same_answer(small):
    one, two = (milestones.time_to(small, by="method", n_resamples=40, seed=4).table() for _ in range(2))
    pd.testing.assert_frame_equal(one, two)
