"""Loss functions that do not let a few gross errors decide.

A loss rho(z) of the standardised residual z replaces z^2/2; iterated least squares weighs each
observation by w(z) = rho'(z)/z. The tuning constants give 95 % efficiency on normal errors.

References
----------
P. W. Holland, R. E. Welsch, "Robust regression using iteratively reweighted least-squares",
Communications in Statistics A6 (1977) 813-827.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.chance import chi2_median

HUBER = 1.345
TUKEY = 4.685
CAUCHY = 2.385
MAD_TO_SIGMA = 1.482602
"""Standard deviation of a normal distribution over its median absolute deviation."""


@dataclass(frozen=True, slots=True)
class Loss:
    """A loss and its weight, both of the standardised residual's length z >= 0."""

    name: str
    rho: Callable[[Array], Array]
    weight: Callable[[Array], Array]


def squares() -> Loss:
    """Plain least squares."""
    return Loss("squares", lambda z: 0.5 * z * z, lambda z: np.ones_like(z))


def huber(c: float = HUBER) -> Loss:
    """Quadratic to c, then linear."""
    return Loss(
        "huber",
        lambda z: np.where(z <= c, 0.5 * z * z, c * z - 0.5 * c * c),
        lambda z: c / np.maximum(z, c),
    )


def tukey(c: float = TUKEY) -> Loss:
    """Biweight: no weight at all beyond c."""

    def inside(z: Array) -> Array:
        return np.asarray(1.0 - np.minimum(z / c, 1.0) ** 2)

    return Loss("tukey", lambda z: c * c / 6.0 * (1.0 - inside(z) ** 3), lambda z: inside(z) ** 2)


def cauchy(c: float = CAUCHY) -> Loss:
    """Logarithmic: a weight that falls as 1/z^2."""
    return Loss(
        "cauchy",
        lambda z: 0.5 * c * c * np.log1p((z / c) ** 2),
        lambda z: 1.0 / (1.0 + (z / c) ** 2),
    )


def mad_sigma(residuals: Array) -> float:
    """Standard deviation of residuals about zero, from the median of their sizes."""
    return float(MAD_TO_SIGMA * np.median(np.abs(residuals)))


def median_sigma(lengths: Array, dimension: int) -> float:
    """Common sigma of vectors of normal components, from the median of their lengths."""
    return float(np.median(lengths) / np.sqrt(chi2_median(dimension)))
