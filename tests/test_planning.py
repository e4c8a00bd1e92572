"""The donor ledger, drafts and the split: against arithmetic, common practice, and a simulated truth."""

from dataclasses import replace

import numpy as np
import pytest
import registers
from test_results import assert_keeps_the_contract

from analytics import planning, regrowth
from analytics.errors import ParameterError
from analytics.pages import in_words
from analytics.planning import Target, allocate, ledger, read_drafts

EXACT = 1e-9
ALIKE = (50.0, 60.0, 10.0, 2.0, 80.0, 10.0, 80.0)


@pytest.fixture(scope="module")
def fit(demo):
    return regrowth.fit_emergence(demo)


@pytest.fixture(scope="module")
def plateaus(demo, fit):
    return regrowth.fit_plateaus(demo, fit=fit)


def _register(folder, **patient):
    return registers.load(
        folder,
        patients=[registers.patient("P1", donor_area_cm2=150, donor_fu_cm2=80, **patient)],
        sessions=[
            registers.session("P1-1", "P1", register_month=1, attempts=1100, grafts_out=1000),
            registers.session("P1-2", "P1", register_month=30, session_number=2, method="FUT", attempts=""),
        ],
        placements=[registers.placement("P1-1"), registers.placement("P1-2")],
        measurements=[registers.count("P1", "P1-1", 0, 40.0), registers.count("P1", "P1-2", 0, 80.0)],
    )


def _lines(result):
    return result.table().set_index("term")["estimate"]


def test_an_attempt_spends_donor_in_fue_and_a_graft_out_in_a_strip(tmp_path):
    """150 cm2 x 80 = 12,000 FU; 1,100 attempts and 1,000 strip grafts: 0.4 x 12,000 - 2,100 = 2,700 left."""
    lines = _lines(ledger(_register(tmp_path), "P1", safe_share=0.4))
    assert (lines["measured"], lines["used"], lines["left"]) == (12_000.0, 2_100.0, 2_700.0)


def test_what_was_taken_before_the_measurement_belongs_to_the_supply(tmp_path):
    """Measured before session 2: 12,000 + 1,100 + 500 elsewhere; 0.4 x 13,600 - 2,600 = 2,840 left."""
    register = _register(tmp_path, donor_measured_before_session=2, grafts_elsewhere=500)
    lines = _lines(ledger(register, "P1", safe_share=0.4))
    assert (lines["supply"], lines["used"], lines["left"]) == (13_600.0, 2_600.0, 2_840.0)


def test_the_published_ceiling_holds_for_the_best_donors(tmp_path):
    """About 6,000 FU (Umar 2016, Aesthet Surg J 36:1101-10)."""
    rich = registers.load(
        tmp_path,
        patients=[registers.patient("P1", donor_area_cm2=200, donor_fu_cm2=100)],
        sessions=[registers.session("P1-1", "P1")],
        placements=[registers.placement("P1-1")],
        measurements=[registers.count("P1", "P1-1", 0, 40.0)],
    )
    table = ledger(rich, "P1", safe_share=0.5).table().set_index("term")
    assert table.loc["allowance", "estimate"] == 6000.0
    assert "ceiling" in table.loc["allowance", "flag"]


def test_limits_beyond_the_ceiling_are_held_to_it_one_by_one(tmp_path):
    """150 cm2 x 110 = 16,500, SE 1,650; 40 %: 6,600, from 0.4 x (16,500 - 1.96 x 1,650) = 5,306 to 7,894."""
    register = _register(tmp_path)
    rich = register.patients.assign(donor_fu_cm2=110.0)
    table = ledger(replace(register, patients=rich), "P1", safe_share=0.4).table().set_index("term")
    left = table.loc["left"]
    assert (left["estimate"], left["ci_high"]) == (3_900.0, 3_900.0)
    assert left["ci_low"] == pytest.approx(0.4 * (16_500 - 1.959964 * 1_650) - 2_100, abs=0.01)
    assert np.isnan(table.loc["left at 50 %", "ci_low"])


