"""Closed forms of power and adjusted p-values, at their edges; printed tables: `published.studies`."""

import numpy as np
import pytest

from analytics.errors import ParameterError
from analytics.numerics import power


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
    with pytest.raises(ParameterError, match="outside 0 to 1; give p-values"):
        power.adjust([1.2])


def test_a_missing_p_value_is_no_test():
    np.testing.assert_allclose(power.adjust([0.01, np.nan, 0.04], "holm"), [0.02, np.nan, 0.04])
