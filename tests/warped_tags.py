"""Pictures of printed targets whose corners are known exactly.

A scene is drawn in linear light with 8 x 8 rays per pixel, blurred, lit, put through a camera's
contrast curve, given noise and stored with 8 bits. The renderer shares nothing with detection
but the family's bitmap, which `tests/published` compares with independent libraries.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from tracker.maths.camera import Array, Lens, distort, undistort
from tracker.targets.family import CORNERS_MODULES, white_modules

RAYS = 8
Rays = NDArray[np.float32]
Tone = Callable[[Array], Array]


def srgb(linear: Array) -> Array:
    """The transfer curve of IEC 61966-2-1."""
    v = np.clip(linear, 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def linear(light: Array) -> Array:
    """No curve at all."""
    return np.clip(light, 0.0, 1.0)


def gamma(power: float) -> Tone:
    """A power curve."""
    return lambda linear: np.clip(linear, 0.0, 1.0) ** (1.0 / power)


def phone(linear: Array) -> Array:
    """A contrast curve on top of sRGB."""
    v = srgb(linear)
    return v + 0.55 * v * (1.0 - v) * (2.0 * v - 1.0)


def clipped(linear: Array) -> Array:
    """White paper beyond what the file can hold."""
    return srgb(1.6 * linear)


@dataclass(frozen=True)
class Print:
    """One target in a scene; the homography takes modules to undistorted pixels."""

    tag: int
    H: Array
    ink_gain_modules: float = 0.0
    mirrored: bool = False
    cover: Callable[[Rays, Rays], NDArray[np.bool_]] | None = None
    cover_light: float = 0.3


@dataclass(frozen=True)
class Scene:
    """Camera, light and file."""

    width: int = 900
    height: int = 700
    lens: Lens | None = None
    blur_px: float = 0.7
    noise: float = 2.0
    tone: Tone = srgb
    jpeg: int | None = None
    background: float = 0.22
    sharpening: float = 0.0
    light: Callable[[Array, Array], Array] = field(default=lambda x, y: np.ones_like(x))
    seed: int = 0


def apply(H: Array, points: Array) -> Array:
    """Homography of points (..., 2)."""
    p = points @ H[:, :2].T + H[:, 2]
    return np.asarray(p[..., :2] / p[..., 2:])


def true_corners(target: Print, lens: Lens | None) -> Array:
    """Where the corners of the square are in the picture, (4, 2) px."""
    return bend(apply(target.H, CORNERS_MODULES), lens)


def bend(ideal: Array, lens: Lens | None) -> Array:
    """Undistorted pixels to pixels of the picture."""
    if lens is None:
        return ideal
    return distort(lens, (ideal - [lens.cx_px, lens.cy_px]) / lens.focal_px)


def posed(
    side_px: float,
    tilt_rad: float,
    axis_rad: float,
    turn_rad: float,
    centre: Array,
    focal_px: float = 3000.0,
) -> Array:
    """Homography of a square of about the given side, tilted about an axis in its plane."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    spin = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    tilt = cv2.Rodrigues(tilt_rad * np.array([np.cos(axis_rad), np.sin(axis_rad), 0.0]))[0]
    R = tilt @ spin
    distance = focal_px * 8.0 / side_px
    K = np.diag([focal_px, focal_px, 1.0])
    to_middle = np.array([[1.0, 0.0, -4.0], [0.0, 1.0, -4.0], [0.0, 0.0, 1.0]])
    H = K @ np.column_stack([R[:, 0], R[:, 1], [0.0, 0.0, distance]]) @ to_middle
    shift = np.array([[1.0, 0.0, centre[0]], [0.0, 1.0, centre[1]], [0.0, 0.0, 1.0]])
    return np.asarray(shift @ H / (shift @ H)[2, 2])


def draw(prints: list[Print], scene: Scene) -> NDArray[np.uint8]:
    """The photograph, (height, width) uint8."""
    rng = np.random.default_rng(scene.seed)
    light = np.full((scene.height, scene.width), scene.background)
    for target in prints:
        _draw_one(light, target, scene)
    y, x = np.mgrid[: scene.height, : scene.width].astype(float)
    value = scene.tone(light * scene.light(x, y))
    if scene.sharpening:
        value = value + scene.sharpening * (value - cv2.GaussianBlur(value, (0, 0), 1.5))
    value = 255.0 * value + scene.noise * rng.standard_normal(value.shape)
    gray = np.clip(np.round(value), 0, 255).astype(np.uint8)
    if scene.jpeg is None:
        return gray
    stored = cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg])[1]
    return np.asarray(cv2.imdecode(stored, cv2.IMREAD_GRAYSCALE), np.uint8)


