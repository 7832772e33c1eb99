"""Forms with known places, made from nothing: bosses on a ball, a mushroom, a shell with a hole."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from tracker.surface import Surface

BOSS_HEIGHTS_MM = np.array([25.0, 18.0, 14.0, 12.0, 10.0, 8.0, 6.0, 5.0])
BOSS_WIDTHS_RAD = np.array([0.25, 0.2, 0.15, 0.25, 0.2, 0.12, 0.15, 0.1])
BALL_MM = 100.0


def surface_of(mesh: trimesh.Trimesh) -> Surface:
    return Surface(np.asarray(mesh.vertices, np.float64), np.asarray(mesh.faces, np.int64))


def ball_with_bosses(seed: int = 3) -> tuple[Surface, NDArray[np.float64]]:
    """A ball with eight rounded bosses of different height and width, and their summits' rays."""
    unit = trimesh.creation.icosphere(subdivisions=5, radius=1.0)
    rays = np.asarray(unit.vertices)
    rng = np.random.default_rng(seed)
    summits: list[NDArray[np.float64]] = []
    while len(summits) < len(BOSS_HEIGHTS_MM):
        ray = rng.normal(size=3)
        ray /= np.linalg.norm(ray)
        if all(ray @ other < np.cos(0.7) for other in summits):
            summits.append(ray)
    angle = np.arccos(np.clip(rays @ np.array(summits).T, -1.0, 1.0))
    height = (BOSS_HEIGHTS_MM * np.exp(-0.5 * (angle / BOSS_WIDTHS_RAD) ** 2)).sum(axis=1)
    grown = trimesh.Trimesh(rays * (BALL_MM + height)[:, None], unit.faces, process=False)
    return surface_of(grown), np.array(summits)


def shell_with_hole() -> Surface:
    """A ball whose upper cap, above z = 60, is missing."""
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=BALL_MM)
    low = np.asarray(mesh.triangles)[:, :, 2].max(axis=1) < 60.0
    mesh.update_faces(low)
    mesh.remove_unreferenced_vertices()
    return surface_of(mesh)
