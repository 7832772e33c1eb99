"""Where needles pass through the coarse depth maps: candidates for the stone's surface."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numba import njit

from tracker.cloud.depth_pairs import PairMap
from tracker.maths.camera import Array

MAX_CANDIDATES = 5
MAX_CROSSINGS = 128
CLUSTER_MM = 1.5
JUMP_MM = 4.0


def pack_maps(maps: Iterable[PairMap]) -> tuple[Array, np.ndarray, np.ndarray]:
    """Maps in flat arrays: geometry (n, 17), shapes (n, 3: start, width, height), inverse depth.

    Each map is let go as soon as it is copied, so that they are never in memory twice.
    """
    kept = list(maps)
    geometry = np.array(
        [[*m.R.ravel(), *m.centre, m.focal, m.left, m.top, m.step, 0.0] for m in kept]
    ).reshape(-1, 17)
    sizes = np.array([m.inverse.size for m in kept], dtype=np.int64)
    starts = np.cumsum(sizes) - sizes
    shapes = np.array(
        [[start, *m.inverse.shape[::-1]] for start, m in zip(starts, kept, strict=True)],
        dtype=np.int64,
    ).reshape(-1, 3)
    flat = np.empty(int(sizes.sum()), dtype=np.float32)
    for start in starts[::-1]:
        inverse = kept.pop().inverse
        flat[start : start + inverse.size] = inverse.ravel()
    return geometry, shapes, flat


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def normal_at(
    flat: np.ndarray, shape: np.ndarray, geo: Array, column: int, row: int, out: Array
) -> bool:
    """Outward normal (frame coordinates) of a map round a pixel from a plane in inverse depth."""
    start, width, height = shape
    reach = 3
    if column < reach or row < reach or column >= width - reach or row >= height - reach:
        return False
    here = flat[start + row * width + column]
    limit = 1.5 * geo[15]
    sx = sy = sxx = sxy = syy = sw = swx = swy = 0.0
    number = 0
    for j in range(-reach, reach + 1):
        for i in range(-reach, reach + 1):
            w = flat[start + (row + j) * width + column + i]
            if w <= 0.0 or abs(w - here) > limit * (1.0 + max(abs(i), abs(j))):
                continue
            number += 1
            sx += i
            sy += j
            sxx += i * i
            sxy += i * j
            syy += j * j
            sw += w
            swx += w * i
            swy += w * j
    if number < 15:
        return False
    cxx = sxx - sx * sx / number
    cxy = sxy - sx * sy / number
    cyy = syy - sy * sy / number
    bx = swx - sw * sx / number
    by = swy - sw * sy / number
    det = cxx * cyy - cxy * cxy
    if det < 1e-3:
        return False
    gx = (bx * cyy - by * cxy) / det * geo[12]
    gy = (by * cxx - bx * cxy) / det * geo[12]
    x = (column + geo[13]) / geo[12]
    y = (row + geo[14]) / geo[12]
    gz = here - x * gx - y * gy
    length = np.sqrt(gx * gx + gy * gy + gz * gz)
    # gradient of inverse depth points away from the camera's side of the plane: turn to the camera
    for i in range(3):
        out[i] = -(geo[i] * gx + geo[3 + i] * gy + geo[6 + i] * gz) / length
    return True


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def find_crossings(
    geometry: Array,
    shapes: np.ndarray,
    flat: np.ndarray,
    points: Array,
    needles: Array,
    inward_mm: float,
    outward_mm: float,
    step_mm: float,
    depths: Array,
    normals: Array,
    votes: np.ndarray,
) -> None:
    """Depths at which needles pass from air into stone, most often seen first.

    Parameters
    ----------
    geometry, shapes, flat : packed maps
    points, needles : (n, 3) arrays
    inward_mm, outward_mm, step_mm : range and step of the walk
    depths, normals, votes : (n, MAX_CANDIDATES[, 3]) arrays, filled
        Outward positive; `votes` is the number of maps that agree within CLUSTER_MM.
    """
    where = np.empty(MAX_CROSSINGS)
    facing = np.empty((MAX_CROSSINGS, 3))
    normal = np.empty(3)
    for n in range(len(points)):
        for c in range(MAX_CANDIDATES):
            votes[n, c] = 0
        number = 0
        for k in range(len(geometry)):
            geo = geometry[k]
            start, width, height = shapes[k]
            dx = points[n, 0] - geo[9]
            dy = points[n, 1] - geo[10]
            dz = points[n, 2] - geo[11]
            ox = geo[0] * dx + geo[1] * dy + geo[2] * dz
            oy = geo[3] * dx + geo[4] * dy + geo[5] * dz
            oz = geo[6] * dx + geo[7] * dy + geo[8] * dz
            a, b, c3 = needles[n]
            vx = geo[0] * a + geo[1] * b + geo[2] * c3
            vy = geo[3] * a + geo[4] * b + geo[5] * c3
            vz = geo[6] * a + geo[7] * b + geo[8] * c3
            before = np.nan
            before_map = 0.0
            d = outward_mm
            while d >= -inward_mm:
                z = oz + d * vz
                gap = np.nan
                seen = 0.0
                column = 0
                row = 0
                if z > 1.0:
                    column = int(geo[12] * (ox + d * vx) / z - geo[13] + 0.5)
                    row = int(geo[12] * (oy + d * vy) / z - geo[14] + 0.5)
                    if 0 <= column < width and 0 <= row < height:
                        w = flat[start + row * width + column]
                        if w > 0.0:
                            seen = 1.0 / w
                            gap = z - seen
                if (
                    before < 0.0
                    and gap >= 0.0
                    and abs(seen - before_map) < JUMP_MM
                    and number < MAX_CROSSINGS
                    and normal_at(flat, shapes[k], geo, column, row, normal)
                ):
                    lean = normal[0] * a + normal[1] * b + normal[2] * c3
                    if lean > 0.1:
                        where[number] = d + step_mm * gap / max(gap - before, 1e-9)
                        for i in range(3):
                            facing[number, i] = normal[i]
                        number += 1
                before = gap
                before_map = seen
                d -= step_mm
        _cluster(where, facing, number, depths[n], normals[n], votes[n])


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _cluster(
    where: Array, facing: Array, number: int, depths: Array, normals: Array, votes: np.ndarray
) -> None:
    """Groups crossings of one needle; the fullest windows of CLUSTER_MM come first."""
    order = np.argsort(where[:number])
    free = np.ones(number, dtype=np.uint8)
    for c in range(MAX_CANDIDATES):
        best = 0
        best_first = 0
        best_last = 0
        for first in range(number):
            if not free[order[first]]:
                continue
            last = first
            count = 0
            while last < number and where[order[last]] - where[order[first]] <= CLUSTER_MM:
                if not free[order[last]]:
                    break
                count += 1
                last += 1
            if count > best:
                best = count
                best_first = first
                best_last = last
        if best == 0:
            return
        depths[c] = where[order[best_first + best // 2]]
        votes[c] = best
        for i in range(3):
            normals[c, i] = 0.0
        for q in range(best_first, best_last):
            free[order[q]] = 0
            for i in range(3):
                normals[c, i] += facing[order[q], i]
        length = np.sqrt((normals[c] ** 2).sum())
        for i in range(3):
            normals[c, i] /= max(length, 1e-9)
