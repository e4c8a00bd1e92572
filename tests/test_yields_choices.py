"""Errors all placements share, the ratio of region over zone, bridges, baselines, lines of sensitivity."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import registers
from scipy import stats
from test_results import assert_keeps_the_contract

from analytics import measurement, regrowth, simulate, yields
from analytics.errors import FitError, ParameterError
from analytics.numerics import mixed
from analytics.pages import figures, in_words
from analytics.results import Result
from analytics.yields import native
from analytics.yields.link import MIN_BOTH, ZONE_CV
from analytics.yields.means import estimate

EXACT = 1e-9
FAR = 3.5


def _readings(n, *, shared=2.0, shared_df=7.0, ratio_se=0.0, patients=None, habit=0.0):
    """Return readings of 50 planted hairs/cm2 with a native change known to `shared` hairs/cm2 in common."""
    code = np.arange(n) if patients is None else np.arange(n) % patients
    return pd.DataFrame(
        {
            "patient_id": code,
            "planted_hairs_cm2": 50.0,
            "planted_ratio": 1.0,
            "planted_ratio_se": ratio_se,
            "native_shared_se": shared,
            "native_shared_df": shared_df,
            "reader_id": "R1",
            "reader_cv": habit,
            "density": 80.0,
            "baseline_density": 40.0,
            "bridge_of": "",
            "bridge_se": 0.0,
            "baseline_bridge_of": "",
            "baseline_bridge_se": 0.0,
        }
    )


@pytest.mark.parametrize("patients", [None, 400])
def test_an_error_all_placements_share_does_not_shrink_with_their_number(patients):
    """2 hairs of 50 are 4 points: 1,200 readings of SD 8 leave 0.23 of their own, and 4.0 stay."""
    rng = np.random.default_rng(3)
    y = 85 + 8 * rng.standard_normal(1200)
    fit = estimate(y, np.ones((1200, 1)), _readings(1200, patients=patients), np.full(1200, 16.0), 1)
    assert fit.own_se[0] == pytest.approx(8 / np.sqrt(1200), rel=0.1)
    assert fit.se[0] == pytest.approx(np.hypot(4.0, fit.own_se[0]), rel=1e-6)
    # Nearly all of the variance has the 7 degrees of freedom of the practice's rate.
    assert fit.df[0] == pytest.approx(7.0, abs=0.2)


def test_a_shared_error_falls_out_of_a_difference_as_far_as_both_sides_share_it():
    """Two operators alike: nothing is left. One on zone averages alone: 4 % of his 85 points."""
    rng = np.random.default_rng(4)
    y, own = 85 + rng.standard_normal(800), np.arange(800) % 2 == 0
    X = np.column_stack([own, np.ones(800)]).astype(float)
    alike = estimate(y, X, _readings(800, shared=2.0), np.full(800, 1.0), 1)
    assert alike.se[0] == pytest.approx(alike.own_se[0], rel=0.01)
    apart = _readings(800, shared=0.0).assign(planted_ratio_se=np.where(own, 0.04, 0.0))
    assert estimate(y, X, apart, np.full(800, 1.0), 1).se[0] == pytest.approx(0.04 * 85, rel=0.01)


def test_the_error_of_a_shift_taken_out_is_shared_by_all_its_readings():
    """Known to 5 %: 5 % of 80 hairs of 50 planted are 8 points; after its own baseline 5 % of 40, 4."""
    y = 85 + np.random.default_rng(7).standard_normal(600)
    rows = _readings(600, shared=0.0).assign(bridge_of="D2", bridge_se=0.05)
    late = estimate(y, np.ones((600, 1)), rows.assign(baseline_bridge_of="D1"), np.ones(600), 1)
    assert late.se[0] == pytest.approx(8.0, rel=0.01)
    both = rows.assign(baseline_bridge_of="D2", baseline_bridge_se=0.05)
    both = estimate(y, np.ones((600, 1)), both, np.ones(600), 1)
    assert both.se[0] == pytest.approx(4.0, rel=0.01)


def test_shared_errors_enter_as_dense_matrices_say():
    """A = (X' V^-1 X)^-1 X' V^-1 written out: beta = A y, and A c carries the shared pattern c."""
    rng = np.random.default_rng(5)
    n, patient = 90, np.arange(90) % 31
    X = np.column_stack([np.arange(n) % 2, np.ones(n), rng.standard_normal(n)]).astype(float)
    y = 80 + 6 * rng.standard_normal(31)[patient] + 5 * rng.standard_normal(n)
    variance = rng.uniform(4, 30, n)
    picked = _readings(n, patients=31).assign(native_shared_se=rng.uniform(0, 3, n))
    ours = estimate(y, X, picked, variance, 3)
    fit = mixed.fit(y, X, [(patient, np.ones((n, 1)))], known_variance=variance)
    same = patient[:, None] == patient[None, :]
    V = np.diag(variance + fit.sigma**2) + fit.covariances[0][0, 0] * same
    A = np.linalg.solve(X.T @ np.linalg.solve(V, X), np.linalg.solve(V, X).T)
    np.testing.assert_allclose(A @ y, ours.beta, rtol=1e-5)
    pattern = 100 * picked["native_shared_se"].to_numpy() / 50
    np.testing.assert_allclose(ours.se**2 - ours.own_se**2, (A @ pattern) ** 2, rtol=1e-4)


def test_the_practices_rate_of_loss_is_one_error_for_all_who_lean_on_it():
    truth = replace(simulate.plain(), controls=0.3, native_loss_pct=9.0, native_loss_sd=2.0)
    register = simulate.as_records(simulate.register(120, truth=truth, seed=730)[0])
    rows = yields.by_visit(register, choices=yields.Choices(native_change="control"))
    after = rows[~rows["is_baseline"] & rows["native_change"].notna()]
    has_own = after["patient_id"].isin(
        register.measurements.query("region_kind == 'unplanted' and month > 0")["patient_id"]
    )
    share = after["native_shared_se"] / after["native_change_se"]
    assert share.between(0, 1).all()
    assert share[~has_own].mean() > share[has_own].mean()
    table = yields.average(register, rows=rows, choices=yields.Choices(native_change="control")).table()
    least = 100 * after["native_shared_se"] / after["planted_hairs_cm2"]
    usable = after["for_headline"] & after["zone"].eq("frontal")
    assert table.set_index("zone").loc["frontal", "se"] > 0.8 * least[usable].mean()
    known = yields.by_visit(register, choices=yields.Choices(native_change="assumed"))
    assert known["native_shared_se"].dropna().eq(0).all()


def test_the_rate_of_loss_is_published_and_own_together_by_precision():
    """The clinic loses 9 % a year; published 4.8 (SD 1.6). By hand: precisions on the log scale add up."""
    truth = replace(simulate.plain(), controls=0.6, native_loss_pct=9.0, native_loss_sd=0.5)
    register = simulate.as_records(simulate.register(150, truth=truth, seed=731)[0])
    # Regions counted again within three months say too little and are left out.
    counts = register.measurements
    soon = counts["region_kind"].eq("unplanted") & counts["month"].between(0.1, 4)
    register = replace(register, measurements=counts[~soon])
    own = native.control_rate(register)  # nobody is treated here: the same readings, the same slope
    rate = yields.native_rate(register)
    assert rate.n_patients == len(own.by_patient)
    published, sd = np.log(0.952), 0.016 / 0.952
    se = own.practice_se * stats.t.ppf(0.975, own.practice_df) / stats.norm.ppf(0.975)
    precision = 1 / sd**2 + 1 / se**2
    joined = (published / sd**2 + own.practice / se**2) / precision
    assert np.log1p(-rate.loss_pct / 100) == pytest.approx(joined, rel=2e-3)
    assert rate.log_se == pytest.approx(precision**-0.5, rel=0.02)
    assert abs(rate.loss_pct - 9.0) < FAR * rate.loss_se_pct
    alone = replace(register, measurements=register.measurements.query("region_kind != 'unplanted'"))
    assert yields.native_rate(alone).loss_pct == pytest.approx(4.8)
    assert yields.native_rate(alone).loss_se_pct == pytest.approx(1.6)


def test_therapy_is_allowed_for_before_control_regions_speak_of_untreated_loss():
    """Seven in ten treated, from some month on: the raw slope is far from the untreated 8 % a year."""
    truth = replace(
        simulate.plain(), controls=1.0, native_loss_pct=8.0, therapy_share=0.7, therapy_stops_a_year=0.0
    )
    register = simulate.as_records(simulate.register(400, truth=truth, seed=734)[0])
    raw, rate = native.control_rate(register), yields.native_rate(register)
    assert -100 * np.expm1(raw.practice) < 8.0 - FAR * 100 * raw.practice_se
    assert abs(rate.loss_pct - 8.0) < FAR * rate.loss_se_pct


def test_what_all_readers_read_too_high_does_not_shrink_with_patients():
    """One reader of CV 5 %: 5 % of 84 points; two who read half each: the root of two less."""
    y = 84 + np.random.default_rng(8).standard_normal(900)
    one = _readings(900, shared=0.0, habit=0.05)
    ones = np.ones((900, 1))
    assert estimate(y, ones, one, np.ones(900), 1).se[0] == pytest.approx(4.2, rel=0.01)
    two = one.assign(reader_id=np.where(np.arange(900) % 2, "R1", "R2"))
    assert estimate(y, ones, two, np.ones(900), 1).se[0] == pytest.approx(4.2 / np.sqrt(2), rel=0.01)


@pytest.mark.parametrize("structure", ["regions spread about the average", "hairs of the zone err"])
def test_without_a_count_in_any_region_both_structures_of_error_are_inside_the_interval(structure):
    """True ratio of region over zone 1 and E(1 / error) = 25 / 24: at 84 points they are 3.5 apart."""
    spread = 0.2 if structure.startswith("regions") else 0.01
    truth = replace(simulate.plain(), planted_counted=0.0, region_spread_cv=spread)
    tables, latent = simulate.register(300, truth=truth, seed=731, months=60, entry_months=36)
    register = simulate.as_records(tables)
    if spread < 0.1:
        noise = np.random.default_rng(6).gamma(25.0, 1 / 25.0, len(register.placements))
        places = register.placements
        register = replace(register, placements=places.assign(hairs=places["hairs"] * noise))
    row = yields.average(register).table().set_index("zone").loc["frontal"]
    true = latent.placements.query("zone == 'frontal'")["yield_at_maturity_pct"].mean()
    assert row["ci_low"] < true < row["ci_high"]
    assert row["se"] > 0.04 * row["estimate"]


def test_a_ratio_of_region_over_zone_is_the_clinics_own_from_twenty_double_counts_on(tmp_path):
    assert yields.planted_error(_double_counts(tmp_path / "a", MIN_BOTH - 1)).zone_ratio == 1.0
    few = yields.planted_error(_double_counts(tmp_path / "a", MIN_BOTH - 1))
    assert few.zone_ratio_se == pytest.approx(ZONE_CV**2)
    # Regions of 60 in zones of 50 hairs/cm2, but for one of 50: mean ratio (19 x 1.2 + 1) / 20.
    own = yields.planted_error(_double_counts(tmp_path / "b", MIN_BOTH))
    assert own.zone_ratio == pytest.approx((19 * 1.2 + 1) / 20)
    assert own.zone_ratio_se == pytest.approx(np.std([1.2] * 19 + [1.0], ddof=1) / np.sqrt(20))


def _double_counts(folder, n):
    people = [f"P{i}" for i in range(n)]
    return registers.load(
        folder,
        patients=[registers.patient(p) for p in people],
        sessions=[registers.session(f"{p}-1", p) for p in people],
        placements=[
            registers.placement(f"{p}-1", roi_planted_hairs_cm2=50.0 if i == 0 else 60.0)
            for i, p in enumerate(people)
        ],
        measurements=[registers.count("P0", "P0-1", 0, 40.0), registers.count("P0", "P0-1", 12, 80.0)],
    )


def test_a_bridge_brings_yields_to_the_scale_of_the_usual_device():
    """D2 reads 15 % high: with the bridge the yields are those of records brought to D1's scale."""
    truth = replace(
        simulate.plain(),
        planted_counted=1.0,
        device_changes_in_month=30,
        device_pct=15.0,
        device_repeats=0.3,
    )
    tables, latent = simulate.register(200, truth=truth, seed=732, months=60, entry_months=36)
    register = simulate.as_records(tables)
    rows = yields.by_visit(register, choices=yields.Choices(bridge="device_class"))
    again = yields.by_visit(measurement.bridged(register, by="device_class"))
    pd.testing.assert_series_equal(rows["yield_pct"], again["yield_pct"])
    after = rows["yield_pct"].notna()
    own, one = rows["bridge_se"].gt(0), rows["bridge_of"].eq(rows["baseline_bridge_of"])
    added = 1e4 * (rows["density"] * rows["bridge_se"] / rows["planted_hairs_cm2"]) ** 2
    wider = rows["yield_pct_se"] ** 2 - again["yield_pct_se"] ** 2
    assert (after & own & ~one).any()
    np.testing.assert_allclose(wider[after & own & ~one], added[after & own & ~one], rtol=1e-6)
    np.testing.assert_allclose(wider[after & ~own & one], 0.0, atol=1e-9)
    true = latent.placements.query("zone == 'frontal'")["yield_at_maturity_pct"].mean()
    main, bridged = (
        yields.average(register, rows=r).table().set_index("zone").loc["frontal"]
        for r in (yields.by_visit(register), rows)
    )
    assert main["estimate"] > true + 5
    assert abs(bridged["estimate"] - true) < FAR * bridged["se"]


def test_a_baseline_may_be_the_mean_of_all_counts_before(tmp_path):
    """36 and 40 before, 80 after, 50 planted: 80 % by the nearest, 84 % by the mean (no native change)."""
    register = registers.one_case(tmp_path, [(-3, 36), (0, 40), (12, 80)])
    nearest = yields.by_visit(register, choices=yields.Choices(native_change="none")).iloc[-1]
    mean = yields.by_visit(register, choices=yields.Choices(native_change="none", baseline="mean")).iloc[-1]
    assert (nearest["yield_pct"], mean["yield_pct"]) == pytest.approx((80.0, 84.0))
    options = set(yields.sensitivity(register).table()["option"])
    assert "mean of all counts before" in options
    with pytest.raises(ParameterError, match=r"Choices\(baseline\): unknown; use one of nearest, mean"):
        yields.by_visit(register, choices=yields.Choices(baseline="first"))
    with pytest.raises(ParameterError, match=r"Choices\(bridge\): unknown; use one of nothing, reader_id"):
        yields.by_visit(register, choices=yields.Choices(bridge="camera"))


@pytest.fixture(scope="module")
def lines(demo):
    return yields.sensitivity(demo)


def test_every_choice_stands_beside_the_main_line_with_its_n(demo, lines):
    assert_keeps_the_contract(lines)
    table = lines.table()
    assert table.iloc[0][["choice", "option"]].tolist() == [
        "main line",
        "native loss as published, joined with control regions",
    ]
    assert set(table["choice"]) == {
        "main line", "native change", "baseline", "photographs", "planted density", "month", "never read",
        "hairs or grafts", "season",
    }  # fmt: skip
    known = table[table["estimate"].notna()]
    assert known["n_patients"].gt(0).all()
    assert known["n_rows"].gt(0).all()
    main = table[table["choice"].eq("main line")].reset_index(drop=True)
    plain = yields.average(demo).table()
    np.testing.assert_allclose(main["estimate"], plain["estimate"])
    assert any("one rule for baselines" in note for note in lines.notes)


def test_a_line_the_records_cannot_give_says_so_in_every_group(tmp_path):
    lines = yields.sensitivity(registers.one_case(tmp_path, [(0, 40), (12, 80)]))
    control = lines.table().query("option == 'control regions'")
    assert control["zone"].tolist() == ["frontal"]
    assert control["estimate"].isna().all()
    assert "5 are needed" in control["flag"].iloc[0]
    assert "not available" in {t.get_text() for t in figures.draw(lines).texts}


def test_hairs_and_grafts_keep_their_own_unit_in_the_lines(lines, tmp_path):
    """A graft of several hairs shows one more often than a hair grows: the published case in test_yields."""
    table = lines.table()
    grafts = table[table["choice"].eq("hairs or grafts")]
    assert grafts["unit"].eq("% of planted grafts").all()
    hairs = table[table["choice"].eq("main line")].set_index("zone")
    apart, whole = (part.set_index("zone") for _, part in grafts.groupby("option", sort=False))
    assert (apart["estimate"] > hairs["estimate"]).all()
    # Grafts that fail whole take all their hairs with them: as many grafts show one as hairs grow.
    pd.testing.assert_series_equal(whole["estimate"], hairs["estimate"])
    no_sizes = {f"grafts_{k}": np.nan for k in range(1, 5)}
    one = registers.one_case(tmp_path, [(0, 40), (12, 80)])
    unknown = yields.sensitivity(replace(one, placements=one.placements.assign(**no_sizes)))
    assert "hairs or grafts" not in set(unknown.table()["choice"])
    assert any("no share of grafts" in note for note in unknown.notes)


def test_what_matters_names_the_largest_moves_and_no_other_unit():
    """By hand: month moves the crown down 9, photographs the crown up 4, native change the front down 2."""
    names = ["choice", "option", "zone", "estimate", "ci_low", "ci_high", "unit"]
    hairs, grafts = "% of planted hairs", "% of planted grafts"
    table = pd.DataFrame(
        [
            ("main line", "usual", "crown", 80.0, 74.0, 86.0, hairs),
            ("main line", "usual", "frontal", 85.0, 79.0, 91.0, hairs),
            ("month", "12", "crown", 71.0, 66.0, 76.0, hairs),
            ("native change", "none", "frontal", 83.0, 77.0, 89.0, hairs),
            ("native change", "none", "crown", 79.0, 73.0, 85.0, hairs),
            ("photographs", "all", "crown", 84.0, 78.0, 90.0, hairs),
            ("hairs or grafts", "grafts", "crown", 95.0, 90.0, 99.0, grafts),
        ],
        columns=names,
    ).assign(term="yield")
    lines = Result(table, pd.DataFrame({"reason": [""]}), "by hand", by=("choice", "option", "zone"))
    assert in_words.what_matters(lines, most=3) == (
        "Choices that change a zone's yield most, in percentage points: month, 12 (crown −9); photographs, "
        "all (crown +4); native change, none (frontal −2). For comparison, chance alone: 6 either way."
    )
    alone = replace(lines, estimates=table.head(2))
    assert in_words.what_matters(alone) == "No choice can be set against the main line."


def test_the_main_line_may_rest_on_other_choices_and_is_no_line_twice(demo):
    unchanged = yields.Choices(native_change="none")
    table = yields.sensitivity(demo, choices=unchanged).table()
    main = table[table["choice"].eq("main line")].set_index("zone")["estimate"]
    plain = yields.average(demo, choices=unchanged).table().set_index("zone")["estimate"]
    np.testing.assert_allclose(main, plain, rtol=1e-12)
    native = set(table.loc[table["choice"].eq("native change"), "option"])
    assert native == {"3.7 % a year", "4.8 % a year", "5.9 % a year", "control regions"}
    with pytest.raises(ParameterError, match="levelled in a line of its own"):
        yields.sensitivity(demo, choices=yields.Choices(season="levelled"))


def test_another_views_number_stands_beside_the_lines_as_it_was_given(demo, lines):
    other = regrowth.emergence(demo, both_shapes=False)
    named = {"choice": "growth model", "option": "all readings"}
    both = yields.with_view(lines, other, **named, term="yield_at_maturity")
    assert_keeps_the_contract(both)
    added = both.table().query("choice == 'growth model'").set_index("zone")
    given = other.table().query("term == 'yield_at_maturity'").set_index("zone")
    np.testing.assert_allclose(added["estimate"], given.loc[added.index, "estimate"])
    axes = figures.draw(both).figure.axes
    assert "Growth model: all readings" in [t.get_text() for t in axes[0].get_yticklabels()]
    counts = {t.get_text() for t in axes[0].texts}
    zone = axes[0].get_title(loc="left").lower()
    assert str(int(added.loc[zone, "n_patients"])) in counts
    with pytest.raises(ParameterError, match="use a term of it"):
        yields.with_view(lines, other, **named, term="weight")


def test_months_nine_and_later_hold_the_steepness_of_the_fit_to_all_readings():
    register = simulate.as_records(simulate.register(60, truth=simulate.plain(), seed=733)[0])
    whole = regrowth.fit_emergence(register)
    late = regrowth.fit_emergence(register, from_month=9.0, whole=whole)
    assert late.from_month == 9.0
    start, end = whole.slices[3]
    np.testing.assert_allclose(np.unique(late.held_log_steepness), np.unique(whole.beta[start:end]))


def test_photographs_that_failed_are_shares_with_wilson_limits_by_attendance(tmp_path):
    """1 of 29 and 0 of 20: limits of Newcombe 1998, Stat Med 17:857, Table I, method 3.

    Two regions of one attendance stand on the same photographs: they count once.
    """
    people = [f"P{i}" for i in range(29)]
    counts = []
    for i, p in enumerate(people):
        failed = {"standard_conditions": False, "condition_reason": "wet hair"} if i == 0 else {}
        counts += [registers.count(p, f"{p}-1", 12.2, 80.0, region_id=r, **failed) for r in ("A", "B")]
        if i < 20:
            counts.append(registers.count(p, f"{p}-1", 6, 60.0, region_id="A", reader_id="R2"))
    register = registers.one_session_each(tmp_path, people, counts)
    answer = yields.photograph_failures(register)
    assert_keeps_the_contract(answer)
    counted = answer.extra["counts"]
    assert counted[["reader_id", "visit", "numerator", "denominator"]].to_numpy().tolist() == [
        ["R1", 12.0, 1, 29],
        ["R2", 6.0, 0, 20],
    ]
    limits = answer.table()[["ci_low", "ci_high"]].to_numpy()
    np.testing.assert_allclose(limits, [[0.61, 17.18], [0.0, 16.11]], atol=0.005)
    assert answer.rows()["condition_reason"].dropna().tolist() == ["wet hair"]
    assert yields.photograph_failures(register, by=["visit"]).table()["visit"].tolist() == [6.0, 12.0]
    with pytest.raises(ParameterError, match="use any of visit, reader_id, device_class"):
        yields.photograph_failures(register, by=["surgeon_id"])


def test_lines_without_any_reading_are_refused_in_words(tmp_path):
    with pytest.raises(FitError, match="no planted zone has a usable count"):
        yields.sensitivity(registers.one_case(tmp_path, [(0, 40), (3, 42)]))


def test_calibres_of_different_methods_alone_leave_no_mean(tmp_path):
    """One method before, another after, in every pair: all are left out and no number is made of them."""
    optical = {"hair_calibre_um": 77, "calibre_method": "optical"}
    caliper = {"hair_calibre_um": 109, "calibre_method": "caliper"}
    register = registers.load(
        tmp_path,
        patients=[registers.patient("P1")],
        sessions=[registers.session("P1-1", "P1")],
        placements=[registers.placement("P1-1")],
        measurements=[
            registers.count("P1", "P1-1", 0, 60.0, **optical),
            registers.count("P1", "P1-1", 12, 60.0, **caliper),
        ],
    )
    with pytest.raises(FitError, match="never mixed"):
        yields.hair_mass(register)
