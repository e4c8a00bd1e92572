"""Ways of miscounting yield that lie in how and when hairs are counted: cut-offs, seasons, cut follicles.

As in `test_yields_traps`: registers drawn from a stated truth, how far the naive number must be off worked
out beside each test, seeds fixed before looking.
"""

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest
import registers
from scipy import stats
from test_results import assert_keeps_the_contract

from analytics import measurement, simulate, yields
from analytics.errors import FitError
from analytics.yields.level import Season, estimate, levelled
from analytics.yields.rows import finished, linked
from analytics.yields.season import length

# One register may lie this many standard errors from the truth (1 in 1,700 by chance).
FAR = 3.5
FRONT, CROWN = "frontal", "crown"


_draw = partial(registers.drawn, n=150, seed=760)


def _true(latent, zone=FRONT):
    """Return the mean true yield at the zone's maturity month of the placements drawn."""
    return latent.placements.loc[latent.placements["zone"].eq(zone), "yield_at_maturity_pct"].mean()


def _is_right(row, truth):
    assert abs(row["estimate"] - truth) < FAR * row["se"], (row["estimate"], truth, row["se"])


def test_counting_finer_hair_than_at_the_baseline_makes_yield_jump_and_is_left_out():
    """From month 30 on all hair is counted, before from 40 micrometres: 31 % more native hair (237 / 181).

    A yield across the change is too high by 31 % of the native hair left, over what was planted.
    """
    register, latent = _draw(cut_off_changes_in_month=30)
    rows = yields.by_visit(register, choices=yields.Choices(photographs="any_cut_off")).query(
        "zone == @FRONT and is_mature"
    )
    rows = rows[~rows["is_baseline"]]
    began = rows["register_month"] - rows["month"]
    crossed = rows["thinnest_counted_um"].eq(0) & began.lt(29)
    jump = (31 * rows["native_density"] / rows["planted_hairs_cm2"])[crossed].mean()
    apart = rows.loc[crossed, "yield_pct"].mean() - rows.loc[~crossed & began.lt(17), "yield_pct"].mean()
    assert 12 < jump < 26
    assert apart == pytest.approx(jump, abs=6.0)
    strict = yields.by_visit(register)
    assert strict["why_not_headline"].eq("cut_off").sum() > 50
    assert not strict.loc[strict["why_not_curve"].eq("cut_off"), "for_joint"].any()
    ours, naive = (
        yields.average(register, choices=yields.Choices(photographs=p)).table().set_index("zone").loc[FRONT]
        for p in ("standard", "any_cut_off")
    )
    assert naive["estimate"] > max(_true(latent), ours["estimate"]) + 4
    _is_right(ours, _true(latent))


def test_another_thinnest_hair_has_its_own_line_its_flag_and_its_reason(tmp_path):
    """One reading like the baseline, then one down to finer hair; a cell left empty is no change."""
    people = [f"P{i}" for i in range(6)]
    counts = []
    for i, p in enumerate(people):
        at = {"thinnest_counted_um": 40}
        counts.append(registers.count(p, f"{p}-1", 0, 40.0, **at))
        counts.append(registers.count(p, f"{p}-1", 12, 80.0, **at))
        late = {"thinnest_counted_um": 20 if i == 0 else ""}
        counts.append(registers.count(p, f"{p}-1", 14, 85.0, **late))
    register = registers.one_session_each(tmp_path, people, counts)
    rows = yields.by_visit(register).query("month == 14")
    assert rows["why_not_headline"].tolist() == ["cut_off", *[""] * 5]
    changes = measurement.series_changes(register)
    row = changes.table().set_index("term").loc["thinnest hair counted changed"]
    assert (row["estimate"], row["n_rows"], row["n_patients"]) == (pytest.approx(100 / 12), 12, 1)
    assert "cut_off_changed" in [w.code for w in register.warnings]
    lines = yields.sensitivity(register)
    assert "thinnest hair may differ" in set(lines.table()["option"])
    plain = yields.sensitivity(registers.one_case(tmp_path / "plain", [(0, 40), (12, 80)]))
    assert "thinnest hair may differ" not in set(plain.table()["option"])
    assert any("thinnest hair" in note for note in plain.notes)
    silent = measurement.series_changes(registers.one_case(tmp_path / "two", [(0, 40), (12, 80)])).table()
    silent = silent.set_index("term").loc["thinnest hair counted changed"]
    assert np.isnan(silent["estimate"])
    assert silent["flag"] == "not recorded, so that no change can be seen"


