"""A broken file is refused in a sentence or read right: a few hundred here, 10,000 in bench/fuzz_files.py."""

import contextlib
import shutil

import fuzzed_files as fuzz
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from messy import files
from test_mapping import answered

from analytics import mapping
from analytics.errors import AnalyticsError
from analytics.mapping import plan as mapping_plan
from analytics.mapping import values

EACH = 16


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """Return a small sound register."""
    return fuzz.base_folder(tmp_path_factory.mktemp("base"))


def test_the_sound_files_are_read_right(base, tmp_path):
    assert fuzz.read_csv_register(base) == fuzz.RIGHT
    (tmp_path / "r.xlsx").write_bytes(fuzz.as_workbook({p.stem: pd.read_csv(p) for p in base.glob("*.csv")}))


def test_broken_csv_files_are_refused_or_read_right(base, tmp_path):
    rng = np.random.default_rng(20261125)
    names = sorted(p.name for p in base.glob("*.csv"))
    seen = set()
    for n in range(EACH):
        folder = tmp_path / str(n)
        shutil.copytree(base, folder)
        chosen = folder / names[n % len(names)]
        chosen.write_bytes(fuzz.broken(chosen.read_bytes(), rng))
        found = fuzz.read_csv_register(folder)
        assert found in (fuzz.REFUSED, fuzz.RIGHT), (n, found)
        seen.add(found)
    assert seen == {fuzz.REFUSED, fuzz.RIGHT}


def test_broken_workbooks_are_refused_or_read_right(base, tmp_path):
    rng = np.random.default_rng(20261126)
    text = dict.fromkeys(("patient_id", "session_id", "placement_id"), str)
    sound = fuzz.as_workbook({p.stem: pd.read_csv(p, dtype=text) for p in base.glob("*.csv")})
    seen = set()
    for n in range(EACH):
        path = tmp_path / f"{n}.xlsx"
        path.write_bytes(fuzz.broken_workbook(sound, rng))
        found = fuzz.read_workbook_register(path)
        assert found in (fuzz.REFUSED, fuzz.RIGHT), (n, found)
        seen.add(found)
    assert seen == {fuzz.REFUSED, fuzz.RIGHT}


def test_a_broken_front_desk_file_is_refused_or_mapped_right(tmp_path):
    rng = np.random.default_rng(20261127)
    sound = files.semicolons(tmp_path)
    plan = tmp_path / "m.toml"
    plan.write_text(answered(mapping.propose(sound)), encoding="utf-8")
    data, seen = sound.read_bytes(), set()
    for n in range(EACH):
        path = tmp_path / "semicolons.csv"
        path.write_bytes(fuzz.broken(data, rng))
        found = fuzz.map_text(path, plan)
        assert found in (fuzz.REFUSED, fuzz.RIGHT), (n, found)
        seen.add(found)
    assert seen == {fuzz.REFUSED, fuzz.RIGHT}


def test_a_broken_mapping_file_is_refused_in_a_sentence(tmp_path):
    rng = np.random.default_rng(20261128)
    sound = files.semicolons(tmp_path)
    text = answered(mapping.propose(sound)).encode()
    for _ in range(EACH):
        plan = tmp_path / "m.toml"
        plan.write_bytes(fuzz.broken(text, rng))
        with contextlib.suppress(AnalyticsError):
            mapping.mapped(sound, plan)


NUMBERS = st.floats(min_value=-1e6, max_value=1e6).map(lambda x: round(x, 3) + 0.0)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(NUMBERS, st.sampled_from(["comma", "point"]), st.sampled_from(["", " cm²", "cm2 ", "\u00a0qcm"]))
def test_a_number_written_by_the_declared_habit_comes_back_unchanged(number, decimal, unit):
    text = f"{number:.3f}".replace(".", "," if decimal == "comma" else ".")
    reading = values.Reading(decimal=decimal)
    assert values.number(f" {text}{unit}", reading, unit="cm2") == number


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.text(max_size=20))
def test_any_text_is_a_number_with_all_its_digits_or_a_fault(text):
    found = values.number(text, values.Reading(decimal="comma", thousands="point"))
    if not isinstance(found, values.Fault):
        digits = "".join(c for c in text.partition(",")[0] if c.isdigit())
        assert int(digits) == int(abs(found))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.dates(), st.sampled_from(values.ORDERS), st.sampled_from(["-", "/", ".", " "]))
def test_a_day_written_in_the_declared_order_comes_back(day, order, mark):
    parts = {"day": f"{day.day:02d}", "month": f"{day.month:02d}", "year": f"{day.year:04d}"}
    text = mark.join(parts[p] for p in order.split("-"))
    if order == "year-month-day" and mark == " ":
        return
    assert values.date(text, values.Reading(date_order=order)) == day


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.text(max_size=30))
def test_any_text_is_a_day_or_a_fault(text):
    for order in values.ORDERS:
        values.date(text, values.Reading(date_order=order, short_years="2000"))
    values.two(text, "number and word")
    values.yes_or_no(text)
    values.code(text, width=4)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.dictionaries(
        st.sampled_from(
            ["version", "reading", "joining", "table", "zones", "words", "constants", "set_aside"]
        ),
        JSON,
    )
)
def test_any_mapping_document_is_a_plan_or_refused(raw):
    with contextlib.suppress(AnalyticsError):
        mapping_plan.parse(raw)
