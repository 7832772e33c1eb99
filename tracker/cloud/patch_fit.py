"""Depth, tilt and bulge of a patch by least squares on the grey values of several photographs.

From every photograph's patch its mean and its slope of grey are taken off, and it is brought to
length 1. The mean cancels exposure and haze. The slope goes because light that fades smoothly over
a hollow agrees at almost any depth: it says nothing of where the stone is, and would outweigh the
grain, which does. The sum of squared differences from the weighted mean is made least by
Gauss-Newton steps. Unknowns: d, the centre's move along the needle (counted in normal distance),
the tilts a, b, and if wanted the bulge. With v_k the normalised patch of photograph k, b_i the
three grey trends (1, x, y made orthonormal) and t = sum w_k v_k / sum w_k,

    cost = sum_k w_k |v_k - t|^2,
    d v_k = (D - v_k (v_k . D)) / length,    D = d I_k - sum_i b_i (b_i . d I_k)

so that H = sum_k w_k dv_k dv_k^T - W dt dt^T and g = sum_k w_k dv_k v_k - W dt t.

References
----------
A. Gruen, "Adaptive least squares correlation", S. Afr. J. of Photogrammetry 14 (1985).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.cloud.patch_agreement import drop_strangers, worst_half
from tracker.cloud.patch_hidden import fill_hidden, normalise_seen
from tracker.cloud.patch_normal import TRENDS, UNKNOWNS, sum_view, take_mean_off, to_mm
from tracker.cloud.patch_room import Photographs, Room, Window
from tracker.cloud.patch_sampling import sample_patch, tangents
from tracker.cloud.patch_window import (
    ACROSS,
    ALONG,
    BELL,
    DOWN,
    MAX_VIEWS,
    MEAN,
    OUTWARD,
    PATCHES,
    RELIEF,
    REORDER,
    SHAPE,
    SHIFT,
    SWELL,
    add,
    clear,
    dot,
    highest,
)
from tracker.maths.camera import Array

LEAST_CONTRAST = 0.3
"""Grey levels of grain below which a photograph says nothing."""
STILL = 0.02
"""Steps of the grid; a patch that moved by less stays."""
FIELDS = 14
"""Width of a fit's record; see `FIT_*`."""
FIT_DEPTH, FIT_NX, FIT_NY, FIT_NZ, FIT_CORR, FIT_WORST, FIT_SIGMA, FIT_SPREAD = range(8)
FIT_VIEWS, FIT_CONTRAST, FIT_OK, FIT_STEP, FIT_HALVES, FIT_BULGE = range(8, 14)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def solve_small(matrix: Array, right: Array, size: int) -> bool:
    """Solves matrix x = right in place by Cholesky; False when not positive definite."""
    for j in range(size):
        for i in range(j, size):
            s = matrix[i, j]
            for k in range(j):
                s -= matrix[i, k] * matrix[j, k]
            if i == j:
                if s <= 1e-12:
                    return False
                matrix[j, j] = math.sqrt(s)
            else:
                matrix[i, j] = s / matrix[j, j]
    for i in range(size):
        s = right[i]
        for k in range(i):
            s -= matrix[i, k] * right[k]
        right[i] = s / matrix[i, i]
    for i in range(size - 1, -1, -1):
        s = right[i]
        for k in range(i + 1, size):
            s -= matrix[k, i] * right[k]
        right[i] = s / matrix[i, i]
    return True


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _write_relief(
    sheet: np.ndarray, depth: float, bulge: Array, half: int, step: float
) -> float:
    """Height of the points of a patch of a given shape that bulges, mm; returns a bound of it."""
    d = np.float32(depth)
    xx = np.float32(0.5 * bulge[0] * step * step)
    xy = np.float32(bulge[1] * step * step)
    yy = np.float32(0.5 * bulge[2] * step * step)
    for p in range(sheet.shape[1]):
        x, y = sheet[ACROSS, p], sheet[DOWN, p]
        sheet[RELIEF, p] = sheet[SHAPE, p] + d * sheet[SWELL, p]
        sheet[RELIEF, p] += xx * x * x + xy * x * y + yy * y * y
    given = highest(sheet, SHAPE) + abs(depth) * highest(sheet, SWELL)
    return float(given + half * half * (abs(xx) + abs(xy) + abs(yy)))


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _grow_along(sheet: np.ndarray, row: int) -> None:
    """Derivative along the needle of a patch whose heights grow with its depth."""
    for p in range(sheet.shape[1]):
        sheet[row + ALONG, p] += sheet[SWELL, p] * sheet[row + OUTWARD, p]


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _look(
    photographs: Photographs, chosen: np.ndarray, c: Array, u: Array, v: Array, m: Array,
    along: Array, high: float, window: Window, step: float, room: Room, used: np.ndarray,
    contrast: Array,
) -> int:  # fmt: skip
    """Looks the patch up in the photographs used, normalised; returns in how many it stands."""
    pixels, layout, cameras = photographs.pixels, photographs.layout, photographs.cameras
    scale, half, trends = photographs.scale, window.half, window.trends
    sheet, place, words = room.sheet, room.place, room.words
    alive = 0
    for k in range(len(used)):
        if not used[k]:
            continue
        row = PATCHES + 3 * k
        used[k] = 0
        if sample_patch(
            pixels, layout, scale, cameras, chosen[k], c, u, v, m, along, half, step, high,
            True, place, words, sheet, row,
        ):  # fmt: skip
            _grow_along(sheet, row)
            contrast[k] = normalise_seen(room, k, trends)
            used[k] = 1 if contrast[k] > LEAST_CONTRAST else 0
        alive += used[k]
    fill_hidden(room, used, trends, True, contrast)
    return alive


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _weigh(used: np.ndarray, corr: Array, alike: bool, share: Array) -> int:
    """Shares of the photographs, sum their number: those that agree better count for more."""
    total = 0.0
    alive = 0
    for k in range(len(used)):
        share[k] = 0.0
        if used[k]:
            q = min(max(corr[k], 0.2), 0.98)
            share[k] = 1.0 if alike else q / (1.0 - q * q + 0.05)
            total += share[k]
            alive += 1
    for k in range(len(used)):
        share[k] *= alive / total
    return alive


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _normal_equations(
    room: Room, window: Window, used: np.ndarray, share: Array, contrast: Array, alive: int,
    size: int, step: float, H: Array, grads: Array,
) -> float:  # fmt: skip
    """Fills H and each photograph's part of the gradient; returns the sum of squares left."""
    sheet, moments, trend, lean = room.sheet, room.moments, room.trend, room.lean
    trends, trend_sums = window.trends, np.zeros((UNKNOWNS, TRENDS))
    clear(sheet, MEAN)
    for k in range(len(used)):
        if used[k]:
            add(sheet, MEAN, PATCHES + 3 * k, share[k] / alive)
    H[:] = 0.0
    for row in range(SHIFT, SHIFT + 8):
        clear(sheet, row)
    square = dot(sheet, MEAN, MEAN, BELL)
    residual = 0.0
    for k in range(len(used)):
        if used[k]:
            agree = sum_view(
                sheet, PATCHES + 3 * k, trends, size, contrast[k], share[k], moments, trend, lean,
                H, grads, k, trend_sums,
            )  # fmt: skip
            residual += share[k] * (1.0 - 2.0 * agree + square)
    take_mean_off(sheet, trends, size, alive, trend_sums, H)
    to_mm(H, grads, size, step)
    return max(residual, 0.0)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _rein(
    H: Array, g: Array, noise: float, tilt_sigma: float, normal: Array, u: Array, v: Array,
    bulge: Array, size: int,
) -> None:  # fmt: skip
    """Adds what is expected: the direction supposed, and curvature hardly beyond 1/8 mm."""
    rein = noise / (tilt_sigma * tilt_sigma)
    for i in range(3):
        g[1] += rein * normal[i] * u[i]
        g[2] += rein * normal[i] * v[i]
    H[0, 0] += 1e-9
    H[1, 1] += rein
    H[2, 2] += rein
    for a in range(3, size):
        H[a, a] += noise * 64.0
        g[a] += noise * 64.0 * bulge[a - 3]


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _turn(m: Array, u: Array, v: Array, across: float, down: float) -> None:
    """Tilts a unit normal."""
    for i in range(3):
        m[i] -= across * u[i] + down * v[i]
    length = math.sqrt(m[0] * m[0] + m[1] * m[1] + m[2] * m[2])
    for i in range(3):
        m[i] /= length


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def fit_patch(
    photographs: Photographs, chosen: np.ndarray, point: Array, needle: Array, depth: float,
    normal: Array, window: Window, step: float, tilt_sigma: float, bulging: bool, rounds: int,
    drop_below: float, room: Room, record: Array,
) -> bool:  # fmt: skip
    """Least-squares fit of one patch; writes `record` (FIELDS long) and says whether it stands.

    `chosen` lists photographs, -1 at the end. Photographs that agree with the mean of the others
    by less than `drop_below` are dropped (worst first, three are kept) after the first step.
    The surface is expected along `normal` give or take `tilt_sigma` (rad); `bulging` lets it bend.
    """
    views = 0
    while views < len(chosen) and views < MAX_VIEWS and chosen[views] >= 0:
        views += 1
    record[FIT_OK] = 0.0
    if views < 3:
        return False
    size = UNKNOWNS if bulging else 3
    used = np.ones(views, dtype=np.uint8)
    corr, contrast, share = np.zeros(views), np.zeros(views), np.ones(views)
    m, u, v, bulge = normal.copy(), np.empty(3), np.empty(3), np.zeros(3)
    H, g, grads = np.empty((UNKNOWNS, UNKNOWNS)), np.empty(UNKNOWNS), np.zeros((views, UNKNOWNS))
    c, along = np.empty(3), np.empty(3)
    sheet, trends = room.sheet, window.trends
    squares = 0.0
    for p in range(sheet.shape[1]):
        squares += sheet[BELL, p] ** 2
    start, moved, pair = depth, 1e9, -1.0
    for turn in range(rounds + 1):
        slope = needle[0] * m[0] + needle[1] * m[1] + needle[2] * m[2]
        if slope < 0.15:
            return False
        tangents(m, u, v)
        for i in range(3):
            c[i] = point[i] + depth * needle[i]
            along[i] = needle[i] / slope
        high = _write_relief(sheet, depth, bulge, window.half, step)
        alive = _look(
            photographs, chosen, c, u, v, m, along, high, window, step, room, used, contrast
        )
        if alive < 3:
            return False
        least = drop_below if turn >= 1 else -1.0
        pair = drop_strangers(sheet, used, corr, least)
        alive = _weigh(used, corr, turn == 0, share)
        residual = _normal_equations(
            room, window, used, share, contrast, alive, size, step, H, grads
        )
        for a in range(size):
            g[a] = 0.0
            for k in range(views):
                g[a] += grads[k, a] if used[k] else 0.0
        # noise of one normal equation's row; three times over, since neighbours' noise is alike
        noise = 3.0 * squares * residual / max(alive - 1, 1) + 1e-6
        _rein(H, g, noise, tilt_sigma, normal, u, v, bulge, size)
        if turn == rounds or moved < STILL * step:
            break
        if not solve_small(H, g, size):
            return False
        away = min(max(-g[0], -1.5 * step), 1.5 * step)
        across, down = min(max(-g[1], -0.25), 0.25), min(max(-g[2], -0.25), 0.25)
        depth += away / slope
        _turn(m, u, v, across, down)
        limit = 0.5 / (window.half * step)
        for a in range(3, size):
            bulge[a - 3] = min(max(bulge[a - 3] - g[a], -limit), limit)
        moved = abs(away) + 0.3 * window.half * step * (abs(across) + abs(down))
        if abs(depth - start) * slope > 6.0 * step:
            return False
    record[FIT_HALVES] = worst_half(sheet, used, trends)
    _write_record(
        record, depth, m, pair, corr, used, contrast, H, grads, size, residual, slope, squares,
        step, bulge,
    )  # fmt: skip
    return True


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _write_record(
    record: Array, depth: float, m: Array, pair: float, corr: Array, used: np.ndarray,
    contrast: Array, H: Array, grads: Array, size: int, residual: float, slope: float,
    squares: float, step: float, bulge: Array,
) -> None:  # fmt: skip
    """Figures of merit: pair correlation, worst view, sigma by noise, sigma by views' discord."""
    right = np.zeros(6)
    right[0] = 1.0
    alive = 0
    worst = 1.0
    texture = 0.0
    for k in range(len(used)):
        if used[k]:
            alive += 1
            worst = min(worst, corr[k])
            texture += contrast[k]
    sigma = 1e3
    spread = 1e3
    if solve_small(H, right, size):
        sigma = math.sqrt(max(right[0], 0.0) * residual * squares / max(alive - 1, 1)) / slope
        s = 0.0
        for k in range(len(used)):
            if used[k]:
                e = 0.0
                for a in range(size):
                    e += right[a] * grads[k, a]
                s += e * e
        spread = math.sqrt(s * alive / max(alive - 1, 1)) / slope
    record[FIT_DEPTH] = depth
    record[FIT_NX] = m[0]
    record[FIT_NY] = m[1]
    record[FIT_NZ] = m[2]
    record[FIT_CORR] = pair
    record[FIT_WORST] = worst
    record[FIT_SIGMA] = sigma
    record[FIT_SPREAD] = spread
    record[FIT_VIEWS] = alive
    record[FIT_CONTRAST] = texture / max(alive, 1)
    record[FIT_STEP] = step
    record[FIT_BULGE] = bulge[0] + bulge[2]
    record[FIT_OK] = 1.0
