"""One target seen through a lens: from modules on the print to pixels of the picture.

In undistorted pixels a flat target is seen by a homography; the lens then bends it:
``q = middle + half * H(u)``, u = modules / 4 - 1, and ``p = distort(q)``.

References
----------
R. Hartley, A. Zisserman, "Multiple View Geometry", 2nd ed. (2003), ch. 4 (homography from four
points); D. C. Brown (1971) for the distortion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array, Lens, distort, undistort
from tracker.targets.family import CORNERS_MODULES

MIDDLE_MODULES = 4.0


@dataclass(frozen=True, slots=True)
class TargetView:
    """Homography (8 values, the ninth is 1), its normalisation, and the lens."""

    H: Array
    middle: Array
    half: float
    lens: Lens

    def pixels(self, modules: Array) -> Array:
        """Where places (n, 2) on the target appear, px."""
        return distort(self.lens, self._plane(modules)[0])

    def differentiate(self, modules: Array) -> Differential:
        """Where places (n, 2) appear, and how that changes with everything."""
        H, lens = self.H, self.lens
        plane, u, xy, w = self._plane(modules)
        D = self.half * _distort_slope(lens, plane)
        uw = u / w[:, None]
        bottom = H[6:8] / (4.0 * w[:, None])
        by_place = H[:6].reshape(2, 3)[:, :2] / (4.0 * w[:, None, None])
        by_place = by_place - xy[:, :, None] * bottom[:, None, :]
        by_view = np.zeros((len(u), 2, 9))
        by_view[:, 0, 0:2] = by_view[:, 1, 3:5] = uw
        by_view[:, 0, 2] = by_view[:, 1, 5] = 1.0 / w
        by_view[:, :, 6:8] = -xy[:, :, None] * uw[:, None, :]
        by_view = D @ by_view
        r2 = plane[:, 0] ** 2 + plane[:, 1] ** 2
        by_view[:, :, 8] = lens.focal_px * plane * r2[:, None]
        return Differential(distort(lens, plane), D @ by_place, by_view)

    def _plane(self, modules: Array) -> tuple[Array, Array, Array, Array]:
        """Undistorted plane coordinates, and the steps to them."""
        u = modules / MIDDLE_MODULES - 1.0
        w = 1.0 + u @ self.H[6:8]
        xy = (u @ self.H[:6].reshape(2, 3)[:, :2].T + self.H[2:6:3]) / w[:, None]
        principal = np.array([self.lens.cx_px, self.lens.cy_px])
        plane = (self.half / self.lens.focal_px) * xy + (self.middle - principal) / (
            self.lens.focal_px
        )
        return plane, u, xy, w


@dataclass(frozen=True, slots=True)
class Differential:
    """Places of a target in the picture.

    Attributes
    ----------
    pixels : (n, 2) array, px
    by_place : (n, 2, 2) array, px per module
    by_view : (n, 2, 9) array
        By the eight values of the homography and by k1.
    """

    pixels: Array
    by_place: Array
    by_view: Array


def view_through(corners_px: Array, lens: Lens) -> TargetView:
    """The view that puts the four corners of the square where they are, (4, 2) px."""
    principal = np.array([lens.cx_px, lens.cy_px])
    ideal = undistort(lens, corners_px, steps=4) * lens.focal_px + principal
    middle = ideal.mean(axis=0)
    half = float(np.abs(ideal - middle).max())
    u, q = CORNERS_MODULES / MIDDLE_MODULES - 1.0, (ideal - middle) / half
    A = np.zeros((8, 8))
    A[:4, 0:2] = A[4:, 3:5] = u
    A[:4, 2] = A[4:, 5] = 1.0
    A[:4, 6:8] = -u * q[:, :1]
    A[4:, 6:8] = -u * q[:, 1:]
    return TargetView(np.linalg.solve(A, q.T.ravel()), middle, half, lens)


def _distort_slope(lens: Lens, plane: Array) -> Array:
    """Derivative of the distorted by the undistorted plane coordinates, (n, 2, 2)."""
    x, y = plane[:, 0], plane[:, 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
    slope = 2.0 * (lens.k1 + r2 * (2.0 * lens.k2 + 3.0 * r2 * lens.k3))
    D = np.empty((len(plane), 2, 2))
    D[:, 0, 0] = radial + x * x * slope + 2.0 * lens.p1 * y + 6.0 * lens.p2 * x
    D[:, 1, 1] = radial + y * y * slope + 6.0 * lens.p1 * y + 2.0 * lens.p2 * x
    D[:, 0, 1] = D[:, 1, 0] = x * y * slope + 2.0 * lens.p1 * x + 2.0 * lens.p2 * y
    return D
