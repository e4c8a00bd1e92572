"""Several questions at once: a helper process answers some while this one answers the others.

A page's questions are independent once its model is fitted. With two cores free a helper takes questions
from the front of the list while this process takes them from the back; each comes from the store where it
can. With one core, or where a helper cannot be started or is lost, this process answers them all: the
answers are the same, only later. A question that needs the answer of another waits for it.

A question fails alone: what cannot be answered is answered by a result that holds one plain sentence
(`results.unanswered`), and whatever waited for it says the same.

`REGROWTH_CORES` says how many cores a page may use; a batch gives each of its reports its share.
"""

import dataclasses
import functools
import multiprocessing
import os
import traceback
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import BrokenExecutor, ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

from analytics import files
from analytics.errors import AnalyticsError, NotRecorded, without_address
from analytics.reports.cache import find, remembered
from analytics.reports.record import CORES_VARIABLE
from analytics.results import Gap, unanswered, why_not

if TYPE_CHECKING:
    # For the types alone: the command line need not wait for it.
    from joblib.externals.loky import ProcessPoolExecutor

IDLE_SECONDS = 30  # a helper with nothing to do goes after this
LOST = (OSError, BrokenExecutor)  # what a helper that cannot start, or was ended, comes to


@dataclasses.dataclass(frozen=True, eq=False)
class Question:
    """A question about a subject: `function(subject, **arguments)`.

    An argument that is a question itself is answered first; each is asked once, however many need it.
    """

    function: Callable[..., Any]
    arguments: Mapping[str, Any]

    def needs(self) -> list["Question"]:
        """Return the questions whose answers this one needs."""
        return [value for value in self.arguments.values() if isinstance(value, Question)]


_held: list[Any] = []  # in a helper: the subject of its questions
_at_work: list["_Helpers"] = []  # where there are helpers: those of the present subject


def cores() -> int:
    """Return how many cores this page may use."""
    stated = os.environ.get(CORES_VARIABLE, "")
    if stated.isdigit():
        return max(1, int(stated))
    # A tenth of a second to import; unlike os.cpu_count it knows what a container may use.
    import joblib

    return joblib.cpu_count()


def answers(questions: Mapping[str, Question], subject: Any, subject_sha256: str) -> dict[str, Any]:
    """Return the answer to each question about the subject, by its name.

    Those that need no other are asked at once, then those that need only these, and so on. Of each round
    helpers begin with the first and this process with the last: the longest belong at either end.

    Parameters
    ----------
    questions
        By name.
    subject
        What they are asked about (the records).
    subject_sha256
        Its hash, for the store.

    Returns
    -------
    dict
        Answers by the same names.
    """
    answered: dict[Question, Any] = {}
    waiting = _with_needs(questions.values())
    while waiting:
        answered.update(_fail_with_their_needs(waiting, answered))
        waiting = [q for q in waiting if q not in answered]
        ready = [q for q in waiting if all(need in answered for need in q.needs())]
        known = [
            Question(q.function, {k: _known(v, answered) for k, v in q.arguments.items()}) for q in ready
        ]
        answered.update(zip(ready, _round(known, subject, subject_sha256), strict=True))
        waiting = [q for q in waiting if q not in answered]
    return {name: answered[question] for name, question in questions.items()}


def _fail_with_their_needs(waiting: list[Question], answered: Mapping[Question, Any]) -> dict[Question, Any]:
    """Return the questions that need an answer there is none of, each with that gap."""
    out: dict[Question, Any] = {}
    for question in waiting:  # each stands after those it needs
        known = {**answered, **out}
        gap = next((known[need] for need in question.needs() if why_not(known.get(need))), None)
        if gap is not None:
            out[question] = gap
    return out


def _with_needs(questions: Any) -> list[Question]:
    """Return the questions, each after those it needs and each once."""
    ordered: dict[Question, None] = {}
    for question in questions:
        for one in (*_with_needs(question.needs()), question):
            ordered.setdefault(one)
    return list(ordered)


def _known(value: Any, answered: Mapping[Question, Any]) -> Any:
    """Return an argument, or the answer to it where it is a question."""
    return answered[value] if isinstance(value, Question) else value


def _round(questions: list[Question], subject: Any, subject_sha256: str) -> list[Any]:
    """Return the answers of questions that need no other, from the store where they were asked before."""
    stored = [find(q.function, subject_sha256, q.arguments) for q in questions]
    out = {at: value for at, (is_there, value) in enumerate(stored) if is_there}
    unanswered = {at: question for at, question in enumerate(questions) if at not in out}
    if len(unanswered) < 2 or cores() < 2:
        out.update(_by_this_process(unanswered, subject, subject_sha256))
        return [out[at] for at in range(len(questions))]
    try:
        out.update(_shared_out(unanswered, subject, subject_sha256))
    except LOST:
        # No room for a helper, or it was ended by the system: slower, not wrong.
        _at_work.clear()
        out.update(_by_this_process(unanswered, subject, subject_sha256))
    return [out[at] for at in range(len(questions))]


