"""A straight line through the stages: how fast stone goes, and when it will be gone.

y = y1 + y2 (t - t0) by least squares; the scatter about the line gives the uncertainty where the
figures bring none of their own.

References
----------
JCGM 100:2008, H.3 (straight-line calibration, correlated intercept and slope).
E. C. Fieller, "Some problems in interval estimation", J. R. Stat. Soc. B 16 (1954) 175-185.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tracker.errors import InputError
from tracker.maths.camera import Array

TINY = 1e-12
"""Scatter of points that lie on one line."""


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

    def with_known_sigma(self, sigma: float) -> Line:
        """The line with the points' own standard uncertainty where their scatter is smaller.

        Few points can lie close to a line by chance; they are not better known for that.
        """
        if sigma <= self.scatter:
            return self
        inverse = self.covariance / max(self.scatter, TINY) ** 2
        return replace(self, covariance=np.asarray(sigma**2 * inverse), scatter=sigma)

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
    variance = max(float(residual @ residual) / dof, TINY**2)
    return Line(origin, coefficients, np.asarray(variance * inverse), float(np.sqrt(variance)), dof)


@dataclass(frozen=True, slots=True)
class Crossing:
    """When a line comes down to a level.

    Attributes
    ----------
    likely : float
    earliest, latest : float
        Ends of the interval; the latest is infinite where the fall is not proved.
    """

    likely: float
    earliest: float
    latest: float


def crossing(line: Line, level: float, factor: float) -> Crossing | None:
    """When a falling line comes down to a level, with the times that its uncertainty allows.

    The interval holds the times t at which |y(t) - level| <= k u(y(t)), which is a quadratic
    inequality in t (Fieller 1954). None for a line that does not fall.

    Parameters
    ----------
    factor : float
        Coverage factor k.
    """
    y1, y2 = float(line.coefficients[0]) - level, float(line.coefficients[1])
    if y2 >= 0.0:
        return None
    (v11, v12), (_, v22) = line.covariance.tolist()
    k2 = factor**2
    a, b, c = y2**2 - k2 * v22, 2.0 * (y1 * y2 - k2 * v12), y1**2 - k2 * v11
    likely = float(line.origin - y1 / y2)
    root = float(np.sqrt(max(b**2 - 4.0 * a * c, 0.0)))
    if a > 0.0:
        early, late = (-b - root) / (2.0 * a), (-b + root) / (2.0 * a)
        return Crossing(likely, line.origin + early, line.origin + late)
    if root == 0.0 or a == 0.0:
        return Crossing(likely, -np.inf, np.inf)
    return Crossing(likely, line.origin + (-b - root) / (2.0 * a), np.inf)
