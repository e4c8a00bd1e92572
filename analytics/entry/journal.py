"""Write an entry into a register, keep what stood before, remember it so that it can be taken back.

The order is: the journal says what is about to be done, the files change all at once, the journal says that
it is done. Whatever stops the writing, a reader finds the register before or after, and the next entry
settles what the journal left open. One writer at a time; others wait.

The journal (`entries` in the clinic's state folder) holds rows of the register with their codes, and neither
chart numbers nor dates. Beside it lie the files as they stood before each of the last entries.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from analytics import files
from analytics.entry import forms
from analytics.entry.changes import Change, undone
from analytics.errors import ParameterError
from analytics.files import state

DEMO = Path(__file__).resolve().parents[2] / state.DEMO
LOG, WRITER = "entries", "entry"
BEFORE, KEPT_BEFORE = "before", 10  # editions kept; assumed, a register is small
BEGUN, DONE, DROPPED = "begun", "done", "not done"
UNDO = "undo"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the journal: its number, when (UTC), what kind, its changes, and what took it back."""

    number: int
    at: str
    kind: str
    changes: tuple[Change, ...]
    takes_back: int | None = None
    taken_back_by: int | None = None


def record(
    data: str | Path,
    changes: Sequence[Change],
    *,
    kind: str,
    kept_in: str | Path = "",
    takes_back: int | None = None,
) -> Entry:
    """Write changes into a register, all or none, and return the entry of the journal.

    Parameters
    ----------
    data
        Folder of CSV or Parquet files, .xlsx workbook or DuckDB file.
    changes
        What comes, goes or is corrected.
    kind
        A word for the journal, such as `follow-up`.
    kept_in
        The state folder, if not the usual one (`files.state.folder`).
    takes_back
        Number of the entry that this one undoes.

    Returns
    -------
    Entry
        Its number, time (UTC), kind and changes.

    Raises
    ------
    ParameterError
        When there is nothing to write, the register cannot grow, is open or was changed in the meantime;
        nothing is written then.

    Examples
    --------
    The demo is not written into:

    >>> record("data_demo", [], kind="follow-up")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: entry: the demonstration register is not changed; ...
    """
    place, memory = _places(data, kept_in)
    _refuse_demo(place)
    if not changes:
        raise ParameterError("entry: there is nothing to write")
    with state.alone(memory, LOG):
        _settle(place, memory)
        return _write(place, memory, tuple(changes), kind, takes_back)


def undo(data: str | Path, number: int | None = None, *, kept_in: str | Path = "") -> Entry:
    """Take an entry back, the last one that stands if none is named, by an entry of its own.

    Parameters
    ----------
    data
        The register: folder, workbook or DuckDB file.
    number
        Of the entry; the last that stands if none is named.
    kept_in
        The state folder, if not the usual one.

    Returns
    -------
    Entry
        The one that takes it back.

    Raises
    ------
    ParameterError
        When there is no such entry, it was taken back before, or its rows were changed since.

    Examples
    --------
    As `regrowth add --undo` does; `history` lists what can be taken back.
    """
    place, memory = _places(data, kept_in)
    with state.alone(memory, LOG):
        _settle(place, memory)
        entry = _standing(_entries(memory), number)
        return _write(place, memory, undone(entry.changes), UNDO, entry.number)


def history(data: str | Path, *, kept_in: str | Path = "") -> list[Entry]:
    """Return the entries that were written, oldest first.

    Parameters
    ----------
    data
        The register: folder, workbook or DuckDB file.
    kept_in
        The state folder, if not the usual one.

    Returns
    -------
    list
        Entries that were written, oldest first; `taken_back_by` names what undid one.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as memory:
    ...     history("data_demo", kept_in=memory)
    []
    """
    return _entries(_places(data, kept_in)[1])


def _places(data: str | Path, kept_in: str | Path) -> tuple[Path, Path]:
    if "://" in str(data):
        raise ParameterError(
            "entry: rows cannot be added to a database by its address; enter them in its own program, or "
            "keep the register as a folder, workbook or DuckDB file"
        )
    place = Path(data)
    return place, state.folder(place, kept_in)


def _refuse_demo(place: Path) -> None:
    """Refuse the register of the demonstration: its numbers are those that the pages are checked by."""
    if place.resolve() == DEMO:
        raise ParameterError(
            "entry: the demonstration register is not changed; copy its folder and enter into the copy"
        )


