"""Quantiles against printed tables and against scipy.stats.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, sections 1.3.6.7.1 (normal), 1.3.6.7.2
(Student's t) and 1.3.6.7.4 (chi-squared), upper critical values; tolerance from the printed digits.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tracker.maths.chance import (
    binomial_above,
    chi2_above,
    chi2_median,
    normal_below,
    normal_quantile,
    student_quantile,
)


@pytest.mark.parametrize(
    ("chance", "freedom", "printed"),
    [(0.05, 1, 3.841), (0.05, 6, 12.592), (0.01, 8, 20.090), (0.001, 3, 16.266)],
)
def test_chi_squared_table(chance: float, freedom: float, printed: float) -> None:
    assert chi2_above(chance, freedom) == pytest.approx(printed, abs=5e-4)


def test_student_and_normal_tables() -> None:
    assert float(student_quantile(0.975, 10)) == pytest.approx(2.228, abs=5e-4)
    assert float(student_quantile(0.95, 1)) == pytest.approx(6.314, abs=5e-4)
    assert float(student_quantile(0.975, np.inf)) == pytest.approx(1.960, abs=5e-4)
    assert float(normal_below(1.0)) == pytest.approx(0.5 + 0.34134, abs=5e-6)
    assert normal_quantile(0.95) == pytest.approx(1.645, abs=5e-4)


@pytest.mark.parametrize("freedom", [0.8, 2.0, 5.6, 8.0])
def test_chi_squared_as_scipy_has_it(freedom: float) -> None:
    assert chi2_median(freedom) == pytest.approx(stats.chi2.median(freedom), rel=1e-12)
    assert chi2_above(1e-6, freedom) == pytest.approx(stats.chi2.isf(1e-6, freedom), rel=1e-12)


@pytest.mark.parametrize("count", [1, 3, 40, 200])
@pytest.mark.parametrize("each", [0.00135, 0.06, 0.4])
@pytest.mark.parametrize("chance", [0.05, 0.001])
def test_binomial_as_scipy_has_it(count: int, each: float, chance: float) -> None:
    assert binomial_above(chance, count, each) == int(stats.binom.isf(chance, count, each))
