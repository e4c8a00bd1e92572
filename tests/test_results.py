"""Every result keeps the one contract of columns."""

import numpy as np
import pandas as pd
import pytest

from analytics.errors import ParameterError
from analytics.results import TABLE_COLUMNS, Curve, Result, only, why_not


def assert_keeps_the_contract(result: Result) -> None:
    """Fail where a result breaks the fixed column vocabulary (used by the tests of every question)."""
    table = result.table()
    assert list(table.columns[: len(result.by)]) == list(result.by)
    assert set(result.estimates.columns) <= set(result.by) | set(TABLE_COLUMNS)
    assert {"term", "estimate", "unit"} <= set(table.columns)
    assert table["unit"].notna().all()
    missing = table["estimate"].isna()
    if missing.any():
        assert table.loc[missing, "flag"].fillna("").ne("").all(), "a missing estimate says why"
    assert result.method
    assert len(result.facts()) == 1
    assert all(isinstance(v, bool) for v in result.checks.values())


def _line() -> Curve:
    path = pd.DataFrame({"term": "gain", "x": [0.0, 10.0], "estimate": [0.0, 100.0], "unit": "%"})
    used = pd.DataFrame({"patient_id": ["a", "a", "b"], "reason": ["", "", "no baseline"]})
    return Curve(path.iloc[:1], used, "a straight line", path=path)


def test_facts_count_rows_patients_and_those_left_out():
    facts = _line().facts().iloc[0]
    assert (facts["n_rows"], facts["n_patients"], facts["n_left_out"]) == (2, 1, 1)


def test_a_curve_interpolates_inside_the_data():
    np.testing.assert_allclose(_line().at([2.5, 5.0])["estimate"], [25.0, 50.0])


def test_a_curve_refuses_x_outside_the_data_in_words():
    with pytest.raises(ParameterError, match="which reach from 0 to 10"):
        _line().at(12)
    beyond = _line().at([5, 12], beyond=True)
    assert beyond["flag"].iloc[1] == "outside the data"
    assert np.isnan(beyond["estimate"].iloc[1])


def test_the_contract_itself_is_kept_by_a_plain_curve():
    assert_keeps_the_contract(_line())


def test_only_keeps_the_rows_asked_for_and_says_so_when_none_is_left():
    table = pd.DataFrame({"term": ["a", "b"], "estimate": [1.0, 2.0], "unit": "%"})
    both = Result(table, pd.DataFrame({"reason": [""]}), "by hand")
    assert only(both, term="b").table()["estimate"].tolist() == [2.0]
    assert why_not(only(both, term="c")) == "These records hold no number for: c."
    with pytest.raises(ParameterError, match="unknown column zone"):
        only(both, zone="crown")