def test_a_whole_scalp_takes_two_sessions_as_commonly_practised(tmp_path):
    """Common practice, no source: two sessions of 2,500 to 3,000 grafts fit a good donor at 50 %."""
    register = registers.load(
        tmp_path,
        patients=[registers.patient("P1", donor_area_cm2=160, donor_fu_cm2=80)],
        sessions=[
            registers.session("P1-1", "P1", attempts=2900, grafts_out=2750),
            registers.session(
                "P1-2", "P1", register_month=20, session_number=2, attempts=2900, grafts_out=2750
            ),
        ],
        placements=[registers.placement(s, grafts_2=2750, area_cm2=110.0) for s in ("P1-1", "P1-2")],
        measurements=[registers.count("P1", "P1-1", 0, 40.0)],
    )
    table = ledger(register, "P1", safe_share=0.5).table().set_index("term")
    assert 0 <= table.loc["left", "estimate"] <= 1000


def test_more_than_the_share_allows_is_said_in_words_not_hidden(tmp_path):
    table = ledger(_register(tmp_path), "P1", safe_share=0.1).table().set_index("term")
    assert table.loc["left", "estimate"] == pytest.approx(-900.0)
    assert table.loc["left", "flag"] == "more has been spent than this share allows"


def test_a_draft_is_read_as_a_surgeon_writes_it():
    draft = read_drafts(["frontal 800 on 40, crown 2,200 on 90 at 2.1", " "])[0]
    assert draft.grafts == 3000
    assert [(z.zone, z.grafts, z.area_cm2, z.hairs_per_graft) for z in draft.zones] == [
        ("frontal", 800, 40.0, None),
        ("crown", 2200, 90.0, 2.1),
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("crown 2200", "cannot be read; write each zone as"),
        ("nape 500 on 20", "unknown zone; use one of hairline"),
        ("crown 500 on 20, crown 600 on 30", "names a zone twice"),
        ("crown 9000 on 90", "expected 1 to 8000"),
        ("crown 900 on 900", "expected 0.5 to 300 cm2"),
        ("crown 900 on 90 at 7", "expected 1 to 4.5"),
        ("crown 1900 hairs on 90", "counts hairs; a draft counts grafts"),
        ("crown 900 on 9.0.1", "cannot be read"),
    ],
)
def test_a_draft_that_cannot_be_meant_is_refused_in_words(text, says):
    with pytest.raises(ParameterError, match=says):
        read_drafts([text])


def test_drafts_predict_more_where_more_is_planted_and_never_less_than_nothing(demo, plateaus):
    patient = str(demo.patients["patient_id"].iloc[5])
    plans = read_drafts(["frontal 800 on 40, crown 2200 on 90", "frontal 1200 on 40, crown 1800 on 90"])
    result = planning.drafts(demo, patient, plans, plateaus=plateaus)
    assert_keeps_the_contract(result)
    at = result.table().query("term == 'density at month 18'").set_index(["draft", "zone"])
    assert at.loc[("B", "frontal"), "estimate"] > at.loc[("A", "frontal"), "estimate"]
    assert at.loc[("A", "crown"), "estimate"] > at.loc[("B", "crown"), "estimate"]
    assert (at["ci_low"] < at["estimate"]).all()
    assert (at["ci_low"] >= 0).all()


def test_a_draft_denser_than_experience_is_refused(demo, plateaus):
    patient = str(demo.patients["patient_id"].iloc[5])
    with pytest.raises(ParameterError, match="this practice has followed up to"):
        planning.drafts(demo, patient, read_drafts(["crown 4000 on 40 at 2.5"]), plateaus=plateaus)


def test_a_draft_on_zones_never_counted_predicts_nothing_and_says_why(demo, plateaus):
    counted = demo.measurements.groupby("patient_id")["zone"].agg(set)
    one = next(code for code, zones in counted.items() if "midscalp" not in zones)
    drafts = planning.read_drafts(["midscalp 800 on 45"])
    table = planning.drafts(
        demo, one, drafts, plateaus=plateaus, safe_share=0.4
    ).table()  # a warning would be an error
    assert table.loc[table["term"].eq("density now"), "flag"].tolist() == ["not counted in this patient"]


def test_an_unknown_patient_is_refused_without_its_code(demo, fit):
    with pytest.raises(ParameterError, match="no patient has this code") as refused:
        ledger(demo, "someone-else")
    assert "someone-else" not in str(refused.value)


