"""The loops of `patch_match`: one patch after another is moved until it lies on its template.

With T the template, J its derivatives by the warp and I the other patch at the present warp, all
under the window's root, the step is (J'J + hold)^-1 (J'(I - T) + hold (W0^-1 W - 1)), and the warp
becomes W o dW^-1 (S. Baker and I. Matthews, "Lucas-Kanade 20 years on", IJCV 56 (2004), eq. 36).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.cloud.patch_window import REORDER
from tracker.maths.camera import Array

UNKNOWNS = 6
"""Shift x, y, then the linear part of the warp row by row."""
FLAT = 1e-3
"""Least length of a patch, grey values."""
FARTHEST = 1e6
"""A patch that has left for so many pixels, or for nowhere, is lost."""


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def look_up(
    picture: np.ndarray, cx: float, cy: float, W: Array, grid: np.ndarray, out: np.ndarray
) -> None:
    """Grey values of one patch round (cx, cy) px: bilinear, the picture's edge repeated."""
    height, width = picture.shape
    a, b, c, d = np.float32(W[0, 0]), np.float32(W[0, 1]), np.float32(W[1, 0]), np.float32(W[1, 1])
    x0, y0 = np.float32(cx), np.float32(cy)
    right, bottom = np.float32(width - 1), np.float32(height - 1)
    zero = np.float32(0.0)
    for q in range(len(grid)):
        gx, gy = grid[q, 0], grid[q, 1]
        x, y = x0 + a * gx + b * gy, y0 + c * gx + d * gy
        # written so that nowhere (nan) is a place in the picture too
        x, y = (x if x > zero else zero), (y if y > zero else zero)
        x, y = min(x, right), min(y, bottom)
        column = min(int(x), width - 2)
        row = min(int(y), height - 2)
        fx, fy = x - np.float32(column), y - np.float32(row)
        top = picture[row, column] + fx * (picture[row, column + 1] - picture[row, column])
        low = picture[row + 1, column] + fx * (
            picture[row + 1, column + 1] - picture[row + 1, column]
        )
        out[q] = top + fy * (low - top)


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def standardise(values: np.ndarray, weight: np.ndarray, root: np.ndarray) -> float:
    """Makes one patch zero-mean and of unit norm under the window; returns its norm."""
    mean = np.float32(0.0)
    for q in range(len(values)):
        mean += values[q] * weight[q]
    square = np.float32(0.0)
    for q in range(len(values)):
        values[q] = (values[q] - mean) * root[q]
        square += values[q] * values[q]
    norm = max(math.sqrt(square), FLAT)
    share = np.float32(1.0 / norm)
    for q in range(len(values)):
        values[q] *= share
    return norm


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def cut_templates(
    picture: np.ndarray, centre: Array, grid: np.ndarray, weight: np.ndarray, root: np.ndarray,
    values: np.ndarray, slopes: np.ndarray, contrast: Array,
) -> None:
    """Fills the templates round pixels (n, 2): values (n, p), slopes (n, 2, p), contrast (n,)."""
    straight, behind = np.eye(2), np.empty(len(grid), np.float32)
    for n in range(len(centre)):
        x, y = centre[n, 0], centre[n, 1]
        look_up(picture, x, y, straight, grid, values[n])
        contrast[n] = standardise(values[n], weight, root)
        for k in range(2):
            across, down = 0.5 * (k == 0), 0.5 * (k == 1)
            look_up(picture, x - across, y - down, straight, grid, behind)
            look_up(picture, x + across, y + down, straight, grid, slopes[n, k])
            for q in range(len(grid)):
                slopes[n, k, q] = (slopes[n, k, q] - behind[q]) / np.float32(contrast[n])


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _derivatives(
    template: np.ndarray, slopes: np.ndarray, grid: np.ndarray, weight: np.ndarray,
    root: np.ndarray, J: np.ndarray,
) -> None:
    """Derivatives (6, p) by shift and linear part of the warp, freed of brightness and contrast."""
    p = len(template)
    for q in range(p):
        sx, sy = slopes[0, q], slopes[1, q]
        J[0, q], J[1, q] = sx, sy
        J[2, q], J[3, q] = sx * grid[q, 0], sx * grid[q, 1]
        J[4, q], J[5, q] = sy * grid[q, 0], sy * grid[q, 1]
    for k in range(UNKNOWNS):
        mean = np.float32(0.0)
        for q in range(p):
            mean += J[k, q] * weight[q]
        along = np.float32(0.0)
        for q in range(p):
            J[k, q] = (J[k, q] - mean) * root[q]
            along += J[k, q] * template[q]
        for q in range(p):
            J[k, q] -= along * template[q]


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _inverse(matrix: Array, out: Array) -> None:
    """Inverse of a positive definite matrix, which is lost (Gauss and Jordan, no pivots)."""
    size = len(matrix)
    for i in range(size):
        for j in range(size):
            out[i, j] = 1.0 if i == j else 0.0
    for k in range(size):
        share = 1.0 / matrix[k, k]
        for j in range(size):
            matrix[k, j] *= share
            out[k, j] *= share
        for i in range(size):
            if i != k:
                factor = matrix[i, k]
                for j in range(size):
                    matrix[i, j] -= factor * matrix[k, j]
                    out[i, j] -= factor * out[k, j]


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def follow(
    picture: np.ndarray, templates: np.ndarray, slopes: np.ndarray, hold: Array, grid: np.ndarray,
    weight: np.ndarray, root: np.ndarray, rounds: int, still_px: float, longest_px: float,
    centre: Array, warp: Array, size: Array, likeness: Array, spread: Array,
) -> None:
    """Moves n patches onto their templates.

    Parameters
    ----------
    picture : (h, w) float32 array
    templates, slopes : (n, p), (n, 2, p) float32 arrays
        As `patch_match.Template` has them.
    hold : (n,) array
        Weight of the start of the warp's linear part.
    grid, weight, root : of the window
    rounds, still_px, longest_px : int, px, px
        When to stop, and the longest step.
    centre, warp : (n, 2), (n, 2, 2) arrays
        Starts on entry, ends on return.
    size, likeness : (n,) arrays
        Filled: last step, px; correlation coefficient. A patch that got lost keeps its start, with
        an infinite step.
    spread : (n, 2, 2) array
        Filled: covariance of the shift in the template, for unit variance of a pixel.
    """
    p = len(weight)
    here, J = np.empty(p, np.float32), np.empty((UNKNOWNS, p), np.float32)
    normal, inverse = np.empty((UNKNOWNS, UNKNOWNS)), np.empty((UNKNOWNS, UNKNOWNS))
    right, step = np.empty(UNKNOWNS), np.empty(UNKNOWNS)
    back, W = np.empty((2, 2)), np.empty((2, 2))
    for n in range(len(centre)):
        T = templates[n]
        _derivatives(T, slopes[n], grid, weight, root, J)
        for i in range(UNKNOWNS):
            for j in range(i + 1):
                total = np.float32(0.0)
                for q in range(p):
                    total += J[i, q] * J[j, q]
                normal[i, j] = normal[j, i] = total
            normal[i, i] += 1e-9 + (hold[n] if i >= 2 else 0.0)
        _inverse(normal, inverse)
        W[:] = warp[n]
        det = W[0, 0] * W[1, 1] - W[0, 1] * W[1, 0]
        back[0, 0], back[0, 1] = W[1, 1] / det, -W[0, 1] / det
        back[1, 0], back[1, 1] = -W[1, 0] / det, W[0, 0] / det
        cx, cy = centre[n, 0], centre[n, 1]
        length, lost = np.inf, False
        for _ in range(rounds):
            look_up(picture, cx, cy, W, grid, here)
            standardise(here, weight, root)
            for q in range(p):
                here[q] -= T[q]
            for k in range(UNKNOWNS):
                total = np.float32(0.0)
                for q in range(p):
                    total += J[k, q] * here[q]
                right[k] = total
            for i in range(2):
                for j in range(2):
                    strain = back[i, 0] * W[0, j] + back[i, 1] * W[1, j] - (1.0 if i == j else 0.0)
                    right[2 + 2 * i + j] += hold[n] * strain
            for i in range(UNKNOWNS):
                step[i] = 0.0
                for j in range(UNKNOWNS):
                    step[i] += inverse[i, j] * right[j]
            length = math.sqrt(step[0] * step[0] + step[1] * step[1])
            share = min(1.0, longest_px / max(length, 1e-9))
            for i in range(UNKNOWNS):
                step[i] *= share
            a, b, c, d = 1.0 + step[2], step[3], step[4], 1.0 + step[5]
            det = a * d - b * c
            for i in range(2):
                u, v = W[i, 0], W[i, 1]
                W[i, 0], W[i, 1] = (u * d - v * c) / det, (v * a - u * b) / det
            cx -= W[0, 0] * step[0] + W[0, 1] * step[1]
            cy -= W[1, 0] * step[0] + W[1, 1] * step[1]
            if length <= still_px:
                break
            lost = not abs(cx) + abs(cy) + np.abs(W).sum() < FARTHEST
            if lost:
                break
        if lost:
            size[n], likeness[n] = np.inf, 0.0
            continue
        look_up(picture, cx, cy, W, grid, here)
        standardise(here, weight, root)
        total = np.float32(0.0)
        for q in range(p):
            total += here[q] * T[q]
        centre[n, 0], centre[n, 1], size[n], likeness[n] = cx, cy, length, total
        warp[n] = W
        for i in range(2):
            for j in range(2):
                spread[n, i, j] = 0.0
                for k in range(2):
                    for m in range(2):
                        spread[n, i, j] += W[i, k] * inverse[k, m] * W[j, m]
