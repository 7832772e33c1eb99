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
from tracker.cloud.patch_fit import FIELDS, FIT_OK, FIT_VIEWS, MAX_VIEWS, fit_patch, window
from tracker.cloud.patch_sampling import MAX_HALF
from tracker.cloud.patch_sweep import agreement_at
from tracker.cloud.patch_views import ViewStack
from tracker.maths.camera import Array

PIECE = 512


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
    """

    level: int
    half: int = 5
    softness: float = 0.7
    sweep_px: float = 3.0
    sweep_step_px: float = 0.6
    rounds: int = 6
    tilt_sigma_rad: float = 0.25
    bulging: bool = False
    drop_below: float = 0.5
    views: int = 8


@dataclass(frozen=True, slots=True)
class Fits:
    """Results of hypotheses, n of them.

    Attributes
    ----------
    record : (n, FIELDS) array
        Columns by the `FIT_*` constants of `patch_fit`.
    looking : (n,) int array
        Photographs that look at the place, whether used or not.
    rival : (n,) array
        Best agreement in the sweep at more than 1.5 footprints from the best depth, less the best.
    """

    record: Array
    looking: NDArray[np.int64]
    rival: Array

    @property
    def stands(self) -> NDArray[np.bool_]:
        """Which fits converged."""
        return np.asarray(self.record[:, FIT_OK] > 0.0)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _measure_piece(
    pixels: np.ndarray, layout: np.ndarray, scale: float, cameras: Array, centres: Array,
    hiding: np.ndarray, frames: Array, slack: Array, points: Array, needles: Array,
    depths: Array, normals: Array, half: int, softness: float, sweep: float, sweep_step: float,
    rounds: int, tilt_sigma: float, bulging: bool, drop_below: float, views: int, record: Array,
    looking: np.ndarray, rival: Array,
) -> None:  # fmt: skip
    count = (2 * half + 1) ** 2
    patches = np.empty((MAX_VIEWS, 3, count))
    w = np.empty(count)
    window(half, softness, w)
    chosen = np.empty(min(views, MAX_VIEWS), dtype=np.int64)
    score = np.empty(len(chosen))
    place = np.empty(3)
    spots = np.empty(64)
    for n in range(len(points)):
        for i in range(3):
            place[i] = points[n, i] + depths[n] * needles[n, i]
        margin = half + 4.0
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
            0.3,
            margin,
            chosen,
            score,
        )
        rival[n] = -2.0
        record[n, FIT_OK] = 0.0
        if looking[n] < 3:
            continue
        used = 0
        footprint = 0.0
        for k in range(len(chosen)):
            if chosen[k] < 0:
                break
            used += 1
            cam = cameras[chosen[k]]
            depth = cam[6] * place[0] + cam[7] * place[1] + cam[8] * place[2] + cam[11]
            footprint += depth / cam[12]
        step = footprint / used * scale
        slope = 0.0
        for i in range(3):
            slope += needles[n, i] * normals[n, i]
        if slope < 0.15:
            continue
        best_depth = depths[n]
        if sweep > 0.0:
            half_count = min(int(sweep / sweep_step + 0.5), 31)
            best = -2.0
            best_at = 0
            for s in range(-half_count, half_count + 1):
                d = depths[n] + s * sweep_step * step / slope
                for i in range(3):
                    place[i] = points[n, i] + d * needles[n, i]
                value = agreement_at(
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
                )
                spots[s + half_count] = value
                if value > best:
                    best = value
                    best_at = s
                    best_depth = d
            far = -2.0
            apart = int(1.5 / sweep_step + 0.999)
            for s in range(-half_count, half_count + 1):
                if abs(s - best_at) > apart:
                    far = max(far, spots[s + half_count])
            rival[n] = far - best
            if best < 0.2:
                continue
        fit_patch(
            pixels,
            layout,
            scale,
            cameras,
            chosen,
            points[n],
            needles[n],
            best_depth,
            normals[n],
            half,
            step,
            tilt_sigma,
            bulging,
            rounds,
            drop_below,
            patches,
            w,
            record[n],
        )


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
    rival = np.full(n, -2.0)
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
            record[part], looking[part], rival[part],
        )  # fmt: skip

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(piece, range(0, n, PIECE)))
    return Fits(record, looking, rival)


def views_used(fits: Fits) -> NDArray[np.int64]:
    """Photographs that took part in each fit, (n,)."""
    return fits.record[:, FIT_VIEWS].astype(np.int64)
