"""Questions asked at once have the answers they have one by one; a lost helper costs time alone."""

import os
import time
from functools import partial

import numpy as np
import pandas.testing
import pytest

from analytics import yields
from analytics.errors import ParameterError
from analytics.numerics import resample
from analytics.pages import blocks
from analytics.reports import Question, cache, parallel
from analytics.results import why_not

HERE = os.getpid()


@pytest.fixture(autouse=True)
def _two_cores_and_no_store(monkeypatch):
    monkeypatch.setenv(parallel.CORES_VARIABLE, "2")
    monkeypatch.setenv(cache.CACHE_VARIABLE, "off")


def process_of(subject, *, name: str) -> int:
    """Return the process that answers."""
    return os.getpid()


def is_slow(subject, *, seconds: float, after: object = None) -> tuple[int, float]:
    """Take some time, then return the process that answers, and when."""
    time.sleep(seconds)
    return os.getpid(), time.monotonic()


def is_slow_alone(seconds: float) -> int:
    """Take some time, then return the process that answers."""
    return is_slow(None, seconds=seconds)[0]


def ends_the_helper(subject, *, first: int) -> str:
    """End the process that answers, unless it is the first one."""
    if os.getpid() != first:
        os._exit(9)
    return "answered"


def refuses(subject, *, first: int) -> str:
    """Refuse in words."""
    raise ParameterError("refuses(first): out of range")


def test_answers_are_those_of_one_by_one(demo):
    questions = {
        "by_zone": Question(yields.average, {}),
        "by_method": Question(yields.average, {"by": ("zone", "method")}),
        "plain": Question(yields.average, {"choices": yields.Choices(native_change="none")}),
    }
    found = parallel.answers(questions, demo, "")
    assert set(found) == set(questions)
    for name, asked in questions.items():
        alone = asked.function(demo, **asked.arguments)
        pandas.testing.assert_frame_equal(found[name].table(), alone.table())


def and_its_own(subject, *, calls: list, before: int = 0) -> int:
    """Note the call, and return one more than the answer it needed."""
    calls.append(before)
    return before + 1


def test_a_question_that_needs_another_waits_for_it_and_asks_it_once(monkeypatch):
    monkeypatch.setenv(parallel.CORES_VARIABLE, "1")
    calls: list = []
    first = Question(and_its_own, {"calls": calls})
    second = Question(and_its_own, {"calls": calls, "before": first})
    third = Question(and_its_own, {"calls": calls, "before": second})
    found = parallel.answers({"third": third, "second": second, "other": second}, None, "")
    assert found == {"third": 3, "second": 2, "other": 2}
    assert calls == [0, 1, 2]


def test_one_core_means_one_process(monkeypatch):
    monkeypatch.setenv(parallel.CORES_VARIABLE, "1")
    found = parallel.answers({n: Question(process_of, {"name": n}) for n in "abc"}, None, "")
    assert set(found.values()) == {HERE}


def test_a_lost_helper_costs_time_and_nothing_else():
    found = parallel.answers({n: Question(ends_the_helper, {"first": HERE}) for n in "abcd"}, None, "")
    assert found == dict.fromkeys("abcd", "answered")


def test_a_busy_helper_leaves_the_other_questions_to_this_process():
    short = {n: Question(is_slow, {"seconds": 0.1}) for n in "abcd"}
    short["after another"] = Question(is_slow, {"seconds": 0.1, "after": short["a"]})
    questions = {"long": Question(is_slow, {"seconds": 1.5}), **short}
    found = parallel.answers(questions, None, "")
    process, end = found.pop("long")
    assert process != HERE
    assert {process for process, _ in found.values()} == {HERE}
    assert max(ended for _, ended in found.values()) < end  # none waited for the long one


def test_a_refusal_in_the_helper_is_the_same_sentence():
    found = parallel.answers({n: Question(refuses, {"first": HERE}) for n in "ab"}, None, "")
    assert {why_not(answer) for answer in found.values()} == {"Out of range."}


def test_what_is_in_the_store_is_not_asked_again(monkeypatch, tmp_path):
    monkeypatch.setenv(cache.CACHE_VARIABLE, str(tmp_path))
    cache.remembered(process_of, None, "sha", {"name": "a"})
    entries = set(tmp_path.iterdir())
    found = parallel.answers({"a": Question(process_of, {"name": "a"})}, None, "sha")
    assert found == {"a": HERE}
    assert set(tmp_path.iterdir()) == entries


def pid_or_end(first: int, ends: bool) -> int:
    """Return the process that answers, or end it unless it is the first one."""
    if ends and os.getpid() != first:
        os._exit(9)
    return os.getpid()


def test_a_helper_at_work_begins_what_is_asked_for_later():
    parallel.answers({n: Question(process_of, {"name": n}) for n in "ab"}, None, "")
    assert parallel.begun(pid_or_end, HERE, False)() != HERE


def test_what_no_helper_has_begun_when_it_is_needed_is_done_here():
    parallel.answers({n: Question(process_of, {"name": n}) for n in "ab"}, None, "")
    busy = [parallel.begun(time.sleep, 0.5) for _ in range(3)]
    last = parallel.begun(pid_or_end, HERE, False, or_here=True)
    assert last() == HERE
    assert [one() for one in busy] == [None] * 3
    first = parallel.begun(is_slow_alone, 0.3, or_here=True)
    time.sleep(0.1)
    assert first() != HERE


def test_a_picture_drawn_ahead_is_the_one_drawn_when_it_is_needed(demo):
    result = yields.average(demo)
    given = (result, 1, "Yield", "A dot a zone", "")
    alone = blocks.figure_block(*given)
    parallel.answers({n: Question(process_of, {"name": n}) for n in "ab"}, None, "")
    blocks.draw_ahead([result])
    assert blocks.figure_block(*given) == alone


def test_a_helper_lost_on_the_way_costs_time_alone():
    parallel.answers({n: Question(process_of, {"name": n}) for n in "ab"}, None, "")
    assert parallel.begun(pid_or_end, HERE, True)() == HERE
    assert parallel.begun(pid_or_end, HERE, True)() == HERE


def test_one_core_begins_nothing_elsewhere(monkeypatch):
    parallel.answers({n: Question(process_of, {"name": n}) for n in "ab"}, None, "")
    monkeypatch.setenv(parallel.CORES_VARIABLE, "1")
    assert parallel.begun(pid_or_end, HERE, False)() == HERE


def shares(weights, *, values) -> np.ndarray:
    """Return the weighted mean."""
    return np.array([weights @ values / weights.sum()])


def test_a_resampling_in_several_processes_works_beside_shared_questions():
    statistic = partial(shares, values=np.arange(20.0))
    alone = resample.patients(np.arange(20), statistic, n=40, seed=3)
    parallel.answers({n: Question(process_of, {"name": n}) for n in "ab"}, None, "")
    drawn = resample.patients(np.arange(20), statistic, n=40, seed=3, n_jobs=2)
    np.testing.assert_array_equal(drawn.draws, alone.draws)
