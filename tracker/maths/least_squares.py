"""Least squares of small problems by Levenberg and Marquardt's method, with covariance.

Minimises sum rho(|r_k(x)|) with residuals r and Jacobian J = dr/dx. Steps solve the damped
problem by orthogonal factors of J itself, never of J^T J, so that badly scaled problems keep
their digits.

References
----------
D. W. Marquardt, "An algorithm for least-squares estimation of nonlinear parameters", SIAM J. 11
(1963) 431-441; A. Bjorck, "Numerical methods for least squares problems" (1996), section 2.4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.robust import Loss, squares

FIRST_DAMPING = 1e-3
GROW, SHRINK = 10.0, 0.1
SMALLEST_DAMPING, LARGEST_DAMPING = 1e-14, 1e12


@dataclass(frozen=True, slots=True)
class Fit:
    """Optimum of a least squares problem.

    Attributes
    ----------
    x : (n,) array
    cov : (n, n) array
        sigma0^2 (J^T W J)^-1.
    sigma0 : float
        Root of the weighted sum of squares over m - n; 1 without redundancy.
    residual : (m,) array
    """

    x: Array
    cov: Array
    sigma0: float
    residual: Array
    iterations: int
    converged: bool


def least_squares(
    model: Callable[[Array], tuple[Array, Array]],
    start: Array,
    *,
    loss: Loss | None = None,
    group: int = 1,
    tolerance: float = 1e-14,
    max_iterations: int = 200,
) -> Fit:
    """Optimum of a small problem.

    Parameters
    ----------
    model : x -> (residuals (m,), Jacobian (m, n))
        Residuals already divided by their sigma.
    start : (n,) array
    loss : Loss, optional
        Robust loss of the length of each `group` of consecutive residuals (2: points of a plane).
    tolerance : float
        Relative fall of the cost that a step must promise to be worth taking.
    """
    rho = squares() if loss is None else loss
    x = np.asarray(start, dtype=np.float64).copy()
    residual, J = model(x)
    cost = _cost(residual, rho, group)
    damping, converged, iterations = FIRST_DAMPING, False, 0
    while iterations < max_iterations and not converged:
        iterations += 1
        root = np.sqrt(_weights(residual, rho, group))
        step = _damped_step(J * root[:, None], residual * root, damping)
        trial_residual, trial_J = model(x + step)
        trial = _cost(trial_residual, rho, group)
        promised = float(np.sum((J @ step * root) ** 2))
        settled = promised <= tolerance * cost and damping <= FIRST_DAMPING
        if np.isfinite(trial) and trial <= cost:
            x, residual, J, cost = x + step, trial_residual, trial_J, trial
            damping = max(damping * SHRINK, SMALLEST_DAMPING)
            converged = settled
        else:
            damping *= GROW
            converged = settled or damping > LARGEST_DAMPING  # no step lowers the cost
    return _record(x, residual, J, _weights(residual, rho, group), iterations, converged)


def _cost(residual: Array, loss: Loss, group: int) -> float:
    return float(loss.rho(_lengths(residual, group)).sum())


def _lengths(residual: Array, group: int) -> Array:
    return np.asarray(np.sqrt(np.sum(residual.reshape(-1, group) ** 2, axis=1)))


def _weights(residual: Array, loss: Loss, group: int) -> Array:
    return np.repeat(loss.weight(_lengths(residual, group)), group)


def _damped_step(J: Array, residual: Array, damping: float) -> Array:
    """Step that minimises |J s + r|^2 + damping |D s|^2, D the column lengths."""
    scale = np.linalg.norm(J, axis=0)
    scale[scale == 0.0] = 1.0
    n = J.shape[1]
    stacked = np.concatenate([J / scale, np.sqrt(damping) * np.eye(n)])
    wanted = np.concatenate([-residual, np.zeros(n)])
    Q, R = np.linalg.qr(stacked)
    return np.asarray(np.linalg.solve(R, Q.T @ wanted) / scale)


def _record(
    x: Array, residual: Array, J: Array, weight: Array, iterations: int, converged: bool
) -> Fit:
    spare = len(residual) - len(x)
    squared = float(np.sum(weight * residual**2))
    sigma0 = float(np.sqrt(squared / spare)) if spare > 0 else 1.0
    root = np.sqrt(weight)[:, None]
    scale = np.linalg.norm(J * root, axis=0)
    scale[scale == 0.0] = 1.0
    R = np.linalg.qr(J * root / scale, mode="r")
    half = np.linalg.pinv(R) / scale[:, None]
    return Fit(x, sigma0**2 * half @ half.T, sigma0, residual, iterations, converged)
