"""The processes that make reports, so that a person who stops the program stops all of them at once.

A report runs in a process of its own, with a kernel and helpers below it. They are started apart from the
terminal, so that Ctrl-C reaches this program alone, which then ends the whole tree: nothing goes on unseen,
and the staging folders are taken away by those who made them.
"""

import shutil
import subprocess
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

from analytics.files import forks

Child = subprocess.Popen | forks.Forked
_at_work: dict[Child, tuple[Path, ...]] = {}  # each with the folders it works in
_beginning: list[tuple[Path, ...]] = []  # the folders of those that are being forked
_stopped = threading.Event()


def start(
    command: Sequence[str], *, folders: tuple[Path, ...], env: Mapping[str, str], log: IO[bytes]
) -> subprocess.Popen:
    """Start a process that is ended when the program is stopped, and its folders taken away.

    It works in the first of its folders.

    Raises
    ------
    KeyboardInterrupt
        When the program is being stopped.
    """
    refuse_if_stopped()
    child = subprocess.Popen(
        list(command),
        cwd=folders[0],
        env=dict(env),
        stdin=subprocess.DEVNULL,
        stdout=log,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    _at_work[child] = folders
    return child


def fork(
    argument: str, *, folders: tuple[Path, ...], env: Mapping[str, str], log: IO[bytes]
) -> forks.Forked | None:
    """Start a process as `start` does, forked from the one that was begun; None where there is none.

    Raises
    ------
    KeyboardInterrupt
        When the program is being stopped.
    """
    refuse_if_stopped()
    _beginning.append(folders)
    child = forks.fork(argument, folder=folders[0], env=env, log=log)
    if child is not None:
        _at_work[child] = folders
    _beginning.remove(folders)
    if _stopped.is_set():  # in between
        stop()
    refuse_if_stopped()
    return child


def code(child: Child, seconds: float) -> int | None:
    """Return the exit code of a process, minus the signal that ended it; None while it runs on."""
    if isinstance(child, forks.Forked):
        return forks.code(child, seconds)
    try:
        return child.wait(seconds)
    except subprocess.TimeoutExpired:
        return None


def ended(child: Child) -> None:
    """Note that a process has ended; raise KeyboardInterrupt where it was ended because the program stops."""
    _at_work.pop(child, None)
    if isinstance(child, forks.Forked):
        child.told.close()
    refuse_if_stopped()


def refuse_if_stopped() -> None:
    """Raise KeyboardInterrupt where the program is being stopped."""
    if _stopped.is_set():
        raise KeyboardInterrupt


def stop() -> None:
    """End all processes at once with whatever they started, and take their folders away."""
    _stopped.set()
    forks.stop()
    for child in tuple(_at_work):
        end(child)
    for folder in (folder for folders in (*_at_work.values(), *_beginning) for folder in folders):
        shutil.rmtree(folder, ignore_errors=True)


def begin() -> None:
    """Let processes start again: a new command begins."""
    _stopped.clear()


def end(child: Child) -> None:
    """End a process with all below it, the lowest first to be found, and wait for it."""
    # It comes with the kernel (ipykernel needs it).
    import psutil

    try:
        top = psutil.Process(child.pid)
        tree = [*top.children(recursive=True), top]
    except psutil.NoSuchProcess:
        tree = []
    for process in tree:
        try:
            process.kill()
        except psutil.NoSuchProcess:
            continue
    psutil.wait_procs(tree, timeout=1)
