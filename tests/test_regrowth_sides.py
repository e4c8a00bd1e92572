"""Crown against front on one axis: against the fit's own numbers, by hand, and a register of known truth."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics import regrowth, simulate
from analytics.errors import FitError
from analytics.pages import figures
from analytics.pages.figures import sides


@pytest.fixture(scope="module")
def both(demo, fit):
    return regrowth.against_front(demo, fit=fit)


def _row(result, zone: str, term: str) -> pd.Series:
    table = result.table()
    return table[table["zone"].eq(zone) & table["term"].eq(term)].iloc[0]


def test_the_distance_is_the_difference_of_the_two_half_months_whose_ratio_is_the_tempo_ratio(both):
    crown, front = (_row(both, side, "half_month")["estimate"] for side in ("crown", "front"))
    assert _row(both, "crown : front", "half_month_difference")["estimate"] == pytest.approx(crown - front)
    assert _row(both, "crown : front", "tempo_ratio")["estimate"] == pytest.approx(crown / front)


def test_its_standard_error_is_the_delta_method_s_by_hand(both, fit):
    """Var(e^a - e^b) = e^2a Va + e^2b Vb - 2 e^(a+b) Cab, a and b linear in the log half months."""
    start, end = fit.slices[regrowth.HALF]
    cov = fit.beta_cov[start:end, start:end]
    to_group = np.zeros((len(fit.zones), end - start))
    to_group[np.arange(len(fit.zones)), list(fit.half_of_zone)] = 1
    a, b = (regrowth.weights_of(fit, side) @ to_group for side in ("crown", "front"))
    crown, front = (np.exp(w @ fit.beta[start:end]) for w in (a, b))
    by_hand = crown**2 * a @ cov @ a + front**2 * b @ cov @ b - 2 * crown * front * a @ cov @ b
    assert _row(both, "crown : front", "half_month_difference")["se"] == pytest.approx(
        np.sqrt(by_hand), rel=1e-4
    )


def test_the_distance_of_a_register_of_known_truth_lies_inside_its_interval():
    """5.5 months in both zones of the front, 7.8 in the crown: 2.3 months."""
    truth = replace(simulate.plain(), attendance=simulate.Truth().attendance)
    tables, _ = simulate.register(300, truth=truth, seed=5)
    found = _row(
        regrowth.against_front(simulate.as_records(tables)), "crown : front", "half_month_difference"
    )
    assert truth.zones["crown"].half_month - truth.zones["frontal"].half_month == pytest.approx(2.3)
    assert found["ci_low"] < 2.3 < found["ci_high"]
    assert found["ci_high"] - found["ci_low"] < 1.5, "an interval that holds everything shows nothing"


def test_readings_and_those_counted_are_placements_that_can_be_counted_by_hand(both):
    readings, counted = both.extra["readings"], both.extra["counted"].set_index("zone")
    followed = readings.groupby("zone")["placement_id"].nunique()
    assert counted["n_followed"].to_dict() == followed.to_dict()
    assert (counted["n_counted"] <= counted["n_followed"]).all()
    at_9 = readings[readings["zone"].eq("crown") & readings["x"].between(7.5, 10.5)]["placement_id"].nunique()
    read = both.extra["read"]
    assert read[read["zone"].eq("crown") & read["x"].eq(9.0)]["n"].tolist() == [at_9]


def test_without_a_crown_it_is_refused_in_words(fit, demo):
    with pytest.raises(FitError, match="too few placements of the other were followed"):
        regrowth.against_front(demo, fit=fit, zone="other")


def test_the_picture_draws_both_means_with_the_readings_beneath_and_the_distance(both):
    ax = figures.draw(both)
    words = [t.get_text() for t in ax.texts]
    assert {"Front", "Crown"} <= set(words)
    assert any(w.startswith("half grown 2.1 months later") for w in words)
    at_12 = both.path[both.path["zone"].eq("front") & both.path["x"].eq(12.0)]["estimate"].iloc[0]
    thick = [
        line for line in ax.lines if line.get_color() == sides.COLOURS[0] and line.get_linewidth() == 2.2
    ]
    drawn = dict(zip(*thick[0].get_data(), strict=True))
    assert drawn[12.0] == pytest.approx(at_12)


def test_every_reading_inside_the_axes_has_its_title_and_outside_the_clinic_none(both):
    svg = figures.drawing.svg(figures.draw(both).figure)
    inside = both.extra["readings"]
    inside = inside[inside["y"].between(sides.LOW, sides.HIGH) & inside["x"].le(sides.LAST)]
    titled = figures.drawing.inline(svg, "f1", "what it shows")
    assert titled.count(", month ") == len(inside)
    assert "<title>" not in figures.drawing.inline(svg, "f1", "what it shows", with_titles=False)


def test_a_large_register_draws_some_readings_and_says_how_many(both):
    many = pd.concat([both.extra["readings"].assign(placement_id=lambda f, i=i: f["placement_id"] + f"-{i}")
                      for i in range(3)])  # fmt: skip
    drawn = sides._drawn(many)
    assert 0 < len(drawn) <= sides.MOST_READINGS
    big = sides.caption(type(both)(both.estimates, both.used, "as given", extra={"readings": many}))
    assert f"{len(drawn):,} of {len(many):,} readings are drawn" in big
