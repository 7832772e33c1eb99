"""The pinhole camera with radial and tangential distortion.

Symbols follow Brown (1971) as written in the OpenCV documentation: x' = X/Z, y' = Y/Z,
r^2 = x'^2 + y'^2, radial factor 1 + k1 r^2 + k2 r^4 + k3 r^6, tangential p1, p2.
Pixel (0, 0) is the centre of the first pixel.

References
----------
D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LENS_PARAMETERS = ("focal_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
"""Order of the lens parameters in every vector and covariance."""


@dataclass(frozen=True, slots=True)
class Lens:
    """Interior orientation of a camera with square pixels."""

    focal_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0

    @property
    def K(self) -> Array:
        """Camera matrix, (3, 3), px."""
        return np.array(
            [[self.focal_px, 0.0, self.cx_px], [0.0, self.focal_px, self.cy_px], [0.0, 0.0, 1.0]]
        )

    @property
    def dist(self) -> Array:
        """Distortion (k1, k2, p1, p2, k3), (5,), as OpenCV orders it."""
        return np.array([self.k1, self.k2, self.p1, self.p2, self.k3])

    @property
    def vector(self) -> Array:
        """All parameters in the order of `LENS_PARAMETERS`, (8,)."""
        return np.array([getattr(self, name) for name in LENS_PARAMETERS])

    @staticmethod
    def from_vector(vector: Array) -> Lens:
        """Lens from its parameter vector, (8,)."""
        return Lens(*(float(v) for v in vector))


SETTLED = 1e-13
"""Image-plane coordinates are found when they are so near, far below a pixel's millionth."""


@dataclass(frozen=True, slots=True)
class Pose:
    """Exterior orientation: ``p_camera = R @ p_frame + t`` (T_camera_frame), mm."""

    R: Array
    t: Array

    @property
    def centre_frame(self) -> Array:
        """Projection centre in frame coordinates, (3,), mm."""
        return np.asarray(-self.R.T @ self.t)

    @property
    def axis_frame(self) -> Array:
        """Viewing direction in frame coordinates, unit, (3,)."""
        return np.asarray(self.R[2])


def project(lens: Lens, pose: Pose, points_frame: Array) -> tuple[Array, Array]:
    """Pixels at which points appear.

    Parameters
    ----------
    lens, pose : Lens, Pose
    points_frame : (n, 3) array, mm

    Returns
    -------
    pixels : (n, 2) array, px
    depth : (n,) array, mm
        Along the viewing direction; not positive means behind the camera
        (the pixel is then meaningless).
    """
    p_camera = points_frame @ pose.R.T + pose.t
    depth = p_camera[:, 2]
    safe = np.where(np.abs(depth) < 1e-9, 1e-9, depth)
    return distort(lens, p_camera[:, :2] / safe[:, None]), depth


def distort(lens: Lens, normalised: Array) -> Array:
    """Pixels of undistorted image-plane coordinates (n, 2) -> (n, 2) px."""
    x, y = normalised[..., 0], normalised[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
    xd = x * radial + 2.0 * lens.p1 * x * y + lens.p2 * (r2 + 2.0 * x * x)
    yd = y * radial + lens.p1 * (r2 + 2.0 * y * y) + 2.0 * lens.p2 * x * y
    return np.stack([lens.focal_px * xd + lens.cx_px, lens.focal_px * yd + lens.cy_px], axis=-1)


def undistort(lens: Lens, pixels: Array, steps: int = 12) -> Array:
    """Image-plane coordinates of pixels, the inverse of `distort`, by Newton's method.

    Returns
    -------
    (n, 2) array
        x' = X/Z, y' = Y/Z; the round trip closes to 1e-6 px inside the picture.
    """
    wanted = (pixels - np.array([lens.cx_px, lens.cy_px])) / lens.focal_px
    plane = Lens(1.0, 0.0, 0.0, lens.k1, lens.k2, lens.p1, lens.p2, lens.k3)
    guess = wanted.copy()
    for _ in range(steps):
        x, y = guess[..., 0], guess[..., 1]
        r2 = x * x + y * y
        radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
        slope = 2.0 * (lens.k1 + r2 * (2.0 * lens.k2 + 3.0 * r2 * lens.k3))
        jxx = radial + x * x * slope + 2.0 * lens.p1 * y + 6.0 * lens.p2 * x
        jyy = radial + y * y * slope + 6.0 * lens.p1 * y + 2.0 * lens.p2 * x
        jxy = x * y * slope + 2.0 * lens.p1 * x + 2.0 * lens.p2 * y
        miss = wanted - distort(plane, guess)
        if np.all(np.abs(miss) < SETTLED):
            break
        det = jxx * jyy - jxy * jxy
        guess = guess + np.stack(
            [
                (jyy * miss[..., 0] - jxy * miss[..., 1]) / det,
                (jxx * miss[..., 1] - jxy * miss[..., 0]) / det,
            ],
            axis=-1,
        )
    return np.asarray(guess)


def rays_frame(lens: Lens, pose: Pose, pixels: Array) -> Array:
    """Unit viewing directions of pixels in frame coordinates, (n, 3)."""
    plane = undistort(lens, pixels)
    directions = np.concatenate([plane, np.ones_like(plane[..., :1])], axis=-1) @ pose.R
    return np.asarray(directions / np.linalg.norm(directions, axis=-1, keepdims=True))
