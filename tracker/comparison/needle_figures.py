"""Full-resolution figures along needles: two patch sizes fitted at each place."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps
from tracker.cloud.patch_fit import (
    FIT_CONTRAST,
    FIT_CORR,
    FIT_DEPTH,
    FIT_HALVES,
    FIT_NX,
    FIT_NZ,
    FIT_SIGMA,
    FIT_SPREAD,
    FIT_STEP,
    FIT_VIEWS,
)
from tracker.cloud.patch_measure import Fits, PatchSettings, measure
from tracker.cloud.patch_shape import ModelShape
from tracker.comparison.needle_search import (
    MODEL_SLACK_MM,
    SHAPE_SLACK_MM,
    SHAPED_TILT_RAD,
    STONE_SLACK_MM,
    Scene,
    Search,
    start_search,
)
from tracker.maths.camera import Array

MOST_PHOTOGRAPHS = 9
SMALL = PatchSettings(
    0, half=4, softness=0.7, sweep_px=0.0, bulging=True, rounds=6, views=MOST_PHOTOGRAPHS
)
LARGE = replace(SMALL, half=7, softness=0.5, rounds=3)
SMALL_SHAPED = replace(SMALL, bulging=False, tilt_sigma_rad=SHAPED_TILT_RAD)
LARGE_SHAPED = replace(LARGE, bulging=False, tilt_sigma_rad=SHAPED_TILT_RAD)
COUNT = PatchSettings(0, half=1, sweep_px=0.0, rounds=0, least_facing=0.45)
"""Photographs count that look at less than 63 degrees from the stone's normal."""
LEAST_CORR = 0.3
BURIED_MM = 4.0
"""Stone that seems to have the model's shape is not this far behind other stone."""
AGAIN_MM = 0.5
"""A second look that ends farther than this from where it began has found something else."""
DISCORD_FLOOR_MM = 0.02
MOST_APART_PX = 1.5
"""Difference of the two sizes, in footprints, beyond which they see different things."""

FEATURES = (
    "footprint_mm", "sizes_apart_mm", "discord_small_mm", "discord_large_mm", "slope",
    "corr_large", "contrast_gray", "noise_mm", "moved_mm", "half_small", "half_large",
)  # fmt: skip
"""Of a place: pixel on the stone along the needle, large less small patch, scatter by photographs
of either size, cosine of needle and stone's normal, correlation of the large patch, grey contrast,
sigma by the grey noise, how far the fit moved from where it began, and the correlation of the
worst half of either patch."""


@dataclass(frozen=True, slots=True)
class Fine:
    """Figures at full resolution, n of them.

    Attributes
    ----------
    depth : (n,) array, mm along the needle
    normal : (n, 3) array
    corr : (n,) array, mean correlation of pairs of photographs
    views, looking : (n,) int arrays, photographs that agree and that look at the place
    ok : (n,) bool
    features : (n, len(FEATURES)) array
    """

    depth: Array
    normal: Array
    corr: Array
    views: NDArray[np.int64]
    looking: NDArray[np.int64]
    ok: NDArray[np.bool_]
    features: Array


def no_figures(needles: Array) -> Fine:
    """Figures of places at which nothing was found."""
    n = len(needles)
    return Fine(
        np.zeros(n), needles.copy(), np.zeros(n), np.zeros(n, np.int64), np.zeros(n, np.int64),
        np.zeros(n, dtype=bool), np.zeros((n, len(FEATURES))),
    )  # fmt: skip


def measure_fine(scene: Scene, search: Search, stone: DepthMaps) -> Fine:
    """Fits both patch sizes at every place of the search that is `ok`.

    Places in the model's shape are fitted in it; there only the model hides them.
    """
    fine = no_figures(search.needles)
    rough = _Way(
        [scene.model_maps, stone], [MODEL_SLACK_MM, STONE_SLACK_MM], MODEL_SLACK_MM,
        STONE_SLACK_MM, None, SMALL, LARGE,
    )  # fmt: skip
    _measure_both(scene, search, np.flatnonzero(search.ok & ~search.shaped), stone, rough, fine)
    rows = np.flatnonzero(search.ok & search.shaped)
    _measure_both(scene, search, rows, stone, _in_shape(scene), fine)
    return fine


def measure_again(
    scene: Scene, search: Search, fine: Fine, stone: DepthMaps, rows: NDArray[np.int64],
    depth: Array,
) -> NDArray[np.int64]:  # fmt: skip
    """Measures some places in the model's shape, begun at a depth.

    Where that succeeds within AGAIN_MM of the depth, the figures are entered into `fine` and
    `search`; returns these rows.
    """
    points, needles = search.points[rows], search.needles[rows]
    again = start_search(points, needles)
    again.depth[:], again.ok[:], again.shaped[:] = depth, True, True
    found = no_figures(needles)
    _measure_both(scene, again, np.arange(len(rows)), stone, _in_shape(scene), found)
    which = np.flatnonzero(found.ok & (np.abs(found.depth - depth) < AGAIN_MM))
    won = rows[which]
    for name in (f.name for f in fields(Fine)):
        getattr(fine, name)[won] = getattr(found, name)[which]
    search.depth[won], search.ok[won], search.shaped[won] = depth[which], True, True
    search.normal[won] = needles[which]
    return won


