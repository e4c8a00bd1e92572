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
import threading
import traceback
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

    An argument that is a question itself, or a tuple of questions, is answered first; each is asked once,
    however many need it.
    """

    function: Callable[..., Any]
    arguments: Mapping[str, Any]

    def needs(self) -> list["Question"]:
        """Return the questions whose answers this one needs."""
        given = (v if isinstance(v, tuple) else (v,) for v in self.arguments.values())
        return [one for those in given for one in those if isinstance(one, Question)]


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

    Each is asked as soon as those it needs are answered. Helpers begin with the first and this process with
    the last: the longest belong at either end.

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
    board = _Board(_with_needs(questions.values()), subject_sha256)
    board.look_in_store()
    count = min(cores(), len(board.waiting)) - 1
    if count > 0:
        try:
            _shared_out(board, subject, count)
        except LOST:
            # No room for a helper, or it was ended by the system: slower, not wrong.
            _at_work.clear()
    _by_this_process(board, subject)
    return {name: board.answered[question] for name, question in questions.items()}


class _Board:
    """Which questions wait for whom: each is taken once those it needs are answered, from either end."""

    def __init__(self, questions: list[Question], subject_sha256: str) -> None:
        self.waiting, self.subject_sha256 = questions, subject_sha256
        self.answered: dict[Question, Any] = {}
        self.at_work = 0
        self.changed = threading.Condition()

    def take(self, *, last: bool = False) -> Question | None:
        """Return a question that may be answered now, None where none will be left."""
        with self.changed:
            self.changed.wait_for(lambda: self._ready() or not self.at_work)
            ready = self._ready()
            if not ready:
                return None
            question = ready[-1 if last else 0]
            self.waiting.remove(question)
            self.at_work += 1
            return question

    def put(self, question: Question, answer: Any) -> None:
        """Note an answer, and what cannot be answered for want of it."""
        with self.changed:
            self.answered[question] = answer
            for one in list(self.waiting):  # each stands after those it needs
                gap = next((a for a in map(self.answered.get, one.needs()) if why_not(a)), None)
                if gap is not None:
                    self.answered[one] = gap
                    self.waiting.remove(one)
            self._done()

    def give_back(self, question: Question) -> None:
        """Let another answer a question that was taken."""
        with self.changed:
            self.waiting.insert(0, question)
            self._done()

    def stop(self) -> None:
        """Let nobody take another question."""
        with self.changed:
            self.waiting.clear()
            self.changed.notify_all()

    def known(self, question: Question) -> dict[str, Any]:
        """Return the arguments of a question, the answers it needs among them."""

        def answer(value: Any) -> Any:
            if isinstance(value, tuple):
                return tuple(map(answer, value))
            return self.answered[value] if isinstance(value, Question) else value

        return {name: answer(value) for name, value in question.arguments.items()}

    def look_in_store(self) -> None:
        """Answer what was asked before, and then what needed it."""
        looked: set[Question] = set()
        while unseen := [q for q in self._ready() if q not in looked]:
            for question in unseen:
                looked.add(question)
                is_there, value = find(question.function, self.subject_sha256, self.known(question))
                if is_there:
                    self.waiting.remove(question)
                    self.at_work += 1
                    self.put(question, value)

    def _ready(self) -> list[Question]:
        return [q for q in self.waiting if all(need in self.answered for need in q.needs())]

    def _done(self) -> None:
        self.at_work -= 1
        self.changed.notify_all()


def _with_needs(questions: Any) -> list[Question]:
    """Return the questions, each after those it needs and each once."""
    ordered: dict[Question, None] = {}
    for question in questions:
        for one in (*_with_needs(question.needs()), question):
            ordered.setdefault(one)
    return list(ordered)


def _by_this_process(board: _Board, subject: Any, *, last: bool = False) -> None:
    while (asked := board.take(last=last)) is not None:
        try:
            answer = guarded(asked.function, subject, board.subject_sha256, board.known(asked))
        except BaseException:
            board.give_back(asked)
            raise
        board.put(asked, answer)


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


def _shared_out(board: _Board, subject: Any, count: int) -> None:
    """Let helpers begin at the front and this process at the back, until they meet.

    A helper is given one question at a time: what it has queued can no longer be taken from it.
    """
    helpers = _helpers(count, subject)

    def feed_a_helper() -> None:
        while (asked := board.take()) is not None:
            try:
                arguments = board.known(asked)
                answer = helpers.submit(
                    _ask_what_is_held, asked.function, board.subject_sha256, arguments
                ).result()
            except BaseException:
                board.give_back(asked)
                raise
            board.put(asked, answer)

    with ThreadPoolExecutor(count) as threads:
        feeding = [threads.submit(feed_a_helper) for _ in range(count)]
        try:
            _by_this_process(board, subject, last=True)
        except BaseException:
            board.stop()
            raise
        for one in feeding:
            one.result()


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


def begun(work: Callable[..., Any], *given: Any, or_here: bool = False) -> Callable[[], Any]:
    """Let a helper that is at work already begin `work(*given)`; return what gives its answer.

    Without one, or where it is lost, this process answers when asked.

    Parameters
    ----------
    work
        What to do.
    given
        Its arguments.
    or_here
        Whether this process answers too where no helper has begun it by the time it is asked.

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
        if or_here and future.cancel():
            return work(*given)
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
