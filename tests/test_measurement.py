"""How a count repeats: other implementations and recovery of a known truth; see also `published.readings`."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import registers
from test_results import assert_keeps_the_contract

from analytics import measurement, simulate
from analytics.errors import FitError, ParameterError
from analytics.measurement.error import CountError
from analytics.measurement.repeats import repeats
from analytics.numerics import agreement

# pingouin rounds the limits it returns to two decimals.
PINGOUIN_LIMITS = 0.0051
# Monte Carlo: 4 standard errors of what is counted, so that one test in 16,000 fails by luck.
FOUR_SE = 4.0


@pytest.fixture(scope="module")
def counted_often():
    """Return a register with many duplicates, and its truth."""
    truth = replace(simulate.Truth(), duplicates=0.3, device_repeats=0.08, other_device=0.03)
    tables, latent = simulate.register(1500, truth=truth, seed=11)
    return simulate.as_records(tables), latent


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning")
def test_intraclass_correlations_agree_with_pingouin():
    """pingouin 0.7.0, `intraclass_corr`, on 25 targets and three readers drawn at random."""
    pingouin = pytest.importorskip("pingouin")
    rng = np.random.default_rng(3)
    table = rng.normal(100, 20, (25, 1)) + rng.normal(0, 3, (1, 3)) + rng.normal(0, 8, (25, 3))
    long = pd.DataFrame(
        {"target": np.repeat(np.arange(25), 3), "reader": np.tile(list("abc"), 25), "y": table.ravel()}
    )
    theirs = pingouin.intraclass_corr(long, targets="target", raters="reader", ratings="y")
    ours = agreement.icc(table)
    np.testing.assert_allclose(ours.estimate, theirs["ICC"].to_numpy(dtype=float), rtol=1e-9)
    limits = np.array([list(pair) for pair in theirs[next(c for c in theirs if c.startswith("CI95"))]])
    np.testing.assert_allclose(np.column_stack([ours.ci_low, ours.ci_high]), limits, atol=PINGOUIN_LIMITS)


def test_limits_of_a_standard_deviation_are_those_of_the_chi_square_table():
    """Any chi-square table, 10 degrees of freedom: 3.247 at 0.025 and 20.483 at 0.975."""
    values = np.repeat([0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0], 2)
    values[1::2] += np.sqrt(2.0)
    found = agreement.within(values, np.repeat(np.arange(10), 2))
    assert (found.sd, found.df) == (pytest.approx(1.0), 10)
    np.testing.assert_allclose(found.ci, np.sqrt([10 / 20.483, 10 / 3.247]), rtol=1e-4)


@pytest.mark.slow
def test_limits_with_several_pairs_a_subject_cover_the_true_limit_as_often_as_they_say():
    """Subjects' own bias SD 3, error SD 4, 40 subjects with 1 to 5 pairs: true upper limit 1.96 x 5."""
    rng, n_runs, hit = np.random.default_rng(8), 1500, 0
    for _ in range(n_runs):
        subjects = np.repeat(np.arange(40), rng.integers(1, 6, 40))
        d = rng.normal(0, 3, 40)[subjects] + rng.normal(0, 4, len(subjects))
        low, high = agreement.limits(d, subjects=subjects).high_ci
        hit += low <= 1.96 * 5 <= high
    se = np.sqrt(0.95 * 0.05 / n_runs)
    # Zou 2013, Stat Methods Med Res 22:630-642 reports coverage close to nominal for 25 subjects and more.
    assert abs(hit / n_runs - 0.95) < FOUR_SE * se


def test_engines_refuse_what_they_cannot_answer():
    with pytest.raises(FitError, match="two targets and two readings"):
        agreement.icc([[1.0, 2.0]])
    with pytest.raises(FitError, match="do not differ"):
        agreement.icc([[1.0, 2.0], [2.0, 1.0]])
    with pytest.raises(FitError, match="nothing was read twice"):
        agreement.within([1.0, 2.0], ["a", "b"])
    with pytest.raises(FitError, match="nothing was counted twice"):
        agreement.dispersion([3, 4], [1.0, 1.0], ["a", "b"])
    with pytest.raises(FitError, match="three subjects"):
        agreement.limits([1.0, 2.0, 3.0], subjects=["a", "a", "b"])


