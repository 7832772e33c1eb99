"""The small least squares solver against certified and printed values.

NIST Statistical Reference Datasets (Misra1a, Misra1b: certified to eleven digits; Longley:
certified residual standard deviation; its data come with statsmodels). W. Gander, G. Golub,
R. Strebel, BIT 34 (1994) 558-578: geometric circle through six points, centre (4.7398, 2.9835),
radius 4.7142. Sphere: six points on the axes at 10, one of them at 10.1: radius
10.01675, form .05004 (arithmetic, checked with scipy).
"""

import numpy as np
import pytest
import statsmodels.datasets.longley as longley

from tracker.maths.least_squares import least_squares
from tracker.maths.robust import tukey

MISRA_X = np.array(
    [
        77.6,
        114.9,
        141.1,
        190.8,
        239.9,
        289.0,
        332.8,
        378.4,
        434.8,
        477.3,
        536.8,
        593.1,
        689.1,
        760.0,
    ]
)
MISRA_Y = np.array(
    [
        10.07,
        14.73,
        17.94,
        23.93,
        29.61,
        35.18,
        40.02,
        44.82,
        50.76,
        55.05,
        61.01,
        66.40,
        75.47,
        81.78,
    ]
)


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_misra1a(start: tuple[float, float]) -> None:
    def model(b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        decay = np.exp(-b[1] * MISRA_X)
        J = np.stack([1.0 - decay, b[0] * MISRA_X * decay], axis=1)
        return b[0] * (1.0 - decay) - MISRA_Y, J

    fit = least_squares(model, np.array(start))
    assert fit.converged
    assert fit.x == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-8)
    sd = np.sqrt(np.diag(fit.cov))
    assert sd == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-7)
    assert np.sum(fit.residual**2) == pytest.approx(0.12455138894, rel=1e-9)


@pytest.mark.parametrize("start", [(500.0, 1e-4), (300.0, 2e-4)])
def test_misra1b(start: tuple[float, float]) -> None:
    def model(b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        part = 1.0 + b[1] * MISRA_X / 2.0
        J = np.stack([1.0 - part**-2, b[0] * MISRA_X * part**-3], axis=1)
        return b[0] * (1.0 - part**-2) - MISRA_Y, J

    fit = least_squares(model, np.array(start))
    assert fit.x == pytest.approx([337.99746163, 3.9039091287e-4], rel=1e-8)
    assert np.sqrt(fit.cov[0, 0]) == pytest.approx(3.1643950207, rel=1e-7)
    assert np.sum(fit.residual**2) == pytest.approx(0.075464681533, rel=1e-9)


def test_longley() -> None:
    data = longley.load_pandas()
    A = np.column_stack([np.ones(len(data.exog)), data.exog.to_numpy()])
    y = data.endog.to_numpy()
    fit = least_squares(lambda b: (A @ b - y, A), np.zeros(7))
    assert fit.x[0] == pytest.approx(-3482258.63459582, rel=1e-8)
    assert fit.sigma0 == pytest.approx(304.854073561965, rel=1e-9)


def test_geometric_circle() -> None:
    points = np.array([[1.0, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]])

    def model(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        off = points - x[:2]
        distance = np.linalg.norm(off, axis=1)
        return distance - x[2], np.column_stack([-off / distance[:, None], -np.ones(len(off))])

    fit = least_squares(model, np.array([5.3794, 7.2532, 3.0370]))
    assert fit.x == pytest.approx([4.7398, 2.9835, 4.7142], abs=1e-4)


def test_sphere() -> None:
    points = 10.0 * np.concatenate([np.eye(3), -np.eye(3)])
    points[0] *= 1.01

    def model(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        off = points - x[:3]
        distance = np.linalg.norm(off, axis=1)
        return distance - x[3], np.column_stack([-off / distance[:, None], -np.ones(len(off))])

    fit = least_squares(model, np.array([0.0, 0.0, 0.0, 9.0]))
    assert fit.x[3] == pytest.approx(10.01675, abs=1e-4)
    assert np.ptp(fit.residual) == pytest.approx(0.05004, abs=1e-4)


def test_robust_loss_leaves_the_gross_error_out() -> None:
    x = np.arange(10.0)
    y = 2.0 * x + 1.0
    y[7] += 100.0
    A = np.column_stack([x, np.ones(10)])
    good = np.delete(np.arange(10), 7)
    start = np.linalg.lstsq(A[good] * 1.02, y[good], rcond=None)[0]
    fit = least_squares(lambda b: (A @ b - y, A), start, loss=tukey())
    assert fit.x == pytest.approx([2.0, 1.0], abs=1e-9)
