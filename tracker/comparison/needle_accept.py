"""Full-resolution figures, their uncertainty, and what is let through.

Two patch sizes are fitted at each place. Their difference, the discord of the photographs and
the footprint of a pixel make the standard deviation; places whose figures do not hang together
with each other or with the neighbours are not let through.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps
from tracker.cloud.patch_fit import (
    FIT_CORR,
    FIT_DEPTH,
    FIT_NX,
    FIT_NZ,
    FIT_SPREAD,
    FIT_STEP,
    FIT_VIEWS,
)  # fmt: skip
from tracker.cloud.patch_measure import Fits, PatchSettings, measure
from tracker.comparison.needle_neighbours import find_neighbours, predict, support
from tracker.comparison.needle_search import (
    MODEL_SLACK_MM,
    STONE_SLACK_MM,
    Scene,
    Search,
)  # fmt: skip
from tracker.maths.camera import Array

SMALL = PatchSettings(0, half=4, softness=0.7, sweep_px=0.0, bulging=True, rounds=5, views=9)
LARGE = PatchSettings(0, half=7, softness=0.5, sweep_px=0.0, bulging=True, rounds=3, views=9)

FLOOR_MM = 0.03
"""Standard deviation that remains however well the photographs agree."""
PIXEL_SHARE = 0.15
SIZES_SHARE = 0.6
DISCORD_SHARE = 1.2


@dataclass(frozen=True, slots=True)
class Fine:
    """Figures at full resolution, n of them.

    Attributes
    ----------
    depth, sigma_mm : (n,) arrays, mm along the needle
    normal : (n, 3) array
    corr : (n,) array
    views, looking : (n,) int arrays
    ok : (n,) bool
    features : (n, 5) array
        Footprint, difference of sizes, discord of either size (mm along the needle), slope.
    """

    depth: Array
    sigma_mm: Array
    normal: Array
    corr: Array
    views: NDArray[np.int64]
    looking: NDArray[np.int64]
    ok: NDArray[np.bool_]
    features: Array


def measure_fine(scene: Scene, search: Search, stone: DepthMaps) -> Fine:
    """Fits both patch sizes at every place of the search that is `ok`."""
    n = len(search.points)
    rows = np.flatnonzero(search.ok)
    hiding, slack = [scene.model_maps, stone], [MODEL_SLACK_MM, STONE_SLACK_MM]
    points, needles = search.points[rows], search.needles[rows]
    small = measure(scene.stack, hiding, slack, points, needles, search.depth[rows],
                    search.normal[rows], SMALL, scene.threads)  # fmt: skip
    normal = np.where(small.stands[:, None], small.record[:, FIT_NX : FIT_NZ + 1], needles)
    start = np.where(small.stands, small.record[:, FIT_DEPTH], search.depth[rows])
    large = measure(scene.stack, hiding, slack, points, needles, start, normal, LARGE,
                    scene.threads)  # fmt: skip
    return _combine(n, rows, needles, small, large)


def _combine(n: int, rows: NDArray[np.int64], needles: Array, small: Fits, large: Fits) -> Fine:
    a, b = small.record, large.record
    normal = a[:, FIT_NX : FIT_NZ + 1]
    slope = np.clip(np.einsum("nd,nd->n", needles, normal), 0.15, 1.0)
    # discord in normal distance, so that the weights do not lean on the slope
    spread_a, spread_b = a[:, FIT_SPREAD], b[:, FIT_SPREAD]
    weight_a, weight_b = 1.0 / (spread_a**2 + 0.02**2), 1.0 / (spread_b**2 + 0.02**2)
    both = small.stands & large.stands
    mixed = (weight_a * a[:, FIT_DEPTH] + weight_b * b[:, FIT_DEPTH]) / (weight_a + weight_b)
    depth = np.where(both, mixed, a[:, FIT_DEPTH])
    apart = np.where(both, a[:, FIT_DEPTH] - b[:, FIT_DEPTH], 1.0)
    footprint = a[:, FIT_STEP] / slope
    discord = np.sqrt(1.0 / np.where(both, 1.0 / np.maximum(spread_a, 1e-3) ** 2
                                     + 1.0 / np.maximum(spread_b, 1e-3) ** 2, 1.0))  # fmt: skip
    features = np.stack([footprint, apart, spread_a, spread_b, slope], axis=1)
    sigma = np.sqrt(FLOOR_MM**2 + (PIXEL_SHARE * footprint) ** 2 + (SIZES_SHARE * apart) ** 2
                    + (DISCORD_SHARE * discord) ** 2)  # fmt: skip
    px = a[:, FIT_STEP] / slope
    ok = both & (a[:, FIT_CORR] > 0.6) & (b[:, FIT_CORR] > 0.5)
    ok &= (np.abs(apart) < 1.5 * px) & (spread_a < px) & (a[:, FIT_VIEWS] >= 3)
    full = Fine(
        np.zeros(n), np.full(n, np.inf), np.zeros((n, 3)), np.zeros(n),
        np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(n, bool), np.zeros((n, 5)),
    )  # fmt: skip
    full.depth[rows], full.sigma_mm[rows], full.normal[rows] = depth, sigma, normal
    full.corr[rows], full.ok[rows], full.features[rows] = a[:, FIT_CORR], ok, features
    full.views[rows] = a[:, FIT_VIEWS].astype(np.int64)
    full.looking[rows] = small.looking
    return full


def agrees_with_neighbours(
    points: Array, needles: Array, fine: Fine, near_points: Array, near_needles: Array,
    near_fine: Fine, spacing_mm: float, least: int, skip_self: bool,
) -> NDArray[np.bool_]:  # fmt: skip
    """Whether at least `least` of the twelve nearest predict each place's depth, (n,)."""
    near = find_neighbours(
        points, needles, near_points, near_needles, 12, 4.0 * spacing_mm, skip_self
    )
    places = near_points + near_fine.depth[:, None] * near_needles
    guess = predict(near, points, needles, places, near_fine.normal, near_fine.ok)
    slope = np.clip(np.einsum("nd,nd->n", needles, fine.normal), 0.2, 1.0)
    agree, _ = support(guess, fine.depth, (0.3 + 0.15 * spacing_mm) / slope)
    return np.asarray(fine.ok & (agree >= least))
