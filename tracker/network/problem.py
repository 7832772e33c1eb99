"""The adjustment's input and output as plain arrays.

Frame coordinates in mm, pixels in px. Photographs, lenses and points are rows; observations name
them by row. Rotations are perturbed on the left: R <- exp([w]x) R, so a pose's six parameters
are (w, dt) with t <- t + dt.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array, Lens, Pose

Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ImageObservations:
    """Points seen in photographs, m of them."""

    photo: Rows
    """(m,) row of the photograph."""
    point: Rows
    """(m,) row of the point."""
    pixel: Array
    """(m, 2) px."""
    cov_px2: Array
    """(m, 2, 2) px^2."""


@dataclass(frozen=True, slots=True)
class KnownPoints:
    """Points whose frame coordinates are on record (frame corners): weighted observations."""

    point: Rows
    xyz: Array
    """(k, 3) mm."""
    sigma_mm: Array
    """(k,) mm, the same in the three directions."""


@dataclass(frozen=True, slots=True)
class KnownDistances:
    """Scale bars between two targets' centres.

    A centre is the mean of the target's four corner points (equal to the centre of a flat
    square), so each bar names eight points.
    """

    corners_a: Rows
    """(b, 4) rows of points."""
    corners_b: Rows
    """(b, 4) rows of points."""
    length_mm: Array
    sigma_mm: Array


@dataclass(frozen=True, slots=True)
class LensPrior:
    """What is believed of a lens beforehand."""

    vector: Array
    """(8,) in the order of LENS_PARAMETERS."""
    sigma: Array
    """(8,), infinite where nothing is known, zero where the parameter is held."""


@dataclass(frozen=True, slots=True)
class Network:
    """A whole problem with its starting values."""

    lenses: tuple[Lens, ...]
    lens_of_photo: Rows
    """(n_photos,) row of the lens."""
    poses: tuple[Pose, ...]
    points: Array
    """(n_points, 3) mm."""
    seen: ImageObservations
    known: KnownPoints
    distances: KnownDistances
    lens_priors: tuple[LensPrior, ...]


@dataclass(frozen=True, slots=True)
class Solution:
    """The optimum and its covariance.

    Attributes
    ----------
    cov_cameras : (6 n_photos + 8 n_lenses, same) array
        Poses first (w, dt per photograph; rad, mm), then lenses.
    cov_points : (n_points, 3, 3) array, mm^2
        Marginal covariance of every point.
    sigma0 : float
        Root of chi^2 over redundancy; covariances are multiplied by max(1, sigma0)^2.
    residual_px : (m, 2) array, px
        Measured minus computed.
    used : (m,) bool
        False where an observation was rejected as a blunder.
    cost : float
        Half the sum of squared weighted residuals (robust).
    """

    lenses: tuple[Lens, ...]
    poses: tuple[Pose, ...]
    points: Array
    cov_cameras: Array
    cov_points: Array
    sigma0: float
    residual_px: Array
    used: NDArray[np.bool_]
    cost: float
    iterations: int
    warnings: tuple[str, ...] = field(default=())
