"""Many clinics: sums against stacked rows, refusals in words, what an observer learns, one shot, "
"partitions."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from test_results import assert_keeps_the_contract

from analytics import pooling, simulate
from analytics.errors import ParameterError
from analytics.numerics import mixed
from analytics.pooling import demo as pooling_demo
from analytics.pooling import rounds
from analytics.pooling.coding import Coding, design_rows, digest, matrix, part_design, read_study

SAME = 1e-8
DEMO = Path(__file__).parents[1] / "data_demo" / "pooling"
ZONES = ("frontal", "crown")
KNOTS = (1.0, 6.0, 10.0, 18.0)


def _coding(clinics, **changed) -> Coding:
    settings = {"min_patients": 10, "min_cell": 5, **changed}
    return Coding("test", tuple(clinics), ZONES, KNOTS, (), "assumed", 4.8, **settings)


@pytest.fixture(scope="module")
def clinics():
    """Four clinics of very different size; one of them without a crown."""
    made = {
        f"C{i}": simulate.as_records(simulate.register(n, seed=50 + i)[0])
        for i, n in enumerate((60, 200, 90, 70))
    }
    no_crown = made["C3"]
    counts = no_crown.measurements[no_crown.measurements["zone"].ne("crown")].reset_index(drop=True)
    from dataclasses import replace

    return {**made, "C3": replace(no_crown, measurements=counts)}


@pytest.fixture(scope="module")
def finished(clinics):
    coding = _coding(clinics)
    current = pooling.open_round(coding)
    while current["asked"]["kind"] != "done":
        answers = [json.loads(json.dumps(pooling.answer(current, clinics[c], c))) for c in coding.clinics]
        current = json.loads(json.dumps(pooling.next_round(current, answers)))
    return current


def _stacked(clinics) -> mixed.MixedFit:
    coding = _coding(clinics)
    frames = [design_rows(r, coding).assign(clinic=c) for c, r in clinics.items()]
    rows = pd.concat(frames, ignore_index=True)
    one = np.ones((len(rows), 1))
    patient = (rows["clinic"] + "|" + rows["patient"]).to_numpy()
    placement = (rows["clinic"] + "|" + rows["placement"]).to_numpy()
    levels = [(rows["clinic"].to_numpy(), one), (patient, one), (placement, one)]
    return mixed.fit(rows["y"].to_numpy(), matrix(rows, coding), levels)


def test_the_fit_from_sums_is_the_fit_on_stacked_rows(clinics, finished):
    ours, stacked = pooling.pooled(finished), _stacked(clinics)
    np.testing.assert_allclose(ours.beta, stacked.beta, rtol=SAME)
    np.testing.assert_allclose(ours.beta_se, stacked.beta_se, rtol=SAME)
    np.testing.assert_allclose(ours.sigma, stacked.sigma, rtol=SAME)
    for mine, other in zip(ours.covariances, stacked.covariances, strict=True):
        np.testing.assert_allclose(mine, other, rtol=1e-6, atol=1e-6)
    assert ours.loglik == pytest.approx(stacked.loglik, rel=1e-10)


def test_it_takes_at_most_eight_exchanges_after_the_survey(finished):
    assert len(finished["history"]) - 1 <= rounds.MAX_EXCHANGES


def test_the_pooled_curve_keeps_the_contract(finished):
    assert_keeps_the_contract(pooling.curve(finished))


def test_the_pooled_curve_is_drawn_where_zones_were_counted_and_ends_at_their_maturity(clinics, finished):
    """Patients and months by zone against the coded rows themselves."""
    curve = pooling.curve(finished)
    coding = _coding(clinics)
    rows = pd.concat([design_rows(r, coding).assign(clinic=c) for c, r in clinics.items()])
    rows["who"] = rows["clinic"] + rows["patient"]
    ends = curve.table().set_index("zone")
    assert ends["n_patients"].to_dict() == rows.groupby("zone")["who"].nunique().to_dict()
    assert ends["x"].to_dict() == {"frontal": 12.0, "crown": 18.0}
    for zone, own in curve.path.groupby("zone"):
        first = np.sort(rows[rows["zone"].eq(zone)].groupby("who")["month"].min())
        assert (first <= own["x"].min()).sum() >= coding.min_cell
        assert own["x"].min() >= 2.0


def test_no_file_holds_a_row_or_a_patient_code(clinics, finished):
    text = json.dumps(finished)
    codes = set(clinics["C0"].patients["patient_id"]) | set(clinics["C0"].placements["placement_id"])
    assert not any(f'"{code}"' in text for code in codes)
    given = pooling.answer(pooling.open_round(_coding(clinics)), clinics["C1"], "C1")
    assert "No row, no patient code, no date" in pooling.what_leaves(given)
    n = len(design_rows(clinics["C1"], _coding(clinics)))
    assert all(n not in np.shape(v) for k, v in given["sums"].items() if k in ("gram", "cross", "curve"))


def test_an_observer_of_all_sums_cannot_tell_one_patient_from_rotated_ones():
    """Three patients with the same visits, turned about their mean by a third and more: every sum stays."""
    months = np.tile([3.0, 6.0, 12.0, 18.0], 30)
    patient = np.repeat([f"p{i}" for i in range(30)], 4)
    rng = np.random.default_rng(4)
    y = 40 + 2 * months + np.repeat(rng.normal(size=30) * 5, 4) + rng.normal(size=120) * 8
    frame = pd.DataFrame(
        {"patient": patient, "placement": patient, "zone": "frontal", "month": months, "y": y}
    )
    turned = frame.copy()
    some = [np.flatnonzero(patient == p) for p in ("p3", "p4", "p5")]
    turn = _about_the_mean(0.7)
    for i, rows in enumerate(some):
        turned.loc[rows, "y"] = sum(turn[i, j] * y[other] for j, other in enumerate(some))
    assert np.abs(turned["y"] - frame["y"]).max() > 3
    coding = _coding(("only", "other"))
    one, two = (part_design(f, coding, "only") for f in (frame, turned))
    np.testing.assert_allclose(mixed.survey(one).gram, mixed.survey(two).gram, rtol=1e-12, atol=1e-9)
    x = matrix(frame, coding)
    kept = np.abs(x).sum(axis=0) > 0
    levels = [(patient, np.ones((120, 1)))]
    designs = [mixed.design(f["y"].to_numpy(), x[:, kept], levels) for f in (frame, turned)]
    form = mixed.plan(mixed.survey(designs[0]), designs[0].kinds)
    for theta in (0.2, 0.7, 1.5):
        sums = [mixed.contributions(np.array([theta]), mixed.prepare(d, form), form) for d in designs]
        np.testing.assert_allclose(sums[0].cross, sums[1].cross, rtol=1e-10, atol=1e-9)
        np.testing.assert_allclose(sums[0].slope, sums[1].slope, rtol=1e-10, atol=1e-9)


def _about_the_mean(angle: float) -> np.ndarray:
    """Return the rotation of three about (1, 1, 1): it keeps sums and sums of cross-products."""
    cos, sin = np.cos(angle), np.sin(angle)
    skew = np.array([[0, -1, 1], [1, 0, -1], [-1, 1, 0]]) / np.sqrt(3)
    return cos * np.eye(3) + sin * skew + (1 - cos) * np.ones((3, 3)) / 3


def _signed(body: dict) -> dict:
    plain = {k: v for k, v in body.items() if k != "sha256"}
    return {**plain, "sha256": digest(plain)}


def test_every_broken_answer_is_refused_in_words(clinics):
    coding = _coding(list(clinics)[:2])
    first = pooling.open_round(coding)
    good = [pooling.answer(first, clinics[c], c) for c in coding.clinics]
    other = pooling.open_round(_coding(list(clinics)[:2], min_patients=11))
    later = pooling.next_round(first, good)
    edited = {**good[0], "n_patients": 999}
    lopsided = json.loads(json.dumps(good[0]))
    lopsided["sums"]["gram"][0][1] += 5.0
    negative = json.loads(json.dumps(good[0]))
    negative["sums"]["gram"] = (-np.array(negative["sums"]["gram"])).tolist()
    missing_number = json.loads(json.dumps(good[0]))
    missing_number["sums"]["gram"][0][0] = float("nan")
    cases = [
        ([good[0]], "no answer from C1"),
        ([good[0], good[0], good[1]], "two answers from C0"),
        ([edited, good[1]], "was changed after it was written"),
        ([missing_number, good[1]], "holds NaN"),
        ([_signed(lopsided), good[1]], "not symmetric"),
        ([_signed(negative), good[1]], "impossible"),
        ([pooling.answer(other, clinics["C0"], "C0"), good[1]], "made with another coding"),
        ([{"kind": "something"}, good[1]], "not an answer of this version"),
    ]
    for answers, says in cases:
        with pytest.raises(ParameterError, match=says):
            pooling.next_round(first, answers)
    with pytest.raises(ParameterError, match="answers another round"):
        pooling.next_round(later, good)
    with pytest.raises(ParameterError, match="its check sum does not hold"):
        pooling.next_round({**first, "number": 7}, good)
    with pytest.raises(ParameterError, match="the study is not finished"):
        pooling.pooled(later)


def test_an_answer_from_too_few_patients_is_refused(clinics):
    with pytest.raises(ParameterError, match="500 are the least for an answer"):
        pooling.answer(pooling.open_round(_coding(clinics, min_patients=500)), clinics["C0"], "C0")
    with pytest.raises(ParameterError, match="fewer than 300 patients in"):
        pooling.answer(pooling.open_round(_coding(clinics, min_cell=300)), clinics["C0"], "C0")
    with pytest.raises(ParameterError, match="not in this study"):
        pooling.answer(pooling.open_round(_coding(clinics)), clinics["C0"], "Z9")


def test_a_broken_study_file_is_refused_in_words(tmp_path):
    place = tmp_path / "study.toml"
    for text, says in (
        ("name = ", "cannot be read as TOML"),
        ('name = "a"\nclinics = ["C1"]', "clinics"),
        ('name = "a"\nclinics = ["C1", "C2"]\nzones = ["nape"]', "zones: unknown"),
        ('name = "a"\nclinics = ["C1", "C1"]', "named twice"),
        ('name = "a"\nclinics = ["C1", "C2"]\nknots = [6.0, 1.0, 18.0]', "must rise"),
    ):
        place.write_text(text)
        with pytest.raises(ParameterError, match=says):
            read_study(place)


def test_partitions_give_the_same_fit_as_the_whole(clinics, tmp_path):
    coding = _coding(("C1", "other"))
    rows = design_rows(clinics["C1"], coding)
    patients = np.array(sorted(rows["patient"].unique()))
    paths = []
    for i, some in enumerate(np.array_split(patients, 3)):
        path = tmp_path / f"part{i}.parquet"
        rows[rows["patient"].isin(some)].to_parquet(path, index=False)
        paths.append(path)
    split, whole = (
        pooling.fit_partitions(paths, coding),
        pooling.fit_partitions([_whole(rows, tmp_path)], coding),
    )
    np.testing.assert_allclose(split.beta, whole.beta, rtol=SAME)
    grid = [3.0, 6.0, 9.0, 12.0, 18.0, 24.0, 36.0]
    one = pooling.turnbull_partitions(paths, percent=50, grid=grid)
    other = pooling.turnbull_partitions([tmp_path / "whole.parquet"], percent=50, grid=grid)
    np.testing.assert_allclose(one.mass, other.mass, atol=1e-9)


def _whole(rows: pd.DataFrame, folder: Path) -> Path:
    rows.to_parquet(folder / "whole.parquet", index=False)
    return folder / "whole.parquet"


def test_the_demo_pools_and_keeps_the_contract():
    result = pooling.combine(pooling.read_folder(DEMO))
    assert_keeps_the_contract(result)
    pooled = result.table().query("term == 'pooled' and measure == 'yield_at_maturity, frontal'").iloc[0]
    truth = simulate.Truth().zones["frontal"].plateau_yield
    assert pooled["ci_low"] - 3 < truth < pooled["ci_high"] + 6
    assert len(pooling.what_left(DEMO)) == 7


def test_the_demo_files_are_what_the_module_makes():
    """One clinic is made anew and compared (the others would only take longer)."""
    committed = pooling.read_summary(DEMO / "summary_C3.json")
    made = pooling.summary(pooling_demo.registers()["C3"], "C3")
    for mine, theirs in zip(made["estimates"], committed["estimates"], strict=True):
        assert (mine["term"], mine["zone"], mine["n_patients"]) == (
            theirs["term"],
            theirs["zone"],
            theirs["n_patients"],
        )
        assert mine["estimate"] == pytest.approx(theirs["estimate"], rel=1e-3)


def test_one_clinic_is_not_pooled_and_two_are_with_their_spread(tmp_path):
    one, two = (pooling.read_summary(DEMO / f"summary_{c}.json") for c in ("C1", "C2"))
    alone = pooling.combine([one]).table()
    assert alone.loc[alone["term"].eq("pooled"), "flag"].str.startswith("only one clinic gives this").all()
    both = pooling.combine([one, two]).table().set_index(["measure", "term"])
    pooled, new = (both.loc[("yield_at_maturity, crown", term)] for term in ("pooled", "new clinic"))
    assert new["ci_low"] < pooled["ci_low"] < pooled["estimate"] < pooled["ci_high"] < new["ci_high"]
    with pytest.raises(ParameterError, match="one clinic's records under two codes"):
        pooling.combine([one, {**one, "clinic": "C9"}])


def test_files_are_known_by_what_they_hold_not_by_their_names(tmp_path):
    for i, name in enumerate(("summary_C1.json", "round_finished.json")):
        (tmp_path / f"as_received_{i}.json").write_bytes((DEMO / name).read_bytes())
    assert [one["clinic"] for one in pooling.read_folder(tmp_path)] == ["C1"]
    assert pooling.finished(tmp_path)["asked"]["kind"] == "done"
    (tmp_path / "as_received_0.json").unlink()
    with pytest.raises(ParameterError, match="holds no clinic's summary"):
        pooling.read_folder(tmp_path)
    (tmp_path / "as_received_1.json").unlink()
    with pytest.raises(ParameterError, match="holds no finished round"):
        pooling.finished(tmp_path)


def test_a_changed_summary_is_refused(tmp_path):
    found = json.loads((DEMO / "summary_C1.json").read_text())
    found["estimates"][0]["estimate"] += 1
    (tmp_path / "summary_C1.json").write_text(json.dumps(found))
    with pytest.raises(ParameterError, match="changed after it was written"):
        pooling.read_summary(tmp_path / "summary_C1.json")
