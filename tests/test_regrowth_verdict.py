"""What the verdict on the crown rests on: who was counted at maturity, and who carries it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import registers

from analytics import followup, pages, regrowth, simulate, yields
from analytics.pages.page import Page
from analytics.regrowth import sides
from analytics.results import Result, line

PAIR = "crown : front"


@pytest.fixture(scope="module")
def both(demo, fit):
    return regrowth.against_front(demo, fit=fit)


def _row(result, zone, term):
    table = result.table()
    return table[table["zone"].eq(zone) & table["term"].eq(term)].iloc[0]


def test_patients_counted_at_maturity_are_those_with_a_usable_reading_in_the_window(demo, both):
    """Crown: months 17 to 24, front 11 to 18; counted from the rows, without the clock."""
    rows = yields.by_visit(demo)
    rows = rows[rows["for_headline"]]
    for side, zones, first, last in (
        ("crown", ["crown"], 17, 24),
        ("front", ["hairline", "frontal"], 11, 18),
    ):
        here = rows[rows["zone"].isin(zones) & rows["month"].between(first, last)]
        assert _row(both, side, sides.COUNTED_AT_MATURITY)["estimate"] == here["patient_id"].nunique()


def test_the_direct_difference_is_that_of_the_two_plain_means(demo, both):
    read = yields.one_reading(yields.by_visit(demo))
    value = read["yield_pct"] / read["planted_ratio"]
    apart = value[read["zone"].eq("crown")].mean() - value[read["zone"].isin(["hairline", "frontal"])].mean()
    found = _row(both, PAIR, sides.DIRECT)
    assert found["estimate"] == pytest.approx(apart)
    # From readings at maturity alone it is no surer than the model, which takes the early ones too.
    assert found["se"] > _row(both, PAIR, "yield_difference_at_maturity")["se"]


def test_the_month_from_which_it_can_be_told_is_that_of_so_many_more_at_the_share_so_far(tmp_path):
    """Ten crowns of month 1, five counted: of those to come half are expected, ten for the five missing.

    They are operated in months 30 to 41, one a month; the tenth, of month 39, is mature in month 39 + 18.
    """
    begins = {f"A{i}": 1 for i in range(10)} | {f"B{i}": 30 + i for i in range(12)}
    counts = [registers.count(p, f"{p}-1", 0, 40.0, zone="crown") for p in begins]
    counts += [registers.count(f"A{i}", f"A{i}-1", 18, 80.0, zone="crown") for i in range(5)]
    register = registers.load(
        tmp_path,
        patients=[registers.patient(p) for p in begins],
        sessions=[registers.session(f"{p}-1", p, register_month=m) for p, m in begins.items()],
        placements=[registers.placement(f"{p}-1", zone="crown") for p in begins],
        measurements=counts,
    )
    rows = yields.by_visit(register)
    assert followup.register_end(register) == 41
    told = sides._when(register, rows, {"crown": 5, "front": 20}, "crown", PAIR)
    assert told["estimate"] == 57
    # With two counted eight are missing, for which sixteen would have to come.
    never = sides._when(register, rows, {"crown": 2, "front": 20}, "crown", PAIR)
    assert np.isnan(never["estimate"])
    assert "not from the sessions so far" in never["flag"]
    assert sides._when(register, rows, {"crown": 12, "front": 20}, "crown", PAIR)["flag"] == "now"


def _page(n_crown, *, gap=(-13.0, -1.0), hangs="", month=58.0):
    """Return a page whose model calls the crown lower and later; how many were counted is handed over."""
    by = {"zone": PAIR}
    lines = [
        line("yield_difference_at_maturity", sum(gap) / 2, "points", by=by, ci=gap, flag=""),
        line("half_month_difference", 2.0, "months", by=by, ci=(1.0, 3.0), flag=""),
        line(sides.COUNTED_AT_MATURITY, float(n_crown), "patients", by={"zone": "crown"}, basis="count"),
        line(sides.COUNTED_AT_MATURITY, 40.0, "patients", by={"zone": "front"}, basis="count"),
        line(sides.MONTH, month, "register month", by=by, flag=""),
        line(sides.WITHOUT_ONE, -4.0, "points", by=by, ci=(-9.0, 1.0), flag=hangs),
    ]
    result = Result(pd.DataFrame(lines), pd.DataFrame({"reason": []}), "as given", by=("zone",))
    return Page("01_surgeon_audit", {"audience": "internal"}, None, "", {"crown_front": result})


def test_a_crown_is_called_lower_only_where_enough_were_counted_at_maturity():
    few = pages.sentences.crown_against_front(_page(9), "")
    assert "fewer" not in few
    assert "can first be judged in register month 58: 9 of the 10 patients needed" in few
    assert "later than front hair" in few
    assert pages.sentences.crown_in_short(_page(9)).endswith("lower or not cannot be told yet.")
    enough = pages.sentences.crown_against_front(_page(10), "")
    assert "about 7 fewer of every 100 planted hairs" in enough
    assert "One patient" not in enough


def test_a_verdict_that_hangs_on_one_patient_says_so():
    said = pages.sentences.crown_against_front(_page(12, hangs=regrowth.HANGS), "")
    assert "One patient carries that" in said


def test_where_no_session_so_far_can_decide_no_month_is_named():
    said = pages.sentences.crown_against_front(_page(3, month=np.nan), "")
    assert "cannot be told from the sessions so far: 3 of the 10" in said


def test_without_one_patient_the_model_is_the_one_fitted_without_that_patient(tmp_path):
    """A crown that ends at 60 of 100 where the front ends at 85: no patient carries that.

    The refits are made here from a register without the patient, from their own starting values.
    """
    zones = {
        z: replace(t, plateau_yield=60.0 if z == "crown" else 85.0) for z, t in simulate.Truth().zones.items()
    }
    register, _ = registers.drawn(n=44, seed=6, zones=zones, attendance={6: 1, 12: 1, 18: 1, 24: 1})
    fit = regrowth.fit_emergence(register)
    both = regrowth.against_front(register, fit=fit)
    found = _row(both, PAIR, sides.WITHOUT_ONE)
    assert found["flag"] == sides.HOLDS
    tried = sides._speaking(fit, yields.by_visit(register), "crown", -1.0)
    ends = []
    for who in tried:
        tables = ("patients", "sessions", "placements", "measurements", "visits", "therapies")
        frames = {t: getattr(register, t) for t in tables}
        others = {t: f[f["patient_id"].ne(who)].reset_index(drop=True) for t, f in frames.items()}
        again = regrowth.against_front(replace(register, **others))
        ends.append(_row(again, PAIR, "yield_difference_at_maturity")["ci_high"])
    assert found["ci_high"] == pytest.approx(max(ends), abs=0.05)
