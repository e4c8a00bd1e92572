"""What a clinic's workbook remembers of a register: logs and files in the clinic's own state folder.

A log is a text file of one JSON object per line, each line numbered and sealed over the one before it, so
that a line that was changed, taken out or put in is noticed. The seals and the digests of rows use a key in
the same folder: nobody without the folder can tell a value from its digest, and whoever has the folder can
forge it. It binds those who want to be bound.

One writer at a time (the others wait), mode 0600, never exported.

Source: FIPS 198-1 (HMAC), with SHA-256.
"""

import contextlib
import hashlib
import hmac
import json
import os
import secrets
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analytics.errors import ParameterError
from analytics.files import atomic

try:
    import fcntl
except ImportError:  # Windows has no fcntl; there a file that only one can make is the lock
    fcntl = None  # type: ignore[assignment]

DEMO, DEMO_FOLDER = "data_demo", Path("reports") / ".state"
ENDING = ".state"
KEY, LOCK, LOG_ENDING = "key", ".lock", ".jsonl"
KEY_BYTES = 32
DIGEST_LETTERS = 24  # 96 bits: two of a million rows share a digest with a chance under 1e-17
WAIT_SECONDS, STEP_SECONDS = 20.0, 0.05


@dataclass(frozen=True, slots=True)
class Log:
    """The entries of a log, oldest first, and what is wrong with it in words (empty where it is whole)."""

    entries: tuple[dict[str, Any], ...]
    fault: str = ""


def folder(data: str | Path, state: str | Path = "") -> Path:
    """Return the state folder of a register: the one named, or beside the register.

    Parameters
    ----------
    data
        Folder, workbook or database file of the register.
    state
        The clinic's own choice; the demo's is under `reports`, any other's beside it.

    Raises
    ------
    ParameterError
        When the register is no file or folder and no state folder is named.

    Examples
    --------
    >>> folder("clinic/register").as_posix(), folder("clinic/register", "kept").as_posix()
    ('clinic/register.state', 'kept')
    """
    if state:
        return Path(state)
    if "://" in str(data):
        raise ParameterError("state: the register is no folder or file; name the state folder (--state)")
    place = Path(data)
    if place.name == DEMO or (place.name in ("", ".") and place.resolve().name == DEMO):
        return place.resolve().parent / DEMO_FOLDER
    named = place if place.name not in ("", "..") else place.resolve()
    return named.with_name(named.name + ENDING)


