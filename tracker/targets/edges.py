"""Where the black/white edges of one target lie in a photograph.

The edges of the black square and of the bits inside it are sampled about a pixel apart. At each
sample the grey values along the image normal are compared with half-way between the local black
and white; where they cross is the measured edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.targets.family import EdgeRuns

PROFILE_STEP_PX = 0.5
END_MARGIN_PX = 2.0
"""Along a run: nearer to its ends the blur of the turning boundary bends the edge."""
END_MARGIN_MODULES = 0.35
MAX_SAMPLES = 480


@dataclass(frozen=True, slots=True)
class EdgeSamples:
    """Places on the edges of a target, n of them.

    Attributes
    ----------
    modules : (n, 2) array
    along, toward_white : (n, 2) array, unit, modules
    run : (n,) array of int
        Which straight run each belongs to.
    """

    modules: Array
    along: Array
    toward_white: Array
    run: NDArray[np.int64]

    def every(self, nth: int) -> EdgeSamples:
        """Every nth sample."""
        rows = np.arange(0, len(self.run), nth)
        return EdgeSamples(
            self.modules[rows], self.along[rows], self.toward_white[rows], self.run[rows]
        )


@dataclass(frozen=True, slots=True)
class Crossings:
    """Measured edges: offset along the normal from the predicted place.

    Attributes
    ----------
    offset_px : (n,) array
        Positive toward white.
    slope : (n,) array
        Grey values per px where the edge was crossed.
    found : (n,) array of bool
    """

    offset_px: Array
    slope: Array
    found: NDArray[np.bool_]


def place_samples(runs: EdgeRuns, px_per_module: Array) -> EdgeSamples:
    """Samples along the runs of a target.

    Parameters
    ----------
    runs : EdgeRuns
    px_per_module : (2,) array, px
        Size of a module along x and along y at the middle of the target.
    """
    scale = np.abs(runs.along) @ px_per_module
    margin = np.minimum(END_MARGIN_PX / scale, END_MARGIN_MODULES)
    usable = runs.length - 2.0 * margin
    spacing = max(1.0, float((usable * scale).sum()) / MAX_SAMPLES)
    count = np.maximum(np.round(usable * scale / spacing), 1).astype(np.int64)
    run = np.repeat(np.arange(len(count)), count)
    within = np.arange(len(run)) - np.repeat(np.cumsum(count) - count, count)
    t = margin[run] + usable[run] * (within + 0.5) / count[run]
    return EdgeSamples(
        runs.start[run] + t[:, None] * runs.along[run],
        runs.along[run],
        runs.toward_white[run],
        run,
    )


def find_crossings(
    patch: NDArray[np.float32],
    start_px: Array,
    normal_px: Array,
    half: Array,
    reach_px: Array,
) -> Crossings:
    """Edge position along each normal: where the grey value rises through the half level.

    Parameters
    ----------
    patch : (h, w) array
    start_px, normal_px : (n, 2) array, px
        Predicted place and unit normal toward white.
    half : (n,) array
        Half-way between local black and white.
    reach_px : (n,) array, px
        How far from the predicted place to look.
    """
    n = len(half)
    offset, slope, found = np.zeros(n), np.zeros(n), np.zeros(n, dtype=bool)
    steps = int(np.ceil(float(reach_px.max()) / PROFILE_STEP_PX)) + 1
    _cross(patch, start_px, normal_px, half, reach_px, steps, offset, slope, found)
    return Crossings(offset, slope, found)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def grey_at(patch: NDArray[np.float32], x: float, y: float) -> float:
    """Grey value at a place of a patch, px: bilinear, the patch's edge repeated."""
    height, width = patch.shape
    # written so that nowhere (nan) is a place in the patch too
    x, y = (x if x > 0.0 else 0.0), (y if y > 0.0 else 0.0)
    x, y = min(x, width - 1.0), min(y, height - 1.0)
    column, row = min(int(x), width - 2), min(int(y), height - 2)
    fx, fy = x - column, y - row
    top = (1.0 - fx) * patch[row, column] + fx * patch[row, column + 1]
    low = (1.0 - fx) * patch[row + 1, column] + fx * patch[row + 1, column + 1]
    return float((1.0 - fy) * top + fy * low)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _cross(
    patch: NDArray[np.float32], start: Array, normal: Array, half: Array, reach: Array, steps: int,
    offset: Array, slope: Array, found: NDArray[np.bool_],
) -> None:  # fmt: skip
    """Fills offset, slope and found of n edges.

    A profile of 2 steps + 1 grey values is smoothed by (1, 2, 1) / 4; of the places at which it
    rises through the half level the one nearest to the predicted place counts.
    """
    count = 2 * steps + 1
    grey, smooth = np.empty(count), np.empty(count)
    for n in range(len(half)):
        for k in range(count):
            t = PROFILE_STEP_PX * (k - steps)
            grey[k] = grey_at(patch, start[n, 0] + t * normal[n, 0], start[n, 1] + t * normal[n, 1])
        for k in range(1, count - 1):
            smooth[k] = 0.25 * grey[k - 1] + 0.5 * grey[k] + 0.25 * grey[k + 1] - half[n]
        nearest = np.inf
        for k in range(1, count - 2):
            if smooth[k] < 0.0 <= smooth[k + 1]:
                rise = smooth[k + 1] - smooth[k]
                at = PROFILE_STEP_PX * (k - steps - smooth[k] / rise)
                if abs(at) < abs(nearest):
                    nearest = at
                    slope[n] = rise / PROFILE_STEP_PX
        if abs(nearest) <= reach[n]:
            offset[n], found[n] = nearest, True