def _standing(entries: Sequence[Entry], number: int | None) -> Entry:
    """Return the entry to be taken back."""
    standing = [e for e in entries if e.taken_back_by is None and e.kind != UNDO]
    chosen = [e for e in (entries if number is not None else standing) if number in (None, e.number)]
    if not chosen:
        raise ParameterError(
            "undo: there is no entry to take back"
            if number is None
            else f"undo: the journal has no entry {number}; regrowth add DATA --history lists them"
        )
    if chosen[-1].taken_back_by is not None:
        raise ParameterError(
            f"undo: entry {number} was taken back before, by entry {chosen[-1].taken_back_by}"
        )
    return chosen[-1]


def _write(
    place: Path, memory: Path, changes: tuple[Change, ...], kind: str, takes_back: int | None
) -> Entry:
    files.restore(place)
    _refuse_open(place)
    was = forms.files_of(place)
    becomes = forms.changed(place, was, changes)
    files.refuse_list(place if place.is_dir() else place.parent)
    number = 1 + sum(line["phase"] == BEGUN for line in state.read(memory, LOG).entries)
    line = state.append(
        memory,
        LOG,
        {
            "phase": BEGUN,
            "number": number,
            "kind": kind,
            "changes": [change.as_plain() for change in changes],
            "takes_back": takes_back,
            "files": {name: [_digest(was.get(name)), _digest(data)] for name, data in becomes.items()},
        },
    )
    try:
        _keep(memory, number, was)
        if place.is_dir():
            files.folder(place, becomes, by=WRITER, was=was)
        else:
            files.put_file(place, becomes[place.name], by=WRITER, was=was[place.name])
    except BaseException:
        _settle(place, memory)
        raise
    state.append(memory, LOG, {"phase": DONE, "of": number})
    return Entry(number, str(line["at"]), kind, changes, takes_back)


def _digest(data: bytes | None) -> str:
    return "" if data is None else hashlib.sha256(data).hexdigest()


def _keep(memory: Path, number: int, was: Mapping[str, bytes]) -> None:
    """Keep the files as they stood before an entry; the oldest editions go."""
    place = files.made(memory / BEFORE)
    for name, data in was.items():
        files.write(place / f"{number:06d}-{name}", data)
    editions = sorted({p.name[:6] for p in place.iterdir() if p.name[:6].isdigit()})
    for old in editions[:-KEPT_BEFORE]:
        for path in place.glob(f"{old}-*"):
            path.unlink(missing_ok=True)


def _refuse_open(place: Path) -> None:
    """Refuse a workbook that a spreadsheet program has open: what it saves next would lose the entry."""
    marks = (place.with_name(f"~${place.name}"), place.with_name(f".~lock.{place.name}#"))
    if place.is_file() and any(mark.exists() for mark in marks):
        raise ParameterError(
            f"{place.name}: the workbook is open in another program; close it there and enter again"
        )


def _settle(place: Path, memory: Path) -> None:
    """Say in the journal what became of an entry that was begun and not finished."""
    files.restore(place)
    lines = state.read(memory, LOG).entries
    finished = {line["of"] for line in lines if line["phase"] in (DONE, DROPPED)}
    for line in lines:
        if line["phase"] == BEGUN and line["number"] not in finished:
            phase = DONE if _has_happened(place, line) else DROPPED
            state.append(memory, LOG, {"phase": phase, "of": line["number"]})


def _has_happened(place: Path, line: Mapping) -> bool:
    now = {name: _digest(data) for name, data in forms.files_of(place).items()}
    if all(now.get(name) == after for name, (_, after) in line["files"].items()):
        return True
    if all(now.get(name, "") == before for name, (before, _) in line["files"].items()):
        return False
    # Somebody else has changed the files since: the rows themselves tell.
    try:
        forms.changed(place, forms.files_of(place), undone(_changes(line)))
    except ParameterError:
        return False
    return True


def _changes(line: Mapping) -> tuple[Change, ...]:
    return tuple(Change(c["table"], c["was"], c["becomes"]) for c in line["changes"])


def _entries(memory: Path) -> list[Entry]:
    lines = state.read(memory, LOG).entries
    done = {line["of"] for line in lines if line["phase"] == DONE}
    begun = [line for line in lines if line["phase"] == BEGUN and line["number"] in done]
    taken = {line["takes_back"]: line["number"] for line in begun if line["takes_back"] is not None}
    return [
        Entry(n, line["at"], line["kind"], _changes(line), line["takes_back"], taken.get(n))
        for line in begun
        for n in [line["number"]]
    ]
