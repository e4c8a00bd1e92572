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
SEEDS = (1, 2, 3, 4)


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("review_two_years", BENCH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _infection(bench, event: str, quarter: int, seed: int) -> str:
    criteria = bench.declared(event)
    only = criteria.model_copy(update={"criterion": (criteria.named("infection"),), "change": ()})
    found = review.indicators(bench.drawn(event, seed), only, quarter=quarter)
    return str(found.extra["audit"]["outcome"].iloc[0])


def test_a_cluster_of_infections_is_not_met_within_two_quarters_of_its_month_3(bench):
    # Six operated in months 40 to 42; month 3 is reached in months 43 to 45, quarter 15.
    named = [any(_infection(bench, "infection", q, s) == "not met" for q in (15, 16)) for s in SEEDS]
    assert all(named)
    assert all(_infection(bench, "infection", 14, s) != "not met" for s in SEEDS)
    assert all(_infection(bench, "nothing", 16, s) != "not met" for s in SEEDS)


def test_half_of_those_due_at_month_12_staying_away_is_named(bench):
    schedule = bench.declared("absence").schedule
    away = {
        event: [set(fell(View.at(bench.drawn(event, s), schedule, quarter=15))["visit"]) for s in SEEDS]
        for event in ("absence", "nothing")
    }
    assert sum("month 12" in named for named in away["absence"]) >= len(SEEDS) / 2
    assert not any("month 12" in named for named in away["nothing"])
