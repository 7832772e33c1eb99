"""How well the photographs' patches agree: as a whole, each with the others, and half by half.

Patches are normalised (`patch_window.normalise`): under the window's weights each has mean and
slope 0 and length 1, so that the product of two is their correlation. With S the sum of n of them,
the mean correlation of pairs is (|S|^2 - n) / (n (n - 1)).

Patches lie in a sheet (`patch_window`), that of photograph k in row PATCHES + 3 k.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.cloud.patch_window import (
    ACROSS,
    BELL,
    DOWN,
    HALVES,
    PATCHES,
    REORDER,
    SUMS,
    ZERO,
    add,
    clear,
    dot,
)
from tracker.maths.camera import Array

LEAST_SQUARE = 1e-6
"""Squared length of half a patch, the whole being 1, below which it is taken for this long."""


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def _sum_up(sheet: np.ndarray, used: np.ndarray) -> int:
    """Sum of the patches used, in row SUMS; returns their number."""
    number = 0
    clear(sheet, SUMS)
    for k in range(len(used)):
        if used[k]:
            number += 1
            add(sheet, SUMS, PATCHES + 3 * k, 1.0)
    return number


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def agreements(sheet: np.ndarray, used: np.ndarray, corr: Array) -> float:
    """Correlation of each photograph with the mean of the others; returns the mean pair."""
    number = _sum_up(sheet, used)
    if number < 2:
        corr[:] = -1.0
        return -1.0
    total = dot(sheet, SUMS, SUMS, BELL)
    for k in range(len(used)):
        corr[k] = -1.0
        if used[k]:
            own = dot(sheet, SUMS, PATCHES + 3 * k, BELL)
            corr[k] = (own - 1.0) / math.sqrt(max(total - 2.0 * own + 1.0, 1e-9))
    return float((total - number) / (number * (number - 1.0)))


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def drop_strangers(sheet: np.ndarray, used: np.ndarray, corr: Array, least: float) -> float:
    """Drops photographs that agree by less than `least`, worst first, keeping three."""
    pair = agreements(sheet, used, corr)
    alive = 0
    for k in range(len(used)):
        alive += used[k]
    while alive > 3:
        worst = -1
        for k in range(len(used)):
            if used[k] and corr[k] < least and (worst < 0 or corr[k] < corr[worst]):
                worst = k
        if worst < 0:
            break
        used[worst] = 0
        alive -= 1
        pair = agreements(sheet, used, corr)
    return float(pair)


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def better_part(sheet: np.ndarray, used: np.ndarray, corr: Array) -> float:
    """Keeps the two thirds of the patches most like their common sum; their mean correlation.

    `corr` is room to work in.
    """
    keep = _sum_up(sheet, used)
    for k in range(len(used)):
        corr[k] = dot(sheet, SUMS, PATCHES + 3 * k, BELL) if used[k] else 0.0
    drop = keep - max(3, (2 * keep + 2) // 3)
    for _ in range(drop):
        worst = -1
        for k in range(len(used)):
            if used[k] and (worst < 0 or corr[k] <= corr[worst]):
                worst = k
        used[worst] = 0
        keep -= 1
        add(sheet, SUMS, PATCHES + 3 * worst, -1.0)
    return float((dot(sheet, SUMS, SUMS, BELL) - keep) / (keep * (keep - 1.0)))


@njit(cache=True, nogil=True, forceinline=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _half_sums(sheet: np.ndarray, row: int, weight: int) -> tuple[float, float, float, float]:
    """Weighted sums of a row, of it times column and times row of the points, of its square."""
    level, across, down, square = ZERO, ZERO, ZERO, ZERO
    for p in range(sheet.shape[1]):
        q = sheet[weight, p] * sheet[row, p]
        level += q
        across += q * sheet[ACROSS, p]
        down += q * sheet[DOWN, p]
        square += q * sheet[row, p]
    return float(level), float(across), float(down), float(square)


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def worst_half(sheet: np.ndarray, used: np.ndarray, trends: Array) -> float:
    """Least mean pair correlation over the four halves of the patch.

    A patch at the foot of a ridge can agree by the ridge alone, at the ridge's depth; its far half
    then does not agree. Each half is freed of its own mean and slope; these are orthogonal, so
    that their part in every square is taken off it, and no patch need be written anew.
    """
    worst = 1.0
    number = 0
    for k in range(len(used)):
        number += used[k]
    if number < 2:
        return -1.0
    for h in range(1, 1 + HALVES):
        x0, y0, xx, yy = trends[h, 0], trends[h, 1], trends[h, 2], trends[h, 3]
        clear(sheet, SUMS)
        level_all, across_all, down_all = 0.0, 0.0, 0.0
        for k in range(len(used)):
            if used[k]:
                level, across, down, square = _half_sums(sheet, PATCHES + 3 * k, BELL + h)
                across, down = across - x0 * level, down - y0 * level
                square -= level * level + across * across * xx + down * down * yy
                shrink = 1.0 / math.sqrt(max(square, LEAST_SQUARE))
                level_all += level * shrink
                across_all += across * shrink
                down_all += down * shrink
                add(sheet, SUMS, PATCHES + 3 * k, shrink)
        total = dot(sheet, SUMS, SUMS, BELL + h)
        total -= level_all**2 + across_all**2 * xx + down_all**2 * yy
        worst = min(worst, (total - number) / (number * (number - 1.0)))
    return worst
