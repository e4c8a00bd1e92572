"""An error that all of a clinic's readings share stays in the pooled curve, however many readings there are.

Expectations are the algebra written out with dense matrices, and a case that is worked in the head: where
every reading of every clinic rests on a zone's average with the stated error of 4 %, the whole curve is known
to 4 %.
"""

from dataclasses import replace

import numpy as np
import pytest

from analytics import pooling, simulate, yields
from analytics.numerics import mixed
from analytics.pooling.coding import COMMON, OWN, Coding, design_rows, matrix, part_design, shared_designs

CLINICS = ("A", "B", "C")
CODING = Coding("study", CLINICS, ("frontal",), (1.0, 6.0, 10.0, 18.0), (), "assumed", 4.8, 10, 5)


def _finished(counted):
    """Return three clinics' registers, these shares counted in the region, and their finished study."""
    made = {}
    for i, (clinic, share) in enumerate(zip(CLINICS, counted, strict=True)):
        truth = replace(simulate.Truth(), planted_counted=share)
        made[clinic] = simulate.as_records(simulate.register(50, truth=truth, seed=830 + i)[0])
    current = pooling.open_round(CODING)
    while current["asked"]["kind"] != "done":
        current = pooling.next_round(current, [pooling.answer(current, made[c], c) for c in CLINICS])
    return made, current


@pytest.fixture(scope="module")
def unlike():
    """One clinic with its own ratio, two with the stated one."""
    return _finished((0.6, 0.0, 0.0))


def test_shared_errors_enter_as_dense_matrices_say(unlike):
    """A = (X' V^-1 X)^-1 X' V^-1 over stacked rows; a column A c for clinic A, one for B and C together."""
    made, study = unlike
    fit = pooling.pooled(study)
    frames = {c: design_rows(r, CODING) for c, r in made.items()}
    X = np.vstack([matrix(f, CODING) for f in frames.values()])
    labels = {
        k: np.concatenate([(c + f[k]).to_numpy() for c, f in frames.items()])
        for k in ("patient", "placement")
    }
    labels = {"clinic": np.repeat(list(frames), [len(f) for f in frames.values()]), **labels}
    V = fit.sigma**2 * np.eye(len(X))
    for code, spread in zip(labels.values(), fit.covariances, strict=True):
        V += spread[0, 0] * (code[:, None] == code[None, :])
    A = np.linalg.solve(X.T @ np.linalg.solve(V, X), np.linalg.solve(V, X).T)
    y = np.concatenate([f["y"] for f in frames.values()])
    np.testing.assert_allclose(A @ y, fit.beta, rtol=1e-6)
    patterns = {}
    for clinic, register in made.items():
        error = yields.planted_error(register)
        rows = yields.by_visit(register)
        rows = rows[rows["for_curve"] & ~rows["is_baseline"] & rows["zone"].eq("frontal")]
        share = rows["planted_source"].eq("zone").mean()
        patterns[clinic] = y * (labels["clinic"] == clinic) * share * error.zone_ratio_se / error.zone_ratio
    assert yields.planted_error(made["A"]).n_both >= 20 > yields.planted_error(made["B"]).n_both
    columns = np.column_stack([A @ patterns["A"], A @ (patterns["B"] + patterns["C"])])
    np.testing.assert_allclose(pooling.shared_covariance(study), columns @ columns.T, rtol=1e-5, atol=1e-9)


def test_where_all_rest_on_averages_the_whole_curve_is_known_to_four_percent():
    _, study = _finished((0.0, 0.0, 0.0))
    path = pooling.curve(study).path
    x = matrix(path.rename(columns={"x": "month"}), CODING)
    own = np.einsum("ij,jk,ik->i", x, pooling.pooled(study).beta_cov, x)
    np.testing.assert_allclose(path["se"] ** 2 - own, (0.04 * path["estimate"]) ** 2, rtol=1e-6, atol=1e-9)


def test_partitions_add_up_to_the_same_shared_error(unlike, tmp_path):
    rows = design_rows(unlike[0]["B"], CODING)
    patients = np.array(sorted(rows["patient"].unique()))
    paths = [tmp_path / "whole.parquet", *(tmp_path / f"part{i}.parquet" for i in range(3))]
    rows.to_parquet(paths[0], index=False)
    for path, some in zip(paths[1:], np.array_split(patients, 3), strict=True):
        rows[rows["patient"].isin(some)].to_parquet(path, index=False)
    whole, split = (pooling.fit_partitions(p, CODING) for p in (paths[:1], paths[1:]))
    expected = pooling.shared_covariance_partitions(paths[:1], CODING, whole)
    found = pooling.shared_covariance_partitions(paths[1:], CODING, split)
    np.testing.assert_allclose(found, expected, rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(expected, 0.04**2 * np.outer(whole.beta, whole.beta), rtol=1e-6, atol=1e-9)


def test_no_shared_sum_tells_which_reading_rests_on_an_average(unlike):
    """The pattern is a multiple of y in a zone: the sums are those of y over again, times one number."""
    frame = design_rows(unlike[0]["A"], CODING)
    factor = frame[OWN] / frame["y"]
    np.testing.assert_allclose(factor, factor.iloc[0])
    assert frame[COMMON].eq(0).all()
    designs = shared_designs(frame, CODING, "A")
    gram, of_y = (mixed.survey(d).gram for d in (designs[OWN], part_design(frame, CODING, "A")))
    np.testing.assert_allclose(gram[:-1, -1], factor.iloc[0] * of_y[:-1, -1], rtol=1e-9)