def test_variance_of_a_reading_is_what_the_formula_says():
    """100 hairs/cm2: phi 1.5 on 2 cm2 is 75; CV 5 % is 25; another reader adds 2 x 4.5^2 = 40.5."""
    error = CountError(phi=1.5, within_cv=0.05, between_reader_cv=0.045)
    found = measurement.count_variance(
        [100.0] * 4,
        [2.0] * 4,
        marked=[False, True, False, True],
        reader_changed=[False, False, True, True],
        error=error,
    )
    np.testing.assert_allclose(found, [75.0, 25.0, 115.5, 65.5])


def test_variance_refuses_a_negative_expectation_and_an_empty_field():
    with pytest.raises(ParameterError, match="1 value"):
        measurement.count_variance(
            [-1.0, 2.0], [1.0, 1.0], marked=False, reader_changed=False, error=CountError()
        )
    with pytest.raises(ParameterError, match="multiply the area"):
        measurement.count_variance([1.0], [0.0], marked=False, reader_changed=False, error=CountError())


@pytest.mark.parametrize(("marked", "says"), [(True, "marked"), (False, "unmarked")])
def test_simulated_readings_stray_as_far_as_the_variance_says(counted_often, marked, says):
    """The squared error over its variance averages 1, whatever the density."""
    records, latent = counted_often
    rows = records.measurements
    use = (rows["roi_marked"] == marked) & rows["standard_conditions"] & (rows["hair_length"] != "long")
    use &= (rows["device_class"] == "D1") & (latent.readings["density"] > 5)
    use = use.to_numpy(dtype=bool)
    rows, truth = rows[use], latent.readings[use]
    area = (rows["roi_area_cm2"] * rows["n_fields"]).to_numpy()
    season = 1 + 0.015 * np.cos(2 * np.pi * (truth["time"].to_numpy() - 0.5) / 12)
    reader = rows["reader_id"].map(latent.readers).to_numpy(dtype=float)
    mean = truth["density"].to_numpy() * np.exp(reader) * season
    error = CountError(phi=1.5, within_cv=0.05)
    variance = measurement.count_variance(mean, area, marked=marked, reader_changed=False, error=error)
    ratio = (rows["density_hairs_cm2"].to_numpy() - mean) ** 2 / variance
    # A whole count is off by up to half a hair, which adds 1/12 to a marked count's variance.
    rounding = float((1 / 12 / area**2 / variance).mean()) if marked else 0.0
    assert abs(ratio.mean() - 1 - rounding) < FOUR_SE * ratio.std() / np.sqrt(len(ratio)), says


def test_bare_counts_as_weights_bias_a_mean_downwards_and_expected_ones_do_not():
    """Unmarked 1 cm2, phi 1.5, 60 hairs: weights 1/y make the mean a harmonic one, low by phi."""
    rng = np.random.default_rng(1)
    y = rng.poisson(rng.gamma(60 / 0.5, 0.5, 200_000)).astype(float)
    y = y[y > 0]
    error = CountError(phi=1.5)

    def weighted(expected):
        v = measurement.count_variance(expected, 1.0, marked=False, reader_changed=False, error=error)
        return np.sum(y / v) / np.sum(1 / v)

    se = y.std() / np.sqrt(len(y))
    assert abs(weighted(y) - (60 - 1.5)) < 0.1
    assert abs(weighted(np.full_like(y, 60.0)) - 60) < FOUR_SE * se


def test_a_count_of_zero_has_an_error():
    expected = measurement.plus_one_hair([0.0], [1.0])
    for marked in (True, False):
        assert (
            measurement.count_variance(expected, 1.0, marked=marked, reader_changed=False, error=CountError())
            > 0
        )


