"""What must not change a yield: order of rows, names of patients, units of area, how a file was put together.

Expectations are the same register's own numbers before the change; no number is expected but equality.
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import records, simulate, yields
from analytics.measurement.error import CountError

KEY = ["session_id", "zone", "region_id", "month", "count_number", "reads_as"]
NUMBERS = ["yield_pct", "yield_pct_se", "baseline_density", "native_change", "planted_hairs_cm2"]
FEW = settings(max_examples=3, deadline=None)
SEEDS = st.integers(0, 10_000)
ERROR = CountError()


@pytest.fixture(scope="module")
def tables():
    return simulate.register(30, seed=8)[0]


@pytest.fixture(scope="module")
def usual(tables):
    return _rows(tables)


def _rows(tables, **options):
    rows = yields.by_visit(simulate.as_records(tables), count_error=ERROR, **options)
    return rows.sort_values(KEY, ignore_index=True)


def _same(one, other, columns=NUMBERS):
    np.testing.assert_allclose(
        one[columns].to_numpy(dtype=float), other[columns].to_numpy(dtype=float), rtol=1e-9, atol=1e-9
    )


@FEW
@given(seed=SEEDS)
def test_the_order_of_rows_changes_no_yield_and_no_mean(tables, usual, seed):
    rng = np.random.default_rng(seed)
    mixed = {n: f.iloc[rng.permutation(len(f))].reset_index(drop=True) for n, f in tables.items()}
    _same(usual, _rows(mixed))
    means = [yields.average(simulate.as_records(t), count_error=ERROR).table() for t in (tables, mixed)]
    _same(*means, columns=["estimate", "se", "ci_low", "ci_high"])


@FEW
@given(seed=SEEDS)
def test_the_labels_of_patients_change_no_yield_and_no_mean(tables, usual, seed):
    codes = tables["patients"]["patient_id"]
    other = np.random.default_rng(seed).permutation([f"X{i:03}" for i in range(len(codes))])
    labels = dict(zip(codes, other, strict=True))
    named = {
        n: f.assign(patient_id=f["patient_id"].map(labels)) if "patient_id" in f else f
        for n, f in tables.items()
    }
    _same(usual, _rows(named))
    means = [yields.average(simulate.as_records(t), count_error=ERROR).table() for t in (tables, named)]
    _same(*means, columns=["estimate", "se", "ci_low", "ci_high"])


@FEW
@given(factor=st.sampled_from([100.0, 0.01, 6.4516]))
def test_areas_and_densities_in_another_unit_change_no_yield_and_no_error(tables, usual, factor):
    """For cm2: square millimetres (factor 100), square decimetres (0.01), an odd one."""
    counts, places = tables["measurements"], tables["placements"]
    other = {
        **tables,
        "measurements": counts.assign(
            density_hairs_cm2=counts["density_hairs_cm2"] / factor,
            roi_area_cm2=counts["roi_area_cm2"] * factor,
        ),
        "placements": places.assign(
            area_cm2=places["area_cm2"] * factor,
            roi_planted_hairs_cm2=places["roi_planted_hairs_cm2"] / factor,
        ),
    }
    _same(usual, _rows(other), columns=["yield_pct", "yield_pct_se"])


@FEW
@given(seed=SEEDS)
def test_a_register_split_by_patients_has_the_yields_of_the_whole(tables, usual, seed):
    """A patient's yields rest on that patient's records alone (errors of a clinic's own apart)."""
    first = np.random.default_rng(seed).random(len(tables["patients"])) < 0.5
    codes = tables["patients"]["patient_id"]
    parts = []
    for chosen in (set(codes[first]), set(codes[~first])):
        sessions = set(tables["sessions"].loc[tables["sessions"]["patient_id"].isin(chosen), "session_id"])
        parts.append(
            {
                n: f[f["patient_id"].isin(chosen) if "patient_id" in f else f["session_id"].isin(sessions)]
                for n, f in tables.items()
            }
        )
    both = pd.concat([_rows(p) for p in parts if len(p["measurements"])]).sort_values(KEY, ignore_index=True)
    _same(usual, both, columns=["yield_pct", "baseline_density", "native_change", "planted_hairs_cm2"])


def test_a_file_split_in_two_and_put_together_again_changes_no_yield(tables, tmp_path):
    """Counts exported in two files and pasted together, the later one first."""
    for name, put_together in (("one", False), ("two", True)):
        folder = tmp_path / name
        folder.mkdir()
        for table, frame in tables.items():
            frame.to_csv(folder / f"{table}.csv", index=False)
        if put_together:
            lines = (folder / "measurements.csv").read_text(encoding="utf-8").splitlines()
            half = len(lines) // 2
            pasted = [lines[0], *lines[half:], *lines[1:half]]
            (folder / "measurements.csv").write_text("\n".join(pasted) + "\n", encoding="utf-8")
    one, two = (
        yields.by_visit(records.load(tmp_path / n)).sort_values(KEY, ignore_index=True)
        for n in ("one", "two")
    )
    _same(one, two)
