"""Whatever stops a writer in the middle leaves the old or the new, whole; and for its owner alone.

The disk is made to fail at each step of writing in turn (syncing, changing permissions, moving), as a full or
lost disk does: `OSError`, POSIX.1-2017, errors of fsync, chmod and rename.
"""

import contextlib
import json
import os
import shutil
import stat
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from conftest import ROOT
from records_small import save, small

from analytics import files, pooling, records, study
from analytics import files as disk
from analytics.files import tables as writing
from analytics.identifiers import codes
from analytics.pooling.coding import Coding

STEPS = 200
CODING = Coding("w", ("A", "B"), ("frontal", "crown"), (1.0, 6.0, 18.0), (), "assumed", 4.8, 10, 5)


@pytest.fixture(scope="module")
def register(tmp_path_factory):
    """Return a small register."""
    return records.load(save(small(), tmp_path_factory.mktemp("tables")))


def _frames(version: str) -> dict[str, bytes]:
    return {f"{name}.csv": f"a\n{version}\n".encode() for name in ("patients", "sessions", "placements")}


def _report(place: Path, version: str) -> None:
    staging = place.parent / ".partial" / place.name
    staging.mkdir(parents=True)
    for name in ("page.html", "results.json"):
        files.write(staging / name, version)
    disk.put_in_place(staging, place)


# What a place is written by, with two versions of the same thing; the third is what a reader sees.
WRITERS = {
    "coded or mapped tables": lambda place, v: writing.folder(place, _frames(v)),
    "set aside, mapping, template": lambda place, v: writing.file(place, v * 1000),
    "report page, results, run, index": lambda place, v: files.write(place, v * 1000),
    "round, answer, ledger": lambda place, v: files.write_json(place, {"sums": [v] * 1000}),
    "report": _report,
}


def _content(place: Path) -> object:
    """Return what a reader finds, who lets a change that was decided be finished first."""
    disk.restore(place)
    if not place.exists():
        return None
    if place.is_dir():
        return {p.name: p.read_bytes() for p in sorted(place.iterdir())}
    return place.read_bytes()


class _Failing:
    """Let the nth step of writing fail, once."""

    def __init__(self, patch, step: int):
        self.left = step
        for owner, name in (
            (os, "fsync"),
            (Path, "replace"),
            (Path, "rename"),
            (Path, "hardlink_to"),
            (Path, "rmdir"),
            (Path, "chmod"),
            (Path, "mkdir"),
        ):
            patch.setattr(owner, name, self._counted(getattr(owner, name)))

    def _counted(self, real):
        def call(*given, **named):
            self.left -= 1
            if self.left == 0:
                raise OSError(28, "No space left on device")
            return real(*given, **named)

        return call


def _every_failure(write, place: Path, monkeypatch) -> list[object]:
    """Fail at each step in turn; return what lay there after each, until a run needed no more steps."""
    seen = []
    for step in range(1, STEPS):
        with monkeypatch.context() as patch:
            failing = _Failing(patch, step)
            with contextlib.suppress(OSError):
                write()
            done = failing.left > 0
        seen.append(_content(place))
        if done:
            return seen
    raise AssertionError("the writer never ended")


@pytest.mark.parametrize("name", sorted(WRITERS))
def test_a_disk_that_fails_in_the_middle_leaves_the_old_or_the_new(name, tmp_path, monkeypatch):
    write, place = WRITERS[name], tmp_path / "out"
    write(tmp_path / "other", "new")
    new = _content(tmp_path / "other")
    write(place, "old")
    old = _content(place)
    assert old != new

    def again():
        _tidy(tmp_path, place)
        write(place, "new")

    seen = _every_failure(again, place, monkeypatch)
    assert len(seen) > 2
    assert seen[-1] == new
    assert all(content in (old, new) for content in seen)
    assert seen[0] == old
    left = [p for p in tmp_path.rglob("*") if p.is_file() and place not in p.parents and p != place]
    assert not [p for p in left if p.name.startswith(".out.")], "half files stay"


