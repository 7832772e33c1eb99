"""Agreement of the photographs at one depth of a needle, for one direction of the surface."""

from __future__ import annotations

import numpy as np
from numba import njit

from tracker.cloud.patch_agreement import better_part, worst_half
from tracker.cloud.patch_fit import LEAST_CONTRAST
from tracker.cloud.patch_hidden import fill_hidden, normalise_seen
from tracker.cloud.patch_room import Photographs, Room, Window
from tracker.cloud.patch_sampling import sample_patch, tangents
from tracker.cloud.patch_window import MAX_VIEWS, PATCHES, RELIEF, SHAPE, SWELL, add, copy, highest
from tracker.maths.camera import Array

NO_AGREEMENT = -1.0
"""Agreement where fewer than three photographs hold the patch."""


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def sweep(
    photographs: Photographs, chosen: np.ndarray, point: Array, needle: Array, depths: Array,
    normal: Array, window: Window, step: float, halved: bool, room: Room, values: np.ndarray,
) -> None:  # fmt: skip
    """Agreement at some depths of a needle: mean correlation of the better two thirds.

    At least three photographs must hold the patch, else NO_AGREEMENT. The better two thirds, not
    all: a photograph may be blocked by stone not yet known. If `halved`, the mean of this and of
    the patch's worst half.

    Parameters
    ----------
    chosen : photographs, -1 at the end
    point, needle, normal : (3,) arrays, mm, frame coordinates
    depths : (n,) array, mm along the needle
    step : grid step of the patch, mm
    room : with the shape of the patch, see `patch_shape.lay_shape`
    values : (n,) array, filled
    """
    pixels, layout, cameras = photographs.pixels, photographs.layout, photographs.cameras
    scale, half, trends = photographs.scale, window.half, window.trends
    sheet, place, words = room.sheet, room.place, room.words
    centre, u, v, corr = np.empty(3), np.empty(3), np.empty(3), np.empty(MAX_VIEWS)
    used = np.empty(MAX_VIEWS, dtype=np.uint8)
    tangents(normal, u, v)
    high, swollen = highest(sheet, SHAPE), highest(sheet, SWELL)
    contrast = np.empty(MAX_VIEWS)
    for s in range(len(depths)):
        for i in range(3):
            centre[i] = point[i] + depths[s] * needle[i]
        copy(sheet, RELIEF, SHAPE)
        add(sheet, RELIEF, SWELL, depths[s])
        alive = 0
        used[:] = 0
        for k in range(min(len(chosen), MAX_VIEWS)):
            if chosen[k] < 0:
                break
            row = PATCHES + 3 * k
            if sample_patch(
                pixels, layout, scale, cameras, chosen[k], centre, u, v, normal, normal, half,
                step, high + abs(depths[s]) * swollen, False, place, words, sheet, row,
            ):  # fmt: skip
                contrast[k] = normalise_seen(room, k, trends)
                used[k] = 1 if contrast[k] > LEAST_CONTRAST else 0
            alive += used[k]
        values[s] = NO_AGREEMENT
        if alive >= 3:
            fill_hidden(room, used, trends, False, contrast)
            pair = better_part(sheet, used, corr)
            values[s] = 0.5 * (pair + worst_half(sheet, used, trends)) if halved else pair
