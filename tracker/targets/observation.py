"""What detection hands on: targets seen in one photograph."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.maths.camera import Array


@dataclass(frozen=True, slots=True)
class TargetObservation:
    """One target in one photograph.

    Attributes
    ----------
    tag : int
        Number of the target (tag36h11).
    corners_px : (4, 2) array, px
        Corners of the black square: top left, top right, bottom right, bottom left of the
        upright print.
    cov_px2 : (8, 8) array, px^2
        Covariance of the corners (x0, y0, x1, ...), from the fit.
    edge_shift_px : float
        Common outward shift of all black edges that the fit took off (ink, exposure, tone).
    residual_px : float
        Root mean square of the edge residuals.
    shortest_side_px : float
    tilt_cosine : float
        Ratio that falls from 1 (seen square on) towards 0 (edge on).
    """

    tag: int
    corners_px: Array
    cov_px2: Array
    edge_shift_px: float
    residual_px: float
    shortest_side_px: float
    tilt_cosine: float


@dataclass(frozen=True, slots=True)
class RejectedTarget:
    """A target that was seen but may not be used."""

    tag: int
    corners_px: Array
    reason: str


@dataclass(frozen=True, slots=True)
class Detection:
    """All targets of one photograph, ordered by number."""

    used: tuple[TargetObservation, ...]
    rejected: tuple[RejectedTarget, ...]
