"""A number is said with its unit, interval and count, rounded to what its standard error supports."""

import numpy as np
import pandas as pd
import pytest

from analytics import numbers
from analytics.errors import ParameterError
from analytics.results import Result


def test_a_number_keeps_the_place_of_the_first_digit_of_its_error(printed):
    # As printed, estimate (standard error): 251.41 (6.82) and 10.47 (1.55), Bates, Maechler, Bolker & Walker
    # 2015, J Stat Softw 67(1), sec. 5.2. The first digit of each standard error stands in the units place.
    sleep = printed("Sleep study")
    assert numbers.number(sleep["intercept"], numbers.decimals(sleep["its standard error"])) == "251"
    assert numbers.number(sleep["slope"], numbers.decimals(sleep["standard error of the slope"])) == "10"


def test_a_tempo_ratio_keeps_two_decimals_when_its_error_is_two_hundredths():
    row = {"estimate": 1.934, "se": 0.02, "ci_low": 1.895, "ci_high": 1.973, "level": 0.95, "unit": "ratio"}
    assert numbers.full(row) == f"1.93 (95{numbers.THIN}% interval 1.90 to 1.97)"


def test_a_missing_number_is_said_in_the_words_of_its_flag():
    assert (
        numbers.full({"estimate": np.nan, "unit": "%", "flag": "fewer than 5 patients"})
        == "fewer than 5 patients"
    )
    assert numbers.full({"estimate": np.nan, "unit": "%"}) == "not available"


def test_one_patient_is_no_plural_and_a_minus_is_a_minus():
    row = {"estimate": -3.0, "se": 1.0, "ci_low": -5.0, "ci_high": -1.0, "unit": "points", "n_patients": 1}
    assert numbers.full(row) == f"−3 points (95{numbers.THIN}% interval −5 to −1; 1 patient)"


def test_zero_is_never_negative():
    assert numbers.number(-0.0001, 2) == "0.00"


def _two_zones() -> Result:
    frame = pd.DataFrame({"zone": ["a", "b"], "term": "yield", "estimate": [1.0, 2.0], "unit": "%"})
    return Result(frame, frame[["zone"]], "given", by=("zone",))


def test_a_row_is_picked_by_name_or_the_choice_is_refused_in_words():
    assert numbers.pick(_two_zones(), zone="b")["estimate"] == 2.0
    with pytest.raises(ParameterError, match="2 rows of the result fit, exactly 1 is needed"):
        numbers.pick(_two_zones(), term="yield")
    with pytest.raises(ParameterError, match="no such column"):
        numbers.pick(_two_zones(), zon="b")
