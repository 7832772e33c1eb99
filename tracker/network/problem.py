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

    @staticmethod
    def none() -> ImageObservations:
        """No observations of single points."""
        rows = np.zeros(0, np.int64)
        return ImageObservations(rows, rows, np.zeros((0, 2)), np.zeros((0, 2, 2)))


@dataclass(frozen=True, slots=True)
class TargetSightings:
    """Whole targets seen in photographs, n of them: four corners whose errors hang together.

    Their points always stay in the reduced system (`Network.joint`).
    """

    photo: Rows
    """(n,) row of the photograph."""
    corners: Rows
    """(n, 4) rows of points."""
    pixel: Array
    """(n, 4, 2) px."""
    cov_px2: Array
    """(n, 8, 8) px^2, in the order x0, y0, x1, ..."""

    @staticmethod
    def none() -> TargetSightings:
        """No targets."""
        return TargetSightings(
            np.zeros(0, np.int64),
            np.zeros((0, 4), np.int64),
            np.zeros((0, 4, 2)),
            np.zeros((0, 8, 8)),
        )


@dataclass(frozen=True, slots=True)
class KnownPoints:
    """Points whose frame coordinates are on record (frame corners): weighted observations."""

    point: Rows
    xyz: Array
    """(k, 3) mm."""
    sigma_mm: Array
    """(k,) mm, the same in the three directions."""

    @staticmethod
    def none() -> KnownPoints:
        """No known points: the datum is free."""
        return KnownPoints(np.zeros(0, np.int64), np.zeros((0, 3)), np.zeros(0))


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

    @staticmethod
    def none() -> KnownDistances:
        """No bars."""
        rows = np.zeros((0, 4), np.int64)
        return KnownDistances(rows, rows, np.zeros(0), np.zeros(0))


@dataclass(frozen=True, slots=True)
class LensPrior:
    """What is believed of a lens beforehand."""

    vector: Array
    """(8,) in the order of LENS_PARAMETERS."""
    sigma: Array
    """(8,), infinite where nothing is known, zero where the parameter is held."""
    cov: Array | None = None
    """(8, 8), where the parameters' errors hang together; then `sigma` is its diagonal's root."""


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
    sightings: TargetSightings = field(default_factory=TargetSightings.none)
    joint: Rows = field(default_factory=lambda: np.zeros(0, np.int64))
    """Further points whose joint covariance is wanted; corners of sightings and bars always are."""
    free_worth: float = 1.0
    """Share of their information that the eliminated points bring to poses and lenses; among
    themselves, and in their own covariance, they count in full."""


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
    placed : (n_points,) bool
        False for points left without enough observations; their coordinates mean nothing and
        their covariance is infinite.
    joint : (j,) rows of points
    cov_joint : (6 n_photos + 8 n_lenses + 3 j, same) array
        Cameras as in `cov_cameras`, then the joint points.
    sighting_residual_px : (n, 4, 2) array, px
    sighting_used : (n,) bool
    redundancy : int
        Observations less unknowns.
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
    placed: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    joint: Rows = field(default_factory=lambda: np.zeros(0, np.int64))
    cov_joint: Array = field(default_factory=lambda: np.zeros((0, 0)))
    sighting_residual_px: Array = field(default_factory=lambda: np.zeros((0, 4, 2)))
    sighting_used: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    redundancy: int = 0

    def cov_of_joint(self, points: Rows) -> Array:
        """Joint covariance of some of the joint points, (3 k, 3 k), mm^2.

        Raises
        ------
        KeyError
            One of the rows is not a joint point.
        """
        place = {int(row): k for k, row in enumerate(self.joint)}
        first = len(self.cov_cameras) + 3 * np.array([place[int(row)] for row in points], np.int64)
        columns = (first[:, None] + np.arange(3)).ravel()
        return np.asarray(self.cov_joint[np.ix_(columns, columns)])