def _draw_one(light: Array, target: Print, scene: Scene) -> None:
    """Draw one target over the scene, blurred together with what is round it."""
    rim_modules = np.asarray(1.25 * (CORNERS_MODULES - 4.0) + 4.0, np.float64)
    rim = bend(apply(target.H, rim_modules), scene.lens)
    reach = int(np.ceil(5 * scene.blur_px)) + 3
    x0, y0 = np.maximum(np.floor(rim.min(axis=0)).astype(int) - reach, 0)
    x1, y1 = np.minimum(
        np.ceil(rim.max(axis=0)).astype(int) + reach + 1, [scene.width, scene.height]
    )
    if x1 <= x0 or y1 <= y0:
        return
    x: Rays = ((np.arange((x1 - x0) * RAYS) + 0.5) / RAYS - 0.5 + x0).astype(np.float32)[None, :]
    y: Rays = ((np.arange((y1 - y0) * RAYS) + 0.5) / RAYS - 0.5 + y0).astype(np.float32)[:, None]
    if scene.lens is not None:
        x, y = _straight_rays(x, y, scene.lens)
    H = np.linalg.inv(target.H).astype(np.float32)
    w = H[2, 0] * x + H[2, 1] * y + H[2, 2]
    column = (H[0, 0] * x + H[0, 1] * y + H[0, 2]) / w
    row = (H[1, 0] * x + H[1, 1] * y + H[1, 2]) / w
    if target.mirrored:
        column = np.float32(8.0) - column
    fine = _print_colour(target, column, row, light[y0:y1, x0:x1])
    sigma = scene.blur_px * RAYS
    blurred = cv2.GaussianBlur(fine, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    light[y0:y1, x0:x1] = cv2.resize(blurred, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)


def _straight_rays(x: Rays, y: Rays, lens: Lens) -> tuple[Rays, Rays]:
    """Undistorted pixels of the rays, from a grid of one per pixel by cubic interpolation.

    A lens bends so slowly that the grid's interpolation is exact to 1e-4 px.
    """
    coarse_x, coarse_y = x[0, :: 2 * RAYS], y[:: 2 * RAYS, 0]
    grid = np.stack(np.meshgrid(coarse_x, coarse_y), axis=-1).astype(np.float64)
    ideal = undistort(lens, grid, steps=5) * lens.focal_px + [lens.cx_px, lens.cy_px]
    spline = [RectBivariateSpline(coarse_y, coarse_x, ideal[..., k])(y[:, 0], x[0]) for k in (0, 1)]
    return spline[0].astype(np.float32), spline[1].astype(np.float32)


def _print_colour(target: Print, x: Rays, y: Rays, behind: Array) -> Rays:
    """Linear light of the print at module coordinates; ink grows into the white."""
    white = white_modules(target.tag)
    gain = target.ink_gain_modules
    lit = np.ones(x.shape, bool)
    for dx in (-gain, gain) if gain else (0.0,):
        for dy in (-gain, gain) if gain else (0.0,):
            column = np.clip(x + np.float32(dx + 1.0), 0, 9.5).astype(np.int8)
            row = np.clip(y + np.float32(dy + 1.0), 0, 9.5).astype(np.int8)
            lit &= white[row, column]
    colour = np.where(lit, np.float32(0.75), np.float32(0.045))
    outside = np.maximum(np.abs(x - 4.0), np.abs(y - 4.0)) > 5.0
    wide = np.repeat(np.repeat(behind.astype(np.float32), RAYS, axis=0), RAYS, axis=1)
    colour = np.where(outside, wide, colour)
    if target.cover is not None:
        colour[target.cover(x, y)] = target.cover_light
    return colour


def scattered(
    seed: int,
    count: int = 6,
    sides_px: tuple[float, float] = (60.0, 160.0),
    tilt_deg: tuple[float, float] = (0.0, 55.0),
) -> list[Print]:
    """Up to six targets of different numbers at random attitudes in a 900 x 700 picture."""
    rng = np.random.default_rng(seed)
    tags = rng.choice(587, count, replace=False)
    prints = []
    for place, tag in enumerate(tags):
        centre = np.array([150.0 + 300.0 * (place % 3), 175.0 + 350.0 * (place // 3)])
        H = posed(
            rng.uniform(*sides_px),
            np.radians(rng.uniform(*tilt_deg)),
            rng.uniform(0.0, 2.0 * np.pi),
            rng.uniform(0.0, 2.0 * np.pi),
            centre + rng.uniform(-20.0, 20.0, 2),
        )
        prints.append(Print(int(tag), H))
    return prints


def slanting(x: Array, y: Array) -> Array:
    """Light that falls off across the picture."""
    return 1.0 - 4e-4 * (x - 450.0) + 2e-4 * (y - 350.0)
