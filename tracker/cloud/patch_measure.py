"""Many hypotheses of depth and direction put to the photographs, each on its own.

A hypothesis is a needle with a depth and a surface normal. The photographs that see the place are
chosen, the depth is swept a few steps either way, and the best is refined by least squares. The
work is split over threads in fixed pieces; every result depends on its own hypothesis only, so
the number of threads changes nothing.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps, choose_photographs
from tracker.cloud.patch_fit import (
    FIELDS,
    FIT_CORR,
    FIT_DEPTH,
    FIT_OK,
    MAX_VIEWS,
    fit_patch,
)
from tracker.cloud.patch_sampling import MAX_HALF
from tracker.cloud.patch_sweep import agreement_at
from tracker.cloud.patch_views import ViewStack
from tracker.cloud.patch_window import window
from tracker.maths.camera import Array

PIECE = 512
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


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def footprint_mm(cameras: Array, chosen: np.ndarray, place: Array) -> float:
    """Mean size of a photograph's pixel at a place, over the chosen photographs."""
    used = 0
    total = 0.0
    for k in range(len(chosen)):
        if chosen[k] < 0:
            break
        cam = cameras[chosen[k]]
        used += 1
        total += (cam[6] * place[0] + cam[7] * place[1] + cam[8] * place[2] + cam[11]) / cam[12]
    return total / max(used, 1)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
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


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _measure_piece(
    pixels: np.ndarray, layout: np.ndarray, scale: float, cameras: Array, centres: Array,
    hiding: np.ndarray, frames: Array, slack: Array, points: Array, needles: Array,
    depths: Array, normals: Array, half: int, softness: float, sweep: float, sweep_step: float,
    rounds: int, tilt_sigma: float, bulging: bool, drop_below: float, views: int,
    least_facing: float, record: Array,
    looking: np.ndarray,
) -> None:  # fmt: skip
    count = (2 * half + 1) ** 2
    patches = np.empty((MAX_VIEWS, 3, count))
    w, basis, half_w, half_basis = window(half, softness)
    chosen = np.empty(min(views, MAX_VIEWS), dtype=np.int64)
    score = np.empty(len(chosen))
    place = np.empty(3)
    values = np.empty(64)
    peaks = np.zeros(2, dtype=np.int64)
    other = np.empty(FIELDS)
    side = min(int(sweep / sweep_step + 0.5), 31) if sweep > 0.0 else 0
    for n in range(len(points)):
        for i in range(3):
            place[i] = points[n, i] + depths[n] * needles[n, i]
        looking[n] = choose_photographs(
            cameras,
            centres,
            layout,
            scale,
            hiding,
            frames,
            slack,
            place,
            normals[n],
            least_facing,
            half + 4.0,
            chosen,
            score,
        )
        record[n, FIT_OK] = 0.0
        slope = 0.0
        for i in range(3):
            slope += needles[n, i] * normals[n, i]
        if looking[n] < 3 or slope < 0.15:
            continue
        step = footprint_mm(cameras, chosen, place) * scale
        found = 1
        peaks[0] = side
        pitch = sweep_step * step / slope
        if side > 0:
            for s in range(-side, side + 1):
                for i in range(3):
                    place[i] = points[n, i] + (depths[n] + s * pitch) * needles[n, i]
                values[s + side] = agreement_at(
                    pixels,
                    layout,
                    scale,
                    cameras,
                    chosen,
                    place,
                    normals[n],
                    half,
                    step,
                    patches,
                    w,
                    basis,
                    half_w,
                    half_basis,
                    False,
                )
            found = _peaks(values, 2 * side + 1, peaks)
            if found == 0 or values[peaks[0]] < 0.2:
                continue
        # a second depth that is nearly as good is fitted as well, and the better one kept
        good = False
        for q in range(found):
            if q > 0 and values[peaks[q]] < values[peaks[0]] - RIVAL_WORTH:
                break
            if not fit_patch(
                pixels,
                layout,
                scale,
                cameras,
                chosen,
                points[n],
                needles[n],
                depths[n] + (peaks[q] - side) * pitch,
                normals[n],
                half,
                step,
                tilt_sigma,
                bulging,
                rounds,
                drop_below,
                patches,
                w,
                basis,
                half_w,
                half_basis,
                other,
            ):
                continue
            if good and abs(other[FIT_DEPTH] - record[n, FIT_DEPTH]) < 1.5 * step / slope:
                continue
            if not good or other[FIT_CORR] > record[n, FIT_CORR]:
                record[n] = other
            good = True


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
    """
    n = len(points)
    record = np.zeros((n, FIELDS))
    looking = np.zeros(n, dtype=np.int64)
    maps = np.stack([h.depth for h in hiding])
    s = settings
    if s.half > MAX_HALF:
        raise ValueError(f"half {s.half} is more than {MAX_HALF}")

    def piece(start: int) -> None:
        part = slice(start, start + PIECE)
        _measure_piece(
            stack.levels[s.level], stack.layout[s.level], float(1 << s.level), stack.cameras,
            stack.centres, maps, hiding[0].frames, np.array(slack_mm, dtype=np.float64),
            points[part], needles[part], depths[part], normals[part], s.half, s.softness,
            s.sweep_px, s.sweep_step_px, s.rounds, s.tilt_sigma_rad, s.bulging, s.drop_below, s.views,
            s.least_facing,
            record[part], looking[part],
        )  # fmt: skip

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(piece, range(0, n, PIECE)))
    return Fits(record, looking)
