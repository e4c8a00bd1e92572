"""Processes forked from one that has imported all they need: a hundred reports wait for the imports once.

`begin` starts that process, `fork` asks it for a child. It does nothing but import, fork and tell how a child
ended, so that no thread and no open file stands in a child's way; it goes with the program that began it,
whatever ends that, and takes its children along. Changed sources or another environment begin another.

On Linux alone: elsewhere libraries that have begun threads do not survive a fork, and `fork` gives None.
"""

import atexit
import contextlib
import gc
import importlib
import json
import os
import selectors
import signal
import socket
import subprocess
import sys
import threading
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, NoReturn

IS_POSSIBLE = sys.platform == "linux"
# Read when Python or a library starts: a child cannot change them any more.
AT_START = ("PYTHON", "LD_", "OMP_", "OPENBLAS_", "MKL_", "MPL", "HOME", "IPYTHON", "JUPYTER_CONFIG")
GARBAGE_FROM = 50_000  # new objects until garbage is looked for; at Python's 700 that is 15 % of a report
MOST_BYTES = 1 << 20  # of a request: an environment and a path
START = """
import sys
{first}
from analytics.files import forks
forks.serve(*sys.argv[1:])
"""


@dataclass(frozen=True, eq=False)
class Forked:
    """A child of the process that was begun: its number, and where it is told how it ended."""

    pid: int
    told: socket.socket


@dataclass(frozen=True, eq=False)
class _Server:
    """The process that forks, and what it was begun with."""

    process: subprocess.Popen
    asked: socket.socket
    begun_with: tuple


_servers: list[_Server] = []  # the present one; none before the first, or where it cannot be
_one_at_a_time = threading.Lock()


def begin(module: str, *, ready: Sequence[str], first: str, env: Mapping[str, str]) -> None:
    """Let the process begin that will fork children running `module.main(argument)`.

    Parameters
    ----------
    module
        Module with a function `main` from a text to an exit code.
    ready
        Further modules to have imported.
    first
        Statement to run before any import.
    env
        Environment of the children.
    """
    if not IS_POSSIBLE:
        return
    sources = sorted(
        (str(place), place.stat().st_mtime_ns) for place in Path(__file__).parents[1].rglob("*.py")
    )
    settings = sorted((name, value) for name, value in env.items() if name.startswith(AT_START))
    begun_with = (module, *ready, first, *sources, *settings)
    with _one_at_a_time:
        if not _servers or _servers[0].begun_with != begun_with or _servers[0].process.poll() is not None:
            _end()
            ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            with theirs:
                # From the root folder, which nobody else can put a module in.
                process = subprocess.Popen(
                    [sys.executable, "-c", START.format(first=first), str(theirs.fileno()), module, *ready],
                    cwd="/",
                    env=dict(env),
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    start_new_session=True,
                    pass_fds=[theirs.fileno()],
                )
            _servers[:] = [_Server(process, ours, begun_with)]


def stop() -> None:
    """End the process that forks at once; its children are ended by who started them."""
    for server in _servers:
        server.process.kill()


@atexit.register
def _end() -> None:
    stop()
    for server in _servers:
        server.asked.close()
        server.process.wait()
    _servers.clear()


def fork(argument: str, *, folder: Path, env: Mapping[str, str], log: IO[bytes]) -> Forked | None:
    """Return a child that runs `main(argument)` in a folder; None where the process that forks is lost."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    request = json.dumps({"argument": argument, "folder": str(folder), "env": dict(env)}).encode()
    with _one_at_a_time:
        asked = _servers[0].asked if _servers else None
    pid = b""
    with theirs, contextlib.suppress(OSError):
        if asked is not None:
            socket.send_fds(asked, [request], [log.fileno(), theirs.fileno()])
            theirs.close()
            pid = ours.recv(MOST_BYTES)
    if not pid:
        ours.close()
        return None
    return Forked(int(pid), ours)


def code(child: Forked, seconds: float) -> int | None:
    """Return a child's exit code, minus the signal that ended it; None while it runs on after `seconds`."""
    child.told.settimeout(seconds)
    try:
        told = child.told.recv(MOST_BYTES)
    except TimeoutError:
        return None
    if told:
        return int(told)
    with contextlib.suppress(ProcessLookupError):  # who would tell was ended: nobody could stop it any more
        os.killpg(child.pid, signal.SIGKILL)
    return -signal.SIGKILL


def serve(place: str, module: str, *ready: str) -> None:
    """Import, then fork a child for each request until the program that began this process is gone."""
    asked = socket.socket(fileno=int(place))
    gc.disable()
    main = importlib.import_module(module).main
    for each in ready:
        importlib.import_module(each)
    gc.freeze()  # what all children share is looked through no more
    gc.set_threshold(GARBAGE_FROM)
    gc.enable()
    waking, woken = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(woken, warn_on_full_buffer=False)
    to_tell: dict[int, socket.socket] = {}
    with selectors.DefaultSelector() as waiting:
        waiting.register(asked, selectors.EVENT_READ)
        waiting.register(waking, selectors.EVENT_READ)
        while True:
            for key, _ in waiting.select():
                if key.fileobj is asked:
                    request, given, _, _ = socket.recv_fds(asked, MOST_BYTES, 2)
                    if not request:
                        _end_all(to_tell)
                        return
                    tell = socket.socket(fileno=given[1])
                    pid = os.fork()
                    if not pid:
                        _become(main, json.loads(request), given[0], [asked, tell, *to_tell.values()])
                    os.close(given[0])
                    to_tell[pid] = tell
                    _say(tell, pid)
                else:
                    os.read(waking, MOST_BYTES)
            _tell_who_ended(to_tell)


def _become(main: Any, request: dict[str, Any], log: int, not_mine: list[socket.socket]) -> NoReturn:
    """Run the child's work, and end without what a program does at its end: it is the parent's."""
    ended = 1
    try:
        os.setsid()
        signal.set_wakeup_fd(-1)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        for each in not_mine:
            each.close()
        for output in (1, 2):
            os.dup2(log, output)
        os.chdir(request["folder"])
        os.environ.clear()
        os.environ.update(request["env"])
        ended = main(request["argument"])
    except BaseException:  # as Python itself does at the end of a program
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(ended)


def _tell_who_ended(to_tell: dict[int, socket.socket]) -> None:
    while to_tell:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if not pid:
            return
        with to_tell.pop(pid) as tell:
            _say(tell, os.waitstatus_to_exitcode(status))


def _say(tell: socket.socket, number: int) -> None:
    try:
        tell.send(str(number).encode())
    except OSError:  # nobody waits for it any more
        return


def _end_all(children: Mapping[int, socket.socket]) -> None:
    import psutil  # it comes with the kernel

    for pid in children:
        for process in [*psutil.Process(pid).children(recursive=True), psutil.Process(pid)]:
            process.kill()
