"""Least squares over the edges of one target.

A camera's contrast curve, exposure and the printer's ink move every black edge toward or away
from white. Outer edges alone cannot tell such a shift from a larger square; the edges of the bits
can, because there black lies on either side. The unknowns of a target are

    h1..h8   homography from modules to undistorted pixels,
    s        common shift of the black edges toward white, px,
    s'       its change with the local white level (relative), px,
    g        growth of the black in modules (ink), told from s by foreshortening only,
    a, b     drift of s across the target, px per half side (clipped white, focus),
    k1       radial distortion, where the lens is not known yet; otherwise held.

Observed is, at each sample, the offset of the measured edge along the image normal n:
``n . (p(h, k1) - p0) + s + s' w + g m + a u + b v``; m is the size of a module across the edge,
(u, v) the place on the target.

References
----------
Z. Zhang, "Parameter estimation techniques: a tutorial", Image and Vision Computing 15 (1997),
for the weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.targets.edges import Crossings

UNKNOWNS = 14
SHIFT, SLOPE, INK, DRIFT, K1 = 8, 9, 10, slice(11, 13), 13
SHIFT_SIGMA_PX = 0.6
SLOPE_SIGMA_PX = 0.6
INK_SIGMA_MODULES = 0.02
DRIFT_SIGMA_PX = 0.05
COVARIANCE_FACTOR = 1.25
HUBER = 1.345
TUKEY = 4.685
LEAST_SCALE_PX = 0.01
LAGS = 6
"""Residuals up to so many samples apart are looked at for repetition."""


@dataclass(frozen=True, slots=True)
class Adjustment:
    """Solution of one round.

    Attributes
    ----------
    step : (14,) array
        Change of h and k1; s, s', g, a, b themselves.
    information : (14, 14) array
        Normal matrix of the edges alone, for `scale_px`.
    residual, weight : (n,) array
    scale_px : float
        Robust scale of the residuals.
    """

    step: Array
    information: Array
    residual: Array
    weight: Array
    scale_px: float

    @property
    def residual_px(self) -> float:
        """Root mean square of what the weights leave."""
        freedom = max(float(self.weight.sum()) - UNKNOWNS, 1.0)
        return float(np.sqrt((self.weight * self.residual**2).sum() / freedom))


def design(normal: Array, by_view: Array, across_px: Array, white: Array, modules: Array) -> Array:
    """Derivative of the edge offset along the normal by all unknowns, (n, 14)."""
    A = np.empty((len(white), UNKNOWNS))
    along_normal = (normal[:, None, :] @ by_view)[:, 0]
    A[:, :8] = along_normal[:, :8]
    A[:, SHIFT] = 1.0
    A[:, SLOPE] = white / max(float(white.mean()), 1.0) - 1.0
    A[:, INK] = across_px
    A[:, DRIFT] = modules / 4.0 - 1.0
    A[:, K1] = along_normal[:, 8]
    return A


def prior_weights(k1_sigma: float) -> Array:
    """Inverse variances of the unknowns beforehand, (14,); a `k1_sigma` of 0 holds k1."""
    weight = np.zeros(UNKNOWNS)
    weight[SHIFT] = SHIFT_SIGMA_PX**-2
    weight[SLOPE] = SLOPE_SIGMA_PX**-2
    weight[INK] = INK_SIGMA_MODULES**-2
    weight[DRIFT] = DRIFT_SIGMA_PX**-2
    weight[K1] = k1_sigma**-2 if k1_sigma > 0 else 1e18
    return weight


def adjust(A: Array, crossings: Crossings, prior: Array, pull: Array, turns: int) -> Adjustment:
    """Robust least squares for one set of measured edges: Huber's weights, then Tukey's.

    Parameters
    ----------
    A : (n, 14) array
        From `design`.
    crossings : Crossings
    prior : (14,) array
        From `prior_weights`.
    pull : (14,) array
        Where the priors would have the step go.
    turns : int
        Reweightings; the first two after Huber.
    """
    n = len(crossings.found)
    step, information = np.zeros(UNKNOWNS), np.zeros((UNKNOWNS, UNKNOWNS))
    residual, weight = np.empty(n), np.empty(n)
    scale = _reweigh(
        A, crossings.offset_px, crossings.found, prior, pull, turns, step, information, residual,
        weight,
    )  # fmt: skip
    return Adjustment(step, information, residual, weight, scale)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _reweigh(
    A: Array, offset: Array, found: NDArray[np.bool_], prior: Array, pull: Array, turns: int,
    step: Array, information: Array, residual: Array, weight: Array,
) -> float:  # fmt: skip
    """Fills step, information, residual and weight; returns the residuals' robust scale."""
    scale = 0.3
    weight[:] = np.where(found, 1.0, 0.0)
    for turn in range(turns):
        Aw = A * (weight / scale**2).reshape(-1, 1)
        information[:] = Aw.T @ A
        step[:] = np.linalg.solve(information + np.diag(prior), Aw.T @ offset + prior * pull)
        residual[:] = offset - A @ step
        size = np.sort(np.abs(residual)[found])
        scale = max(1.4826 * size[len(size) // 2], LEAST_SCALE_PX)
        for n in range(len(weight)):
            away = abs(residual[n])
            if not found[n]:
                weight[n] = 0.0
            elif turn < 2:
                weight[n] = min(1.0, HUBER * scale / max(away, 1e-9))
            else:
                weight[n] = max(0.0, 1.0 - (away / (TUKEY * scale)) ** 2) ** 2
    return float(scale)


def covariance(solution: Adjustment, prior: Array, run: NDArray[np.int64]) -> Array:
    """Covariance of the unknowns, (14, 14), scaled by what the residuals show.

    Parameters
    ----------
    solution : Adjustment
    prior : (14,) array
    run : (n,) array of int
        Straight run of each sample; neighbours on a run repeat each other's errors.
    """
    factor = COVARIANCE_FACTOR * (solution.residual_px / solution.scale_px) ** 2
    factor *= _repetition(solution.residual, solution.weight, run)
    return np.asarray(np.linalg.inv(solution.information / factor + np.diag(prior)), np.float64)


def _repetition(residual: Array, weight: Array, run: NDArray[np.int64]) -> float:
    """How much neighbouring residuals of one run repeat each other.

    Returns
    -------
    float
        Factor on the variance of a mean: one plus twice the sum of the autocorrelations.
    """
    value = residual * np.sqrt(weight)
    power = float((value**2).mean())
    factor = 1.0
    for lag in range(1, LAGS + 1):
        same = run[lag:] == run[:-lag]
        if power <= 0.0 or same.sum() < 20:
            break
        factor += 2.0 * max(float((value[lag:] * value[:-lag])[same].mean()) / power, 0.0)
    return factor