def test_the_error_model_finds_the_truth_of_a_register(counted_often):
    records, latent = counted_often
    model = measurement.error_model(records)
    effects = np.array(list(latent.readers.values()))
    n_phi, n_within = (int(words.split("n = ")[1]) for words in (model.phi_source, model.within_source))
    assert abs(model.phi - 1.5) < FOUR_SE * 1.5 * np.sqrt(2 / n_phi)
    assert abs(model.within_cv - 0.05) < FOUR_SE * 0.05 / np.sqrt(2 * n_within) + 0.001
    # Three readers, pairs drawn unevenly: their spread is only known to lie between that of its pairs.
    contrasts = np.abs(effects[:, None] - effects[None, :])[np.triu_indices(3, 1)] / np.sqrt(2)
    assert contrasts.min() - 0.005 < model.between_reader_cv < contrasts.max() + 0.005
    assert "clinic's own duplicates" in model.between_source


def test_published_defaults_stand_in_where_nothing_was_counted_twice():
    truth = replace(simulate.Truth(), duplicates=0.0)
    tables, _ = simulate.register(30, truth=truth, seed=3)
    records = simulate.as_records(tables)
    model = measurement.error_model(records)
    assert (model.phi, model.within_cv, model.between_reader_cv) == (1.5, 0.05, 0.045)
    assert all(
        "published default" in w for w in (model.phi_source, model.within_source, model.between_source)
    )
    result = measurement.repeatability(records)
    assert_keeps_the_contract(result)
    assert "published defaults" in result.table()["flag"].iloc[0]


def test_over_dispersion_under_one_is_raised_to_one_in_the_model_and_said():
    rng = np.random.default_rng(5)
    rows = _repeated(rng.normal(60, 1.0, (40, 2)), marked=False)
    model = measurement.error_model(rows)
    assert model.phi == 1.0
    assert "raised to 1" in model.phi_source


def test_repeats_that_teach_nothing_are_left_out_with_their_reason(tmp_path):
    def count(number, month, **changes):
        return registers.count("P1", "P1-1", month, 40.0, **{"count_number": number, **changes})

    tables = {
        "patients": [registers.patient("P1")],
        "sessions": [registers.session("P1-1", "P1")],
        "placements": [registers.placement("P1-1")],
        "measurements": [
            count(1, 0.0),
            count(2, 0.0),
            count(1, 3.0),
            count(2, 3.0, standard_conditions=False, condition_reason="light"),
            count(1, 6.0),
            count(2, 6.0, reader_id=None),
            count(1, 9.0),
            count(2, 9.0, density_hairs_cm2=0.0),
            count(1, 12.0),
            count(2, 12.0, roi_marked=False),
            count(1, 18.0),
        ],
    }
    records = registers.load(tmp_path, **tables)
    rows = repeats(records)
    assert rows.groupby("month")["reason"].agg(set).to_dict() == {
        0.0: {""},
        3.0: {"conditions"},
        6.0: {"no_reader"},
        9.0: {"zero"},
        12.0: {"marking"},
    }
    assert measurement.repeatability(records).facts()["n_left_out"].iloc[0] == 8


def test_repeatability_keeps_the_contract_and_says_both_forms(demo):
    result = measurement.repeatability(demo)
    assert_keeps_the_contract(result)
    table = result.table().set_index(["device_class", "reader_id", "term"])["estimate"]
    log_form = table["all", "all", "within-reader CV (log scale)"]
    rms_form = table["all", "all", "within-reader CV (root mean square)"]
    # Bland & Altman 1996, BMJ 313:106: the two forms agree closely for small coefficients.
    assert abs(log_form - rms_form) < 0.2
    change = table["all", "all", "minimum detectable change, same reader"]
    assert change == pytest.approx(1.96 * np.sqrt(2) * log_form)


def test_minimum_detectable_change_is_the_one_computed_from_published_repeatability():
    """Within-reader CV 2.6 to 9.8 %: 1.96 x sqrt 2 x CV is 7 to 27 % (university record 158519, computed)."""
    for cv, change in ((2.6, 7), (9.8, 27)):
        assert round(agreement.Within(cv, (0, 0), 1, 1, 0.95).detectable) == change


