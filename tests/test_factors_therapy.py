"""Whose hairs are these, and does the time of therapy matter: parts of a known truth, sums by hand.

Outside: the true native and planted hair of simulated registers, GLS of statsmodels, scipy's t
limits, sums by hand.
"""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from analytics import bench, factors, simulate, yields
from analytics.factors import therapy, whose
from analytics.pages.audit import recorded
from analytics.yields import native

ASSUMED = yields.Choices(native_change="assumed")


def _lines(result):
    return result.table().set_index(["zone", "term"])


def test_the_parts_add_up_and_equal_sums_by_hand(demo):
    told = _lines(factors.whose_hairs(demo, choices=ASSUMED))
    rows = yields.one_reading(yields.by_visit(demo, choices=ASSUMED))
    for zone, own in rows.groupby("zone"):
        of = told.loc[zone]["estimate"]
        assert of["gained"] == pytest.approx((own["density"] - own["baseline_density"]).mean())
        assert of["planted"] + of["native"] + of["therapy"] == pytest.approx(of["gained"])
        resting = (abs(of["native"]) + abs(of["therapy"])) / of[["planted", "native", "therapy"]].abs().sum()
        assert of["resting on published rates"] == pytest.approx(100 * resting)
    untreated = replace(demo, therapies=demo.therapies.iloc[:0])
    without = _lines(factors.whose_hairs(untreated, choices=ASSUMED))["estimate"]
    assert without.xs("therapy", level="term").eq(0).all()
    # What would have become of native hair without therapy does not hang on who had it.
    assert without["crown", "native"] == pytest.approx(told.loc[("crown", "native"), "estimate"], rel=1e-9)


def test_the_error_of_a_part_is_that_of_its_spread_between_patients_and_of_what_all_share(demo):
    # Native loss as told, and one reader's habit: only chance is left of the therapy part.
    told = _lines(factors.whose_hairs(demo, choices=ASSUMED))
    rows = yields.one_reading(yields.by_visit(demo, choices=ASSUMED))
    crown = rows[rows["zone"].eq("crown")]
    assert crown["patient_id"].is_unique
    part = crown["native_change"] - crown["native_untreated"]
    row = told.loc[("crown", "therapy")]
    assert row["se"] == pytest.approx(stats.sem(part))
    limits = stats.t.interval(0.95, len(part) - 1, part.mean(), stats.sem(part))
    assert (row["ci_low"], row["ci_high"]) == pytest.approx(limits)
    combined = _lines(factors.whose_hairs(demo))
    assert combined.loc[("crown", "native"), "se"] > told.loc[("crown", "native"), "se"]


def test_the_parts_hold_the_truth_of_a_register():
    truth = replace(simulate.plain(), therapy_share=0.5, controls=0.3)
    tables, latent = simulate.register(220, truth=truth, seed=11)
    clinic = simulate.as_records(tables)
    told = _lines(factors.whose_hairs(clinic))
    rows = yields.one_reading(yields.by_visit(clinic))
    true = latent.readings.drop_duplicates(["patient_id", "session_id", "region_id", "month"])
    key = ["patient_id", "session_id", "region_id", "month"]
    at = rows[[*key, "zone"]].merge(true, on=key, validate="one_to_one")
    first = true[true["month"].le(0)].sort_values("month").drop_duplicates(key[:3], keep="last")
    at = at.merge(first[[*key[:3], "native"]], on=key[:3], suffixes=("", "_before"))
    for zone, own in at.groupby("zone"):
        grown, changed = own["grown"].mean(), (own["native"] - own["native_before"]).mean()
        row = told.loc[(zone, "planted")]
        assert row["ci_low"] < grown < row["ci_high"]
        rest = told.loc[(zone, "native"), "estimate"] + told.loc[(zone, "therapy"), "estimate"]
        assert rest == pytest.approx(changed, abs=0.6)
    assert told.loc[("crown", "therapy"), "estimate"] > 0


