"""A frame of coordinates from three places, with what their uncertainty does to it.

Origin at place 1, x toward place 2, place 3 in the xy plane on the +y side, z = x cross y.

References
----------
B. K. P. Horn, "Closed-form solution of absolute orientation using unit quaternions",
JOSA A 4 (1987) 629-642, section 2 (three points).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.rotation import hat

SMALLEST_SPREAD = 1e-6
"""Least ratio of the triangle's height to its side for the plane to be defined."""


@dataclass(frozen=True, slots=True)
class Triad:
    """``p_frame = R @ (p - origin)``: frame coordinates from the places' own coordinates.

    Attributes
    ----------
    R : (3, 3) array
        Rows are the frame's axes in the places' coordinates.
    origin : (3,) array, mm
    places : (3, 3) array, mm
        The three places it was made from.
    """

    R: Array
    origin: Array
    places: Array

    def apply(self, points: Array) -> Array:
        """Points (n, 3) in frame coordinates, mm."""
        return np.asarray((points - self.origin) @ self.R.T)

    def jacobian(self, points: Array) -> Array:
        """Derivative of `apply` by the nine coordinates of the places, (n, 3, 9).

        In frame axes the places are (0,0,0), (a,0,0), (b,c,0); moving them by d1, d2, d3 turns
        the frame by w = (wx, wy, wz) with wz = (d2 - d1)_y / a, wy = -(d2 - d1)_z / a and
        wx = ((d3 - d1)_z + wy b) / c, and shifts it by d1.
        """
        _, second, third = self.apply(self.places)
        a, b, c = second[0], third[0], third[1]
        turn = np.zeros((3, 9))  # w by frame components of (d1, d2, d3)
        turn[2, 4], turn[2, 1] = 1.0 / a, -1.0 / a
        turn[1, 5], turn[1, 2] = -1.0 / a, 1.0 / a
        turn[0] = turn[1] * b / c
        turn[0, 8] += 1.0 / c
        turn[0, 2] -= 1.0 / c
        p = self.apply(points)
        J = hat(p) @ turn
        J[:, :, :3] -= np.eye(3)
        return np.asarray(J @ np.kron(np.eye(3), self.R))

    def covariance(self, points: Array, cov_places: Array) -> Array:
        """Covariance (n, 3, 3), mm^2, of errorless points in the uncertain frame.

        `cov_places` is the (9, 9) covariance of the places in their own coordinates.
        """
        J = self.jacobian(points)
        return np.asarray(J @ cov_places @ J.transpose(0, 2, 1))


def triad(places: Array) -> Triad:
    """Frame from three places (3, 3), mm.

    Raises
    ------
    ValueError
        The places lie on one line.
    """
    p1, p2, p3 = np.asarray(places, dtype=np.float64)
    side = float(np.linalg.norm(p2 - p1))
    if side == 0.0:
        raise ValueError("the first two places are one")
    x = (p2 - p1) / side
    upward = (p3 - p1) - x * float(x @ (p3 - p1))
    height = float(np.linalg.norm(upward))
    if height <= SMALLEST_SPREAD * side:
        raise ValueError("the three places lie on one line")
    y = upward / height
    return Triad(np.stack([x, y, np.cross(x, y)]), p1.copy(), np.array([p1, p2, p3]))
