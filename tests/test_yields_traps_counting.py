"""Ways of miscounting yield that lie in how and when hairs are counted: cut-offs, seasons, cut follicles.

As in `test_yields_traps`: registers drawn from a stated truth, how far the naive number must be off worked
out beside each test, seeds fixed before looking.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import registers
from test_results import assert_keeps_the_contract

from analytics import measurement, yields
from analytics.records import simulate

# One register may lie this many standard errors from the truth (1 in 1,700 by chance).
FAR = 3.5
FRONT, CROWN = "frontal", "crown"


def _draw(n=150, seed=760, *, months=36, **changes):
    truth = replace(simulate.plain(), **{"planted_counted": 1.0, **changes})
    tables, latent = simulate.register(n, truth=truth, seed=seed, months=months + 24, entry_months=months)
    return simulate.as_records(tables), latent


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
    rows = yields.by_visit(register, photographs="any_cut_off").query("zone == @FRONT and is_mature")
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
        yields.average(register, photographs=p).table().set_index("zone").loc[FRONT]
        for p in ("standard", "any_cut_off")
    )
    assert naive["ci_low"] > _true(latent)
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
