"""Many hypotheses of depth and direction put to the photographs, each on its own.

A hypothesis is a needle with a depth and a surface normal. The photographs that see the place are
chosen, the depth is swept a few steps either way, and the best is refined by least squares. The
work is split over threads in fixed pieces; every result depends on its own hypothesis only, so
the number of threads changes nothing.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps, choose_photographs, hiding_limits
from tracker.cloud.patch_fit import (
    FIELDS,
    FIT_CORR,
    FIT_DEPTH,
    FIT_OK,
    fit_patch,
)
from tracker.cloud.patch_room import (
    Photographs,
    Room,
    Window,
    make_room,
    photographs_of,
    window_of,
)
from tracker.cloud.patch_sampling import MAX_HALF
from tracker.cloud.patch_shape import ModelShape, Shapes, settle_shape, shapes_at
from tracker.cloud.patch_sweep import sweep
from tracker.cloud.patch_views import ViewStack
from tracker.cloud.patch_window import MAX_VIEWS
from tracker.maths.camera import Array

PIECE = 512
MOST_SIDE = 31
"""Depths swept either way, at most."""
RIVAL_WORTH = 0.2
"""A second depth is looked into when its agreement in the sweep is lower by no more than this."""


@dataclass(frozen=True, slots=True)
class PatchSettings:
    """How a round of measuring is done.

    Attributes
    ----------
    level : int
        Pyramid level of the photographs.
    half : int
        Half width of the patch in steps of about one pixel of the level.
    softness : float
        Standard deviation of the patch's bell window in half widths.
    sweep_px, sweep_step_px : float
        Depths tried before the fit, either way, in footprints along the normal; 0 for none.
    rounds : int
        Gauss-Newton steps at most.
    tilt_sigma_rad : float
        How far the stone's direction may be from the one supposed.
    bulging : bool
        Whether the patch may be curved.
    drop_below : float
        Correlation with the others below which a photograph is dropped.
    views : int
        Photographs used at most.
    least_facing : float
        Cosine between normal and line of sight below which a photograph does not look.
    """

    level: int
    half: int = 5
    softness: float = 0.7
    sweep_px: float = 3.0
    sweep_step_px: float = 0.6
    rounds: int = 6
    tilt_sigma_rad: float = 0.25
    bulging: bool = False
    drop_below: float = 0.3
    views: int = 8
    least_facing: float = 0.3


@dataclass(frozen=True, slots=True)
class Fits:
    """Results of hypotheses, n of them.

    Attributes
    ----------
    record : (n, FIELDS) array
        Columns by the `FIT_*` constants of `patch_fit`.
    looking : (n,) int array
        Photographs that look at the place, whether used or not.
    """

    record: Array
    looking: NDArray[np.int64]

    @property
    def stands(self) -> NDArray[np.bool_]:
        """Which fits converged."""
        return np.asarray(self.record[:, FIT_OK] > 0.0)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _peaks(values: Array, number: int, out: np.ndarray) -> int:
    """The two highest local maxima, highest first; returns how many there are."""
    found = 0
    for s in range(number):
        v = values[s]
        if (s > 0 and values[s - 1] > v) or (s < number - 1 and values[s + 1] >= v):
            continue
        if found == 0 or v > values[out[0]]:
            out[1] = out[0]
            out[0] = s
            found = min(found + 1, 2)
        elif found == 1 or v > values[out[1]]:
            out[1] = s
            found = 2
    return found


class _Way(NamedTuple):
    """The settings of a round as the compiled loops take them, see `PatchSettings`."""

    side: int
    sweep_step: float
    rounds: int
    tilt_sigma: float
    bulging: bool
    drop_below: float
    views: int
    least_facing: float


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _measure_one(
    photographs: Photographs, window: Window, way: _Way, chosen: np.ndarray, point: Array,
    needle: Array, depth: float, normal: Array, step: float, slope: float, room: Room,
    other: Array, record: Array,
) -> None:  # fmt: skip
    """Sweeps and refines one hypothesis; writes `record`. `other` is a record to work in."""
    side, pitch = way.side, way.sweep_step * step / slope
    peaks = np.full(2, side)
    values = np.zeros(2 * side + 1)
    found = 1
    if side > 0:
        along = depth + pitch * np.arange(-side, side + 1)
        sweep(
            photographs, chosen, point, needle, along, normal, window, step, False, room, values
        )
        found = _peaks(values, len(values), peaks)
        if found == 0 or values[peaks[0]] < 0.2:
            return
    # a second depth that is nearly as good is fitted as well, and the better one kept
    good = False
    for q in range(found):
        if q > 0 and values[peaks[q]] < values[peaks[0]] - RIVAL_WORTH:
            break
        if not fit_patch(
            photographs, chosen, point, needle, depth + (peaks[q] - side) * pitch, normal, window,
            step, way.tilt_sigma, way.bulging, way.rounds, way.drop_below, room, other,
        ):  # fmt: skip
            continue
        if good and abs(other[FIT_DEPTH] - record[FIT_DEPTH]) < 1.5 * step / slope:
            continue
        if not good or other[FIT_CORR] > record[FIT_CORR]:
            record[:] = other
        good = True


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _measure_piece(
    photographs: Photographs, window: Window, way: _Way, limits: np.ndarray, frames: Array,
    points: Array, needles: Array, depths: Array, normals: Array, shapes: Shapes, record: Array,
    looking: np.ndarray,
) -> None:  # fmt: skip
    room = make_room(window)
    chosen = np.empty(min(way.views, MAX_VIEWS), dtype=np.int64)
    score = np.empty(len(chosen))
    place = np.empty(3)
    other = np.empty(FIELDS)
    for n in range(len(points)):
        slope = 0.0
        for i in range(3):
            place[i] = points[n, i] + depths[n] * needles[n, i]
            slope += needles[n, i] * normals[n, i]
        looking[n] = choose_photographs(
            photographs, limits, frames, place, normals[n], way.least_facing, window.half + 4.0,
            chosen, score,
        )  # fmt: skip
        record[n, FIT_OK] = 0.0
        if looking[n] < 3 or slope < 0.15:
            continue
        step = settle_shape(photographs, chosen, shapes, n, place, normals[n], room)
        _measure_one(
            photographs, window, way, chosen, points[n], needles[n], depths[n], normals[n], step,
            slope, room, other, record[n],
        )  # fmt: skip


def measure(
    stack: ViewStack,
    hiding: list[DepthMaps],
    slack_mm: list[float],
    points: Array,
    needles: Array,
    depths: Array,
    normals: Array,
    settings: PatchSettings,
    threads: int = 2,
    shape: ModelShape | None = None,
) -> Fits:
    """Sweeps and refines each hypothesis.

    Parameters
    ----------
    stack : ViewStack
    hiding : depth maps of surfaces that hide places, all with the same frames
    slack_mm : by how much a place may lie behind each
    points, needles : (n, 3) arrays, mm, frame coordinates
    depths : (n,) array, mm along the needle
    normals : (n, 3) array, unit, outward normal of the stone there
    shape : if given, patches have the model's shape; `points` then lie on it, `normals` are its own
    """
    n = len(points)
    record = np.zeros((n, FIELDS))
    looking = np.zeros(n, dtype=np.int64)
    s = settings
    if s.half > MAX_HALF:
        raise ValueError(f"half {s.half} is more than {MAX_HALF}")
    photographs, window = photographs_of(stack, s.level), window_of(s.half, s.softness)
    limits = hiding_limits(hiding, slack_mm)
    side = min(int(s.sweep_px / s.sweep_step_px + 0.5), MOST_SIDE) if s.sweep_px > 0.0 else 0
    way = _Way(
        side, s.sweep_step_px, s.rounds, s.tilt_sigma_rad, s.bulging, s.drop_below, s.views,
        s.least_facing,
    )  # fmt: skip

    def piece(start: int) -> None:
        part = slice(start, start + PIECE)
        _measure_piece(
            photographs, window, way, limits, hiding[0].frames, points[part], needles[part],
            depths[part], normals[part],
            shapes_at(shape, stack, points[part], normals[part], s.half, photographs.scale),
            record[part], looking[part],
        )  # fmt: skip

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(piece, range(0, n, PIECE)))
    return Fits(record, looking)
