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
from numba import njit

from tracker.maths.camera import Array, Lens, distort
from tracker.targets.family import CORNERS_MODULES

MIDDLE_MODULES = 4.0
UNDISTORT_STEPS = 4


@dataclass(frozen=True, slots=True)
class TargetView:
    """Homography (8 values, the ninth is 1), its normalisation, and the lens."""

    H: Array
    middle: Array
    half: float
    lens: Lens

    def pixels(self, modules: Array) -> Array:
        """Where places (n, 2) on the target appear, px."""
        return distort(self.lens, self._plane(modules))

    def differentiate(self, modules: Array) -> Differential:
        """Where places (n, 2) appear, and how that changes with everything."""
        n = len(modules)
        pixels, by_place, by_view = np.empty((n, 2)), np.empty((n, 2, 2)), np.zeros((n, 2, 9))
        lens = self.lens.vector
        _see(self.H, self.middle, self.half, lens, modules, pixels, by_place, by_view)
        return Differential(pixels, by_place, by_view)

    def _plane(self, modules: Array) -> Array:
        """Undistorted plane coordinates of places (n, 2)."""
        u = modules / MIDDLE_MODULES - 1.0
        w = 1.0 + u @ self.H[6:8]
        xy = (u @ self.H[:6].reshape(2, 3)[:, :2].T + self.H[2:6:3]) / w[:, None]
        principal = np.array([self.lens.cx_px, self.lens.cy_px])
        return np.asarray((self.half * xy + self.middle - principal) / self.lens.focal_px)


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
    H, middle = np.empty(8), np.empty(2)
    half = _square(np.asarray(corners_px, np.float64), lens.vector, CORNERS_MODULES, H, middle)
    return TargetView(H, middle, half, lens)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _square(corners_px: Array, lens: Array, modules: Array, H: Array, middle: Array) -> float:
    """Fills homography and middle of the undistorted square; returns its half size, px.

    The lens is inverted by Newton's method, as in `maths.camera.undistort`.
    """
    f, cx, cy, k1, k2, p1, p2, k3 = lens
    ideal = np.empty((4, 2))
    for n in range(4):
        wx, wy = (corners_px[n, 0] - cx) / f, (corners_px[n, 1] - cy) / f
        x, y = wx, wy
        for _ in range(UNDISTORT_STEPS):
            r2 = x * x + y * y
            radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3))
            ex = wx - (x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x))
            ey = wy - (y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y)
            jxx = radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
            jyy = radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
            jxy = x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
            det = jxx * jyy - jxy * jxy
            x, y = x + (jyy * ex - jxy * ey) / det, y + (jxx * ey - jxy * ex) / det
        ideal[n, 0], ideal[n, 1] = f * x + cx, f * y + cy
    for k in range(2):
        middle[k] = ideal[:, k].mean()
    half = np.abs(ideal - middle).max()
    A, b = np.zeros((8, 8)), np.empty(8)
    for n in range(4):
        u, v = modules[n, 0] / MIDDLE_MODULES - 1.0, modules[n, 1] / MIDDLE_MODULES - 1.0
        for k in range(2):
            q = (ideal[n, k] - middle[k]) / half
            row = A[4 * k + n]
            row[3 * k], row[3 * k + 1], row[3 * k + 2] = u, v, 1.0
            row[6], row[7], b[4 * k + n] = -u * q, -v * q, q
    H[:] = np.linalg.solve(A, b)
    return float(half)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _see(
    H: Array, middle: Array, half: float, lens: Array, modules: Array, pixels: Array,
    by_place: Array, by_view: Array,
) -> None:  # fmt: skip
    """Fills a `Differential` of n places.

    With D the derivative of the distorted by the undistorted plane coordinates, (x, y) the
    homography's coordinates and w its denominator, the pixel changes by half D d(x, y).
    """
    f, cx, cy, k1, k2, p1, p2, k3 = lens
    D, d = np.empty((2, 2)), np.zeros((2, 10))
    for n in range(len(modules)):
        u, v = modules[n, 0] / MIDDLE_MODULES - 1.0, modules[n, 1] / MIDDLE_MODULES - 1.0
        w = 1.0 + H[6] * u + H[7] * v
        hx, hy = (H[0] * u + H[1] * v + H[2]) / w, (H[3] * u + H[4] * v + H[5]) / w
        x, y = (half * hx + middle[0] - cx) / f, (half * hy + middle[1] - cy) / f
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3))
        pixels[n, 0] = f * (x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)) + cx
        pixels[n, 1] = f * (y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y) + cy
        D[0, 0] = half * (radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x)
        D[1, 1] = half * (radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x)
        D[0, 1] = D[1, 0] = half * (x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y)
        # by the place (last two), then by h1..h8
        for k in range(2):
            d[0, 8 + k] = (H[k] - hx * H[6 + k]) / (MIDDLE_MODULES * w)
            d[1, 8 + k] = (H[3 + k] - hy * H[6 + k]) / (MIDDLE_MODULES * w)
        d[0, 0], d[0, 1], d[0, 2] = u / w, v / w, 1.0 / w
        d[1, 3], d[1, 4], d[1, 5] = u / w, v / w, 1.0 / w
        d[0, 6], d[0, 7], d[1, 6], d[1, 7] = -hx * u / w, -hx * v / w, -hy * u / w, -hy * v / w
        for i in range(2):
            for k in range(8):
                by_view[n, i, k] = D[i, 0] * d[0, k] + D[i, 1] * d[1, k]
            for k in range(2):
                by_place[n, i, k] = D[i, 0] * d[0, 8 + k] + D[i, 1] * d[1, 8 + k]
        by_view[n, 0, 8], by_view[n, 1, 8] = f * x * r2, f * y * r2
