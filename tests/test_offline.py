"""The whole tool works with the network gone, runs no code from files, and tries no address.

Every Python process of a command gets a `sitecustomize` that notes and refuses any socket to an address
beyond this machine, and any look-up of a name.
"""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest
import sample_page
from conftest import ROOT

DATA = Path(__file__).parent / "data"
GUARD = """
import os, socket

_connect, _look_up = socket.socket.connect, socket.getaddrinfo


def _note(what):
    with open(os.environ["TRIED"], "a") as log:
        log.write(f"{what}\\n")
    raise OSError("no network in this test")


def _is_here(host):
    return host in ("", None, "localhost", "::1", "0.0.0.0") or str(host).startswith("127.")


def connect(self, address):
    if self.family in (socket.AF_INET, socket.AF_INET6) and not _is_here(address[0]):
        _note(address)
    return _connect(self, address)


def getaddrinfo(host, *args, **kwargs):
    if not _is_here(host):
        _note(host)
    return _look_up(host, *args, **kwargs)


socket.socket.connect, socket.socket.connect_ex, socket.getaddrinfo = connect, connect, getaddrinfo
"""
FORBIDDEN = {"eval", "exec", "compile", "__import__"}
FORBIDDEN_MODULES = {
    "pickle",
    "marshal",
    "shelve",
    "dill",
    "cloudpickle",
    "urllib",
    "http",
    "ftplib",
    "requests",
}


@pytest.fixture
def offline(tmp_path):
    """Return a function that runs a command without a network, and the file that notes what was tried."""
    guard = tmp_path / "guard"
    guard.mkdir()
    (guard / "sitecustomize.py").write_text(GUARD)
    tried = tmp_path / "tried.txt"
    environment = os.environ | {"PYTHONPATH": f"{guard}{os.pathsep}{ROOT}", "TRIED": str(tried)}

    def run(*command: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            [sys.executable, *command],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )

    return run, tried


def test_the_guard_stops_and_notes_what_would_leave(offline):
    run, tried = offline
    ended = run("-c", "import socket; socket.create_connection(('192.0.2.1', 80), timeout=1)")
    assert ended.returncode != 0
    assert "192.0.2.1" in tried.read_text()


def test_every_step_from_a_spreadsheet_to_a_report_works_without_a_network(offline, tmp_path):
    run, tried = offline
    notebook = sample_page.write(
        tmp_path / "sample.ipynb", sample_page.BEGIN, sample_page.WRITE, sample_page.FINISH
    )
    (tmp_path / "safe").mkdir()
    book, plan = str(DATA / "register_b.xlsx"), str(DATA / "register_b.mapping.toml")
    commands = (
        ("map", book),
        ("map", book, "--mapping", plan, "--out", "tables"),
        ("deidentify", "--new-key", "safe/k"),
        ("deidentify", book, "coded", "--key-file", "safe/k", "--mapping", plan),
        ("check", "coded"),
        ("template", "empty.xlsx"),
        ("report", str(notebook), "coded", "--out", "reports", "--formats", "html,xlsx,ipynb"),
    )
    for command in commands:
        ended = run("-m", "analytics", *command)
        assert ended.returncode == 0, (command[0], ended.stderr[-2000:])
    assert not tried.exists(), tried.read_text()
    assert list((tmp_path / "reports").rglob("*.html"))


@pytest.mark.parametrize("path", sorted((ROOT / "analytics").rglob("*.py")), ids=lambda p: p.stem)
def test_no_module_runs_code_from_data_or_opens_the_network(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            # The timeline of photographs answers on this computer alone (see the test below).
            ours = {"http"} if path.stem == "timeline" else set()
            assert not ({n.split(".")[0] for n in names} & FORBIDDEN_MODULES) - ours
        if isinstance(node, ast.Call):
            called = node.func.id if isinstance(node.func, ast.Name) else ""
            assert called not in FORBIDDEN
            told = {k.arg: k.value for k in node.keywords}
            shell = told.get("shell")
            assert not (isinstance(shell, ast.Constant) and shell.value is True)
            allowed = told.get("allow_pickle")
            assert not (isinstance(allowed, ast.Constant) and allowed.value is True)


def test_the_timeline_of_photographs_answers_on_this_computer_alone():
    source = (ROOT / "analytics" / "app" / "chair" / "timeline.py").read_text(encoding="utf-8")
    bound = [
        n
        for n in ast.walk(ast.parse(source))
        if isinstance(n, ast.Call) and "HTTPServer" in ast.unparse(n.func)
    ]
    assert [ast.unparse(call.args[0]) for call in bound] == ["('127.0.0.1', 0)"]