def _in_winter(n, seed, **changes):
    """Return a practice that operates in six months of the year and hardly in the others, and its truth."""
    truth = replace(simulate.plain(), planted_counted=1.0, **changes)
    tables, latent = simulate.register(n, truth=truth, seed=seed, months=72, entry_months=48)
    month = tables["sessions"].set_index("patient_id")["register_month"] % 12
    winter = month.isin([11, 0, 1, 2, 3, 4])
    kept = set(month.index[winter | (np.random.default_rng(1).random(len(month)) < 0.15)])
    people = {name: t[t["patient_id"].isin(kept)] for name, t in tables.items() if "patient_id" in t}
    ids = people["sessions"]["session_id"]
    placements = tables["placements"][tables["placements"]["session_id"].isin(ids)]
    register = simulate.as_records({**people, "placements": placements})
    return register, replace(latent, placements=latent.placements[latent.placements["patient_id"].isin(kept)])


def _swung(register, latent, rows, pct):
    """Return how far the season moves each reading's yield, worked out from true densities and times."""
    key = ["session_id", "region_id", "month"]
    true = latent.readings.drop_duplicates(key)
    true = true.assign(extra=true["density"] * pct * np.cos(2 * np.pi * (true["time"] - 0.5) / 12))[
        [*key, "extra"]
    ]
    now = rows.merge(true, on=key, how="left", validate="many_to_one")["extra"].to_numpy()
    before = true[true["month"].le(0)].drop_duplicates(["session_id", "region_id"])
    before = rows.drop(columns="month").merge(before, on=key[:2], how="left", validate="many_to_one")
    return (now - before["extra"].to_numpy()) / rows["planted_hairs_cm2"].to_numpy()


def test_a_crown_planted_when_hair_is_fullest_and_read_when_it_is_emptiest_looks_poor():
    """Half swing 8 %: 18 months on the year stands at its other end, 8 % of some 120 hairs/cm2 lower.

    A practice that plants from November to April alone would read 9.6 hairs of 57 too low, 17 points; with
    some summers and the turn of the year between, what true densities and times say.
    """
    register, latent = _in_winter(n=900, seed=763, season_pct=8.0)
    rows = yields.by_visit(register)
    crowns = rows[rows["zone"].eq(CROWN) & rows["for_headline"] & rows["month"].lt(21)].reset_index(drop=True)
    off = _swung(register, latent, crowns, 8.0).mean()
    assert off < -6
    naive = yields.average(register, rows=rows).table().set_index("zone").loc[CROWN]
    assert naive["estimate"] - _true(latent, CROWN) == pytest.approx(off, abs=3.0)
    assert naive["ci_high"] < _true(latent, CROWN)
    levelled = yields.by_visit(register, choices=yields.Choices(season="levelled"))
    ours = yields.average(register, rows=levelled).table().set_index("zone")
    _is_right(ours.loc[CROWN], _true(latent, CROWN))
    _is_right(ours.loc[FRONT], _true(latent, FRONT))
    lines = yields.sensitivity(register).table().query("choice == 'season'").set_index("zone")
    np.testing.assert_allclose(lines.loc[ours.index, "estimate"], ours["estimate"])


@pytest.fixture(scope="module")
def swinging():
    return _draw(n=300, seed=764, season_pct=3.0)[0]


def test_the_swing_of_a_year_and_its_fullest_month_are_found_without_a_calendar(swinging):
    """Drawn: 3 % either way, fullest in the middle of month 1, which is read as month 1."""
    answer = yields.season(swinging)
    assert_keeps_the_contract(answer)
    table = answer.table().set_index("term")
    swing = table.loc["half the swing of a year"]
    assert swing["ci_low"] < 3.0 < swing["ci_high"]
    assert swing["estimate"] == pytest.approx(3.0, abs=1.2)
    assert swing["ci_high"] - swing["ci_low"] < 2.5
    month = table.loc["month of the year with most hair"]
    assert month["ci_low"] < 1.05 < month["ci_high"]
    lines = yields.sensitivity(swinging)
    pd.testing.assert_frame_equal(yields.season_of(lines).table(), answer.table())


def test_a_shift_of_the_calendar_moves_the_month_and_nothing_else(swinging):
    later = swinging.sessions.assign(register_month=swinging.sessions["register_month"] + 5)
    shifted = yields.season(replace(swinging, sessions=later)).table()["estimate"]
    was = yields.season(swinging).table()["estimate"]
    assert shifted[0] == pytest.approx(was[0])
    assert (shifted[1] - was[1]) % 12 == pytest.approx(5.0)


