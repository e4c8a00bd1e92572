"""The state folder: what is remembered is one writer's, sealed, readable, and for the owner alone."""

import hashlib
import hmac
import json
import stat
import subprocess
import sys
from datetime import UTC, datetime

import pytest

from analytics.errors import ParameterError
from analytics.files import state

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def test_a_log_is_text_sealed_and_for_the_owner_alone(tmp_path):
    place = tmp_path / "r.state"
    assert state.read(place, "looks") == state.Log(())
    assert not place.exists()
    state.append(place, "looks", {"what": "report"}, now=NOON)
    state.append(place, "looks", {"what": "study"}, now=NOON)
    found = state.read(place, "looks")
    assert [(e["n"], e["at"], e["what"]) for e in found.entries] == [
        (1, "2026-03-01T12:00:00+00:00", "report"),
        (2, "2026-03-01T12:00:00+00:00", "study"),
    ]
    assert found.fault == ""
    assert json.loads((place / "looks.jsonl").read_text().splitlines()[1])["what"] == "study"
    modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in place.iterdir()}
    assert modes == {"key": 0o600, ".lock": 0o600, "looks.jsonl": 0o600}
    assert stat.S_IMODE(place.stat().st_mode) == 0o700


@pytest.mark.parametrize(
    "change",
    [
        lambda lines: [lines[0].replace("first", "other"), *lines[1:]],
        lambda lines: lines[1:],
        lambda lines: [lines[0], *lines[2:]],
        lambda lines: [lines[1], lines[0], lines[2]],
        lambda lines: [*lines, "no json"],
    ],
    ids=["changed", "first gone", "middle gone", "exchanged", "added"],
)
def test_a_line_that_was_changed_taken_out_or_put_in_is_noticed(tmp_path, change):
    for what in ("first", "second", "third"):
        state.append(tmp_path, "looks", {"what": what})
    path = tmp_path / "looks.jsonl"
    path.write_text("\n".join(change(path.read_text().splitlines())) + "\n")
    assert "not as it was written" in state.read(tmp_path, "looks").fault


def test_a_line_of_another_log_is_noticed(tmp_path):
    for name in ("looks", "others"):
        for what in ("first", name):
            state.append(tmp_path, name, {"what": what, "log": name})
    other = (tmp_path / "others.jsonl").read_text().splitlines()
    path = tmp_path / "looks.jsonl"
    path.write_text("\n".join([path.read_text().splitlines()[0], other[1]]) + "\n")
    assert state.read(tmp_path, "looks").fault


def test_a_digest_is_that_of_the_standard_and_of_this_folder(tmp_path):
    # RFC 4231, test case 2: HMAC-SHA-256 of "what do ya want for nothing?" under the key "Jefe".
    told = state.digests(b"Jefe", ["what do ya want for nothing?"])[0]
    assert told == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"[:24]
    own = state.keep(tmp_path, "rows.txt", "a\n")
    assert own == hmac.new(state.key(tmp_path), b"a\n", hashlib.sha256).hexdigest()[:24]
    assert state.kept(tmp_path, "rows.txt") == ("a\n", own)
    assert state.kept(tmp_path, "none.txt") == ("", "")


def test_writers_at_once_lose_no_line(tmp_path):
    code = (
        "import sys; from pathlib import Path; from analytics.files import state\n"
        "for k in range(15): state.append(Path(sys.argv[1]), 'looks', {'k': k})"
    )
    running = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path)]) for _ in range(3)]
    assert [p.wait() for p in running] == [0, 0, 0]
    found = state.read(tmp_path, "looks")
    assert [e["n"] for e in found.entries] == list(range(1, 46))
    assert found.fault == ""


def test_the_folder_lies_beside_the_register_and_the_demos_under_reports(tmp_path):
    assert state.folder(tmp_path / "clinic.xlsx") == tmp_path / "clinic.xlsx.state"
    assert state.folder(tmp_path / "data_demo") == tmp_path / "reports" / ".state"
    with pytest.raises(ParameterError, match="name the state folder"):
        state.folder("postgresql://clinic/register")


def test_a_place_that_cannot_be_written_is_refused_in_words(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ParameterError, match="a file of this name stands"):
        state.append(tmp_path / "file", "looks", {})
    (tmp_path / "looks.jsonl").mkdir()
    with pytest.raises(ParameterError, match="state folder cannot be read or written"):
        state.append(tmp_path, "looks", {})