def test_a_bridge_finds_how_readers_and_devices_shift(counted_often):
    records, latent = counted_often
    readers = measurement.bridge(records)
    assert_keeps_the_contract(readers)
    shifts = readers.extra["shifts"].set_index("name")
    reference = readers.table()["reader_id"].iloc[0]
    for name, row in shifts.drop(reference).iterrows():
        truth = latent.readers[name] - latent.readers[reference]
        assert abs(row["log_ratio"] - truth) < FOUR_SE * row["se"]
    devices = measurement.bridge(records, by="device_class").extra["shifts"].set_index("name")
    assert abs(devices.loc["D2", "log_ratio"] - np.log(1.04)) < FOUR_SE * devices.loc["D2", "se"]


def test_bridging_takes_a_readers_shift_out_of_the_densities(counted_often):
    records, latent = counted_often
    rows = measurement.bridged(records).measurements

    def apart(measurements):
        use = (measurements["standard_conditions"] & (latent.readings["density"] > 10)).to_numpy()
        log = np.log((measurements["density_hairs_cm2"] + 0.5) / latent.readings["density"])
        return log[use].groupby(measurements["reader_id"][use].astype(str)).median()

    before, after = apart(records.measurements), apart(rows)
    assert np.ptp(before) > 0.02
    assert np.ptp(after) < 0.3 * np.ptp(before)


def test_a_reader_whom_nothing_links_is_said_and_left_alone():
    rows = _repeated(np.full((30, 2), 50.0), marked=True, readers=("R1", "R2"))
    alone = rows.measurements.iloc[:1].assign(reader_id="R9", month=24.0, density_hairs_cm2=70.0)
    rows = replace(rows, measurements=pd.concat([rows.measurements, alone], ignore_index=True))
    result = measurement.bridge(rows)
    assert result.checks == {"all_linked": False}
    flags = result.table().set_index("reader_id")["flag"]
    assert flags["R9"] == "never counted beside another"
    assert measurement.bridged(rows).measurements["density_hairs_cm2"].iloc[-1] == 70.0


def test_a_bridge_refuses_an_unknown_word(demo):
    with pytest.raises(ParameterError, match="reader_id, device_class"):
        measurement.bridge(demo, by="lens")


def test_changes_in_mid_series_are_flagged(demo):
    result = measurement.series_changes(demo)
    assert_keeps_the_contract(result)
    rows = result.rows()
    key = ["patient_id", "zone", "region_id", "session_id"]
    first = rows.groupby(key)["reader_id"].transform("first")
    np.testing.assert_array_equal(rows["changed"].str.contains("reader changed"), rows["reader_id"] != first)
    assert rows["changed"].str.contains("field size changed").sum() > 0


def test_neither_the_order_of_rows_nor_the_labels_of_patients_matter(demo):
    expected = measurement.error_model(demo)
    shuffled = demo.measurements.sample(frac=1.0, random_state=4).reset_index(drop=True)
    shuffled["patient_id"] = "x" + shuffled["patient_id"].str[::-1]
    found = measurement.error_model(replace(demo, measurements=shuffled))
    for name in ("phi", "within_cv", "between_reader_cv"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), rel=1e-12)


def _repeated(densities, *, marked, readers=("R1", "R1")):
    """Return records of one count and its repeat a patient, and nothing else."""
    n = len(densities)
    ids = [f"P{i}" for i in range(n)]
    counts = pd.DataFrame(
        {
            "patient_id": np.repeat(ids, 2),
            "zone": "frontal",
            "session_id": np.repeat([f"{i}-1" for i in ids], 2),
            "month": 12.0,
            "count_number": np.tile([1, 2], n),
            "density_hairs_cm2": np.asarray(densities).ravel(),
            "roi_area_cm2": 1.0,
            "n_fields": 1,
            "roi_marked": marked,
            "reader_id": np.tile(readers, n),
            "device_class": "D1",
            "hair_length": "short",
            "standard_conditions": True,
        }
    )
    return simulate.as_records({"measurements": counts})
