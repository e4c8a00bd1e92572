"""A kept result equals the one computed, never comes from a damaged entry, and runs no code."""

import json
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pandas.testing
import pytest

from analytics import results, yields
from analytics.reports import cache
from analytics.results import Curve, Result

CALLS: list[str] = []


@pytest.fixture(autouse=True)
def _own_folder(tmp_path, monkeypatch):
    monkeypatch.setenv(cache.CACHE_VARIABLE, str(tmp_path / "fits"))
    CALLS.clear()


def question(subject, *, month=12.0, rows=None) -> Curve:
    """Answer with a curve of every kind of column a result may hold."""
    CALLS.append(subject)
    frame = pd.DataFrame(
        {
            "zone": pd.Series(["crown", None], dtype="string"),
            "term": ["a", "b"],
            "estimate": [0.1 + 0.2, np.nan],
            "unit": "%",
            "kept": pd.array([True, None], dtype="boolean"),
            "n": np.array([1, 2], dtype="int64"),
            "group": pd.Categorical(["u", "v"]),
        }
    )
    extra = {"points": frame.iloc[::-1]}
    return Curve(frame, frame, "given", by=("zone",), checks={"converged": True}, extra=extra, path=frame)


def test_the_second_time_nothing_is_computed_and_the_result_is_equal():
    first = cache.remembered(question, "records", "sha", {"month": 12.0})
    second = cache.remembered(question, "records", "sha", {"month": 12.0})
    assert CALLS == ["records"]
    assert type(second) is Curve
    assert (second.by, second.checks, second.method) == (first.by, first.checks, first.method)
    for name in ("estimates", "used", "path"):
        pandas.testing.assert_frame_equal(getattr(second, name), getattr(first, name))
    pandas.testing.assert_frame_equal(second.extra["points"], first.extra["points"])


def _lacking(subject) -> Result:
    return results.unanswered(results.Gap("Twelve are needed."))


def test_what_has_no_answer_has_none_the_second_time_too():
    """A page asks for frames of it: of a kept one they are as empty, and say why, as of the computed."""
    cache.remembered(_lacking, "records", "sha", {})
    kept = cache.remembered(_lacking, "records", "sha", {})
    assert results.why_not(kept) == "Twelve are needed."
    assert kept.extra["surgeons"].attrs[results.WHY] == "Twelve are needed."


def test_other_data_other_arguments_or_other_code_are_another_entry(monkeypatch):
    keys = {
        cache.key(question, "sha", {}),
        cache.key(question, "other", {}),
        cache.key(question, "sha", {"month": 9.0}),
        cache.key(question, "sha", {"rows": pd.DataFrame({"a": [1]})}),
        cache.key(question, "sha", {"rows": pd.DataFrame({"a": [2]})}),
        cache.key(cache.clear, "sha", {}),
    }
    monkeypatch.setattr(cache, "code_sha256", lambda: "changed")
    keys.add(cache.key(question, "sha", {}))
    assert len(keys) == 7


def chosen(subject, *, choices=yields.USUAL) -> tuple[yields.Choices, float]:
    """Answer with the choices it was asked under."""
    CALLS.append(subject)
    return choices, 1.0


def test_choices_of_a_yield_are_an_argument_and_an_answer_like_any_other():
    """Equal choices find the entry, others do not, and they come back as they went in."""
    for native_change in ("none", "none", "control"):
        choices = yields.Choices(native_change=native_change)
        assert cache.remembered(chosen, "records", "sha", {"choices": choices}) == (choices, 1.0)
    assert len(CALLS) == 2


@pytest.mark.parametrize("damage", ["tree.json", "arrays.npz", "index.json", "f0.parquet"])
def test_a_half_written_entry_is_computed_again(damage):
    cache.remembered(question, "records", "sha", {})
    (entry,) = cache.folder().iterdir()
    whole = (entry / damage).read_bytes()
    (entry / damage).write_bytes(whole[: len(whole) // 2])
    cache.remembered(question, "records", "sha", {})
    assert len(CALLS) == 2
    cache.remembered(question, "records", "sha", {})
    assert len(CALLS) == 2, "the mended entry serves again"


def test_an_entry_is_the_owners_alone():
    cache.remembered(question, "records", "sha", {})
    (entry,) = cache.folder().iterdir()
    assert entry.stat().st_mode & 0o077 == 0


def test_an_entry_that_names_code_outside_the_package_is_thrown_away():
    cache.remembered(question, "records", "sha", {})
    (entry,) = cache.folder().iterdir()
    tree = {"kind": "dataclass", "module": "subprocess", "name": "Popen", "fields": {"args": "true"}}
    (entry / "tree.json").write_text(json.dumps(tree))
    index = json.loads((entry / "index.json").read_text())
    index["tree.json"] = cache.files.sha256(entry / "tree.json")
    (entry / "index.json").write_text(json.dumps(index))
    assert isinstance(cache.remembered(question, "records", "sha", {}), Curve)
    assert len(CALLS) == 2


@dataclass(frozen=True)
class Outside:
    """A class that is not the package's."""

    value: int


def test_what_cannot_be_stored_is_returned_and_not_stored():
    assert cache.remembered(lambda subject: Outside(3), "records", "sha", {}) == Outside(3)
    assert list(cache.folder().iterdir()) == []


def test_plain_values_and_arrays_come_back_as_they_were():
    value = {"a": (1, 2.5, None, "x", [True]), "b": np.arange(3.0), "c": np.float64(0.1), "d": float("inf")}
    for _ in range(2):
        back = cache.remembered(lambda subject: value, "records", "sha", {})
    assert back["a"] == value["a"]
    assert back["d"] == float("inf")
    np.testing.assert_array_equal(back["b"], value["b"])
    assert back["c"] == np.float64(0.1)


def test_off_means_off_and_clear_removes_everything(monkeypatch):
    cache.remembered(question, "records", "sha", {})
    assert cache.clear() == 1
    monkeypatch.setenv(cache.CACHE_VARIABLE, "off")
    assert isinstance(cache.remembered(question, "records", "sha", {}), Result)
    assert cache.folder() is None


def test_the_oldest_entries_go_first(monkeypatch):
    monkeypatch.setattr(cache, "MAX_ENTRIES", 2)
    for month in (1.0, 2.0, 3.0):
        cache.remembered(question, "records", "sha", {"month": month})
    kept = {p.name for p in cache.folder().iterdir()}
    assert kept == {cache.key(question, "sha", {"month": m}) for m in (2.0, 3.0)}


def test_an_entry_that_another_process_has_just_forgotten_stops_nobody(monkeypatch, tmp_path):
    """Two reports at once, both at the limit of entries: one listed a folder that the other took away."""
    place = tmp_path / "fits"
    cache.remembered(question, "register", "sha", {"month": 1.0})
    monkeypatch.setattr(cache, "MAX_ENTRIES", 1)
    there = list(place.iterdir())
    monkeypatch.setattr(type(place), "iterdir", lambda _: iter([*there, place / "gone"]))
    cache.remembered(question, "register", "sha", {"month": 2.0})
    assert all(p.exists() for p in there)
