"""Patches of which some photographs see a part only.

Where the model hides a point from a photograph, that photograph's grey value there is another
surface's. It is given the value that the others expect instead, so that it says nothing of the
point, and takes part with the rest of the patch.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.cloud.patch_room import Room
from tracker.cloud.patch_window import (
    ACROSS,
    ALONG,
    BELL,
    DOWN,
    GRAY,
    ONE,
    OUTWARD,
    PATCHES,
    REORDER,
    SHOWN,
    SUMS,
    ZERO,
    normalise,
)
from tracker.maths.camera import Array

LEAST_SHOWN = 0.5
"""Part of a patch (by weight) that a photograph must show."""
WHOLE = 0.9999


@njit(cache=True, nogil=True, fastmath=REORDER, error_model="numpy")  # type: ignore[untyped-decorator]
def _normalise_shown(sheet: np.ndarray, row: int, shown: int) -> float:
    """Takes mean and slope off a row as `normalise` does, by the points shown alone."""
    s0, sx, sy, sxx, sxy, syy = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
    g0, gx, gy = ZERO, ZERO, ZERO
    for p in range(sheet.shape[1]):
        q = sheet[BELL, p] * sheet[shown, p]
        x, y, g = sheet[ACROSS, p], sheet[DOWN, p], sheet[row, p]
        s0 += q
        sx += q * x
        sy += q * y
        sxx += q * x * x
        sxy += q * x * y
        syy += q * y * y
        g0 += q * g
        gx += q * g * x
        gy += q * g * y
    mx, my, mean = sx / s0, sy / s0, g0 / s0
    cxx, cxy, cyy = sxx / s0 - mx * mx, sxy / s0 - mx * my, syy / s0 - my * my
    bx, by = gx / s0 - mx * mean, gy / s0 - my * mean
    whole = max(cxx * cyy - cxy * cxy, np.float32(1e-6))
    across, down = (bx * cyy - by * cxy) / whole, (by * cxx - bx * cxy) / whole
    square = ZERO
    for p in range(sheet.shape[1]):
        v = sheet[row, p] - mean - across * (sheet[ACROSS, p] - mx) - down * (sheet[DOWN, p] - my)
        sheet[row, p] = v
        square += sheet[BELL, p] * sheet[shown, p] * v * v
    length = math.sqrt(square / s0)
    if length > 1e-9:
        shrink = np.float32(1.0 / length)
        for p in range(sheet.shape[1]):
            sheet[row, p] *= shrink
    return length


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def normalise_seen(room: Room, n: int, trends: Array) -> float:
    """Normalises the n-th photograph's patch by what it shows; the contrast, 0 if too little."""
    row = PATCHES + 3 * n
    if room.shown[n] > WHOLE:
        return float(normalise(room.sheet, row, trends))
    if room.shown[n] < LEAST_SHOWN:
        return 0.0
    return float(_normalise_shown(room.sheet, row, SHOWN + n))


@njit(cache=True, nogil=True, fastmath=REORDER, error_model="numpy")  # type: ignore[untyped-decorator]
def fill_hidden(
    room: Room, used: np.ndarray, trends: Array, gradients: bool, contrast: Array
) -> None:  # fmt: skip
    """Gives hidden points the mean of the photographs that show them, and no derivative.

    `contrast` is kept true to the patches, which are normalised anew.
    """
    sheet = room.sheet
    partly = False
    for n in range(len(used)):
        partly |= used[n] and room.shown[n] <= WHOLE
    if not partly:
        return
    for p in range(sheet.shape[1]):
        total, number = ZERO, ZERO
        for n in range(len(used)):
            if used[n]:
                shown = sheet[SHOWN + n, p] if room.shown[n] <= WHOLE else ONE
                total += shown * sheet[PATCHES + 3 * n + GRAY, p]
                number += shown
        sheet[SUMS, p] = total / max(number, ONE)
    for n in range(len(used)):
        if used[n] and room.shown[n] <= WHOLE:
            row = PATCHES + 3 * n
            for p in range(sheet.shape[1]):
                if sheet[SHOWN + n, p] == ZERO:
                    sheet[row + GRAY, p] = sheet[SUMS, p]
                    if gradients:
                        sheet[row + ALONG, p] = ZERO
                        sheet[row + OUTWARD, p] = ZERO
            contrast[n] *= normalise(sheet, row, trends)
