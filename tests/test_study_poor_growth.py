"""Poor growth as an outcome of a study: shares told by chances, spread out again.

Outside: simulated truth (chances that come true as often as they say), least squares of statsmodels.
Size, power and coverage on whole registers: tests/bench/further_questions.py.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analytics import records, regrowth, simulate, study, yields
from analytics.errors import ParameterError
from analytics.study.plan import checked

POOR = {
    "id": "poor", "role": "primary", "outcome": {"kind": "poor_growth", "percent": 50}, "matters": 5,
    "better": "lower",
}  # fmt: skip
GIVEN = {
    "title": "t", "question": "q?", "seed": 1, "population": {"words": "all"},
    "exposure": {"variable": "method", "reference": ["FUT"], "compared": ["FUE"], "reason": "r"},
    "adjust": [{"variable": "zone", "reason": "r"}],
}  # fmt: skip


def _plan(**changes):
    return checked({**GIVEN, "analysis": [{**POOR, **changes}]})


def test_chances_spread_out_again_differ_between_groups_by_as_much_as_the_truth():
    rng = np.random.default_rng(5)
    poor = rng.random(200_000) < 0.1
    # One reading each, 1.3 SD apart: what it tells by Bayes, in a practice where 10 of 100 are poor.
    reading = rng.normal(-1.3 * poor, 1.0)
    ratio = np.exp(-1.3 * reading - 1.3**2 / 2)
    chance = pd.Series(0.1 * ratio / (0.1 * ratio + 0.9))
    told = regrowth.not_drawn(chance)
    assert told[poor].mean() == pytest.approx(1.0, abs=0.02)
    assert told[~poor].mean() == pytest.approx(0.0, abs=0.01)
    # A group with 20 more poor of 100 would be told by its chances as fewer than 8 more.
    worse = rng.random(len(poor)) < np.where(poor, 3.0, 1.0) / 3
    truth = poor[worse].mean() - poor[~worse].mean()
    drawn = chance[worse].mean() - chance[~worse].mean()
    assert told[worse].mean() - told[~worse].mean() == pytest.approx(truth, abs=0.01)
    assert drawn < 0.5 * truth


def test_poor_growth_is_compared_as_least_squares_of_the_chances_would():
    world = replace(simulate.Truth(), poor_growth=0.15, second_session=0.0)
    clinic = simulate.as_records(simulate.register(90, truth=world, seed=3)[0])
    visits = yields.by_visit(clinic)
    with records.unchanged(clinic):
        told = study.answers(clinic, _plan()).table().iloc[0]
        chance = regrowth.poor_growth(clinic, visits, yields.USUAL, 50.0)
        unlike = {
            p: study.answers(clinic, _plan(outcome={"kind": "poor_growth", "percent": p})) for p in (5, 80)
        }
    rows = yields.one_reading(visits).drop_duplicates("placement_id")
    rows = rows[rows["method"].isin(["FUT", "FUE"])]
    chances = rows["placement_id"].map(chance)
    is_fue = rows["method"].eq("FUE").astype(float)
    frame = pd.DataFrame(
        {"y": 100 * regrowth.not_drawn(chances), "x": is_fue, "zone": rows["zone"].astype(object)}
    )
    fit = smf.ols("y ~ x + zone", frame).fit(
        cov_type="cluster", cov_kwds={"groups": pd.factorize(rows["patient_id"])[0]}
    )
    assert told["n_rows"] == len(rows)
    assert told["estimate"] == pytest.approx(fit.params["x"], abs=0.05)
    # CR1 of statsmodels is a little narrower than CR2.
    assert told["se"] == pytest.approx(fit.bse["x"], rel=0.06)
    # An error told by few of poor growth has few degrees of freedom.
    assert told["df"] == pytest.approx(2 * chances.groupby(is_fue).sum().min())
    few, mixed = (unlike[p].table()["flag"].iloc[0] for p in (5, 80))
    assert few.startswith("cannot tell: about")
    assert "planted zones of poor growth are to be expected among those read; 5 are needed" in few
    assert "counts part growth under 80 % from more too little" in mixed


def test_a_plan_on_poor_growth_says_under_what_and_which_way_is_better(demo):
    with pytest.raises(ParameterError, match="expected percent: the yield at maturity under which growth is"):
        _plan(outcome={"kind": "poor_growth"})
    assert any(
        "better: of poor growth lower is better" in s
        for s in study.lint(_plan(better="higher"), demo).refused
    )
