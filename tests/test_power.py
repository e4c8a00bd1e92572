"""Closed forms of power and sample size, against printed tables and worked exercises."""

import numpy as np
import pytest

from analytics.errors import ParameterError
from analytics.numerics import power

PRINTED = 1e-3
COMPUTED = 1e-5


@pytest.mark.parametrize(
    ("difference", "n", "normal"),
    [(0.2, 393.406, 392.444), (0.5, 63.7656, 62.7910), (0.8, 25.5246, 24.5277)],
)
def test_two_groups_need_what_cohen_tabulates_at_power_80(difference, n, normal):
    # Cohen 1992, Psychol Bull 112:155, table 2 (393, 64, 26); further digits by R package pwr
    assert power.t_test_n(difference) == pytest.approx(n, abs=PRINTED)
    assert power.t_test_n(difference, normal=True) == pytest.approx(normal, abs=PRINTED)


@pytest.mark.parametrize(("difference", "n"), [(0.2, 526.333), (0.5, 85.0313), (0.8, 33.8255)])
def test_two_groups_need_what_cohen_tabulates_at_power_90(difference, n):
    # Cohen 1992, table 2, power .90; digits by R package pwr
    assert power.t_test_n(difference, power=0.9) == pytest.approx(n, abs=PRINTED)


def test_pairs_and_power_agree_with_pwr():
    # R package pwr 1.3-0: paired d = .5 needs 33.3671; n = 20 a group finds d = .5 with power .337939
    assert power.t_test_n(0.5, design="pairs") == pytest.approx(33.3671, abs=PRINTED)
    assert power.t_test_power(0.5, 20) == pytest.approx(0.337939, abs=COMPUTED)


def test_exercises_of_cohen_1988():
    # Cohen 1988, Statistical Power Analysis, pp. 40, 47, 50, 59 (as worked in the documentation of pwr)
    assert power.t_test_power(2 / 2.8, 30) == pytest.approx(0.776489, abs=COMPUTED)
    one = power.t_test_power(0.2, 60, alpha=0.10, design="one group")
    assert one == pytest.approx(0.455582, abs=COMPUTED)
    pairs = power.t_test_power(0.559017, 40, design="pairs")
    assert pairs == pytest.approx(0.931525, abs=COMPUTED)
    assert power.t_test_n(0.3, power=0.75, sides=1) == pytest.approx(120.2232, abs=PRINTED)


def test_events_of_a_log_rank_test():
    # Therneau & Grambsch 2000, Modeling Survival Data, p. 63: 250 in print; Schoenfeld 1983; Freedman 1982
    ratio = np.log(0.45) / np.log(0.30)
    assert power.log_rank_events(ratio, power=0.9) == pytest.approx(249.252, abs=PRINTED)
    assert power.log_rank_events(0.5) == pytest.approx(65.3457, abs=PRINTED)
    assert power.log_rank_events(2 / 3) == pytest.approx(190.968, abs=PRINTED)
    assert power.log_rank_events(0.75, power=0.9) == pytest.approx(507.844, abs=PRINTED)
    assert power.log_rank_events(0.5, share=1 / 3) == pytest.approx(73.5139, abs=PRINTED)
    assert power.log_rank_events(0.5, method="freedman") == pytest.approx(70.6399, abs=PRINTED)


@pytest.mark.parametrize(
    ("correlation", "expected"), [(0.2, (313, 625, 938)), (0.5, (196, 391, 586)), (0.8, (79, 157, 235))]
)
def test_slope_difference_needs_what_diggle_liang_and_zeger_print(correlation, expected):
    # Diggle, Liang & Zeger 1994, Analysis of Longitudinal Data, p. 29
    found = [
        np.ceil(power.slope_difference_n(0.5, [0, 2, 5], variance=v, correlation=correlation, sides=1))
        for v in (100, 200, 300)
    ]
    assert tuple(found) == expected


def test_effective_rows_lie_between_patients_and_rows():
    # Kish 1965: n / (1 + (m - 1) rho); 10 patients of 3 rows with rho .5 are worth 15
    assert power.effective_rows([3] * 10, 0.5) == pytest.approx(15.0)
    assert power.effective_rows([3] * 10, 0.0) == 30
    assert power.effective_rows([3] * 10, 1.0) == 10


def test_what_cannot_be_asked_is_refused_in_words():
    with pytest.raises(ParameterError, match="no number of patients"):
        power.t_test_n(0.0)
    with pytest.raises(ParameterError, match="unknown design"):
        power.t_test_power(0.5, 20, design="three groups")
    with pytest.raises(ParameterError, match="equal groups"):
        power.log_rank_events(0.5, share=0.2, method="freedman")
