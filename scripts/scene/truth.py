"""The exact answers: stone left along needles, who sees what, target corners in photographs."""

from __future__ import annotations

import numpy as np
import open3d as o3d
import trimesh
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from scripts.scene.camera import Station, TrueLens, pixels
from scripts.scene.light import caster_of
from scripts.scene.setting import Card

Array = NDArray[np.float64]
STEEPEST_DEG = 65.0
"""A photograph counts only if it looks at the stone within this angle of its normal."""


def stone_left(stone: trimesh.Trimesh, points: Array, normals: Array) -> Array:
    """Signed length along each needle, mm; NaN where the needle never meets the stone.

    A point inside the stone: how far outward until the needle first leaves it (positive).
    A point in air: how far inward until it meets the stone (negative).
    """
    caster = caster_of(np.asarray(stone.vertices), np.asarray(stone.faces))
    p, n = np.asarray(points, np.float32), np.asarray(normals, np.float32)
    inside = caster.compute_occupancy(p, nsamples=5).numpy() > 0.5
    way = np.where(inside[:, None], n, -n)
    t = caster.cast_rays(np.concatenate([p, way], axis=1))["t_hit"].numpy().astype(float)
    t[~np.isfinite(t)] = np.nan
    return np.where(inside, t, -t)


def local_normals(stone: trimesh.Trimesh, places: Array, radius_mm: float = 1.6) -> Array:
    """Outward normal of the stone round each place, averaged over `radius_mm`."""
    near = cKDTree(stone.vertices).query(places, k=24, distance_upper_bound=radius_mm)[1]
    normals = np.vstack([stone.vertex_normals, np.zeros(3)])
    mean = normals[near].sum(axis=1)
    lone = np.linalg.norm(mean, axis=1) < 1e-6
    if lone.any():
        mean[lone] = stone.vertex_normals[cKDTree(stone.vertices).query(places[lone])[1]]
    return mean / np.linalg.norm(mean, axis=1, keepdims=True)


def sees(
    caster: o3d.t.geometry.RaycastingScene,
    lens: TrueLens,
    station: Station,
    places: Array,
    normals: Array,
    steepest_deg: float = STEEPEST_DEG,
    margin_px: float = 6.0,
) -> NDArray[np.bool_]:
    """Whether a photograph sees each place: in the picture, not too slanting, nothing between."""
    px, depth = pixels(lens, station, places)
    ok = (depth > 1.0) & (px > margin_px).all(axis=1)
    ok &= (px[:, 0] < lens.width - 1 - margin_px) & (px[:, 1] < lens.height - 1 - margin_px)
    way = station.centre - places
    distance = np.linalg.norm(way, axis=1)
    ok &= np.einsum("ij,ij->i", way, normals) > distance * np.cos(np.radians(steepest_deg))
    rows = np.flatnonzero(ok)
    start = places[rows] + 0.08 * way[rows] / distance[rows, None] + 0.04 * normals[rows]
    rays = np.concatenate([start, station.centre - start], axis=1).astype(np.float32)
    ok[rows] = ~caster.test_occlusions(rays, tnear=0.0, tfar=1.0).numpy()
    return np.asarray(ok)


def seeing_photos(
    caster: o3d.t.geometry.RaycastingScene,
    lens: TrueLens,
    stations: list[Station],
    stone: trimesh.Trimesh,
    points: Array,
    normals: Array,
    left_mm: Array,
) -> NDArray[np.int64]:
    """Number of photographs that truly see the stone at the end of each needle.

    `caster` holds everything that can stand between: stone, frame, cards, bench.
    """
    seen = np.zeros(len(points), np.int64)
    rows = np.flatnonzero(np.isfinite(left_mm))
    places = points[rows] + left_mm[rows, None] * normals[rows]
    facing = local_normals(stone, places)
    for station in stations:
        seen[rows] += sees(caster, lens, station, places, facing)
    return seen


def card_truth(
    caster: o3d.t.geometry.RaycastingScene, lens: TrueLens, station: Station, card: Card
) -> dict[str, object] | None:
    """True corners (px) of a card in a photograph, None if none of it is in front and inside."""
    toward = station.centre - card.centre
    cosine = float(card.normal @ toward / np.linalg.norm(toward))
    corners, depth = pixels(lens, station, card.corners)
    if cosine <= 0.02 or depth.min() < 1.0:
        return None
    s = np.linspace(-0.56, 0.56, 15) * card.side_mm
    a, b = (v.reshape(-1, 1) for v in np.meshgrid(s, s))
    spots = card.centre + a * card.right + b * card.up
    normals = np.broadcast_to(card.normal, spots.shape)
    visible = float(sees(caster, lens, station, spots, normals, 89.0, 1.0).mean())
    if visible == 0.0:
        return None
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    return {
        "corners_px": np.round(corners, 5).tolist(),
        "visible": round(visible, 4),
        "tilt_deg": round(float(np.degrees(np.arccos(cosine))), 3),
        "side_px": round(float(sides.min()), 3),
    }
