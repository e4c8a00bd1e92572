"""A planted cluster and a planted absence are named in their quarter; a register without them names neither.

The whole study, two years of reviews on many registers, is `tests/bench/review_two_years.py`.
"""

import importlib.util
from pathlib import Path

import pytest

from analytics import review
from analytics.review.decide.signals import fell
from analytics.review.periods import View

BENCH = Path(__file__).parent / "bench" / "review_two_years.py"
CLUSTERED, AWAY = 20261205, 20261206  # one register each; how often is the bench's to say


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("review_two_years", BENCH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _infection(bench, event: str, quarter: int) -> str:
    criteria = bench.declared(event)
    only = criteria.model_copy(update={"criterion": (criteria.named("infection"),), "change": ()})
    found = review.indicators(bench.drawn(event, CLUSTERED), only, quarter=quarter)
    return str(found.extra["audit"]["outcome"].iloc[0])


def test_a_cluster_of_infections_is_not_met_within_two_quarters_of_its_month_3(bench):
    # Six operated in months 40 to 42; month 3 is reached in months 43 to 45, quarter 15.
    assert _infection(bench, "infection", 14) != "not met"
    assert "not met" in {_infection(bench, "infection", q) for q in (15, 16)}
    assert _infection(bench, "nothing", 16) != "not met"


def test_half_of_those_due_at_month_12_staying_away_is_named(bench):
    schedule = bench.declared("absence").schedule
    away = {
        event: set(fell(View.at(bench.drawn(event, AWAY), schedule, quarter=15))["visit"])
        for event in ("absence", "nothing")
    }
    assert "month 12" in away["absence"]
    assert "month 12" not in away["nothing"]
