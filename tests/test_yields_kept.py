"""Rows are made once for records that are promised to stay as they are, and anew for any others."""

import pandas.testing
import pytest

from analytics import records, simulate, yields
from analytics.records import kept
from analytics.review.periods import as_at
from analytics.yields import rows as yields_rows


@pytest.fixture
def made(monkeypatch):
    """Count how often rows are made."""
    calls = []
    plainly = yields_rows._made
    monkeypatch.setattr(yields_rows, "_made", lambda *given: calls.append(given) or plainly(*given))
    return calls


@pytest.fixture
def register(monkeypatch):
    monkeypatch.setattr(kept, "_promised", [])
    return simulate.as_records(simulate.register(12, seed=4)[0])


def test_promised_records_give_the_same_rows_made_once(register, made):
    plain = yields.by_visit(register)
    records.promise_unchanged(register)
    first, second = yields.by_visit(register), yields.by_visit(register)
    assert len(made) == 2
    pandas.testing.assert_frame_equal(first, plain)
    pandas.testing.assert_frame_equal(second, plain)


def test_other_choices_and_other_records_are_made_anew(register, made):
    records.promise_unchanged(register)
    yields.by_visit(register)
    unchanged = yields.by_visit(register, choices=yields.Choices(native_change="none"))
    assert unchanged["native_change"].dropna().eq(0).all()
    other = simulate.as_records(simulate.register(12, seed=5)[0])
    assert not yields.by_visit(other)["yield_pct"].equals(yields.by_visit(register)["yield_pct"])
    assert len(made) == 3


def test_what_a_caller_does_to_rows_stays_with_the_caller(register):
    records.promise_unchanged(register)
    plain = yields.by_visit(register).copy()
    mine = yields.by_visit(register)
    mine["yield_pct"] = 0.0
    mine.loc[0, "zone"] = "donor"
    mine["more"] = 1
    pandas.testing.assert_frame_equal(yields.by_visit(register), plain)


def test_records_that_were_not_promised_may_change(register, made):
    yields.by_visit(register)
    register.measurements["density_hairs_cm2"] *= 2
    before = len(made)
    yields.by_visit(register)
    assert len(made) == before + 1


def test_records_of_a_block_are_promised_beside_the_others_and_until_it_ends(register, made):
    records.promise_unchanged(register)
    yields.by_visit(register)
    other = simulate.as_records(simulate.register(12, seed=5)[0])
    with records.unchanged(other):
        assert yields.by_visit(other)["yield_pct"].equals(yields.by_visit(other)["yield_pct"])
        yields.by_visit(register)
        assert len(made) == 2
    yields.by_visit(other)
    assert len(made) == 3


def test_earlier_records_of_promised_ones_are_made_once_and_so_are_their_rows(register, made):
    assert as_at(register, 4) is not as_at(register, 4)
    with records.unchanged(register):
        early = as_at(register, 4)
        assert as_at(register, 4) is early
        assert as_at(early, 3) is as_at(as_at(register, 4), 3)
        yields.by_visit(early)
        yields.by_visit(as_at(register, 4))
        assert len(made) == 1
    yields.by_visit(early)
    assert len(made) == 2