def _tidy(folder: Path, place: Path) -> None:
    """Take away what a failed report leaves to be looked at."""
    shutil.rmtree(folder / ".partial", ignore_errors=True)


@pytest.mark.parametrize("kind", ["csv", "xlsx", "parquet", "duckdb"])
def test_records_are_written_whole_or_not_at_all(kind, register, tmp_path, monkeypatch):
    """All tables old or all new: counts of one register beside patients of another are no register."""
    place = tmp_path / ("r" if kind in ("csv", "parquet") else f"r.{kind}")
    changed = {
        "patients": register.patients.assign(age_years=register.patients["age_years"] + 1),
        "measurements": register.measurements.assign(month=register.measurements["month"] + 1),
    }
    records.write(replace(register, **changed), tmp_path / f"other.{kind}", kind=kind)
    records.write(register, place, kind=kind)
    new, old = _content(tmp_path / f"other.{kind}"), _content(place)
    seen = _every_failure(
        lambda: records.write(replace(register, **changed), place, kind=kind), place, monkeypatch
    )
    assert all(content == old for content in seen[:-1] if content != seen[-1])
    assert seen[0] == old != seen[-1]
    if kind in ("csv", "parquet"):
        assert seen[-1] == new
    paths = place.iterdir() if place.is_dir() else [place]
    assert {stat.S_IMODE(p.stat().st_mode) for p in paths} == {0o600}


def test_a_reader_finds_the_old_tables_where_the_writer_was_killed_between_two_moves(register, tmp_path):
    records.write(register, tmp_path / "r")
    (tmp_path / "r").rename(tmp_path / ".r.before")
    assert len(records.load(tmp_path / "r").patients) == len(register.patients)


def test_a_report_whose_successor_was_killed_between_two_moves_is_put_back(tmp_path):
    place = tmp_path / "out"
    _report(place, "old")
    place.rename(tmp_path / ".out.before")
    disk.restore_inside(tmp_path)
    assert (place / "page.html").read_text() == "old"


def test_a_report_whose_writer_was_killed_after_both_moves_stands_alone(tmp_path):
    """An index of reports would else list the old one beside the new."""
    place = tmp_path / "out"
    _report(place, "old")
    shutil.copytree(place, tmp_path / ".out.before")
    files.write(place / "page.html", "new")
    disk.restore_inside(tmp_path)
    assert (place / "page.html").read_text() == "new"
    assert not (tmp_path / ".out.before").exists()


def test_a_key_is_whole_or_not_there(tmp_path, monkeypatch):
    place = tmp_path / "k"

    def write():
        if not place.exists():
            codes.new_key(place)

    seen = _every_failure(write, place, monkeypatch)
    assert all(content is None or len(content) == 65 for content in seen)
    assert stat.S_IMODE(place.stat().st_mode) == 0o600


def test_a_template_and_a_partition_are_for_the_owner_alone(tmp_path):
    records.template(tmp_path / "t.xlsx")
    pooling.prepare_partition(save(small(), tmp_path / "tables"), CODING, tmp_path / "p.parquet")
    assert {"patient", "placement", "zone", "month", "y"} <= set(pd.read_parquet(tmp_path / "p.parquet"))
    for name in ("t.xlsx", "p.parquet"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def test_a_freeze_that_cannot_be_written_leaves_the_freezes_before(tmp_path, monkeypatch, demo):
    plan = tmp_path / "plan.toml"
    plan.write_text((ROOT / "data_demo" / "study_out_of_body.toml").read_text(encoding="utf-8"))
    now = datetime(2026, 1, 2, tzinfo=UTC)
    study.freeze(plan, demo, now=now)
    frozen = next(tmp_path.glob("*.frozen.json"))
    assert stat.S_IMODE(frozen.stat().st_mode) == 0o600
    before = frozen.read_bytes()
    plan.write_text(plan.read_text().replace("seed = ", "seed = 1"))
    with monkeypatch.context() as patch:
        _Failing(patch, 1)
        with pytest.raises(OSError, match="No space"):
            study.freeze(plan, demo, now=now)
    assert frozen.read_bytes() == before
    assert len(json.loads(before)["freezes"]) == 1
