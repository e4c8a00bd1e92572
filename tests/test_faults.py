"""Every fault is a sentence and an exit code: no traceback, no wrong silence, nothing left running."""

import errno
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import ROOT

from analytics import __version__, errors
from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.files import children
from analytics.reports import batch, render


def test_the_version_is_said(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"regrowth {__version__}\n"


def test_a_path_that_is_not_there_is_one_line(capsys, tmp_path):
    assert main(["check", str(tmp_path / "nosuch")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert said.err.startswith("nosuch: there is no such file or folder;")


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENOSPC, "The disk is full; nothing half made was left"),
        (errno.EROFS, "the system refuses to read or write there"),
        (errno.EACCES, "the system refuses to read or write there"),
        (errno.ENOTDIR, "a file stands where a folder is needed"),
        (errno.EIO, "the system refused it"),
    ],
)
def test_what_the_system_refuses_is_a_sentence(number, said, capsys, monkeypatch):
    def refused(*_):
        raise OSError(number, os.strerror(number), "/clinic/of/somebody/place")

    monkeypatch.setattr("analytics.records.check", refused)
    assert main(["check", "x"]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told
    assert "somebody" not in told


def test_a_full_disk_stops_one_report_and_not_the_batch(monkeypatch):
    def full(*_, **__):
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(batch, "unless_made", full)
    outcome = batch.one(batch.Job("06_method_checks", "", "out", "", ("html",), {}, 10))
    assert outcome.state == "failed"
    assert outcome.message.startswith("The disk is full")


@pytest.mark.parametrize(
    ("cell", "said"),
    [("x" * 200_000, "no cell holds more than 131,072 letters"), ("(" * 60_000, "no table was found")],
)
def test_a_cell_without_measure_is_a_sentence_at_once(cell, said, tmp_path, capsys):
    path = tmp_path / "s.csv"
    path.write_text(f"Chart no,Op date,Zone,{cell}\n0001,2022-03-04,crown,3\n", encoding="utf-8")
    begun = time.process_time()
    assert main(["map", str(path), "--propose", str(tmp_path / "m.toml")]) == 2
    assert said in capsys.readouterr().err
    assert time.process_time() - begun < 10


def test_every_fault_of_a_plan_is_told_at_once_with_what_was_perhaps_meant(tmp_path):
    plan = tmp_path / "p.toml"
    plan.write_text('[setings]\na = 1\n[[report]]\npag = "x"\n', encoding="utf-8")
    with pytest.raises(ParameterError) as wrong:
        batch.read(plan)
    for said in ("did you mean 'settings'?", "report 1, page: it is missing", "did you mean 'page'?"):
        assert said in str(wrong.value)
    plan.write_text(
        f'data = "{ROOT / "data_demo"}"\n[[report]]\npage = "01_surgeon_audt"\n[[report]]\n'
        'page = "02_quarterly_review"\nsettings = { quater = 3 }\n',
        encoding="utf-8",
    )
    with pytest.raises(ParameterError) as wrong:
        batch.read(plan)
    assert "report 1: page: no page of that name" in str(wrong.value)
    assert "report 2: 02_quarterly_review has no setting 'quater'" in str(wrong.value)


def test_a_staff_code_with_other_letters_becomes_a_label_of_its_own():
    labels = {batch._spelt(code) for code in ("Ö1", "Ü1", "S1", "S 1")}
    assert len(labels) == 4
    assert "S1" in labels
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,80}", label) for label in labels)


@pytest.mark.parametrize(
    ("message", "said"),
    [
        ("yields.average(month): out of range; expected 6", "month: out of range; expected 6"),
        ("nonlinear.fit(x): 3 rows", "x: 3 rows"),
        ("mixed.fit: too few", "too few"),
        ("sessions.grafts_out: 3 values", "sessions.grafts_out: 3 values"),
        ("records.subset(records): none\nstudy.read: none", "none\nnone"),
    ],
)
def test_no_error_begins_with_a_function(message, said):
    assert errors.without_address(message) == said


STOPPED = """
import subprocess, sys, time
from pathlib import Path
from analytics import __main__ as program
from analytics.files import children
program._stop_children_when_stopped()
folder = Path(sys.argv[1]); folder.mkdir()
sleep = [sys.executable, "-c", "import time; time.sleep(300)", str(folder)]
below = f"import subprocess; subprocess.run({sleep!r})"
log = open(folder / "log", "wb")
try:
    child = children.start([sys.executable, "-c", below], folders=(folder,), env={}, log=log)
    time.sleep(1.5)
    print("started", flush=True)
    while children.code(child, 0.2) is None:  # as reports wait: an endless wait may miss a signal
        pass
except KeyboardInterrupt:
    sys.exit(130)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of Windows are others")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_who_stops_the_program_stops_all_it_started_and_nothing_stays(name, tmp_path):
    folder = tmp_path / f"staging-{name}"
    program = subprocess.Popen(
        [sys.executable, "-c", STOPPED, str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert program.stdout.readline() == "started\n"
    begun = time.monotonic()
    program.send_signal(getattr(signal, name))
    _, said = program.communicate(timeout=60)
    assert program.returncode == 130
    assert time.monotonic() - begun < 15
    assert "Traceback" not in said
    assert not folder.exists()
    import psutil

    assert not [p for p in psutil.process_iter(["cmdline"]) if str(folder) in (p.info["cmdline"] or [])]


def test_a_relative_cache_lies_where_the_command_was_given(monkeypatch, tmp_path):
    given = {}

    def started(argument, *, folders, env, log):
        given.update(env)
        raise KeyboardInterrupt

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("REGROWTH_CACHE", "kept")
    monkeypatch.setattr(children, "fork", started)
    with pytest.raises(KeyboardInterrupt):
        render.page("06_method_checks", "", tmp_path / "out")
    assert given["REGROWTH_CACHE"] == str(tmp_path / "kept")
    assert list((tmp_path / "out" / ".partial").iterdir()) == []


def test_a_report_for_others_does_not_say_the_name_of_the_data_folder():
    for audience, shown in (("internal", "data_demo"), ("shared", "records"), ("public", "records")):
        run = render.check("01_surgeon_audit", ROOT / "data_demo", audience=audience)
        assert Path(run["parameters"]["data"]).name == shown
        assert run["data"] == str(ROOT / "data_demo")
