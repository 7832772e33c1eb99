"""Frame coordinates: from the three seats, and of the frame's targets from a survey.

The seats are the dimples in which the frame's feet stand; they are the same on model and block.
Origin at seat 1, +X toward seat 2, seat 3 in the XY plane on the +Y side (`maths.triad`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.errors import InputError, TargetError
from tracker.maths.camera import Array
from tracker.maths.triad import Triad, triad
from tracker.network.outcome import Adjustment
from tracker.network.problem import Rows
from tracker.network.record import KnownTarget

SMALLEST_ANGLE_DEG = 5.0
"""Least angle of the seats' triangle; a narrower one lets the frame tip."""


@dataclass(frozen=True, slots=True)
class FrameSurvey:
    """Frame coordinates measured from photographs of the frame and of targets on the seats.

    Attributes
    ----------
    triad : Triad
        From the network's own coordinates to the frame's.
    targets : dict of target to KnownTarget
        Corners in frame coordinates with their expanded uncertainty, the seats' part included.
    left_out : dict of target to reason
    """

    triad: Triad
    targets: dict[int, KnownTarget]
    left_out: dict[int, str]


def from_seats(seats: Array) -> Triad:
    """Frame of the three seats given in any coordinates, (3, 3), mm.

    Raises
    ------
    InputError
        The seats lie in one line, or nearly.
    """
    seats = np.asarray(seats, dtype=np.float64)
    narrowest = _narrowest_angle_deg(seats)
    if narrowest < SMALLEST_ANGLE_DEG:
        raise InputError(
            f"The three seats lie almost in one line (narrowest angle {narrowest:.1f} degrees).",
            "Check their coordinates; they must be the three dimples of the frame's feet.",
        )
    return triad(seats)


def survey(
    adjustment: Adjustment,
    seat_targets: Sequence[int],
    wanted: Sequence[int],
    height_mm: float = 0.0,
) -> FrameSurvey:
    """Frame coordinates of the frame's targets from a free adjustment.

    Parameters
    ----------
    adjustment : Adjustment
        Of photographs that show the seat targets and the frame's; scale from bars.
    seat_targets : three targets that lie on seats 1, 2, 3
    wanted : targets whose frame coordinates are asked for
    height_mm : float
        How far each seat target's face stands above the seat point, along its normal.

    Raises
    ------
    TargetError
        A seat target was not placed.
    InputError
        The seats lie in one line.
    """
    rows = [_rows(adjustment, tag) for tag in seat_targets]
    missing = [tag for tag, r in zip(seat_targets, rows, strict=True) if r is None]
    if missing:
        names = " and ".join(str(tag) for tag in missing)
        raise TargetError(
            f"Seat target {names} is not seen in two photographs or more.",
            "Photograph the three seat targets together, from several sides.",
        )
    points = adjustment.solution.points
    seats = np.array([_seat(points[r], height_mm) for r in rows if r is not None])
    frame = from_seats(seats)
    seat_rows = np.concatenate([r for r in rows if r is not None])
    targets: dict[int, KnownTarget] = {}
    left_out: dict[int, str] = {}
    for tag in wanted:
        own = _rows(adjustment, tag)
        if own is None:
            left_out[tag] = "seen in fewer than two usable photographs"
            continue
        corners = frame.apply(points[own])
        cov = _corner_covariance(adjustment, frame, seat_rows, own)
        u95 = 2.0 * np.sqrt(np.trace(cov, axis1=1, axis2=2) / 3.0)
        targets[tag] = KnownTarget(corners, u95, "frame")
    return FrameSurvey(frame, targets, left_out)


def _corner_covariance(adjustment: Adjustment, frame: Triad, seat_rows: Rows, own: Rows) -> Array:
    """Covariance (4, 3, 3) of corners in frame coordinates, seats' part included, mm^2.

    A seat is taken as the mean of its target's corners (its height adds nothing).
    """
    solution = adjustment.solution
    mean = np.kron(np.kron(np.eye(3), np.full((1, 4), 0.25)), np.eye(3))  # seats by corners
    by_seats = frame.jacobian(solution.points[own]) @ mean
    out = np.empty((4, 3, 3))
    for k, row in enumerate(own):
        if row in seat_rows:  # a seat target's own corner: its two roles are one unknown
            cov = adjustment.cov_of_corners(seat_rows)
            J = by_seats[k].copy()
            place = 3 * int(np.flatnonzero(seat_rows == row)[0])
            J[:, place : place + 3] += frame.R
        else:
            cov = adjustment.cov_of_corners(np.append(seat_rows, row))
            J = np.concatenate([by_seats[k], frame.R], axis=1)
        out[k] = J @ cov @ J.T
    return out


def _rows(adjustment: Adjustment, tag: int) -> Rows | None:
    """Rows of a placed target's corners in the network."""
    rows = adjustment.target_rows.get(tag)
    return None if rows is None or not adjustment.solution.placed[rows].all() else rows


def _seat(corners: Array, height_mm: float) -> Array:
    normal = np.cross(corners[1] - corners[0], corners[0] - corners[3])
    return np.asarray(corners.mean(axis=0) - height_mm * normal / np.linalg.norm(normal))


def _narrowest_angle_deg(seats: Array) -> float:
    angles = []
    for k in range(3):
        a, b = seats[(k + 1) % 3] - seats[k], seats[(k + 2) % 3] - seats[k]
        size = float(np.linalg.norm(a) * np.linalg.norm(b))
        if size == 0.0:
            return 0.0
        angles.append(float(np.degrees(np.arccos(np.clip(a @ b / size, -1.0, 1.0)))))
    return min(angles)
