"""The law of propagation against the worked examples of the GUM.

Source: JCGM 100:2008, Annex H.1 (end gauge), H.2 (resistance and reactance, tables H.2 to H.4),
H.3 (thermometer calibration, table H.6), table G.2 (Student factors), 4.3.7, 4.3.9, H.1.3.4,
F.2.2.1 (divisors). Values as quoted in open test suites and documents; the raw tables of H.2
from memory. Tolerance: one unit of the last printed digit. GTC (the calculator of the
Measurement Standards Laboratory of New Zealand) judges the same budget independently.
"""

from __future__ import annotations

import GTC
import numpy as np
import pytest
from scipy import stats

from tracker.comparison.rate import fit_line
from tracker.comparison.uncertainty import (
    arcsine,
    coverage_factor,
    effective_dof,
    propagate,
    rectangular,
    resolution,
    student_inflation,
    triangular,
)

# H.1: sensitivities (nm per unit), standard uncertainties, degrees of freedom
LENGTH_NM = 50_000_623.0
SENSITIVITY = np.array([1.0, 1.0, LENGTH_NM * 0.1, LENGTH_NM * 11.5e-6])
# expansion and warmth known within limits of 1e-6 and 0.05 degrees
STANDARD_U = np.array([25.0, 9.7, rectangular(1e-6), rectangular(0.05)])
DOF = [18.0, 25.6, 50.0, 2.0]


def test_end_gauge_combined_uncertainty() -> None:
    parts = np.abs(SENSITIVITY * STANDARD_U)
    assert parts == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.1)
    combined = propagate(SENSITIVITY[None], np.diag(STANDARD_U**2))[0, 0]
    assert combined == pytest.approx(1002.0, abs=1.0)
    assert np.sqrt(combined) == pytest.approx(32.0, abs=0.5)


def test_end_gauge_degrees_of_freedom_and_expanded_uncertainty() -> None:
    parts = np.abs(SENSITIVITY * STANDARD_U)
    dof = effective_dof(list(parts), DOF)
    assert dof == pytest.approx(16.7, abs=0.1)
    factor = float(coverage_factor(int(dof), 0.99))
    assert factor == pytest.approx(2.92, abs=0.005)
    assert factor * np.sqrt((parts**2).sum()) == pytest.approx(93.0, abs=1.0)


def test_end_gauge_agrees_with_an_independent_calculator() -> None:
    inputs = [
        GTC.ureal(value, u, dof)
        for value, u, dof in zip([50_000_623.0, 215.0, 0.0, 0.0], STANDARD_U, DOF, strict=True)
    ]
    standard, difference, expansion, warmth = inputs
    length = standard + difference - LENGTH_NM * (expansion * -0.1 + 11.5e-6 * warmth)
    parts = np.abs(SENSITIVITY * STANDARD_U)
    assert np.sqrt((parts**2).sum()) == pytest.approx(GTC.uncertainty(length), rel=1e-9)
    assert effective_dof(list(parts), DOF) == pytest.approx(GTC.dof(length), rel=1e-9)


def test_resistance_and_reactance_with_their_correlation() -> None:
    V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    current = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    v, i, p = V.mean(), current.mean(), phase.mean()
    covariance = np.cov(np.stack([V, current, phase])) / 5.0
    jacobian = np.array(
        [
            [np.cos(p) / i, -v * np.cos(p) / i**2, -v * np.sin(p) / i],
            [np.sin(p) / i, -v * np.sin(p) / i**2, v * np.cos(p) / i],
            [1.0 / i, -v / i**2, 0.0],
        ]
    )
    found = propagate(jacobian, covariance)
    u = np.sqrt(np.diag(found))
    assert [v / i * np.cos(p), v / i * np.sin(p), v / i] == pytest.approx(
        [127.732, 219.847, 254.260], abs=1e-3
    )
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    r = found / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)


def test_line_through_eleven_readings_and_its_forecast() -> None:
    t = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0
    line = fit_line(t, b, origin=20.0)
    u = np.sqrt(np.diag(line.covariance))
    assert line.coefficients == pytest.approx([-0.1712, 0.00218], abs=1e-4)
    assert line.coefficients[1] == pytest.approx(0.00218, abs=1e-5)
    assert u[0] == pytest.approx(0.0029, abs=1e-4)
    assert u[1] == pytest.approx(0.00067, abs=1e-5)
    assert line.covariance[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=1e-3)
    assert line.scatter == pytest.approx(0.0035, abs=1e-4)
    value, sigma = line.at(30.0)
    assert value == pytest.approx(-0.1494, abs=1e-4)
    assert sigma == pytest.approx(0.0041, abs=1e-4)


@pytest.mark.parametrize(
    ("dof", "factor"),
    [
        (1, 12.71),
        (2, 4.30),
        (5, 2.57),
        (10, 2.23),
        (16, 2.12),
        (20, 2.09),
        (50, 2.01),
        (np.inf, 1.96),
    ],
)
def test_student_factors_of_table_g2(dof: float, factor: float) -> None:
    assert float(coverage_factor(dof)) == pytest.approx(factor, abs=0.005)


def test_coverage_factor_two_is_95_45_per_cent() -> None:
    assert float(coverage_factor(np.inf, 0.9545)) == pytest.approx(2.00, abs=0.005)


def test_divisors_of_type_b() -> None:
    spread = np.linspace(-1.0, 1.0, 200_001)
    assert rectangular(0.3) == pytest.approx(0.3 * np.sqrt(np.mean(spread**2)), rel=1e-4)
    triangle = 1.0 - np.abs(spread)
    assert triangular(0.3) == pytest.approx(
        0.3 * np.sqrt((spread**2 * triangle).sum() / triangle.sum()), rel=1e-4
    )
    swing = np.sin(np.linspace(0.0, 2.0 * np.pi, 100_000, endpoint=False))
    assert arcsine(0.3) == pytest.approx(0.3 * np.std(swing), rel=1e-9)
    assert resolution(0.01) == pytest.approx(rectangular(0.005), rel=1e-12)


def test_few_degrees_of_freedom_keep_two_sigma_at_95_per_cent() -> None:
    """Repeats of a mean of four readings, its sigma taken from the same four."""
    rng = np.random.default_rng(1)
    readings = rng.normal(0.0, 1.0, (40_000, 4))
    sigma = readings.std(axis=1, ddof=1) / 2.0
    plain = np.abs(readings.mean(axis=1)) <= 2.0 * sigma
    kept = np.abs(readings.mean(axis=1)) <= 2.0 * sigma * student_inflation(np.array([3.0]))
    assert plain.mean() < 0.88
    assert kept.mean() == pytest.approx(2.0 * stats.t.cdf(3.1824 * 2.0 / 1.96, 3) - 1.0, abs=0.004)
    assert 0.945 < kept.mean() < 0.96
