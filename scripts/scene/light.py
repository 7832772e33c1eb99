"""Light on everything that stands still, stored at the corners of the meshes.

A soft sky (a fixed set of far directions) and one lamp of some size, with shadows cast by
all bodies. Computed once for a stage; photographs only look it up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import open3d as o3d
from numpy.typing import NDArray
from scipy import sparse

from scripts.scene.meshes import STONE, Part

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Light:
    """Lamp place relative to the figure's middle (mm), its radius (mm); colours linear RGB.

    `window` is the direction from which the sky is brightest, `lobe` by how much.
    """

    lamp: tuple[float, float, float]
    lamp_radius_mm: float
    lamp_rgb: tuple[float, float, float]
    sky_rgb: tuple[float, float, float]
    window: tuple[float, float, float]
    lobe: float


LIGHTS = {
    "window": Light(
        (-900.0, -1100.0, 1300.0),
        110.0,
        (0.66, 0.60, 0.52),
        (0.52, 0.56, 0.62),
        (-0.5, -0.7, 0.5),
        1.2,
    ),
    "lamp": Light(
        (1000.0, -500.0, 900.0), 50.0, (0.95, 0.83, 0.66), (0.36, 0.38, 0.42), (0.2, 0.9, 0.4), 0.6
    ),
    "overcast": Light(
        (300.0, 900.0, 2200.0), 400.0, (0.25, 0.25, 0.25), (0.80, 0.84, 0.90), (0.1, 0.3, 0.9), 0.5
    ),
    "raking": Light(
        (-1500.0, -500.0, 420.0),
        90.0,
        (0.62, 0.58, 0.52),
        (0.34, 0.36, 0.39),
        (0.6, 0.5, 0.6),
        0.5,
    ),
    "sun": Light(
        (2600.0, 2200.0, 3300.0),
        40.0,
        (1.05, 0.98, 0.86),
        (0.34, 0.39, 0.48),
        (-0.3, -0.5, 0.8),
        0.4,
    ),
}


@dataclass(frozen=True, slots=True)
class LitScene:
    """All bodies as one mesh with light at its corners, and the scene that casts rays at it."""

    caster: o3d.t.geometry.RaycastingScene
    faces: NDArray[np.int32]
    vertices: Array32
    normals: Array32
    sky: Array32
    lamp: Array32
    tone: Array32
    ring: NDArray[np.int16]
    material: NDArray[np.uint8]
    number: NDArray[np.int32]
    colour: Array32
    lamp_at: Array
    light: Light


def sky_directions(count: int) -> Array:
    """Evenly spread directions over the sphere (Fibonacci lattice), (count, 3)."""
    i = np.arange(count) + 0.5
    z = 1.0 - 2.0 * i / count
    phi = np.pi * (1.0 + 5.0**0.5) * i
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(phi), r * np.sin(phi), z], axis=1)


def merge(parts: list[Part]) -> dict[str, NDArray]:
    """One mesh from all parts; per face its material, number and colour."""
    offset, faces, rows = 0, [], []
    for p in parts:
        faces.append(p.faces + offset)
        rows.append(len(p.faces))
        offset += len(p.vertices)
    return {
        "vertices": np.concatenate([p.vertices for p in parts]).astype(np.float32),
        "normals": np.concatenate([p.normals for p in parts]).astype(np.float32),
        "faces": np.concatenate(faces).astype(np.int32),
        "material": np.repeat([p.material for p in parts], rows).astype(np.uint8),
        "number": np.repeat([p.number for p in parts], rows).astype(np.int32),
        "colour": np.repeat([p.colour for p in parts], rows, axis=0).astype(np.float32),
    }


def caster_of(vertices: Array32, faces: NDArray) -> o3d.t.geometry.RaycastingScene:
    """Ray casting over one mesh."""
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        np.ascontiguousarray(vertices, np.float32), np.ascontiguousarray(faces, np.uint32)
    )
    return scene


def unoccluded(
    caster: o3d.t.geometry.RaycastingScene, start: Array32, way: Array32, far: float = 3000.0
) -> NDArray[np.bool_]:
    """Whether rays from `start` along `way` (not scaled) meet nothing before `far` lengths."""
    rays = np.concatenate([start, way], axis=1).astype(np.float32)
    return np.logical_not(caster.test_occlusions(rays, tnear=0.0, tfar=far).numpy())


def sky_light(
    caster: o3d.t.geometry.RaycastingScene, start: Array32, normals: Array32, light: Light
) -> Array32:
    """Light from the sky on each corner, with a little thrown back by whatever hides it."""
    total = np.zeros(len(start), np.float32)
    window = np.asarray(light.window) / np.linalg.norm(light.window)
    for d in sky_directions(72):
        cosine = normals @ d.astype(np.float32)
        rows = np.flatnonzero(cosine > 0.02)
        bright = 0.45 + 0.55 * max(d[2], 0.0) + light.lobe * max(float(d @ window), 0.0) ** 3
        if d[2] < -0.1:
            bright = 0.12
        else:
            free = unoccluded(caster, start[rows], np.broadcast_to(d, (len(rows), 3)))
            bright = np.where(free, bright, 0.12)
        total[rows] += cosine[rows] * bright
    return total * np.float32(4.0 / 72.0)


def lamp_light(
    caster: o3d.t.geometry.RaycastingScene,
    start: Array32,
    normals: Array32,
    at: Array,
    radius: float,
) -> Array32:
    """Share of the lamp each corner sees, times its falling off with distance."""
    seen = np.zeros(len(start), np.float32)
    spots = at + radius * sky_directions(12)
    facing = np.einsum("ij,ij->i", normals, at.astype(np.float32) - start) > -30.0
    rows = np.flatnonzero(facing)
    for spot in spots:
        way = (spot - start[rows]).astype(np.float32)
        seen[rows] += unoccluded(caster, start[rows], way, 1.0)
    far = np.linalg.norm(at - start, axis=1)
    return (seen / 12.0 * (np.median(far) / far) ** 2).astype(np.float32)


def softened(values: Array32, faces: NDArray, rounds: int) -> Array32:
    """Values averaged with their neighbours': marble lets light in and out again."""
    n = len(values)
    i = np.concatenate([faces[:, 0], faces[:, 1], faces[:, 2]])
    j = np.concatenate([faces[:, 1], faces[:, 2], faces[:, 0]])
    link = sparse.csr_matrix((np.ones(2 * len(i), np.float32), (np.r_[i, j], np.r_[j, i])), (n, n))
    count = np.asarray(link.sum(axis=1)).ravel() + 1e-9
    for _ in range(rounds):
        values = (0.5 * values + 0.5 * (link @ values) / count).astype(np.float32)
    return values


