"""Where the black/white edges of one target lie in a photograph.

The edges of the black square and of the bits inside it are sampled about a pixel apart. At each
sample the grey values along the image normal are compared with half-way between the local black
and white; where they cross is the measured edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
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
        return EdgeSamples(
            self.modules[::nth], self.along[::nth], self.toward_white[::nth], self.run[::nth]
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


def sample_grey(patch: NDArray[np.float32], pixels: Array) -> Array:
    """Grey values at positions (..., 2) px of a patch, bilinear."""
    x = np.ascontiguousarray(pixels[..., 0], np.float32)
    y = np.ascontiguousarray(pixels[..., 1], np.float32)
    shape = x.shape
    grey = cv2.remap(
        patch,
        x.reshape(shape[0], -1),
        y.reshape(shape[0], -1),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(grey, np.float64).reshape(shape)


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
    steps = int(np.ceil(float(reach_px.max()) / PROFILE_STEP_PX)) + 1
    t = PROFILE_STEP_PX * np.arange(-steps, steps + 1)
    grey = sample_grey(patch, start_px[:, None, :] + t[:, None] * normal_px[:, None, :])
    smooth = 0.25 * grey[:, :-2] + 0.5 * grey[:, 1:-1] + 0.25 * grey[:, 2:] - half[:, None]
    t = t[1:-1]
    low, high = smooth[:, :-1], smooth[:, 1:]
    rise = high - low
    crossing = (low < 0.0) & (high >= 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.where(crossing, t[:-1] - PROFILE_STEP_PX * low / rise, np.inf)
    best = np.argmin(np.abs(offset), axis=1)
    rows = np.arange(len(best))
    nearest = offset[rows, best]
    found = np.abs(nearest) <= reach_px
    return Crossings(np.where(found, nearest, 0.0), rise[rows, best] / PROFILE_STEP_PX, found)
