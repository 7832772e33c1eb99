"""Coarse depth maps held against each other: places of a surface on which several agree.

Every pixel of a pair's depth map is a claim. It is believed when maps of other pairs, three
photographs in all at least, put the surface at the same place, and when not too many of them see
through it to something behind: a photograph that looks through a place proves air there.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.depth_crossings import normal_at
from tracker.maths.camera import Array

TOLERANCE_STEPS = 0.5
"""Maps agree within so many pixels of disparity, across the surface."""
BEHIND = 3.0
"""A map sees through a place when its own is so many tolerances behind."""
LEAST_FACING = 0.22
LEAST_VOTES = 2
LEAST_PHOTOS = 3


@dataclass(frozen=True, slots=True)
class Claims:
    """Places on which maps agree, n of them.

    Attributes
    ----------
    points : (n, 3) float32 array, mm
    normals : (n, 3) float32 array, unit, outward
    votes : (n,) int array
        Other maps that put the surface there.
    """

    points: NDArray[np.float32]
    normals: NDArray[np.float32]
    votes: NDArray[np.int64]


def agreed_claims(
    packed: tuple[Array, NDArray[np.int64], NDArray[np.float32]],
    pairs: list[tuple[int, int]],
    stride: int = 1,
    threads: int = 2,
) -> Claims:
    """Claims of all maps that enough others confirm.

    Parameters
    ----------
    packed : geometry, shapes and inverse depths of `depth_crossings.pack_maps`
    pairs : photographs of each map
    stride : int
        Every so many rows and columns of a map are asked.
    """
    geometry, shapes, flat = packed
    photos = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    count = int(photos.max()) + 1 if len(photos) else 0

    def ask(k: int) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
        most = -(-int(shapes[k, 1]) // stride) * -(-int(shapes[k, 2]) // stride)
        rows, votes = np.empty((most, 6), np.float32), np.empty(most, np.int64)
        kept = _ask_map(geometry, shapes, flat, photos, count, k, stride, rows, votes)
        return rows[:kept].copy(), votes[:kept].copy()

    with ThreadPoolExecutor(threads) as pool:
        found = list(pool.map(ask, range(len(photos))))
    rows = np.concatenate([np.zeros((0, 6), np.float32), *(r for r, _ in found)])
    votes = np.concatenate([np.zeros(0, np.int64), *(v for _, v in found)])
    return Claims(rows[:, :3], rows[:, 3:], votes)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _ask_map(
    geometry: Array, shapes: np.ndarray, flat: np.ndarray, photos: np.ndarray, count: int, k: int,
    stride: int, rows: np.ndarray, votes: np.ndarray,
) -> int:  # fmt: skip
    """Writes the confirmed claims of map k; returns how many."""
    geo = geometry[k]
    start, width, height = shapes[k]
    normal = np.empty(3)
    place = np.empty(3)
    marks = np.zeros(count, dtype=np.uint8)
    kept = 0
    for row in range(0, height, stride):
        for column in range(0, width, stride):
            w = flat[start + row * width + column]
            if w <= 0.0 or not normal_at(flat, shapes[k], geo, column, row, normal):
                continue
            z = 1.0 / w
            x = (column + geo[13]) / geo[12] * z
            y = (row + geo[14]) / geo[12] * z
            far = np.sqrt(x * x + y * y + z * z)
            facing = 0.0
            for i in range(3):
                ray = geo[i] * x + geo[3 + i] * y + geo[6 + i] * z
                place[i] = geo[9 + i] + ray
                facing -= ray * normal[i] / far
            if facing < LEAST_FACING:
                continue
            marks[:] = 0
            marks[photos[k, 0]] = 1
            marks[photos[k, 1]] = 1
            agree = _votes(geometry, shapes, flat, photos, k, place, normal, marks)
            if agree < LEAST_VOTES or marks.sum() < LEAST_PHOTOS:
                continue
            for i in range(3):
                rows[kept, i] = place[i]
                rows[kept, 3 + i] = normal[i]
            votes[kept] = agree
            kept += 1
    return kept


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _votes(
    geometry: Array, shapes: np.ndarray, flat: np.ndarray, photos: np.ndarray, own: int,
    place: Array, normal: Array, marks: np.ndarray,
) -> int:  # fmt: skip
    """Other maps that agree; 0 where as many see through. Marks the photographs that agree."""
    agree = 0
    through = 0
    for j in range(len(geometry)):
        if j == own:
            continue
        geo = geometry[j]
        dx, dy, dz = place[0] - geo[9], place[1] - geo[10], place[2] - geo[11]
        z = geo[6] * dx + geo[7] * dy + geo[8] * dz
        if z < 1.0:
            continue
        x = geo[0] * dx + geo[1] * dy + geo[2] * dz
        y = geo[3] * dx + geo[4] * dy + geo[5] * dz
        far = np.sqrt(x * x + y * y + z * z)
        facing = -(dx * normal[0] + dy * normal[1] + dz * normal[2]) / far
        if facing < LEAST_FACING:
            continue
        start, width, height = shapes[j]
        column = int(geo[12] * x / z - geo[13] + 0.5)
        row = int(geo[12] * y / z - geo[14] + 0.5)
        if column < 0 or row < 0 or column >= width or row >= height:
            continue
        w = flat[start + row * width + column]
        if w <= 0.0:
            continue
        # across the surface, since along a grazing ray half a pixel is a long way
        off = (z - 1.0 / w) * far / z * facing
        tolerance = TOLERANCE_STEPS * z * z * geo[15]
        if abs(off) <= tolerance:
            agree += 1
            marks[photos[j, 0]] = 1
            marks[photos[j, 1]] = 1
        elif off < -BEHIND * tolerance:
            through += 1
    return agree if agree > through else 0