def stone_tone(points: Array, seed: int) -> Array32:
    """Slow changes of the stone's paleness: clouds, mottle, faint veins; about +-0.06."""
    from scripts.scene.shade import stone_clouds

    return stone_clouds(np.ascontiguousarray(points, np.float64), seed)


def lit_scene(parts: list[Part], light: Light, middle: Array, rings: Array, seed: int) -> LitScene:
    """Bodies with their light. `rings`: pencil rings, rows of place (3), direction (3), radius."""
    m = merge(parts)
    caster = caster_of(m["vertices"], m["faces"])
    start = m["vertices"] + np.float32(0.25) * m["normals"]
    sky = sky_light(caster, start, m["normals"], light)
    at = middle + np.asarray(light.lamp)
    lamp = lamp_light(caster, start, m["normals"], at, light.lamp_radius_mm)
    n_stone = len(parts[0].vertices)
    assert parts[0].material == STONE, "the stone comes first"
    stone_faces = parts[0].faces
    sky[:n_stone] = softened(sky[:n_stone], stone_faces, 4)
    lamp[:n_stone] = softened(lamp[:n_stone], stone_faces, 3)
    tone = np.zeros(len(sky), np.float32)
    tone[:n_stone] = stone_tone(m["vertices"][:n_stone], seed)
    ring = np.zeros(len(sky), np.int16)
    for i, r in enumerate(rings):
        away = m["vertices"][:n_stone] - r[:3]
        high = away @ r[3:6]
        wide = np.sqrt(np.maximum((away**2).sum(axis=1) - high**2, 0.0))
        ring[:n_stone][(np.abs(wide - r[6]) < 2.0) & (high > -1.0) & (high < 30.0)] = i + 1
    return LitScene(
        caster,
        m["faces"],
        m["vertices"],
        m["normals"],
        sky,
        lamp,
        tone,
        ring,
        m["material"],
        m["number"],
        m["colour"],
        at,
        light,
    )
