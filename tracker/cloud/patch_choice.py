"""Which photographs look at a place: facing, in the picture, not hidden behind stone.

Hiding is asked of coarse depth maps, one a photograph, in an undistorted picture of the same pose:
the model's (the stone holds the model, less over-cuts) and the stone's own as far as it is known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit

from tracker.cloud.patch_room import Photographs
from tracker.cloud.patch_sampling import camera_axes, distorted
from tracker.cloud.patch_views import ViewStack
from tracker.maths.camera import Array
from tracker.surface import Surface

NEAR_FACING = 0.30
"""Least cosine between surface normal and line of sight (72 degrees)."""


@dataclass(frozen=True, slots=True)
class DepthMaps:
    """Distance along the viewing direction to the first surface, coarse, one map a photograph.

    Attributes
    ----------
    depth : (n, size, size) float32 array, mm; inf where nothing is met
    frames : (n, 3) array
        focal, left, top: column = focal x' - left, row = focal y' - top with x', y' undistorted.
    """

    depth: np.ndarray
    frames: Array


def map_frames(stack: ViewStack, box: tuple[Array, Array], size: int) -> Array:
    """Frames whose maps of `size` pixels just hold the box in each photograph, (n, 3)."""
    low, high = box
    corners = np.array([[(low, high)[i][0], (low, high)[j][1], (low, high)[k][2]]
                        for i in (0, 1) for j in (0, 1) for k in (0, 1)])  # fmt: skip
    frames = np.zeros((stack.count, 3))
    for k, camera in enumerate(stack.cameras):
        p_camera = corners @ camera[:9].reshape(3, 3).T + camera[9:12]
        plane = p_camera[:, :2] / np.maximum(p_camera[:, 2:], 1.0)
        first, last = plane.min(axis=0), plane.max(axis=0)
        focal = (size - 4) / max(float((last - first).max()), 1e-6)
        frames[k] = focal, focal * first[0] - 2.0, focal * first[1] - 2.0
    return frames


def render_surface(surface: Surface, stack: ViewStack, frames: Array, size: int) -> DepthMaps:
    """Depth maps of a triangle surface, by ray casting.

    A ray whose direction goes one millimetre deep hits after as many steps as the depth has
    millimetres.
    """
    depth = np.empty((stack.count, size, size), dtype=np.float32)
    row, column = np.mgrid[0:size, 0:size].astype(np.float32)
    rays = np.empty((size, size, 6), dtype=np.float32)
    for k, camera in enumerate(stack.cameras):
        focal, left, top = frames[k].astype(np.float32)
        x, y = (column + left) / focal, (row + top) / focal
        R = camera[:9].reshape(3, 3).astype(np.float32)
        rays[..., :3] = stack.centres[k]
        for i in range(3):
            rays[..., 3 + i] = x * R[0, i] + y * R[1, i] + R[2, i]
        depth[k] = surface.first_hit_steps(rays)
    return DepthMaps(depth, frames)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def splat_points(
    depth: np.ndarray, frame: Array, camera: Array, points: Array, normals: Array, radius_mm: float
) -> None:
    """Draws points as small facing discs into one depth map (nearest wins)."""
    size = depth.shape[0]
    for n in range(len(points)):
        x, y, z = points[n]
        zc = camera[6] * x + camera[7] * y + camera[8] * z + camera[11]
        if zc < 1.0:
            continue
        xc = camera[0] * x + camera[1] * y + camera[2] * z + camera[9]
        yc = camera[3] * x + camera[4] * y + camera[5] * z + camera[10]
        nz = camera[6] * normals[n, 0] + camera[7] * normals[n, 1] + camera[8] * normals[n, 2]
        nx = camera[0] * normals[n, 0] + camera[1] * normals[n, 1] + camera[2] * normals[n, 2]
        ny = camera[3] * normals[n, 0] + camera[4] * normals[n, 1] + camera[5] * normals[n, 2]
        facing = -(xc * nx + yc * ny + zc * nz) / np.sqrt(xc * xc + yc * yc + zc * zc)
        if facing < 0.1:
            continue
        column = frame[0] * xc / zc - frame[1]
        row = frame[0] * yc / zc - frame[2]
        reach = frame[0] * radius_mm / zc
        c0 = max(int(np.floor(column - reach + 0.5)), 0)
        c1 = min(int(np.floor(column + reach + 0.5)), size - 1)
        r0 = max(int(np.floor(row - reach + 0.5)), 0)
        r1 = min(int(np.floor(row + reach + 0.5)), size - 1)
        plane = xc * nx + yc * ny + zc * nz
        for r in range(r0, r1 + 1):
            for c in range(c0, c1 + 1):
                a = (c + frame[1]) / frame[0]
                b = (r + frame[2]) / frame[0]
                z = plane / (a * nx + b * ny + nz)
                # within the disc, not only within its square in the picture
                off = (a * z - xc) ** 2 + (b * z - yc) ** 2 + (z - zc) ** 2
                if off <= radius_mm * radius_mm and z < depth[r, c]:
                    depth[r, c] = z


def hiding_limits(hiding: Sequence[DepthMaps], slack_mm: Sequence[float]) -> np.ndarray:
    """Depth behind which a place is hidden in each photograph, (n, size, size) float32, mm.

    The largest depth of the 3 x 3 map pixels round a direction and the slack of that kind of map,
    the least over the kinds of map; inf at the rim.
    """
    limits = np.full(hiding[0].depth.shape, np.inf, dtype=np.float32)
    around = np.ones((3, 3), np.uint8)
    for maps, slack in zip(hiding, slack_mm, strict=True):
        for limit, depth in zip(limits, maps.depth, strict=True):
            furthest = cv2.dilate(depth, around)[1:-1, 1:-1] + np.float32(slack)
            np.minimum(limit[1:-1, 1:-1], furthest, out=limit[1:-1, 1:-1])
    return limits


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def choose_photographs(
    photographs: Photographs, limits: np.ndarray, frames: Array, point: Array, normal: Array,
    least_facing: float, margin: float, chosen: np.ndarray, score: Array,
) -> int:  # fmt: skip
    """Fills `chosen` with the photographs that see a place, best first; returns their number.

    Parameters
    ----------
    limits, frames : see `hiding_limits` and `DepthMaps`
    margin : pixels of the level that must be free round the place
    """
    limit = len(chosen)
    for k in range(limit):
        chosen[k] = -1
        score[k] = -1.0
    found = 0
    size = limits.shape[1]
    layout, scale = photographs.layout, photographs.scale
    cameras, centres = photographs.cameras, photographs.centres
    for k in range(len(cameras)):
        rx, ry, rz = centres[k, 0] - point[0], centres[k, 1] - point[1], centres[k, 2] - point[2]
        far = math.sqrt(rx * rx + ry * ry + rz * rz)
        facing = (rx * normal[0] + ry * normal[1] + rz * normal[2]) / far
        if facing < least_facing:
            continue
        xc, yc, zc = camera_axes(cameras, k, point)
        if zc < 1.0:
            continue
        a, b = xc / zc, yc / zc
        xd, yd, _, _, _ = distorted(cameras, k, a, b)
        px = (cameras[k, 12] * xd + cameras[k, 13] + 0.5) / scale - 0.5 - layout[k, 3]
        py = (cameras[k, 12] * yd + cameras[k, 14] + 0.5) / scale - 0.5 - layout[k, 4]
        if px < margin or py < margin:
            continue
        if px > layout[k, 1] - 1 - margin or py > layout[k, 2] - 1 - margin:
            continue
        column = math.floor(frames[k, 0] * a - frames[k, 1] + 0.5)
        row = math.floor(frames[k, 0] * b - frames[k, 2] + 0.5)
        if 0 <= column < size and 0 <= row < size and zc > limits[k, row, column]:
            continue
        found += 1
        merit = facing * cameras[k, 12] / zc
        at = min(found, limit) - 1
        if found > limit and merit <= score[at]:
            continue
        while at > 0 and score[at - 1] < merit:
            score[at] = score[at - 1]
            chosen[at] = chosen[at - 1]
            at -= 1
        score[at] = merit
        chosen[at] = k
    return found
