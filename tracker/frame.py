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
from tracker.maths.rotation import hat
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
        From the network's own coordinates to the frame's; its places are the seats.
    cov_seats : (9, 9) array, mm^2
        Of the seats in the network's coordinates, pins included.
    targets : dict of target to KnownTarget
        Corners in frame coordinates with their expanded uncertainty, the seats' part included.
    cov_corners : dict of target to (4, 3, 3) array, mm^2
        The same as covariances.
    left_out : dict of target to reason
    """

    triad: Triad
    cov_seats: Array
    targets: dict[int, KnownTarget]
    cov_corners: dict[int, Array]
    left_out: dict[int, str]

    @property
    def seats(self) -> Array:
        """The three seats in frame coordinates, (3, 3), mm."""
        return self.triad.apply(self.triad.places)

    def u95_of_seats(self, points: Array) -> Array:
        """What the seats' uncertainty alone does to places in frame coordinates, (n,), mm.

        Expanded, in the direction in which it is largest.
        """
        places = points @ self.triad.R + self.triad.origin
        cov = self.triad.covariance(places, self.cov_seats)
        return np.asarray(2.0 * np.sqrt(np.maximum(np.linalg.eigvalsh(cov)[:, -1], 0.0)))


def from_seats(seats: Array) -> Triad:
    """Frame of the three seats given in any coordinates, (3, 3), mm.

    Raises
    ------
    InputError
        The seats lie in one line, or nearly.
    """
    seats = np.asarray(seats, dtype=np.float64)
    narrowest = narrowest_angle_deg(seats)
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
    height_u95_mm: float = 0.0,
) -> FrameSurvey:
    """Frame coordinates of the frame's targets from a free adjustment.

    Parameters
    ----------
    adjustment : Adjustment
        Of photographs that show the seat targets and the frame's; scale from bars.
    seat_targets : three targets that stand in seats 1, 2, 3
    wanted : targets whose frame coordinates are asked for
    height_mm : float
        How far each seat target's face stands above the seat point, along its normal: the pin.
    height_u95_mm : float
        How true each pin is, in length and aside, per coordinate.

    Raises
    ------
    TargetError
        A seat target was not placed, or the seats run the wrong way round.
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
    faces = np.array([points[r] for r in rows if r is not None])
    frame = from_seats(np.array([_seat(face, height_mm) for face in faces]))
    _must_face_up(frame, faces, seat_targets)
    seat_rows = np.concatenate([r for r in rows if r is not None])
    by_corners = np.zeros((9, 36))
    for k, face in enumerate(faces):
        by_corners[3 * k : 3 * k + 3, 12 * k : 12 * k + 12] = _seat_jacobian(face, height_mm)
    pins = (0.5 * height_u95_mm) ** 2 * np.eye(9)
    measured = by_corners @ adjustment.solution.cov_of_joint(seat_rows) @ by_corners.T
    targets: dict[int, KnownTarget] = {}
    covariances: dict[int, Array] = {}
    left_out: dict[int, str] = {}
    for tag in wanted:
        own = _rows(adjustment, tag)
        if own is None:
            left_out[tag] = "seen in fewer than two usable photographs"
            continue
        corners = frame.apply(points[own])
        cov = _corner_covariance(adjustment, frame, seat_rows, by_corners, own)
        cov = cov + frame.covariance(points[own], pins)
        u95 = 2.0 * np.sqrt(np.trace(cov, axis1=1, axis2=2) / 3.0)
        targets[tag] = KnownTarget(corners, u95, "frame")
        covariances[tag] = cov
    return FrameSurvey(frame, measured + pins, targets, covariances, left_out)


def _corner_covariance(
    adjustment: Adjustment, frame: Triad, seat_rows: Rows, by_corners: Array, own: Rows
) -> Array:
    """Covariance (4, 3, 3) of corners in frame coordinates, seats' part included, mm^2."""
    solution = adjustment.solution
    by_seats = frame.jacobian(solution.points[own]) @ by_corners
    out = np.empty((4, 3, 3))
    for k, row in enumerate(own):
        if row in seat_rows:  # a seat target's own corner: its two roles are one unknown
            cov = solution.cov_of_joint(seat_rows)
            J = by_seats[k].copy()
            place = 3 * int(np.flatnonzero(seat_rows == row)[0])
            J[:, place : place + 3] += frame.R
        else:
            cov = solution.cov_of_joint(np.append(seat_rows, row))
            J = np.concatenate([by_seats[k], frame.R], axis=1)
        out[k] = J @ cov @ J.T
    return out


def _must_face_up(frame: Triad, faces: Array, seat_targets: Sequence[int]) -> None:
    """Seat targets look up from the seats; where Z points down, two of them are swapped."""
    up = [float(frame.R[2] @ _normal(face)) for face in faces]
    if sum(up) > 0.0:
        return
    first, second, third = seat_targets
    raise TargetError(
        f"The seat targets run the wrong way round: seen from above, {first}, {second}, {third} "
        "must go against the clock.",
        f"Swap {second} and {third} (or whichever two stand in each other's seats) and take the "
        "photographs of the seat targets again.",
    )


def _rows(adjustment: Adjustment, tag: int) -> Rows | None:
    """Rows of a placed target's corners in the network."""
    rows = adjustment.target_rows.get(tag)
    return None if rows is None or not adjustment.solution.placed[rows].all() else rows


def _seat(corners: Array, height_mm: float) -> Array:
    return np.asarray(corners.mean(axis=0) - height_mm * _normal(corners))


def _sides(corners: Array) -> tuple[Array, Array]:
    """Mean directions to the right and up of a print, (3,) each, mm."""
    tl, tr, br, bl = corners
    return 0.5 * (tr - tl + br - bl), 0.5 * (tl - bl + tr - br)


def _normal(corners: Array) -> Array:
    """Unit normal of a target's face, toward who reads it."""
    normal = np.cross(*_sides(corners))
    return np.asarray(normal / np.linalg.norm(normal))


def _seat_jacobian(corners: Array, height_mm: float) -> Array:
    """Derivative of the seat by its target's corners, (3, 12).

    m = right x up, n = m / |m|: dn = (I - n n^T) (d_right x up + right x d_up) / |m|.
    """
    right, up = _sides(corners)
    m = np.cross(right, up)
    size = float(np.linalg.norm(m))
    n = m / size
    flatten = (np.eye(3) - np.outer(n, n)) / size
    by_right = 0.5 * np.array([-1.0, 1.0, 1.0, -1.0])
    by_up = 0.5 * np.array([1.0, 1.0, -1.0, -1.0])
    blocks = [
        0.25 * np.eye(3) - height_mm * flatten @ (-r * hat(up) + u * hat(right))
        for r, u in zip(by_right, by_up, strict=True)
    ]
    return np.concatenate(blocks, axis=1)


def narrowest_angle_deg(seats: Array) -> float:
    """Least angle of the seats' triangle; zero where two seats are one."""
    angles = []
    for k in range(3):
        a, b = seats[(k + 1) % 3] - seats[k], seats[(k + 2) % 3] - seats[k]
        size = float(np.linalg.norm(a) * np.linalg.norm(b))
        if size == 0.0:
            return 0.0
        angles.append(float(np.degrees(np.arccos(np.clip(a @ b / size, -1.0, 1.0)))))
    return min(angles)
