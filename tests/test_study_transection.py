"""Transected grafts as an outcome of a study: ratios of totals, the session as the unit.

Outside: sums by hand, and weighted least squares of statsmodels.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analytics import study
from analytics.study.plan import checked


def _of_cuts(**changes):
    given = {
        "title": "t", "question": "q?", "seed": 1, "population": {"words": "all"},
        "exposure": {
            "variable": "curl", "reference": ["straight"], "compared": ["wavy", "curly", "coily"],
            "reference_name": "straight", "compared_name": "curled", "reason": "r",
        },
        "adjust": [{"variable": v, "reason": "r"} for v in ("method", "age_years")],
        "analysis": [
            {"id": "cut", "role": "primary", "outcome": {"kind": "transection"}, "matters": 1.0,
             "better": "lower"}
        ],
    }  # fmt: skip
    return checked(given | changes)


def test_transected_grafts_are_compared_as_ratios_of_totals_with_the_session_as_the_unit(demo):
    plain = _of_cuts(adjust=[])
    told = study.answers(demo, plain).table().iloc[0]
    rows = demo.sessions.merge(demo.patients[["patient_id", "curl"]], on="patient_id")
    rows = rows.dropna(subset=["grafts_transected", "curl"])
    sums = rows.groupby(rows["curl"].ne("straight"))[["grafts_transected", "grafts_out"]].sum().astype(float)
    ratio = 100 * sums["grafts_transected"] / sums["grafts_out"]
    assert told["estimate"] == pytest.approx(ratio[True] - ratio[False])
    assert told["n_rows"] == len(rows)
    # Held equal: statsmodels' weighted least squares, its errors by patient (CR1) a little narrower.
    told = study.answers(demo, _of_cuts()).table().iloc[0]
    frame = rows.merge(demo.patients[["patient_id", "age_years"]], on="patient_id")
    frame = frame.assign(
        y=100 * frame["grafts_transected"].astype(float) / frame["grafts_out"],
        x=frame["curl"].ne("straight").astype(float),
        age=frame["age_years"].astype(float),
        method=frame["method"].astype(object),
    )
    fit = smf.wls("y ~ x + method + age", frame, weights=frame["grafts_out"].astype(float)).fit(
        cov_type="cluster", cov_kwds={"groups": pd.factorize(frame["patient_id"])[0]}
    )
    assert told["estimate"] == pytest.approx(fit.params["x"], abs=0.02)
    assert told["se"] == pytest.approx(fit.bse["x"], rel=0.05)


def test_the_copy_to_finish_a_plan_on_deals_transected_grafts_anew(demo):
    made = study.synthetic(demo, seed=3).sessions
    known = demo.sessions["grafts_transected"].notna()
    assert made["grafts_transected"].notna().eq(known).all()
    assert made.loc[known, "grafts_transected"].ne(demo.sessions.loc[known, "grafts_transected"]).mean() > 0.9
    share = (made["grafts_transected"].astype(float) / made["grafts_out"])[known]
    own = (demo.sessions["grafts_transected"].astype(float) / demo.sessions["grafts_out"])[known]
    assert np.sort(share) == pytest.approx(np.sort(own), abs=0.002)


def test_a_plan_on_transected_grafts_that_nobody_counted_is_refused(demo):
    none = replace(
        demo, sessions=demo.sessions.assign(grafts_transected=pd.array([pd.NA] * len(demo.sessions), "Int64"))
    )
    assert any("transected grafts counted" in said for said in study.lint(_of_cuts(), none).refused)