def _in_shape(scene: Scene) -> _Way:
    return _Way(
        [scene.model_maps], [MODEL_SLACK_MM], SHAPE_SLACK_MM, BURIED_MM, scene.shape,
        SMALL_SHAPED, LARGE_SHAPED,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Way:
    """What hides places, by how much they may lie behind it, and which patches are fitted.

    A photograph counts as looking at a place that lies behind the model by no more than
    `behind_model_mm` and behind stone by no more than `buried_mm`.
    """

    hiding: list[DepthMaps]
    slack_mm: list[float]
    behind_model_mm: float
    buried_mm: float
    shape: ModelShape | None
    small: PatchSettings
    large: PatchSettings


def _measure_both(
    scene: Scene, search: Search, rows: NDArray[np.int64], stone: DepthMaps, way: _Way, fine: Fine
) -> None:
    """Fits both sizes at some places and enters what they say into `fine`."""
    points, needles = search.points[rows], search.needles[rows]
    began, facing = search.depth[rows], search.normal[rows]

    def fit(depth: Array, normal: Array, settings: PatchSettings) -> Fits:
        return measure(
            scene.stack, way.hiding, way.slack_mm, points, needles, depth, normal, settings,
            scene.threads, way.shape,
        )  # fmt: skip

    small = fit(began, facing, way.small)
    stands = small.stands
    normal = np.where(stands[:, None], small.record[:, FIT_NX : FIT_NZ + 1], facing)
    start = np.where(stands, small.record[:, FIT_DEPTH], began)
    large = fit(start, normal, way.large)
    _enter(fine, rows, needles, small, large, began)
    found = rows[fine.ok[rows]]
    fine.ok[found] = _fairly_seen(scene, search, fine, found, stone, way)


def _fairly_seen(
    scene: Scene, search: Search, fine: Fine, rows: NDArray[np.int64], stone: DepthMaps, way: _Way
) -> NDArray[np.bool_]:
    """Whether three photographs look from a fair angle, and stone hides not most of them."""

    def count(hiding: list[DepthMaps], slack_mm: list[float]) -> NDArray[np.int64]:
        return measure(
            scene.stack, hiding, slack_mm, search.points[rows], search.needles[rows],
            fine.depth[rows], fine.normal[rows], COUNT, scene.threads,
        ).looking  # fmt: skip

    fair = count([scene.model_maps, stone], [way.behind_model_mm, way.buried_mm])
    open_ = count([scene.model_maps], [way.behind_model_mm])
    return np.asarray((fair >= 3) & (2 * fair >= open_))


def _enter(
    fine: Fine, rows: NDArray[np.int64], needles: Array, small: Fits, large: Fits, began: Array
) -> None:
    """Writes the mean of both sizes, weighted by the photographs' discord, into `fine`."""
    a, b = small.record, large.record
    both = small.stands & large.stands
    spread_a, spread_b = a[:, FIT_SPREAD], b[:, FIT_SPREAD]
    weight_a = 1.0 / (spread_a**2 + DISCORD_FLOOR_MM**2)
    weight_b = 1.0 / (spread_b**2 + DISCORD_FLOOR_MM**2)
    mixed = (weight_a * a[:, FIT_DEPTH] + weight_b * b[:, FIT_DEPTH]) / (weight_a + weight_b)
    slope = np.clip(np.einsum("nd,nd->n", needles, a[:, FIT_NX : FIT_NZ + 1]), 0.15, 1.0)
    footprint = a[:, FIT_STEP] / slope
    apart = a[:, FIT_DEPTH] - b[:, FIT_DEPTH]
    ok = both & (a[:, FIT_CORR] > LEAST_CORR) & (b[:, FIT_CORR] > LEAST_CORR)
    ok &= (np.abs(apart) < MOST_APART_PX * footprint) & (spread_a < footprint)
    ok &= np.minimum(a[:, FIT_VIEWS], b[:, FIT_VIEWS]) >= 3
    fine.ok[rows] = ok
    fine.depth[rows] = np.where(ok, mixed, 0.0)
    fine.normal[rows[ok]] = a[ok, FIT_NX : FIT_NZ + 1]
    fine.corr[rows] = a[:, FIT_CORR]
    fine.views[rows] = a[:, FIT_VIEWS].astype(np.int64)
    fine.looking[rows] = small.looking
    fine.features[rows] = np.stack(
        [footprint, apart, spread_a, spread_b, slope, b[:, FIT_CORR], a[:, FIT_CONTRAST],
         a[:, FIT_SIGMA], a[:, FIT_DEPTH] - began, a[:, FIT_HALVES], b[:, FIT_HALVES]], axis=1,
    )  # fmt: skip
