"""The true camera: a phone held by hand. Independent of the camera code under test.

Brown's model as OpenCV writes it; pixel (0, 0) is the centre of the first pixel;
world to camera ``p_camera = R @ p_frame + t``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrueLens:
    """Size (px), focal length (px), principal point (px), distortion k1 k2 p1 p2 k3."""

    width: int
    height: int
    focal_px: float
    centre_px: tuple[float, float]
    dist: tuple[float, float, float, float, float]

    @property
    def K(self) -> Array:
        """Camera matrix, (3, 3), px."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0.0, cx], [0.0, self.focal_px, cy], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, slots=True)
class Station:
    """Where and how the phone was held; `orientation` is the EXIF tag 274."""

    R: Array
    t: Array
    orientation: int

    @property
    def centre(self) -> Array:
        """Projection centre in frame coordinates, mm."""
        return np.asarray(-self.R.T @ self.t)


def phone(width: int, height: int, rng: np.random.Generator) -> TrueLens:
    """A phone's main camera: focal length about 0.75 of the width, centre off by about 1 %."""
    focal = width * (0.75 + 0.012 * rng.uniform(-1, 1))
    cx = 0.5 * (width - 1) + 0.009 * width * rng.uniform(-1, 1)
    cy = 0.5 * (height - 1) + 0.009 * width * rng.uniform(-1, 1)
    k1, k2, k3 = 0.082, -0.21, 0.13
    spread = rng.uniform(0.85, 1.15, 3)
    p1, p2 = 0.0006 * rng.uniform(-1, 1, 2)
    dist = (k1 * spread[0], k2 * spread[1], float(p1), float(p2), k3 * spread[2])
    return TrueLens(width, height, float(focal), (float(cx), float(cy)), dist)


@njit(cache=True)
def bend(x: float, y: float, k: tuple[float, ...]) -> tuple[float, float]:
    """Distorted image-plane coordinates."""
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k[0] + r2 * (k[1] + r2 * k[4]))
    return (
        x * radial + 2.0 * k[2] * x * y + k[3] * (r2 + 2.0 * x * x),
        y * radial + k[2] * (r2 + 2.0 * y * y) + 2.0 * k[3] * x * y,
    )


@njit(cache=True, parallel=True)
def _corner_grid(
    width: int, height: int, f: float, cx: float, cy: float, k: tuple[float, ...]
) -> Array:
    grid = np.empty((height + 1, width + 1, 2))
    for i in prange(height + 1):
        for j in range(width + 1):
            wx, wy = (j - 0.5 - cx) / f, (i - 0.5 - cy) / f
            x, y = wx, wy
            for _ in range(12):
                bx, by = bend(x, y, k)
                h = 1e-6
                ax, ay = bend(x + h, y, k)
                dx, dy = bend(x, y + h, k)
                jxx, jyx, jxy, jyy = (ax - bx) / h, (ay - by) / h, (dx - bx) / h, (dy - by) / h
                det = jxx * jyy - jxy * jyx
                ex, ey = wx - bx, wy - by
                x += (jyy * ex - jxy * ey) / det
                y += (jxx * ey - jyx * ex) / det
            grid[i, j, 0] = x
            grid[i, j, 1] = y
    return grid


def corner_grid(lens: TrueLens) -> Array:
    """Undistorted image-plane coordinates of all pixel corners, (height + 1, width + 1, 2).

    Within a pixel the inverse of the distortion is bilinear to far better than 1e-4 px.
    """
    return np.asarray(
        _corner_grid(lens.width, lens.height, lens.focal_px, *lens.centre_px, lens.dist)
    )


def pixels(lens: TrueLens, station: Station, points: Array) -> tuple[Array, Array]:
    """True pixel positions (n, 2) and depths (n,) of points in frame coordinates (n, 3)."""
    p = np.asarray(points, float) @ station.R.T + station.t
    x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
    k1, k2, p1, p2, k3 = lens.dist
    r2 = x**2 + y**2
    radial = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x**2)
    yd = y * radial + p1 * (r2 + 2 * y**2) + 2 * p2 * x * y
    cx, cy = lens.centre_px
    return np.stack([lens.focal_px * xd + cx, lens.focal_px * yd + cy], axis=1), p[:, 2]


def look(eye: Array, target: Array, roll_rad: float) -> tuple[Array, Array]:
    """Rotation and translation of a camera at `eye` that looks at `target`, up turned by roll."""
    forward = (target - eye) / np.linalg.norm(target - eye)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    R = np.stack([c * right + s * down, -s * right + c * down, forward])
    return R, -R @ eye


def stations(
    count: int, step_deg: float, distance_mm: float, middle: Array, rng: np.random.Generator
) -> list[Station]:
    """Hand-held stations round the block, every one within `step_deg` of the next.

    Heights rise and fall on the way round; about a sixth are held upright (turned by 90
    degrees).
    """
    turn = 360.0 / count
    limit = 0.93 * step_deg
    rise = np.sqrt(max(limit**2 - (turn * np.cos(np.radians(30.0))) ** 2, 6.0**2))
    rise = float(min(rise, 17.0))
    pattern = [32.0 - rise, 32.0, 32.0 + rise, 32.0]
    upright = {i: (6 if n % 2 else 8) for n, i in enumerate(range(2, count, 6))}
    start = rng.uniform(0.0, 360.0)
    made = []
    for i in range(count):
        azimuth = np.radians(start + turn * i + rng.uniform(-0.06, 0.06) * turn)
        height = np.radians(pattern[i % 4] + rng.uniform(-0.8, 0.8))
        distance = distance_mm * rng.uniform(0.95, 1.06)
        way = np.array(
            [np.cos(azimuth) * np.cos(height), np.sin(azimuth) * np.cos(height), np.sin(height)]
        )
        target = middle + rng.uniform(-14.0, 14.0, 3)
        quarter = {1: 0.0, 6: 90.0, 8: -90.0}[upright.get(i, 1)]
        roll = np.radians(quarter + rng.uniform(-3.0, 3.0))
        R, t = look(middle + distance * way, target, roll)
        made.append(Station(R, t, upright.get(i, 1)))
    return made