def append(
    place: Path, name: str, entry: Mapping[str, Any], *, now: datetime | None = None
) -> dict[str, Any]:
    """Add an entry to a log and return it as it stands there, with its number and time (UTC).

    Parameters
    ----------
    place
        Of `folder`; made where there is none.
    name
        Of the log, without ending.
    entry
        Anything JSON can hold; `n`, `at` and `seal` are the log's own.
    now
        The clock's if not given.

    Raises
    ------
    ParameterError
        When the folder cannot be written, or another writer does not finish.
    """
    with _refused(place), _locked(place):
        before = _read(place, name)
        when = (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
        line = {"n": len(before.entries) + 1, "at": when, **entry}
        last = str(before.entries[-1].get("seal", "")) if before.entries else ""
        line["seal"] = _seal(_key(place), last, line)
        _add_line(place / f"{name}{LOG_ENDING}", json.dumps(line, sort_keys=True, ensure_ascii=False))
        return line


@contextlib.contextmanager
def alone(place: Path, what: str) -> Iterator[None]:
    """Hold one thing of a state folder, such as its entries, for one writer; whoever comes later waits.

    Logs may be written meanwhile, by the holder and by others.

    Raises
    ------
    ParameterError
        When the folder cannot be written, or another writer does not finish.
    """
    with _refused(place):
        atomic.made(place)
    with _locked(place, f"{LOCK}-{what}"):
        yield


def read(place: Path, name: str) -> Log:
    """Return a log; empty where there is none. Reading changes nothing, not even a missing folder."""
    with _refused(place):
        return _read(place, name)


def keep(place: Path, name: str, text: str) -> str:
    """Write a text whole beside the logs and return its keyed digest, for a log to hold."""
    with _refused(place), _locked(place):
        atomic.write(place / name, text)
        return digests(_key(place), [text])[0]


def kept(place: Path, name: str) -> tuple[str, str]:
    """Return a text and its keyed digest now; two empty texts where it is not there."""
    with _refused(place):
        path = place / name
        if not (path.is_file() and (place / KEY).is_file()):
            return "", ""
        text = path.read_text(encoding="utf-8")
        return text, digests(_key(place), [text])[0]


def key(place: Path) -> bytes:
    """Return the key of a state folder, made at the first call."""
    with _refused(place), _locked(place):
        return _key(place)


def digests(secret: bytes, texts: Iterable[str]) -> list[str]:
    """Return the keyed digest of each text.

    >>> digests(b"k", ["a"]) == digests(b"k", ["a"]), digests(b"k", ["a"]) == digests(b"l", ["a"])
    (True, False)
    """
    return [_hmac(secret, text)[:DIGEST_LETTERS] for text in texts]


def _hmac(secret: bytes, text: str) -> str:
    return hmac.new(secret, text.encode("utf-8"), hashlib.sha256).hexdigest()


def _seal(secret: bytes, last: str, line: Mapping[str, Any]) -> str:
    said = {k: v for k, v in line.items() if k != "seal"}
    return digests(secret, [last + json.dumps(said, sort_keys=True, ensure_ascii=False)])[0]


def _read(place: Path, name: str) -> Log:
    path = place / f"{name}{LOG_ENDING}"
    if not path.is_file():
        return Log(())
    entries: list[dict[str, Any]] = []
    fault, last = "", ""
    secret = _key(place) if (place / KEY).is_file() else b""
    for number, text in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        try:
            line = json.loads(text)
            right = line["n"] == number and line["seal"] == _seal(secret, last, line)
        except (ValueError, KeyError, TypeError):
            fault = fault or f"line {number} is not as it was written"
            continue
        if not right:
            fault = fault or f"line {number} is not as it was written, or lines before it are gone"
        entries.append(line)
        last = str(line["seal"])
    return Log(tuple(entries), fault)


def _key(place: Path) -> bytes:
    path = place / KEY
    if not path.is_file():
        atomic.write(path, secrets.token_hex(KEY_BYTES) + "\n")
    return bytes.fromhex(path.read_text(encoding="ascii").strip())


def _add_line(path: Path, line: str) -> None:
    # One write to the end: a reader finds the line whole or not at all.
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, atomic.OWNER_ONLY)
    try:
        os.write(handle, line.encode("utf-8") + b"\n")
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def _locked(place: Path, name: str = LOCK) -> Iterator[None]:
    """Hold the folder for one writer; whoever comes later waits."""
    atomic.made(place)
    path = place / name
    end = time.monotonic() + WAIT_SECONDS
    flags = os.O_RDWR | os.O_CREAT | (0 if fcntl else os.O_EXCL)
    while True:
        try:
            handle = os.open(path, flags, atomic.OWNER_ONLY)
            try:
                if fcntl:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError:
                os.close(handle)
        except FileExistsError:
            pass
        if time.monotonic() > end:
            raise ParameterError(
                f"{place.name}: another program is writing to this state folder; wait for it, or remove "
                f"{name} there if none is"
            )
        time.sleep(STEP_SECONDS)
    try:
        yield
    finally:
        os.close(handle)
        if not fcntl:
            path.unlink(missing_ok=True)


@contextlib.contextmanager
def _refused(place: Path) -> Iterator[None]:
    """Say what the disk or the file refuses in a plain sentence."""
    try:
        yield
    except (OSError, UnicodeDecodeError, ValueError) as error:
        raise ParameterError(
            f"{place.name}: the state folder cannot be read or written ({type(error).__name__}); make it "
            "yours to write, or name another with --state"
        ) from None
