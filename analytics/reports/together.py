"""Several questions at once: a helper process answers some while this one answers the others.

A page's questions are independent once its model is fitted. With two cores free a helper takes questions
from the front of the list while this process takes them from the back; each comes from the store where it
can. With one core, or where a helper cannot be started or is lost, this process answers them all: the
answers are the same, only later.

`REGROWTH_CORES` says how many cores a page may use; a batch gives each of its reports its share.
"""

import dataclasses
import functools
import os
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import BrokenExecutor, ThreadPoolExecutor
from typing import Any

import joblib
from joblib.externals.loky import ProcessPoolExecutor

from analytics.records import Records
from analytics.reports.cache import find, kept
from analytics.reports.record import CORES_VARIABLE
from analytics.yields import promise_unchanged

IDLE_SECONDS = 30  # a helper with nothing to do goes after this
LOST = (OSError, BrokenExecutor)  # what a helper that cannot start, or was ended, comes to
Question = tuple[Callable[..., Any], Mapping[str, Any]]
_held: list[Any] = []  # in a helper: the subject of its questions
_at_work: list["_Helpers"] = []  # where there are helpers: those of the present subject


def cores() -> int:
    """Return how many cores this page may use."""
    said = os.environ.get(CORES_VARIABLE, "")
    return max(1, int(said)) if said.isdigit() else joblib.cpu_count()


def answers(questions: Mapping[str, Question], subject: Any, subject_sha256: str) -> dict[str, Any]:
    """Return the answer to each question about the subject, by its name.

    Parameters
    ----------
    questions
        Name to (question, keyword arguments).
    subject
        What they are asked about (the records).
    subject_sha256
        Its hash, for the store.
    """
    found = {name: find(q, subject_sha256, dict(given)) for name, (q, given) in questions.items()}
    out = {name: value for name, (is_kept, value) in found.items() if is_kept}
    open_ones = {name: questions[name] for name in questions if name not in out}
    if len(open_ones) < 2 or cores() < 2:
        return {**out, **_by_this_process(open_ones, subject, subject_sha256)}
    try:
        out.update(_shared_out(open_ones, subject, subject_sha256))
    except LOST:
        # No room for a helper, or it was ended by the system: slower, not wrong.
        _at_work.clear()
        out.update(_by_this_process(open_ones, subject, subject_sha256))
    return out


def begun(work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
    """Let a helper that is at work already begin `work(*given)`; return what gives its answer.

    Without one, or where it is lost, this process answers when asked.
    """
    if cores() < 2 or not _at_work:
        return functools.partial(work, *given)
    try:
        future = _at_work[0].pool.submit(work, *given)
    except LOST:
        return functools.partial(work, *given)

    def answer() -> Any:
        try:
            return future.result()
        except LOST:
            _at_work.clear()
            return work(*given)

    return answer


def dismiss() -> None:
    """Let the helpers go at once: a process that ends would wait for them."""
    for helpers in _at_work:
        helpers.pool.shutdown(wait=False, kill_workers=True)
    _at_work.clear()


def _shared_out(questions: Mapping[str, Question], subject: Any, subject_sha256: str) -> dict[str, Any]:
    """Let helpers begin at the front and this process at the back, until they meet.

    A helper is given one question at a time: what it has queued can no longer be taken from it.
    """
    count = cores() - 1
    helpers = _helpers(count, subject)
    left, out = deque(questions.items()), {}

    def feed_a_helper() -> None:
        while left:
            try:
                name, (question, given) = left.popleft()
            except IndexError:  # this process took the last one in between
                return
            out[name] = helpers.submit(_ask_what_is_held, question, subject_sha256, dict(given)).result()

    with ThreadPoolExecutor(count) as threads:
        feeding = [threads.submit(feed_a_helper) for _ in range(count)]
        try:
            while left:
                try:
                    name, (question, given) = left.pop()
                except IndexError:  # a helper took the last one in between
                    break
                out[name] = kept(question, subject, subject_sha256, dict(given))
        finally:
            left.clear()
        for one in feeding:
            one.result()
    return out


def _by_this_process(questions: Mapping[str, Question], subject: Any, subject_sha256: str) -> dict[str, Any]:
    return {name: kept(q, subject, subject_sha256, dict(given)) for name, (q, given) in questions.items()}


@dataclasses.dataclass(frozen=True, slots=True)
class _Helpers:
    """Processes that hold one subject, which was sent to each once."""

    count: int
    subject: Any
    pool: ProcessPoolExecutor


def _helpers(count: int, subject: Any) -> ProcessPoolExecutor:
    """Return this process's own helpers for a subject: joblib's shared ones would be lent and fail."""
    if not any(h.count == count and h.subject is subject for h in _at_work):
        pool = ProcessPoolExecutor(
            max_workers=count, timeout=IDLE_SECONDS, initializer=_hold, initargs=(subject,)
        )
        _at_work[:] = [_Helpers(count, subject, pool)]
    return _at_work[0].pool


def _hold(subject: Any) -> None:
    """Keep the subject of this helper's questions."""
    _held[:] = [subject]
    if isinstance(subject, Records):
        promise_unchanged(subject)


def _ask_what_is_held(question: Callable[..., Any], subject_sha256: str, given: dict[str, Any]) -> Any:
    return kept(question, _held[0], subject_sha256, given)
