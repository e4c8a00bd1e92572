"""Transected grafts, donors, failed photographs, missing records: planted effects found, equal to plain fits.

Outside: statsmodels' WLS, OLS and its Wilson limits on the invented clinic, sums by hand, and
registers whose truth is known.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from bench import further_questions as planted
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from analytics import bench, errors, factors, simulate, yields
from analytics.factors import gaps, transected_grafts
from analytics.pages.audit import recorded


@pytest.fixture(scope="module")
def clinic():
    return simulate.as_records(simulate.register(100, seed=6)[0])


def _rows(result, term):
    rows = result.table()
    return rows[rows["term"].eq(term)]


# ---- transected grafts


def test_a_curl_that_is_transected_more_is_found_and_an_absent_one_not_claimed(clinic):
    for points in (2.0, 0.0):
        told = factors.transection(planted.cut(clinic, points))
        row = _rows(told, "difference from straight").set_index("recorded").loc["curl: wavy"]
        assert row["ci_low"] < points < row["ci_high"]
        assert (row["flag"] == factors.HIGHER) == (points > 0)
        said = recorded.transection(told)
        assert said.startswith("Curl: wavy, difference from straight: +") == (points > 0), said


def test_transected_grafts_equal_ratios_of_totals_by_hand_and_weighted_least_squares(demo):
    told = factors.transection(demo)
    frame = transected_grafts.sessions(demo).dropna(subset=["share"])
    wavy = frame[frame["curl"].eq("wavy")]
    row = _rows(told, "share").set_index("recorded").loc["curl: wavy"]
    assert row["estimate"] == pytest.approx(100 * wavy["grafts_transected"].sum() / wavy["grafts_out"].sum())
    pair = frame[frame["curl"].isin(["straight", "wavy"])].dropna(subset=["age_years"])
    pair = pair.assign(compared=pair["curl"].eq("wavy").astype(float))
    plain = smf.wls(
        "share ~ method + age_years + harvested_by + compared", pair, weights=pair["grafts_out"]
    ).fit(cov_type="cluster", cov_kwds={"groups": pd.factorize(pair["patient_id"])[0]})
    row = _rows(told, "difference from straight").set_index("recorded").loc["curl: wavy"]
    assert row["estimate"] == pytest.approx(plain.params["compared"])
    # CR2 is a little wider than statsmodels' CR1.
    assert row["se"] == pytest.approx(plain.bse["compared"], rel=0.05)


def test_a_weighted_formula_refuses_what_it_does_not_fit(demo):
    frame = transected_grafts.sessions(demo).dropna(subset=["share"]).reset_index(drop=True)
    fitted = bench.model("share ~ 1", frame, weights="grafts_out")
    total = 100 * frame["grafts_transected"].sum() / frame["grafts_out"].sum()
    assert fitted.tidy()["estimate"].iloc[0] == pytest.approx(total)
    with pytest.raises(errors.ParameterError, match="without weights"):
        fitted.diagnose()
    with pytest.raises(errors.ParameterError, match="not fitted together"):
        bench.model("share ~ 1", frame, weights="grafts_out", crossed="surgeon_id")


# ---- the donor


def test_what_a_donor_loses_is_found_and_a_donor_that_loses_nothing_is_not_said_to(clinic):
    for hairs in (3.0, 0.0):
        told = factors.donor(planted.harvested(clinic, hairs))
        row = _rows(told, "hairs lost for each graft taken").iloc[0]
        assert row["ci_low"] < hairs < row["ci_high"]
        assert (row["flag"] == factors.HIGHER) == (hairs > 0)
        spread = _rows(told, "spread of the loss between regions").iloc[0]
        assert spread["flag"] == factors.NO_MORE
    assert recorded.donor(told).startswith("Donor: ")


def test_an_uneven_harvest_is_found_with_its_spread(clinic):
    told = factors.donor(planted.harvested(clinic, 2.0, uneven=12.0))
    row = _rows(told, "spread of the loss between regions").iloc[0]
    assert row["ci_low"] < 12 < row["ci_high"]
    assert row["flag"] == "uneven beyond counting error"


def test_what_a_donor_loses_equals_least_squares(clinic):
    lost = planted.harvested(clinic, 2.0)
    told = factors.donor(lost)
    frame = (
        told.rows()
        .query("reason == ''")
        .merge(lost.patients[["patient_id", "age_years", "curl"]], on="patient_id")
    )
    frame = frame.astype({"age_years": float, "curl": object}).dropna()
    # These counts differ between patients by chance alone: the mixed model is least squares.
    plain = smf.ols("lost ~ age_years + curl + taken", frame).fit()
    row = _rows(told, "hairs lost for each graft taken").iloc[0]
    assert row["estimate"] == pytest.approx(plain.params["taken"], rel=1e-4)
    assert row["se"] == pytest.approx(plain.bse["taken"], rel=1e-2)
    offered = lost.patients.set_index("patient_id").loc[frame["patient_id"].unique()]
    mean = (offered["donor_hairs_cm2"] / offered["donor_fu_cm2"]).mean()
    assert _rows(told, "hairs a graft offered")["estimate"].iloc[0] == pytest.approx(mean)


def test_a_strip_and_a_donor_not_counted_again_are_left_out_with_a_reason(demo):
    rows = factors.donor(demo).rows()
    method = rows["session_id"].map(demo.sessions.set_index("session_id")["method"])
    assert rows.loc[method.ne("FUE"), "reason"].ne("").all()
    assert rows.loc[rows["lost"].isna(), "reason"].ne("").all()
    assert rows["reason"].eq("").sum() == len(rows[rows["lost"].notna() & method.eq("FUE")])


# ---- photographs that fail


def test_reasons_of_failed_photographs_equal_counts_by_hand_and_statsmodels_limits(demo):
    told = factors.photographs(demo)
    counts = demo.measurements[demo.measurements["zone"].ne("donor")]
    key = ["patient_id", "session_id", "month", "reader_id", "device_class"]
    failed = counts[~counts["standard_conditions"].astype(bool)].drop_duplicates(key)
    n = len(counts.drop_duplicates(key))
    row = _rows(told, "wet hair").iloc[0]
    assert (row["numerator"], row["denominator"]) == (failed["condition_reason"].eq("wet hair").sum(), n)
    low, high = proportion_confint(row["numerator"], n, method="wilson")
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((100 * low, 100 * high))
    by_reader = told.extra["reasons"].set_index("seen")
    assert by_reader.filter(like="reader: ", axis=0)["n_failed"].sum() == len(failed)


def test_a_room_where_photographs_fail_is_found_and_an_absent_one_not_claimed(clinic):
    for more in (12.0, 0.0):
        told = factors.photographs(planted.photographed(clinic, more))
        row = _rows(told, "difference from A").iloc[0]
        assert row["seen"] == "room: B"
        assert _rows(told, "light")["numerator"].iloc[0] == _rows(told, "any reason")["numerator"].iloc[0]
        assert row["ci_low"] < more < row["ci_high"]
        assert (row["flag"] == factors.HIGHER) == (more > 0)
        assert ("room: B" in recorded.photographs(told).replace("Room: B", "room: B")) == (more > 0)


def test_differences_of_failed_photographs_equal_weighted_least_squares(demo):
    told = factors.photographs(demo)
    rows = yields.attendances(demo)
    month = rows["session_id"].map(demo.sessions.set_index("session_id")["register_month"]).astype(float)
    early, late = rows["month"].le(0), rows["month"].gt(9)
    frame = rows.assign(
        y=100.0 * rows["failed"], years=(month + rows["month"]) / 12,
        time=np.where(early, "b", np.where(late, "c", "a")), reader=rows["reader_id"].astype(object),
        device=rows["device_class"].astype(object),
    )  # fmt: skip
    day = frame.groupby(["patient_id", "session_id", "month"])["y"].transform("size")
    plain = smf.wls("y ~ reader + device + time + years", frame, weights=1 / day).fit(
        cov_type="cluster", cov_kwds={"groups": pd.factorize(frame["patient_id"])[0]}
    )
    for seen, name in (("reader: R2", "reader[T.R2]"), ("time: after month 9", "time[T.c]")):
        row = told.table().set_index("seen").loc[seen]
        assert row["se"] == pytest.approx(plain.bse[name], rel=0.05)
        assert row["estimate"] == pytest.approx(plain.params[name], abs=1e-6)
    # Counted by hand: no more degrees of freedom than twice the days that failed before the session.
    failed = (rows["failed"] / day).groupby(early).sum()
    row = told.table().set_index("seen").loc["time: before the session"]
    assert row["df"] == pytest.approx(2 * failed[True])
    assert row["ci_high"] - row["estimate"] > stats.t.ppf(1 - 0.05 / 2, 2 * failed[True]) * row["se"]


# ---- what is missing


def test_what_is_missing_is_counted_and_its_cost_is_that_of_the_definition(demo):
    told = factors.missing_records(demo).table().set_index(["missing", "term"])
    units = bench.units(demo).frame
    due = units[units["is_due"].astype(bool)]
    failed = due["reason"].isin([yields.REASONS[c] for c in ("not_standard", "hair_length", "cut_off")])
    row = told.loc[("photograph as the standard asks", "lacking")]
    assert (row["numerator"], row["denominator"]) == (failed.sum(), len(due))
    whole = yields.average(demo, by="all", rows=yields.by_visit(demo).assign(all="all")).table().iloc[0]
    half = (whole["ci_high"] - whole["ci_low"]) / 2
    n, m = due["reason"].eq("").sum(), failed.sum()
    cost = told.loc[("photograph as the standard asks", gaps.COST), "estimate"]
    assert cost == pytest.approx(half * (1 - np.sqrt(n / (n + m))))
    without = demo.placements["grafts_3"].isna().sum()
    assert told.loc[("grafts by size", "lacking"), "numerator"] == without
    assert told.loc[("grafts by size", gaps.COST), "estimate"] == 0


def test_a_recorded_none_is_no_gap_and_an_unknown_therapy_shifts_the_headline_down(demo):
    gap = "therapy, or that there was none"
    told = factors.missing_records(demo).table().set_index(["missing", "term"])
    on = demo.patients["patient_id"].isin(set(demo.therapies["patient_id"]))
    assert told.loc[(gap, "lacking"), "numerator"] == (~on).sum()
    shift = told.loc[(gap, gaps.COST), "estimate"]
    assert -10 < shift < 0
    asked = replace(demo, patients=demo.patients.assign(therapy_asked=pd.array([True] * len(on), "boolean")))
    all_known = factors.missing_records(asked).table().set_index(["missing", "term"])
    assert all_known.loc[(gap, "lacking"), "numerator"] == 0
    assert all_known.loc[(gap, gaps.COST), "estimate"] == 0
    assert f"could lie {abs(shift):.1f} points lower" in recorded.missing_records(
        factors.missing_records(demo)
    )


def test_planted_hairs_all_counted_in_the_region_cost_nothing(demo):
    gap = "planted hairs counted in the region"
    counted = demo.placements.assign(
        roi_planted_hairs_cm2=demo.placements["roi_planted_hairs_cm2"].fillna(50.0)
    )
    told = factors.missing_records(replace(demo, placements=counted)).table().set_index(["missing", "term"])
    assert told.loc[(gap, "lacking"), "numerator"] == 0
    now = factors.missing_records(demo).table().set_index(["missing", "term"])
    assert now.loc[(gap, gaps.COST), "estimate"] > 0


@pytest.mark.parametrize("ask", ["transection", "donor", "photographs", "missing_records"])
def test_one_patient_gets_a_sentence(ask):
    told = getattr(factors, ask)(simulate.as_records(simulate.register(1, seed=2)[0]))
    assert told.gap is not None
    assert recorded.SAYS[ask](told) == told.gap.why