def test_without_a_season_the_lower_limit_is_none_and_no_month_is_named():
    table = yields.season(_draw(n=200, seed=765)[0]).table()
    assert table["ci_low"].tolist()[0] == 0.0
    assert table["flag"].tolist() == ["", "the swing may be none, and the month any"]


def test_limits_of_a_swing_are_those_of_a_length_by_rice():
    """At its limits a length drawn by Rice's law (scipy) lies below the one found in 97.5 and 2.5 %."""
    found = Season(np.array([0.03, 0.04]), np.diag([1e-4, 1e-4]), np.inf, 100, 50)
    size = length(found)
    for at, share in ((size.low, 0.975), (size.estimate, 0.5), (size.high, 0.025)):
        assert stats.rice.cdf(0.05 / 0.01, at / 0.01) == pytest.approx(share, abs=1e-6)
    assert length(replace(found, swing=np.array([0.005, 0.0]))).low == 0.0


def test_a_season_that_cannot_be_told_is_said_in_words(swinging, tmp_path):
    few = yields.season(registers.one_case(tmp_path, [(0, 40), (6, 60), (12, 80)]))
    assert few.table()["estimate"].isna().all()
    assert few.table()["flag"].str.contains("30 are needed").all()
    with pytest.raises(FitError, match="30 are needed; use season='as counted'"):
        yields.by_visit(
            registers.one_case(tmp_path, [(0, 40), (12, 80)]), choices=yields.Choices(season="levelled")
        )
    in_one_month = swinging.sessions.assign(register_month=swinging.sessions["register_month"] // 12 * 12 + 1)
    same = yields.season(replace(swinging, sessions=in_one_month))
    assert same.table()["flag"].str.contains("too many were operated on in the same months").all()
    lines = yields.sensitivity(registers.one_case(tmp_path, [(0, 40), (12, 80)])).table()
    assert lines.loc[lines["choice"].eq("season"), "flag"].str.contains("30 are needed").all()


def test_the_error_of_a_season_taken_out_is_one_for_all_readings(swinging):
    """A swing wrong by one standard error moves every yield as levelling by so much more would."""
    visits = yields.by_visit(swinging)
    found = estimate(visits, measurement.error_model(swinging))
    value, axes = np.linalg.eigh(found.cov)
    unchanged = yields.Choices(native_change="none")
    rows, same = linked(swinging, unchanged)
    step = 1e-4
    moved = replace(found, swing=found.swing + step * np.sqrt(value[1]) * axes[:, 1])
    one, two = (
        finished(levelled(rows, s), same, measurement.error_model(swinging), unchanged)
        for s in (found, moved)
    )
    after = ~one["is_baseline"]
    slope = (two["yield_pct"] - one["yield_pct"])[after] / step
    expected = 100 * (one["season_2"] / one["planted_hairs_cm2"])[after]
    np.testing.assert_allclose(slope, expected, rtol=1e-3, atol=1e-6)
    assert visits[["season_1", "season_2"]].eq(0).all(axis=None)


def test_yield_may_be_averaged_by_the_season_of_the_surgery():
    """Sessions of months 7 to 9 of the register's year grow 15 points less than drawn: taken off by hand."""
    register, latent = _draw(n=250, seed=766)
    began = register.measurements["session_id"].map(
        register.sessions.set_index("session_id")["register_month"]
    )
    hot = ((began - 1) % 12).isin([6, 7, 8]) & register.measurements["month"].gt(10)
    key = ["session_id", "zone"]
    dense = register.measurements[key].merge(
        register.placements[[*key, "roi_planted_hairs_cm2"]], on=key, how="left", validate="many_to_one"
    )["roi_planted_hairs_cm2"]
    less = register.measurements["density_hairs_cm2"] - 0.15 * dense.to_numpy() * hot
    register = replace(
        register, measurements=register.measurements.assign(density_hairs_cm2=less.clip(lower=0))
    )
    table = yields.average(register, by=("surgery_season",)).table().set_index("surgery_season")
    assert table.index.tolist() == [
        f"quarter {q} of the year, months {3 * q - 2} to {3 * q}" for q in (1, 2, 3, 4)
    ]
    true = latent.placements.merge(
        register.sessions[["session_id", "register_month"]], on="session_id", validate="many_to_one"
    )
    true = true.assign(quarter=(true["register_month"] - 1) % 12 // 3)
    means = true.groupby("quarter")["yield_at_maturity_pct"].mean().to_numpy() - [0, 0, 15, 0]
    for row, mean in zip(table.itertuples(), means, strict=True):
        assert abs(row.estimate - mean) < FAR * row.se


SEEN = ("follicles_whole", "follicles_partly_cut", "follicles_cut_through")


def test_partly_cut_follicles_have_their_own_share_and_take_no_graft_away(tmp_path):
    """1,000 follicles of two sessions: 95 % whole, 3 % partly cut. 20 to 41 % of 3 (Er 2006): 0.6 to 1.23."""
    people = ["P1", "P2", "P3"]
    classed = [(380, 12, 8), (570, 18, 12), (90, 10, "")]
    tables = {
        "patients": [registers.patient(p) for p in people],
        "placements": [registers.placement(f"{p}-1") for p in people],
        "measurements": [registers.count(p, f"{p}-1", 0, 40.0) for p in people],
    }
    plain = [registers.session(f"{p}-1", p) for p in people]
    full = [s | dict(zip(SEEN, c, strict=True)) for s, c in zip(plain, classed, strict=True)]
    answer = yields.loss_chain(registers.load(tmp_path / "classed", sessions=full, **tables))
    assert_keeps_the_contract(answer)
    table = answer.table().set_index("term")
    assert table.loc["whole of follicles", ["estimate", "n_rows"]].tolist() == [pytest.approx(95.0), 2]
    assert table.loc["partly cut of follicles", "estimate"] == pytest.approx(3.0)
    assert table.loc["cut through of follicles", "estimate"] == pytest.approx(2.0)
    assert table.loc["able to grow of follicles, at least", "estimate"] == pytest.approx(95.6)
    assert table.loc["able to grow of follicles, at most", "estimate"] == pytest.approx(96.23)
    without = yields.loss_chain(registers.load(tmp_path / "plain", sessions=plain, **tables)).table()
    grafts = without["term"].tolist()
    pd.testing.assert_frame_equal(table.loc[grafts].reset_index(), without)


def test_a_follicle_partly_cut_is_neither_lost_nor_whole():
    """12 % of grafts of two hairs have one cut, 60 % of those partly; of such a half (4.4 / 15) grows.

    Taken as lost, what can grow is 1 point too low (3.6 % x 0.29); as a lost graft, 7 points;
    taken as whole it is 2.5 points too high.
    """
    register, latent = _draw(
        n=200, seed=767, follicles_counted=1.0, transected=dict.fromkeys(("FUT", "FUE", "combined"), 0.12)
    )
    cut = latent.sessions["true_transected_pct"].mean() / 2
    true = 100 - cut + 0.6 * cut * 4.4 / 15
    table = yields.loss_chain(register).table().set_index("term")
    lost, grafts = table.loc["whole of follicles"], table.loc["intact of out"]
    assert lost["estimate"] - true == pytest.approx(-0.6 * cut * 4.4 / 15, abs=0.4)
    assert lost["ci_high"] < true
    assert grafts["estimate"] - true == pytest.approx(-cut - 0.6 * cut * 4.4 / 15, abs=0.8)
    assert 100 - table.loc["cut through of follicles", "ci_high"] > true
    least, most = (table.loc[f"able to grow of follicles, at {w}"] for w in ("least", "most"))
    assert least["ci_low"] < true < most["ci_high"]
    assert least["estimate"] < true < most["estimate"]


def test_the_error_of_a_session_stays_in_the_shares_of_follicles():
    """Sessions differ by 0.8 on the logit: follicle by follicle as if independent the error is too small."""
    changes = {"follicles_counted": 1.0, "transected_logit_sd": 0.8}
    register, _ = _draw(n=400, seed=768, **changes)
    row = yields.loss_chain(register).table().set_index("term").loc["whole of follicles"]
    n = register.sessions[list(SEEN)].to_numpy(dtype=float).sum()
    naive = 100 * np.sqrt(row["estimate"] / 100 * (1 - row["estimate"] / 100) / n)
    assert row["se"] > 1.4 * naive


def test_what_grows_of_what_was_planted_carries_the_error_all_zone_averages_share():
    """None counted in the region: the ratio of region over zone is known to 4 %, whatever the number read."""
    register, _ = _draw(n=150, seed=769, planted_counted=0.0)
    rows = yields.by_visit(register)
    table = yields.loss_chain(register, rows=rows).table().set_index("term")
    alone = yields.loss_chain(register, rows=rows.assign(planted_ratio_se=0.0)).table().set_index("term")
    ours, own = table.loc["growing of planted"], alone.loc["growing of planted"]
    assert ours["estimate"] == pytest.approx(own["estimate"])
    assert ours["se"] == pytest.approx(np.hypot(own["se"], 0.04 * own["estimate"]))
    assert ours["se"] > 1.3 * own["se"]
    assert ours["ci_high"] - ours["ci_low"] > 2 * 1.9 * ours["se"]
