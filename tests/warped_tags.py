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

from tracker.maths.camera import Array, Lens, distort, undistort
from tracker.targets.family import CORNERS_MODULES, white_modules

RAYS = 8
Tone = Callable[[Array], Array]


def srgb(linear: Array) -> Array:
    """The transfer curve of IEC 61966-2-1."""
    v = np.clip(linear, 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def gamma(power: float) -> Tone:
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
    cover: Callable[[Array, Array], NDArray[np.bool_]] | None = None
    cover_light: float = 0.3


@dataclass(frozen=True)
class Scene:
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
    fine_x = (np.arange((x1 - x0) * RAYS) + 0.5) / RAYS - 0.5 + x0
    fine_y = (np.arange((y1 - y0) * RAYS) + 0.5) / RAYS - 0.5 + y0
    px, py = np.meshgrid(fine_x, fine_y)
    pixels = np.stack([px, py], axis=-1).astype(np.float64)
    if scene.lens is not None:
        lens = scene.lens
        plane = undistort(lens, pixels, steps=5)
        pixels = plane * lens.focal_px + np.array([lens.cx_px, lens.cy_px])
    modules = apply(np.asarray(np.linalg.inv(target.H), np.float64), np.asarray(pixels, np.float64))
    if target.mirrored:
        modules[..., 0] = 8.0 - modules[..., 0]
    colour = _print_colour(target, modules, light[y0:y1, x0:x1])
    sigma = scene.blur_px * RAYS
    colour = cv2.GaussianBlur(colour, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    light[y0:y1, x0:x1] = cv2.resize(colour, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)


def _print_colour(target: Print, modules: Array, behind: Array) -> Array:
    """Linear light of the print at module coordinates; ink grows into the white."""
    white = white_modules(target.tag)
    gain = target.ink_gain_modules
    lit = np.ones(modules.shape[:2], bool)
    for dx in (-gain, gain) if gain else (0.0,):
        for dy in (-gain, gain) if gain else (0.0,):
            column = np.clip(np.floor(modules[..., 0] + dx).astype(int) + 1, 0, 9)
            row = np.clip(np.floor(modules[..., 1] + dy).astype(int) + 1, 0, 9)
            lit &= white[row, column]
    colour = np.where(lit, 0.75, 0.045)
    outside = (np.abs(modules - 4.0) > 5.0).any(axis=-1)
    colour[outside] = np.kron(behind, np.ones((RAYS, RAYS)))[outside]
    if target.cover is not None:
        colour[target.cover(modules[..., 0], modules[..., 1])] = target.cover_light
    return colour
