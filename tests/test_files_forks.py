"""A process that has imported all forks others: each has its own fate, and a lost one costs time alone."""

import os
import signal
import subprocess
import sys
import time

import psutil
import pytest
from conftest import ROOT

from analytics.files import forks

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux alone")
WORK = """
import os, sys, time



def main(asked):
    print(asked, os.environ["TOLD"], os.getppid(), flush=True)
    if asked == "raise":
        raise ValueError(asked)
    if asked == "killed":
        os.kill(os.getpid(), 9)
    if asked == "long":
        time.sleep(60)
    return int(asked) if asked.isdigit() else 0
"""


@pytest.fixture
def ask(tmp_path):
    """Return a function that forks a child which does as asked, its log beside it."""
    (tmp_path / "asked_of_forks.py").write_text(WORK)
    env = os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}"}
    log = tmp_path / "log.txt"
    kept = []

    def asked(what: str, told: str = "") -> forks.Forked | None:
        forks.begin("asked_of_forks", ready=("json",), first="", env=env)
        with log.open("ab") as out:
            child = forks.fork(what, folder=tmp_path, env={**env, "TOLD": told}, log=out)
        kept.append(child)
        return child

    yield asked
    for child in filter(None, kept):
        child.told.close()
    forks._end()


def _is_gone(pid: int) -> bool:
    deadline = time.monotonic() + 10
    while psutil.pid_exists(pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    return not psutil.pid_exists(pid)


def test_each_child_has_its_own_environment_and_end_and_one_parent(ask, tmp_path):
    children = [ask(what, told) for what, told in (("0", "a"), ("7", "b"), ("killed", "c"), ("raise", "d"))]
    assert [forks.code(child, 30) for child in children] == [0, 7, -9, 1]
    said = [line.split() for line in (tmp_path / "log.txt").read_text().splitlines() if line[:1] != " "]
    told = {words[0]: words[1:] for words in said if len(words) == 3}
    assert {what: words[0] for what, words in told.items()} == {
        "0": "a",
        "7": "b",
        "killed": "c",
        "raise": "d",
    }
    assert {words[1] for words in told.values()} == {str(forks._servers[0].process.pid)}
    assert "ValueError: raise" in (tmp_path / "log.txt").read_text()


def test_one_that_runs_on_is_waited_for(ask):
    child = ask("long")
    assert forks.code(child, 0.1) is None
    os.kill(child.pid, signal.SIGTERM)
    assert forks.code(child, 30) == -signal.SIGTERM


def test_where_the_one_that_forks_is_lost_another_begins_and_its_children_count_as_killed(ask):
    child = ask("long")
    first = forks._servers[0].process
    first.kill()
    assert forks.code(child, 30) == -signal.SIGKILL
    first.wait()
    assert _is_gone(child.pid)
    again = ask("3")
    assert forks.code(again, 30) == 3
    assert forks._servers[0].process.pid != first.pid


def test_one_that_cannot_begin_gives_no_child(ask, tmp_path):
    (tmp_path / "asked_of_forks.py").write_text("raise ImportError('none')")
    assert ask("0") is None


def test_changed_settings_of_python_begin_another(ask, monkeypatch, tmp_path):
    assert forks.code(ask("0"), 30) == 0
    first = forks._servers[0].process.pid
    assert forks.code(ask("0"), 30) == 0
    assert forks._servers[0].process.pid == first
    env = os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}", "PYTHONHASHSEED": "3"}
    forks.begin("asked_of_forks", ready=("json",), first="", env=env)
    assert forks._servers[0].process.pid != first


def test_the_end_of_the_program_ends_all_its_children(ask):
    child = ask("long")
    server = forks._servers.pop()
    server.asked.close()
    server.process.wait(10)
    assert _is_gone(child.pid)


STOPPED = """
import os, sys, threading, time
from pathlib import Path
from analytics import __main__ as program
from analytics.files import children, forks
folder = Path(sys.argv[1]); folder.mkdir()
forks.begin("asked_of_forks", ready=(), first=sys.argv[2], env=os.environ)
program._stop_children_when_stopped()
asked = {"folders": (folder,), "env": os.environ, "log": open(os.devnull, "wb")}
one = threading.Thread(target=children.fork, args=("long",), kwargs=asked, daemon=True)
try:
    one.start()
    one.join(float(sys.argv[3]))
    print("started", flush=True)
    time.sleep(60)
except KeyboardInterrupt:
    sys.exit(130)
"""


@pytest.mark.parametrize(("first", "seconds"), [("", "30"), ("import time; time.sleep(30)", "0.5")])
def test_who_stops_the_program_stops_what_was_forked_and_what_is_being_forked(first, seconds, tmp_path):
    (tmp_path / "asked_of_forks.py").write_text(WORK)
    env = os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}", "TOLD": ""}
    command = [sys.executable, "-W", "ignore", "-c", STOPPED, str(tmp_path / "staging"), first, seconds]
    program = subprocess.Popen(command, env=env, stdout=subprocess.PIPE, text=True)
    assert program.stdout.readline() == "started\n"
    below = [p.pid for p in psutil.Process(program.pid).children(recursive=True)]
    assert len(below) == (1 if first else 2)
    program.terminate()
    program.communicate(timeout=30)
    assert program.returncode == 130
    assert all(_is_gone(pid) for pid in below)
    assert not (tmp_path / "staging").exists()
