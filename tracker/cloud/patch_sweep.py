"""Agreement of the photographs at one depth of a needle, for one direction of the surface."""

from __future__ import annotations

import numpy as np
from numba import njit

from tracker.cloud.patch_fit import LEAST_CONTRAST, MAX_VIEWS, worst_half
from tracker.cloud.patch_sampling import sample_patch, tangents
from tracker.cloud.patch_window import REORDER, normalise
from tracker.maths.camera import Array

NO_AGREEMENT = -1.0
"""Agreement where fewer than three photographs hold the patch."""


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def agreement_at(
    pixels: np.ndarray,
    layout: np.ndarray,
    scale: float,
    cameras: Array,
    chosen: np.ndarray,
    centre: Array,
    normal: Array,
    half: int,
    step: float,
    patches: Array,
    w: Array,
    basis: Array,
    half_w: Array,
    half_basis: Array,
    halved: bool,
) -> float:
    """Mean pair correlation of the better two thirds of the photographs.

    At least three photographs must hold the patch, else NO_AGREEMENT. The better two thirds, not
    all: a photograph may be blocked by stone not yet known. If `halved`, the mean of this and of
    the patch's worst half.
    """
    count = (2 * half + 1) ** 2
    flat = np.empty(0)
    u = np.empty(3)
    v = np.empty(3)
    tangents(normal, u, v)
    alive = 0
    for k in range(min(len(chosen), MAX_VIEWS)):
        cam = chosen[k]
        if cam < 0:
            break
        if not sample_patch(
            pixels,
            layout[cam],
            scale,
            cameras[cam],
            centre,
            u,
            v,
            normal,
            normal,
            flat,
            half,
            step,
            False,
            patches[alive],
        ):
            continue
        if normalise(patches[alive, 0], w, basis, count) > LEAST_CONTRAST:
            alive += 1
    if alive < 3:
        return NO_AGREEMENT
    used = np.zeros(alive, dtype=np.uint8)
    pair = _better_part(patches, alive, w, count, used)
    if not halved:
        return float(pair)
    return float(0.5 * (pair + worst_half(patches, used, alive, half_w, half_basis, count)))


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _better_part(patches: Array, alive: int, w: Array, count: int, used: np.ndarray) -> float:
    """Marks the two thirds of the patches most like their common sum; their mean correlation."""
    keep = max(3, (2 * alive + 2) // 3)
    sums = np.zeros(count)
    for k in range(alive):
        for p in range(count):
            sums[p] += patches[k, 0, p]
    dots = np.empty(alive)
    for k in range(alive):
        dot = 0.0
        for p in range(count):
            dot += w[p] * sums[p] * patches[k, 0, p]
        dots[k] = dot
    threshold = np.sort(dots)[alive - keep]
    for p in range(count):
        sums[p] = 0.0
    number = 0
    for k in range(alive):
        if dots[k] >= threshold and number < keep:
            number += 1
            used[k] = 1
            for p in range(count):
                sums[p] += patches[k, 0, p]
    total = 0.0
    for p in range(count):
        total += w[p] * sums[p] * sums[p]
    return float((total - number) / (number * (number - 1.0)))
