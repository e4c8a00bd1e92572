"""Variables of a clinic's own in a plan: as group, cut, adjustment and filter."""

import json
from dataclasses import replace

import pandas as pd
import pytest

import analytics
from analytics import study
from analytics.dictionary import Column
from analytics.errors import ParameterError


def test_a_column_of_the_clinics_own_answers_as_the_dictionary_s_column_of_the_same_cells(demo):
    """Group, cut, adjustment, filter: copies of columns under names of the clinic's own change no number."""
    columns = {
        "patients": (Column("years", "number", "m", unit="years"), Column("smokes", "yesno", "m")),
        "placements": (Column("way", "choice", "m", allowed=("FUE", "FUT")),),
    }
    read = replace(
        demo,
        own=columns,
        patients=demo.patients.assign(years=demo.patients["age_years"], smokes=demo.patients["smoker"]),
        placements=demo.placements.assign(way=demo.placements["method"]),
    )
    plan = {
        "title": "t", "question": "q?", "seed": 1,
        "population": {"words": "w", "age_from": 30, "age_to": 60, "smokers": ["no"]},
        "exposure": {"variable": "method", "reference": ["FUT"], "compared": ["FUE"], "reason": "r"},
        "adjust": [{"variable": v, "reason": "r"} for v in ("zone", "age_years")],
        "analysis": [
            {"id": "a", "role": "primary", "outcome": {"kind": "yield_at_maturity"}, "matters": 5},
            {"id": "b", "role": "exploratory", "outcome": {"kind": "yield_at_maturity"}, "matters": 5,
             "exposure": {"variable": "age_years", "cut": 45, "reason": "r"}},
        ],
    }  # fmt: skip
    own = json.loads(json.dumps(plan).replace('"method"', '"way"').replace('"age_years"', '"years"'))
    own["population"] = {"words": "w", "own": {"years": [30, 60], "smokes": ["no"]}}
    mine = study.checked(own)
    assert study.lint(mine, read).refused == ()
    told, usual = study.tests(read, mine).table(), study.tests(read, study.checked(plan)).table()
    numbers = ["estimate", "ci_low", "ci_high", "p_value", "n_patients"]
    pd.testing.assert_frame_equal(told[numbers], usual[numbers])
    assert "years" in set(study.table_one(read, mine)["variable"])
    units = analytics.units(read, mine)
    assert units.codebook().set_index("column").loc["years", "unit"] == "years"
    wrong = study.checked({**own, "adjust": [{"variable": "shoe_size", "reason": "r"}]})
    assert "adjust 1 (shoe_size): no such variable" in study.lint(wrong, read).refused[0]
    with pytest.raises(ParameterError, match="no such variable"):
        study.answers(read, wrong)
    odd = study.checked(
        {**own, "population": {"words": "w", "own": {"years": [60, 30], "smokes": ["never"]}}}
    )
    said = " ".join(study.lint(odd, read).refused)
    assert "years): is a number; give two numbers" in said
    assert "smokes): 1 labels are not in the records" in said
    of_session = study.checked(
        {
            **own,
            "analysis": [{"id": "c", "role": "primary", "matters": 1, "outcome": {"kind": "satisfaction"}}],
        }
    )
    assert "belongs to a zone" in study.lint(of_session, read).refused[0]
