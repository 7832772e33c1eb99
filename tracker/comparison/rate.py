"""A straight line through the stages: how fast stone goes, and when it will be gone.

y = y1 + y2 (t - t0) by least squares; the scatter about the line gives the uncertainty where the
figures bring none of their own.

References
----------
JCGM 100:2008, H.3 (straight-line calibration, correlated intercept and slope).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.errors import InputError
from tracker.maths.camera import Array


@dataclass(frozen=True, slots=True)
class Line:
    """Intercept and slope with their covariance.

    Attributes
    ----------
    origin : float
        t0, where the intercept is taken.
    coefficients : (2,) array
        y1, y2.
    covariance : (2, 2) array
    scatter : float
        Standard deviation of the points about the line, n - 2 degrees of freedom.
    dof : int
    """

    origin: float
    coefficients: Array
    covariance: Array
    scatter: float
    dof: int

    def at(self, t: float) -> tuple[float, float]:
        """Value of the line and its standard uncertainty at t."""
        design = np.array([1.0, t - self.origin])
        return float(design @ self.coefficients), float(np.sqrt(design @ self.covariance @ design))


def fit_line(t: Array, y: Array, origin: float) -> Line:
    """Least-squares line through three points or more.

    Raises
    ------
    InputError
        Fewer than three different times: the scatter cannot be told.
    """
    if len(np.unique(t)) < 3:
        raise InputError(
            f"A rate needs three stages on different days; there are {len(np.unique(t))}.",
            "Photograph the stone again on another day.",
        )
    design = np.stack([np.ones_like(t), t - origin], axis=1)
    inverse = np.asarray(np.linalg.inv(design.T @ design), dtype=np.float64)
    coefficients = inverse @ design.T @ y
    residual = y - design @ coefficients
    dof = len(t) - 2
    variance = float(residual @ residual) / dof
    return Line(origin, coefficients, np.asarray(variance * inverse), float(np.sqrt(variance)), dof)