@pytest.mark.parametrize(("gain", "later", "ratio"), [(9.8, -1.3, 1.0), (-4.8, -4.8, 0.0)])
def test_what_therapy_did_in_unplanted_regions_is_found(gain, later, ratio):
    truth = replace(
        simulate.plain(),
        therapy_share=0.6,
        controls=1.0,
        therapy_first_year_pct=gain,
        therapy_later_pct=later,
    )
    clinic = simulate.as_records(simulate.register(150, truth=truth, seed=3)[0])
    told = factors.whose_hairs(clinic)
    row = _lines(told).loc[("all zones", whose.SEEN)]
    assert row["ci_low"] < ratio < row["ci_high"]
    assert (row["flag"] == whose.NOT_AS_PUBLISHED) == (ratio == 0)


def test_what_therapy_did_is_not_said_of_few(demo):
    rate = native.UntreatedRate(4.8)
    some = demo.therapies["patient_id"].isin(demo.therapies["patient_id"].unique()[:12])
    ratio, _, _, n = native.therapy_seen(replace(demo, therapies=demo.therapies[some]), rate)
    assert n < native.MIN_CONTROL_REGIONS
    assert np.isnan(ratio)
    said = recorded.whose_hairs(factors.whose_hairs(demo))
    assert said.startswith("Hairline: 38.4 hairs/cm² gained, 39.1 of planted hair, −0.9 of native hair")


def test_therapy_before_and_after_a_session_is_told_from_none(demo):
    frame = therapy.with_therapy(bench.units(demo).frame, demo)
    courses = demo.therapies.groupby("patient_id")
    for _, row in frame.iterrows():
        own = (
            courses.get_group(row["patient_id"])
            if row["patient_id"] in courses.groups
            else demo.therapies.iloc[:0]
        )
        stop = own["stop_register_month"].fillna(np.inf)
        start, operated = own["start_register_month"], row["register_month"]
        before = bool((start.le(operated) & stop.ge(operated)).any())
        late = operated + row["reading_month"] if row["reading_month"] > 0 else -np.inf
        after = bool((start.gt(operated) & start.lt(late)).any()) and not before
        assert (row["begun_before"], row["begun_after"]) == (before, after)


def test_a_lift_above_the_published_shows_as_yield_and_the_published_does_not():
    for gain in (60.0, 9.8):
        truth = replace(simulate.plain(), therapy_share=0.6, therapy_first_year_pct=gain)
        zones = {z: replace(t, native_density=t.native_density + 40) for z, t in truth.zones.items()}
        clinic = simulate.as_records(simulate.register(150, truth=replace(truth, zones=zones), seed=5)[0])
        told = factors.therapy_begun(clinic)
        rows = told.table().set_index("term")
        assert (rows.loc["begun after it, minus none", "flag"] == factors.HIGHER) == (gain > 10)
        assert ("Begun after it, minus none: +" in recorded.therapy_begun(told)) == (gain > 10)


def test_the_time_of_therapy_equals_generalised_least_squares(demo):
    told = factors.therapy_begun(demo)
    frame = therapy.with_therapy(bench.units(demo).frame, demo)
    frame = frame[frame["reason"].eq("")].reset_index(drop=True)
    formula = "yield_pct ~ zone + age_years + curl + begun_before + begun_after"
    fit = bench.model(formula, frame).mixed_fit
    same = frame["patient_id"].to_numpy()[:, None] == frame["patient_id"].to_numpy()
    covariance = np.diag(frame["yield_variance"] + fit.sigma**2) + fit.covariances[0][0, 0] * same
    plain = smf.gls(formula, frame, sigma=covariance).fit(cov_type="fixed scale")
    for term, name in (("begun before the session", "begun_before"), ("begun after it", "begun_after")):
        row = told.table().set_index("term").loc[f"{term}, minus none"]
        assert row["estimate"] == pytest.approx(plain.params[name], rel=1e-5)
        # Kenward and Roger's error is a little wider.
        assert row["se"] == pytest.approx(plain.bse[name], rel=0.03)
