"""Agreement of the photographs at many depths along a needle, for one direction of the surface."""

from __future__ import annotations

import numpy as np
from numba import njit

from tracker.cloud.patch_fit import LEAST_CONTRAST, MAX_VIEWS
from tracker.cloud.patch_sampling import sample_patch, tangents
from tracker.cloud.patch_window import REORDER, normalise
from tracker.maths.camera import Array


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
) -> float:
    """Mean correlation of the better two thirds of the photographs with their common mean.

    At least three photographs must hold the patch, else -1. The better two thirds, not all: a
    photograph may be blocked by stone not yet known.
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
        return -1.0
    keep = max(3, (2 * alive + 2) // 3)
    order = np.empty(alive)
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
        order[k] = dot
    order = np.sort(order)
    threshold = order[alive - keep]
    total = 0.0
    for p in range(count):
        sums[p] = 0.0
    number = 0
    for k in range(alive):
        if dots[k] >= threshold and number < keep:
            number += 1
            for p in range(count):
                sums[p] += patches[k, 0, p]
    for p in range(count):
        total += w[p] * sums[p] * sums[p]
    return (total - number) / (number * (number - 1.0))