def test_hair_planted_before_does_not_thin_in_a_prediction(demo, fit, plateaus):
    """All of the density native loses its yearly share by month 18; none of it native, none.

    The density is near the practice's mean, to which a count is drawn.
    """
    from analytics.planning.drafts import _as_rows, _Before

    plan = read_drafts(["frontal 100 on 40"])[0]
    ends = {}
    for share in (0.0, 1.0):
        before = {"frontal": _Before(50.0, 1.0, 0.0, share, 0.0)}
        seen, targets = _as_rows(plan, {"frontal": 5.0}, before, regrowth.rows_for(demo, fit).frame[:0], fit)
        found = regrowth.forecast(plateaus, seen, [18.0], targets=targets, marked=True)
        ends[share] = float(found.path["density"].iloc[0])
    lost = 1 - (1 - fit.choices.annual_loss_pct / 100) ** 1.5
    assert ends[0.0] - ends[1.0] == pytest.approx(50 * lost, rel=0.05)


def test_the_split_meets_its_first_order_condition():
    """At the optimum one more graft is worth the same in every zone: checked by finite differences."""
    one = Target("frontal", 40.0, 70.0, 20.0, 2.0, 85.0, 12.0, 90.0, 2.0)
    other = Target("crown", 90.0, 60.0, 10.0, 2.2, 78.0, 15.0, 80.0, 1.0)
    table = allocate(3000, [one, other]).table()
    grafts = table[table["term"] == "grafts"].set_index("zone")["estimate"]
    assert grafts.sum() == pytest.approx(3000, abs=1e-6)
    from analytics.planning.allocate import _shortfall

    def worth(t, g, step=1.0):
        up, down = _shortfall(t, g + step)[0] ** 2, _shortfall(t, g - step)[0] ** 2
        return t.priority * t.area_cm2 * (down - up) / (2 * step)

    assert worth(one, grafts["frontal"]) == pytest.approx(worth(other, grafts["crown"]), rel=1e-2)


def test_the_expected_shortfall_is_the_normal_loss():
    """Target at the mean with SD 10: the standard normal loss at 0, 10 / sqrt(2 pi)."""
    from analytics.planning.allocate import _shortfall

    target = Target("crown", 50.0, 50.0, 10.0, 2.0, 80.0, 20.0, 90.0)
    grafts = 50.0 * 50.0 / 2.0
    assert _shortfall(target, grafts)[0] == pytest.approx(10 / np.sqrt(2 * np.pi), abs=EXACT)


def test_doubt_about_the_native_density_widens_the_shortfall():
    """Against 2 million draws of native density and yield, independent."""
    from analytics.planning.allocate import _shortfall

    target = Target("crown", 50.0, 60.0, 15.0, 2.0, 80.0, 20.0, 90.0, native_sd=12.0)
    draws = np.random.default_rng(8).normal(size=(2, 2_000_000))
    density = 15.0 + 12.0 * draws[0] + 50.0 * (80.0 + 20.0 * draws[1]) / 100
    short, mean, chance = _shortfall(target, 50.0 * 50.0 / 2.0)
    assert short == pytest.approx(np.maximum(60.0 - density, 0.0).mean(), rel=3e-3)
    assert (mean, chance) == (pytest.approx(55.0), pytest.approx((density > 60.0).mean(), abs=2e-3))


def test_a_draft_beyond_the_safe_share_is_named_before_anything_else(demo, plateaus):
    patient = str(demo.patients["patient_id"].iloc[5])
    plans = read_drafts(["frontal 3000 on 120", "crown 1 on 1"])
    found = planning.drafts(demo, patient, plans, plateaus=plateaus, safe_share=0.05)
    over = planning.overspent(found)
    assert "A" in set(over["draft"])
    assert in_words.overspent(over).startswith("Draft A would spend ")
    side = in_words.drafts_side_by_side(found).set_index(["zone", "term"])
    assert side.loc[("donor", "grafts planted"), "draft A"] == "3,000"
    assert side.loc[("crown", "planted density"), "draft A"] == "not planted"


def test_more_grafts_than_the_zones_can_take_are_refused():
    with pytest.raises(ParameterError, match="the zones take 2,000 grafts"):
        allocate(3000, [Target("crown", *ALIKE)])


def test_targets_for_a_patient_rest_on_the_practices_own_curve(demo, plateaus):
    patient = str(demo.patients["patient_id"].iloc[5])
    targets = planning.targets_for(
        demo, patient, planning.read_aims("frontal 40 to 80, crown 90 to 60"), plateaus=plateaus
    )
    assert all(40 < t.yield_pct < 110 and t.yield_sd > 0 and t.most_planted > 30 for t in targets)
    assert_keeps_the_contract(allocate(2500, targets))


def test_aims_that_cannot_be_read_are_refused_in_words():
    with pytest.raises(ParameterError, match="write each zone as: zone cm2 to hairs/cm2"):
        planning.read_aims("crown 90")
