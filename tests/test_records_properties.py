"""What must not matter does not: the order of rows, the names of codes, the form of the files."""

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from records_small import small

from analytics import records
from analytics.dictionary.tables import TABLES
from analytics.errors import RecordError
from analytics.records.write import as_written

QUICK = settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
CODES = ("patient_id", "session_id", "placement_id")


@pytest.fixture(scope="module")
def whole():
    return records.from_frames(_frames())


def _frames():
    return {name: pd.DataFrame(rows) for name, rows in small().items()}


def _sorted(frame, name):
    return frame.sort_values(list(TABLES[name].key)).reset_index(drop=True)


@QUICK
@given(st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(random):
    frames = _frames()
    shuffled = {
        n: f.iloc[random.sample(range(len(f)), len(f))].reset_index(drop=True) for n, f in frames.items()
    }
    one, two = records.from_frames(frames), records.from_frames(shuffled)
    assert two.warnings == ()
    for name in TABLES:
        pd.testing.assert_frame_equal(_sorted(getattr(one, name), name), _sorted(getattr(two, name), name))


LETTERS = st.text("ABCDEFGHJKLMNPQRSTUVWXYZ0123456789", min_size=5, max_size=9)


@QUICK
@given(st.lists(LETTERS, min_size=13, max_size=13, unique=True))
def test_the_names_of_codes_change_nothing_but_themselves(names):
    frames = _frames()
    old = sorted({code for f in frames.values() for c in CODES if c in f for code in f[c]})
    new = dict(zip(old, names, strict=True))
    renamed = {n: f.assign(**{c: f[c].map(new) for c in CODES if c in f}) for n, f in frames.items()}
    one, two = records.from_frames(frames), records.from_frames(renamed)
    assert two.warnings == ()
    for name in TABLES:
        frame = getattr(one, name)
        codes = {c: frame[c].map(new).astype("string") for c in CODES if c in frame}
        pd.testing.assert_frame_equal(frame.assign(**codes), getattr(two, name))


def _numbers(low, high):
    return st.floats(low, high, allow_nan=False).map(lambda x: x + 0.0)


@settings(QUICK, max_examples=5)
@given(
    density=st.lists(_numbers(40.0, 60.0), min_size=15, max_size=15),
    age=st.lists(st.none() | _numbers(20.0, 80.0), min_size=3, max_size=3),
    team=st.lists(st.none() | st.text("-_09aB", max_size=11).map("T{}".format), min_size=4, max_size=4),
    kind=st.sampled_from(["csv", "xlsx", "parquet", "duckdb"]),
)
def test_what_is_written_in_any_form_loads_to_the_same_records(density, age, team, kind):
    frames = _frames()
    frames["measurements"]["density_hairs_cm2"] = density
    frames["measurements"]["density_fu_cm2"] = np.nan
    frames["patients"]["age_years"] = age
    frames["sessions"]["team_id"] = pd.array(team, dtype="string")
    one = records.from_frames(frames)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / f"r.{kind}" if kind in ("xlsx", "duckdb") else Path(folder)
        two = records.load(records.write(one, place, kind=kind))
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


def test_records_in_memory_are_the_records_of_the_files(demo):
    again = records.from_frames({name: as_written(getattr(demo, name), name) for name in TABLES})
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(again, name), getattr(demo, name))


@QUICK
@given(month=st.integers(3, 40))
def test_a_register_known_later_holds_all_that_was_known_before(whole, month):
    early, later = records.as_of(whole, month), records.as_of(whole, month + 5)
    for name, table in TABLES.items():
        key = list(table.key)
        before = pd.MultiIndex.from_frame(getattr(early, name)[key].astype(str))
        assert before.isin(pd.MultiIndex.from_frame(getattr(later, name)[key].astype(str))).all()
    twice = records.as_of(later, month)
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(twice, name), getattr(early, name))


CELL = st.text(max_size=8) | st.sampled_from(
    ["", "1", "-1", "1e5", "yes", "crown", "0001", "0001-1", "#REF!", "nan"]
)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_whatever_stands_in_a_cell_gives_records_or_named_problems(data):
    frames = _frames()
    for _ in range(data.draw(st.integers(1, 4))):
        name = data.draw(st.sampled_from(sorted(frames)))
        frame = frames[name]
        row = data.draw(st.integers(0, len(frame) - 1))
        column = data.draw(st.sampled_from(list(frame.columns)))
        frame.loc[row, column] = data.draw(CELL)
    problems, balance = _outcome(frames)
    assert all(p.sentence() and (p.row is None or 2 <= p.row <= 16) for p in problems)
    assert problems or (balance["read"] == balance["used"] + balance["left_out"]).all()


def _outcome(frames):
    """Return the errors that stop a load, or the balance of rows."""
    try:
        return (), records.from_frames(frames).balance
    except RecordError as refused:
        return refused.problems, None


@pytest.mark.parametrize("lost", [(name, c.name) for name, t in TABLES.items() for c in t.asked()][::5])
def test_whichever_column_is_lost_a_load_gives_records_or_named_problems(lost):
    name, column = lost
    frames = _frames()
    frames[name] = frames[name].drop(columns=column, errors="ignore")
    problems, _ = _outcome(frames)
    absent = [(p.table, p.column) for p in problems if p.code == "absent_column"]
    assert absent == ([] if TABLES[name].column(column).optional else [lost])