def _by_this_process(questions: Mapping[int, Question], subject: Any, subject_sha256: str) -> dict[int, Any]:
    return {at: guarded(q.function, subject, subject_sha256, q.arguments) for at, q in questions.items()}


def guarded(
    function: Callable[..., Any], subject: Any, subject_sha256: str, arguments: Mapping[str, Any]
) -> Any:
    """Return the answer to a question, or the result that says in a sentence why it has none.

    An error of ours is said as it is, without the address in the code that it begins with. Any other is a
    defect: its kind is said, its text never, because that may hold values of records.
    """
    try:
        return remembered(function, subject, subject_sha256, arguments)
    except NotRecorded as error:
        return unanswered(Gap(reason(str(error)), is_absent=True))
    except AnalyticsError as error:
        return unanswered(Gap(reason(str(error))))
    except MemoryError:
        raise
    except Exception as error:  # the one place that may: a section fails alone
        return unanswered(defect(error))


def reason(message: str) -> str:
    """Return what an error of ours says as a sentence for a page: no address in the code before it.

    Examples
    --------
    >>> reason("regrowth.emergence(fit): 7 patients were counted, 10 are needed; count more")
    '7 patients were counted, 10 are needed; count more.'
    >>> reason("measurements.month: 1 value out of range, first at row 4")
    'Measurements.month: 1 value out of range, first at row 4.'
    """
    said = without_address(message.strip(), with_argument=False)
    return f"{said[:1].upper()}{said[1:].rstrip('.')}." if said else ""


def defect(error: Exception) -> Gap:
    """Return the gap that a defect of the package leaves: told by its kind, with its traceback put aside.

    Parameters
    ----------
    error
        What was raised.
    """
    why = (
        f"This part stopped with {type(error).__name__}: a defect of the package, not of your records. The "
        "rest of the page is not touched by it."
    )
    return Gap(why, is_defect=True, details="".join(traceback.format_exception(error)))


def _shared_out(questions: Mapping[int, Question], subject: Any, subject_sha256: str) -> dict[int, Any]:
    """Let helpers begin at the front and this process at the back, until they meet.

    A helper is given one question at a time: what it has queued can no longer be taken from it.
    """
    count = cores() - 1
    helpers = _helpers(count, subject)
    unasked, out = deque(questions.items()), {}

    def feed_a_helper() -> None:
        while unasked:
            try:
                at, asked = unasked.popleft()
            except IndexError:  # this process took the last one in between
                return
            task = helpers.submit(_ask_what_is_held, asked.function, subject_sha256, asked.arguments)
            out[at] = task.result()

    with ThreadPoolExecutor(count) as threads:
        feeding = [threads.submit(feed_a_helper) for _ in range(count)]
        try:
            while unasked:
                try:
                    at, asked = unasked.pop()
                except IndexError:  # a helper took the last one in between
                    break
                out[at] = guarded(asked.function, subject, subject_sha256, asked.arguments)
        finally:
            unasked.clear()
        for one in feeding:
            one.result()
    return out


@dataclasses.dataclass(frozen=True, slots=True)
class _Helpers:
    """Processes that hold one subject, which was sent to each once."""

    count: int
    subject: Any
    pool: "ProcessPoolExecutor"


def _helpers(count: int, subject: Any) -> "ProcessPoolExecutor":
    """Return this process's own helpers for a subject: joblib's shared ones would be lent and fail."""
    # Half a second to import, and a page whose answers are all in the store needs no helper.
    from joblib.externals.loky import ProcessPoolExecutor

    if not any(h.count == count and h.subject is subject for h in _at_work):
        pool = ProcessPoolExecutor(
            max_workers=count,
            timeout=IDLE_SECONDS,
            context=multiprocessing.get_context("fork") if files.forks.IS_POSSIBLE else None,
            initializer=_hold,
            initargs=(subject,),
        )
        pool.submit(os.getpid)  # forked now, before threads of ours begin: it has all this process has
        _at_work[:] = [_Helpers(count, subject, pool)]
    return _at_work[0].pool


def _hold(subject: Any) -> None:
    """Keep the subject of this helper's questions."""
    from analytics.records import Records, promise_unchanged

    _held[:] = [subject]
    if isinstance(subject, Records):
        promise_unchanged(subject)


def _ask_what_is_held(function: Callable[..., Any], subject_sha256: str, arguments: Mapping[str, Any]) -> Any:
    return guarded(function, _held[0], subject_sha256, arguments)


def begun(work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
    """Let a helper that is at work already begin `work(*given)`; return what gives its answer.

    Without one, or where it is lost, this process answers when asked.

    Parameters
    ----------
    work
        What to do.
    given
        Its arguments.

    Returns
    -------
    Callable
        Gives the answer, waiting for it if need be.
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
