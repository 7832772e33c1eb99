"""The points of a patch, their weights, and the rows in which the loops over them keep what they do.

Everything that is done for each point of a patch is done in single precision, for a number of
points that is filled up with points of weight 0 to whole vectors of the processor. What belongs to
the points lies in the rows of one array, the *sheet*: making a view of a row would take as long as
a loop over it does, so loops are given the sheet and the numbers of rows.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.maths.camera import Array

REORDER = {"reassoc", "contract", "nsz"}
"""Sums are vectorised, more than twice as fast; results agree to rounding, whatever the threads."""
HALVES = 4
"""Right, left, lower and upper half."""
MAX_VIEWS = 10
"""Photographs that a patch is looked up in, at most."""
LANES = 16
"""Points that are worked on at a time."""
ZERO, ONE = np.float32(0.0), np.float32(1.0)

ACROSS, DOWN, EVERY, BELL = range(4)
"""Rows of a sheet: column and row of the points counted from the middle, 1, and the weight; the
weights in the halves follow."""
RELIEF, SHAPE, SWELL, RIGHT, BELOW, SUMS, MEAN, SHIFT = (BELL + 1 + HALVES + k for k in range(8))
"""Height of the points (mm), the part of it that is given and what it grows by for each mm of depth
(`patch_shape`), how far they lie right of and below a whole pixel, two sums over the photographs,
and eight rows of `patch_normal`."""
SHOWN = SHIFT + 8
"""From here on a row a photograph: 1 where it shows the point, 0 where the model hides it."""
PATCHES = SHOWN + MAX_VIEWS
"""From here on three rows a photograph."""
GRAY, ALONG, OUTWARD = range(3)
"""Of these: grey value, its derivative when the patch moves along the needle by 1 mm of normal
distance, and when the point moves along the normal by 1 mm."""
ROWS = PATCHES + 3 * MAX_VIEWS


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def window(half: int, softness: float) -> tuple[np.ndarray, Array]:
    """A sheet with points and weights of a patch of 2 half + 1 squared, and of its four halves.

    Returns
    -------
    sheet : (ROWS, n) float32 array
        n is filled up to whole vectors. Weights are a bell of standard deviation softness * half
        and have sum 1; the middle row belongs to both halves.
    trends : (1 + HALVES, 4) array
        Weighted mean of column and row, and the inverse of each one's variance, over the whole and
        each half.
    """
    count = (2 * half + 1) ** 2
    sheet = np.zeros((ROWS, (count + LANES - 1) // LANES * LANES), dtype=np.float32)
    trends = np.empty((1 + HALVES, 4))
    spread = 1.0 / (softness * half) ** 2
    x, y = np.zeros(sheet.shape[1]), np.zeros(sheet.shape[1])
    weight = np.zeros((1 + HALVES, sheet.shape[1]))
    n = 0
    for j in range(-half, half + 1):
        for i in range(-half, half + 1):
            x[n], y[n] = i, j
            bell = math.exp(-0.5 * (i * i + j * j) * spread)
            weight[0, n] = bell
            for h in range(HALVES):
                along = i if h < 2 else j
                weight[1 + h, n] = bell if (along if h % 2 == 0 else -along) >= 0 else 0.0
            n += 1
    sheet[ACROSS], sheet[DOWN], sheet[EVERY] = x, y, ONE
    for part in range(1 + HALVES):
        w = weight[part] / weight[part].sum()
        trends[part, 0] = (w * x).sum()
        trends[part, 1] = (w * y).sum()
        trends[part, 2] = 1.0 / (w * (x - trends[part, 0]) ** 2).sum()
        trends[part, 3] = 1.0 / (w * (y - trends[part, 1]) ** 2).sum()
        sheet[BELL + part] = w
    return sheet, trends


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def clear(sheet: np.ndarray, row: int) -> None:
    """Sets a row to 0."""
    for p in range(sheet.shape[1]):
        sheet[row, p] = ZERO


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def copy(sheet: np.ndarray, row: int, other: int) -> None:
    """Sets a row to another row."""
    for p in range(sheet.shape[1]):
        sheet[row, p] = sheet[other, p]


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def highest(sheet: np.ndarray, row: int) -> float:
    """Largest size of a number in a row."""
    most = ZERO
    for p in range(sheet.shape[1]):
        most = max(most, abs(sheet[row, p]))
    return float(most)


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def add(sheet: np.ndarray, row: int, other: int, factor: float) -> None:
    """Adds `factor` times another row to a row."""
    times = np.float32(factor)
    for p in range(sheet.shape[1]):
        sheet[row, p] += times * sheet[other, p]


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def dot(sheet: np.ndarray, a: int, b: int, weight: int) -> float:
    """Product of two rows under weights."""
    total = ZERO
    for p in range(sheet.shape[1]):
        total += sheet[weight, p] * sheet[a, p] * sheet[b, p]
    return float(total)


@njit(cache=True, nogil=True, fastmath=REORDER, error_model="numpy")  # type: ignore[untyped-decorator]
def normalise(sheet: np.ndarray, row: int, trends: Array) -> float:
    """Takes mean and slope off a row and brings it to length 1; returns the length it had."""
    mean, across, down = ZERO, ZERO, ZERO
    for p in range(sheet.shape[1]):
        q = sheet[BELL, p] * sheet[row, p]
        mean += q
        across += q * sheet[ACROSS, p]
        down += q * sheet[DOWN, p]
    across = np.float32(across * trends[0, 2])
    down = np.float32(down * trends[0, 3])
    square = ZERO
    for p in range(sheet.shape[1]):
        v = sheet[row, p] - mean - across * sheet[ACROSS, p] - down * sheet[DOWN, p]
        sheet[row, p] = v
        square += sheet[BELL, p] * v * v
    length = math.sqrt(square)
    if length > 1e-9:
        shrink = np.float32(1.0 / length)
        for p in range(sheet.shape[1]):
            sheet[row, p] *= shrink
    return length
