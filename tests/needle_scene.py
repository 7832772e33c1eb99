"""A slab of stone seen by a handful of cameras, rendered by ray casting with exact truth.

The model is a rolling surface z = f(x, y). The stone stands above it by a given height field: flat
(finished), raised, with pits and steps. Grey values come from a fixed solid texture and a lamp, so
they belong to the stone and not to the picture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import open3d as o3d

from tracker.cloud.patch_views import View
from tracker.maths.camera import Array, Lens, Pose, rays_frame
from tracker.surface import Surface

Field = Callable[[Array, Array], Array]
SIDE_MM = 80.0
WIDTH, HEIGHT = 640, 480
LENS = Lens(1500.0, 318.3, 241.2, 0.06, -0.12, 3e-4, -2e-4, 0.05)
DISTANCE_MM = 400.0


def rolling(x: Array, y: Array) -> Array:
    """Height of the model, mm."""
    return 4.0 * np.sin(x / 11.0) * np.cos(y / 14.0) + 0.02 * x


def height_mesh(field: Field, pitch_mm: float = 0.5) -> Surface:
    """Mesh of a height field over the square, upward normals."""
    count = int(SIDE_MM / pitch_mm) + 1
    ticks = np.linspace(-SIDE_MM / 2, SIDE_MM / 2, count)
    x, y = np.meshgrid(ticks, ticks)
    vertices = np.stack([x, y, field(x, y)], axis=-1).reshape(-1, 3)
    at = np.arange(count * count).reshape(count, count)
    a, b, c, d = (q.ravel() for q in (at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]))
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return Surface(vertices, faces.astype(np.int64))


def closed(field: Field, pitch_mm: float = 0.5, depth_mm: float = 40.0) -> Surface:
    """The slab below a height field, as a closed mesh."""
    top = height_mesh(field, pitch_mm)
    count = round(len(top.vertices) ** 0.5)
    at = np.arange(count * count).reshape(count, count)
    rim = np.concatenate([at[0, :-1], at[:-1, -1], at[-1, :0:-1], at[:0:-1, 0]])
    base = top.vertices[rim].copy()
    base[:, 2] = -depth_mm
    first = len(top.vertices)
    below = np.arange(first, first + len(rim))
    after = np.roll(np.arange(len(rim)), -1)
    sides = np.concatenate(
        [
            np.stack([rim, below, below[after]], axis=1),
            np.stack([rim, below[after], rim[after]], axis=1),
            np.stack([np.full(len(rim), first + len(rim)), below[after], below], axis=1),
        ]
    )
    middle = np.array([[0.0, 0.0, -depth_mm]])
    return Surface(np.concatenate([top.vertices, base, middle]), np.concatenate([top.faces, sides]))


def look_from(azimuth_deg: float, tilt_deg: float) -> Pose:
    """Pose that looks at the middle from a direction `tilt_deg` off the vertical."""
    a, t = np.radians(azimuth_deg), np.radians(tilt_deg)
    away = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    z = -away
    x = np.cross(z, [np.sin(0.3 * a), np.cos(0.3 * a), 0.2])
    x /= np.linalg.norm(x)
    R = np.stack([x, np.cross(z, x), z])
    return Pose(R, -R @ (DISTANCE_MM * away))


@dataclass(frozen=True, slots=True)
class Texture:
    """Solid grey texture, a sum of waves between 1 and 8 mm long."""

    waves: Array
    phases: Array
    contrast: float

    def at(self, places: Array) -> Array:
        """Grey share about 0 at places (n, 3)."""
        total = np.zeros(len(places))
        for wave, phase in zip(self.waves, self.phases, strict=True):
            total += np.cos(places @ wave + phase)
        return np.asarray(self.contrast * total / np.sqrt(len(self.waves) / 2.0))


def make_texture(contrast: float, seed: int = 5, count: int = 16) -> Texture:
    """Texture with waves in random directions; `contrast` is its standard deviation."""
    rng = np.random.default_rng(seed)
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    length = np.exp(rng.uniform(np.log(1.0), np.log(8.0), count))
    return Texture(2.0 * np.pi * direction / length[:, None], rng.uniform(0, 6.3, count), contrast)


def photograph(
    stone: Surface, pose: Pose, texture: Texture, noise_gray: float, seed: int, light: float = 1.0
) -> View:
    """One rendered photograph, four rays a pixel."""
    row, column = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float64)
    lamp = np.array([0.5, 0.3, 0.81])
    total = np.zeros(HEIGHT * WIDTH)
    centre = pose.centre_frame
    for dx, dy in ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)):
        pixels = np.stack([column + dx, row + dy], axis=-1).reshape(-1, 2)
        rays = rays_frame(LENS, pose, pixels)
        start = np.broadcast_to(centre, rays.shape)
        both = np.concatenate([start, rays], axis=1).astype(np.float32)
        answer = stone.scene.cast_rays(o3d.core.Tensor(both))
        hit = answer["t_hit"].numpy().astype(np.float64)
        met = np.isfinite(hit)
        places = centre + hit[met, None] * rays[met]
        face = answer["primitive_ids"].numpy()[met].astype(np.int64)
        shade = 0.35 + 0.65 * np.clip(stone.face_normals[face] @ lamp, 0.0, 1.0)
        value = np.full(len(rays), 30.0)
        value[met] = 170.0 * light * shade * (1.0 + texture.at(places))
        total += value / 4.0
    total += np.random.default_rng(seed).normal(scale=noise_gray, size=total.shape)
    gray = np.clip(np.round(total), 0, 255).astype(np.uint8).reshape(HEIGHT, WIDTH)
    return View(f"photo-{seed:02d}", gray, LENS, pose)


def photograph_all(
    stone: Surface, count: int = 7, contrast: float = 0.06, noise_gray: float = 1.2
) -> list[View]:
    """Photographs from a ring of stations and, from the fifth on, an inner one."""
    texture = make_texture(contrast)
    views = []
    for k in range(count):
        tilt = 30.0 if k % 2 == 0 else 16.0
        pose = look_from(360.0 * k / count, tilt)
        views.append(photograph(stone, pose, texture, noise_gray, k + 1, 1.0 - 0.03 * k))
    return views


def true_stone_left(stone: Surface, points: Array, needles: Array) -> Array:
    """Signed stone left by ray casting the closed stone, (n,), mm."""
    inside = stone.signed_distance_mm(points) < 0.0
    outward = stone.first_hit_mm(points, needles)
    inward = stone.first_hit_mm(points, -needles)
    return np.where(inside, outward, -inward)
