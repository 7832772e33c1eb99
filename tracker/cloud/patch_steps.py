"""Agreement of the photographs at whole steps of depth along needles.

All needles count their steps from the same depth, so that steps of neighbours can be compared.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps, choose_photographs, hiding_limits
from tracker.cloud.patch_measure import PIECE, PatchSettings
from tracker.cloud.patch_room import (
    Photographs,
    Window,
    make_room,
    photographs_of,
    window_of,
)
from tracker.cloud.patch_shape import ModelShape, Shapes, settle_shape, shapes_at
from tracker.cloud.patch_sweep import NO_AGREEMENT, sweep
from tracker.cloud.patch_views import ViewStack
from tracker.cloud.patch_window import MAX_VIEWS
from tracker.maths.camera import Array

FIRST_MM = -20.0
"""Depth of step 0."""
STEP_MM = 0.3


@dataclass(frozen=True, slots=True)
class Steps:
    """Agreement along n needles, at 2 side + 1 steps round a depth supposed at each.

    Attributes
    ----------
    first : (n,) int32 array, step of the first column
    agreement : (n, 2 side + 1) float32 array, -1..1; NO_AGREEMENT where it cannot be told
    """

    first: NDArray[np.int32]
    agreement: NDArray[np.float32]


def depth_of(step: NDArray[np.int32]) -> Array:
    """Depth of steps, mm along the needle."""
    return np.asarray(FIRST_MM + STEP_MM * step)


def agreement_along(
    stack: ViewStack,
    hiding: list[DepthMaps],
    slack_mm: list[float],
    points: Array,
    needles: Array,
    depths: Array,
    normals: Array,
    side: int,
    settings: PatchSettings,
    threads: int = 2,
    shape: ModelShape | None = None,
) -> Steps:
    """Agreement at the steps round one hypothesis a needle.

    Parameters
    ----------
    stack : ViewStack
    hiding : depth maps of surfaces that hide places, all with the same frames
    slack_mm : by how much a place may lie behind each
    points, needles : (n, 3) arrays, mm, frame coordinates
    depths : (n,) array, mm along the needle, the middle of the steps
    normals : (n, 3) array, unit, outward normal of the stone there
    side : steps either way
    settings : level, half, softness, views and least_facing are used
    shape : if given, patches have the model's shape; `points` then lie on it, `normals` are its own
    """
    n = len(points)
    first = np.round((depths - FIRST_MM) / STEP_MM).astype(np.int32) - np.int32(side)
    agreement = np.full((n, 2 * side + 1), NO_AGREEMENT, dtype=np.float32)
    s = settings
    photographs, window = photographs_of(stack, s.level), window_of(s.half, s.softness)
    limits = hiding_limits(hiding, slack_mm)

    def piece(start: int) -> None:
        part = slice(start, start + PIECE)
        _agreement_piece(
            photographs, window, limits, hiding[0].frames, points[part], needles[part],
            depths[part], normals[part],
            shapes_at(shape, stack, points[part], normals[part], s.half, photographs.scale),
            first[part], s.views, s.least_facing, agreement[part],
        )  # fmt: skip

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(piece, range(0, n, PIECE)))
    return Steps(first, agreement)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _agreement_piece(
    photographs: Photographs, window: Window, limits: np.ndarray, frames: Array, points: Array,
    needles: Array, depths: Array, normals: Array, shapes: Shapes, first: np.ndarray, views: int,
    least_facing: float, agreement: np.ndarray,
) -> None:  # fmt: skip
    room = make_room(window)
    chosen = np.empty(min(views, MAX_VIEWS), dtype=np.int64)
    score = np.empty(len(chosen))
    place = np.empty(3)
    along = np.empty(agreement.shape[1])
    for n in range(len(points)):
        slope = 0.0
        for i in range(3):
            place[i] = points[n, i] + depths[n] * needles[n, i]
            slope += needles[n, i] * normals[n, i]
        looking = choose_photographs(
            photographs, limits, frames, place, normals[n], least_facing, window.half + 4.0,
            chosen, score,
        )  # fmt: skip
        if looking < 3 or slope < 0.15:
            continue
        step = settle_shape(photographs, chosen, shapes, n, place, normals[n], room)
        for s in range(len(along)):
            along[s] = FIRST_MM + STEP_MM * (first[n] + s)
        sweep(
            photographs, chosen, points[n], needles[n], along, normals[n], window, step, True,
            room, agreement[n],
        )  # fmt: skip
