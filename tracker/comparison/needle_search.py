"""The search for stone along needles: first finds from nothing.

Coarse depth maps give candidates on a thinned set of places; each is refined in the photographs;
neighbours and free lines of sight decide which of a needle's candidates are stone.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.depth_air import draw_stone, seen_through
from tracker.cloud.depth_crossings import MAX_CANDIDATES, find_crossings, pack_maps
from tracker.cloud.depth_pairs import choose_pairs, match_pairs
from tracker.cloud.patch_choice import DepthMaps, map_frames, render_surface
from tracker.cloud.patch_fit import (
    FIT_CORR,
    FIT_DEPTH,
    FIT_NX,
    FIT_NZ,
    FIT_VIEWS,
)  # fmt: skip
from tracker.cloud.patch_measure import Fits, PatchSettings, measure
from tracker.cloud.patch_shape import ModelShape
from tracker.cloud.patch_views import ViewStack
from tracker.comparison.needle_neighbours import find_neighbours
from tracker.maths.camera import Array
from tracker.surface import Surface

SEED_MM = 4.0
"""Distance of the places at which the search begins."""
MAP_PX = 448
CLOSE_MAP_PX = 768
"""Side of the maps that tell which part of a patch the model hides."""
SHAPE_SLACK_MM = 0.7
"""Finished stone hides what lies this far behind it."""
MODEL_SLACK_MM = 3.0
"""The model hides what lies this far behind it; over-cuts are hardly deeper."""
STONE_SLACK_MM = 2.0
"""Stone found hides what lies this far behind it; finds are rough at first."""
AIR_MARGIN_MM = 3.0
COARSE_MM_PER_PX = 0.55
LEAST_CORR = 0.40
CLEAR_MM = 0.5
"""Off the model before the needle asks whether it meets it again."""
GAP_MARGIN_MM = 1.0
"""A reading this near before the next lump may belong to it."""
SHAPED_TILT_RAD = 0.02
"""How far finished stone may lean against the model."""
VOTE_SHARE = 0.25
MOST_VIEWS = 8


@dataclass(slots=True)
class Search:
    """What is known of the stone along n needles; filled in as the search goes on.

    Attributes
    ----------
    points, needles : (n, 3) arrays
    depth : (n,) array, mm along the needle
    normal : (n, 3) array, outward normal of the stone met
    corr : (n,) array, mean correlation of pairs of photographs
    looking : (n,) int, photographs that look at the place
    views : (n,) int, photographs that agreed on it
    ok : (n,) bool, whether stone was found
    shaped : (n,) bool, whether it has the shape of the model
    limit : (n,) array, mm, where the needle meets the model again; inf where it does not
    """

    points: Array
    needles: Array
    depth: Array
    normal: Array
    corr: Array
    looking: NDArray[np.int64]
    views: NDArray[np.int64]
    ok: NDArray[np.bool_]
    shaped: NDArray[np.bool_]
    limit: Array

    def depth_limit_passed(self, depth: Array) -> NDArray[np.bool_]:
        """Whether depths lie behind a gap of the model, (n,)."""
        return np.asarray(depth > self.limit)

    @property
    def places(self) -> Array:
        """Stone found, (n, 3), mm."""
        return np.asarray(self.points + self.depth[:, None] * self.needles)


@dataclass(frozen=True, slots=True)
class Scene:
    """Photographs, model and the frames of the coarse maps, shared by all steps."""

    stack: ViewStack
    model: Surface
    frames: Array
    model_maps: DepthMaps
    shape: ModelShape
    gsd_mm: float
    threads: int

    @property
    def coarse_level(self) -> int:
        """Pyramid level nearest to COARSE_MM_PER_PX."""
        return int(np.clip(np.round(np.log2(COARSE_MM_PER_PX / self.gsd_mm)), 0, 2))


def start_search(points: Array, needles: Array, model: Surface | None = None) -> Search:
    """A search in which nothing is known yet.

    Stone behind a gap in the model may be another lump: the needle may have left the stone in
    the gap, where no photograph need show it. The model tells where such depths begin.
    """
    n = len(points)
    limit = np.full(n, np.inf)
    if model is not None and n:
        limit = CLEAR_MM + model.first_hit_mm(points + CLEAR_MM * needles, needles)
    return Search(
        points, needles, np.zeros(n), needles.copy(), np.zeros(n), np.zeros(n, np.int64),
        np.zeros(n, np.int64), np.zeros(n, bool), np.zeros(n, bool), limit - GAP_MARGIN_MM,
    )  # fmt: skip


def make_scene(stack: ViewStack, model: Surface, threads: int) -> Scene:
    """Prepares the maps of the model."""
    low, high = model.box
    frames = map_frames(stack, (low - 5.0, high + 5.0), MAP_PX)
    middle = 0.5 * (low + high)
    far = np.linalg.norm(stack.centres - middle, axis=1)
    gsd = float(np.median(far / stack.cameras[:, 12]))
    close = map_frames(stack, (low - 5.0, high + 5.0), CLOSE_MAP_PX)
    shape = ModelShape.of(model, render_surface(model, stack, close, CLOSE_MAP_PX), SHAPE_SLACK_MM)
    maps = render_surface(model, stack, frames, MAP_PX)
    return Scene(stack, model, frames, maps, shape, gsd, threads)


def thin(points: Array, needles: Array, spacing_mm: float) -> NDArray[np.int64]:
    """Rows of places about `spacing_mm` apart, opposite faces of thin forms kept apart."""
    facing = np.argmax(np.abs(needles), axis=1)
    sign = np.take_along_axis(needles, facing[:, None], axis=1)[:, 0] > 0
    cell = np.floor(points / spacing_mm).astype(np.int64)
    keys = np.concatenate([cell, facing[:, None], sign[:, None]], axis=1)
    _, first = np.unique(keys, axis=0, return_index=True)
    return np.sort(first).astype(np.int64)


def seed(scene: Scene, search: Search, inward_mm: float, outward_mm: float) -> None:
    """Finds stone at the places of `search` from nothing (coarse maps, refinement, choice)."""
    points, needles = search.points, search.needles
    depths, normals, votes = _candidates(scene, points, needles, inward_mm, outward_mm)
    row, column = np.nonzero(votes > 0)
    fits = measure(
        scene.stack, [scene.model_maps], [MODEL_SLACK_MM], points[row], needles[row],
        depths[row, column], normals[row, column],
        PatchSettings(scene.coarse_level, half=3, bulging=True, rounds=4), scene.threads,
    )  # fmt: skip
    good = fits.stands & (fits.record[:, FIT_CORR] > LEAST_CORR) & _enough_views(fits)
    best = np.zeros(len(points), dtype=np.int64)
    np.maximum.at(best, row[good], votes[row, column][good])
    good &= votes[row, column] >= VOTE_SHARE * best[row]
    _choose(scene, search, row[good], Fits(fits.record[good], fits.looking[good]))


def _enough_views(fits: Fits) -> NDArray[np.bool_]:
    """Whether at least half of the photographs that look at a place took part in its fit."""
    views = fits.record[:, FIT_VIEWS]
    return np.asarray((views >= 3) & (2 * views >= np.minimum(fits.looking, MOST_VIEWS)))


def _candidates(
    scene: Scene, points: Array, needles: Array, inward_mm: float, outward_mm: float
) -> tuple[Array, Array, NDArray[np.int64]]:
    vertices, normals = scene.model.vertices, scene.model.vertex_normals
    every = max(len(vertices) // 4000, 1)
    room = np.concatenate(
        [vertices[::every], vertices[::every] + 0.65 * outward_mm * normals[::every]]
    )
    low, high = scene.model.box
    pairs = choose_pairs(scene.stack, 0.5 * (low + high))
    packed = pack_maps(match_pairs(scene.stack, pairs, room, scene.threads))
    n = len(points)
    depths = np.zeros((n, MAX_CANDIDATES))
    facing = np.zeros((n, MAX_CANDIDATES, 3))
    votes = np.zeros((n, MAX_CANDIDATES), dtype=np.int64)

    def piece(start: int) -> None:
        part = slice(start, start + 1024)
        find_crossings(
            *packed, points[part], needles[part], inward_mm, outward_mm, 0.7, depths[part],
            facing[part], votes[part],
        )  # fmt: skip

    with ThreadPoolExecutor(scene.threads) as pool:
        list(pool.map(piece, range(0, n, 1024)))
    return depths, facing, votes


def _choose(scene: Scene, search: Search, row: NDArray[np.int64], fits: Fits) -> None:
    """Chooses among the refined candidates by neighbours and free lines of sight."""
    record = fits.record
    depth, normal = record[:, FIT_DEPTH], record[:, FIT_NX : FIT_NZ + 1]
    places = search.points[row] + depth[:, None] * search.needles[row]
    alive = np.ones(len(row), dtype=bool)
    for turn in range(3):
        agreed = _agreeing(search, row, depth, normal, alive)
        strong = alive & (agreed >= 3)
        _take_nearest(search, row, fits, strong)
        if turn == 2:
            break
        ok = search.ok
        stone = draw_stone(scene.stack, scene.frames, MAP_PX, search.places[ok],
                           search.normal[ok], 0.75 * SEED_MM, scene.threads)  # fmt: skip
        through = seen_through(scene.stack, stone, places, AIR_MARGIN_MM, scene.threads)
        alive &= through < 2


def _agreeing(
    search: Search, row: NDArray[np.int64], depth: Array, normal: Array, alive: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Number of neighbouring needles of which some candidate's plane predicts each candidate."""
    n = len(search.points)
    order = np.zeros(len(row), dtype=np.int64)
    starts = np.searchsorted(row, np.arange(n))
    order = np.arange(len(row)) - starts[row]
    table = np.full((n, MAX_CANDIDATES), -1, dtype=np.int64)
    table[row[alive], order[alive]] = np.flatnonzero(alive)
    near = find_neighbours(search.points, search.needles, search.points, search.needles, 12,
                           3.5 * SEED_MM, True)  # fmt: skip
    places = search.points[row] + depth[:, None] * search.needles[row]
    agreed = np.zeros(len(row), dtype=np.int64)
    neighbours = near.index[row]
    tolerance = 0.5 + 0.25 * near.distance_mm[row]
    for k in range(neighbours.shape[1]):
        hit = np.zeros(len(row), dtype=bool)
        for c in range(MAX_CANDIDATES):
            other = table[np.maximum(neighbours[:, k], 0), c]
            there = (neighbours[:, k] >= 0) & (other >= 0)
            m = normal[np.maximum(other, 0)]
            slope = np.einsum("nd,nd->n", search.needles[row], m)
            height = np.einsum("nd,nd->n", places[np.maximum(other, 0)] - search.points[row], m)
            guess = height / np.where(np.abs(slope) > 0.2, slope, np.inf)
            # rough stone is level rather than plane: an equal depth counts as well
            off = np.minimum(np.abs(guess - depth), np.abs(depth[np.maximum(other, 0)] - depth))
            hit |= there & (slope > 0.2) & (off < tolerance[:, k])
        agreed += hit
    return agreed


def _take_nearest(
    search: Search, row: NDArray[np.int64], fits: Fits, strong: NDArray[np.bool_]
) -> None:
    """Of each needle's strong candidates the nearest to the model, behind no gap if possible."""
    which = np.flatnonzero(strong)
    depth = fits.record[which, FIT_DEPTH]
    behind = depth > search.limit[row[which]]
    which = which[np.lexsort((np.abs(depth), behind, row[which]))]
    first = np.ones(len(which), dtype=bool)
    first[1:] = row[which][1:] != row[which][:-1]
    which = which[first]
    search.ok[:] = False
    _store(search, row[which], fits, which)


def _store(search: Search, rows: NDArray[np.int64], fits: Fits, which: NDArray[np.int64]) -> None:
    record = fits.record[which]
    search.depth[rows] = record[:, FIT_DEPTH]
    search.normal[rows] = record[:, FIT_NX : FIT_NZ + 1]
    search.corr[rows] = record[:, FIT_CORR]
    search.views[rows] = record[:, FIT_VIEWS].astype(np.int64)
    search.looking[rows] = fits.looking[which]
    search.ok[rows] = True


def count_looking(scene: Scene, search: Search, rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Photographs that would look at the model's own surface at some places, (len(rows),)."""
    fits = measure(
        scene.stack, [scene.model_maps], [MODEL_SLACK_MM], search.points[rows],
        search.needles[rows], np.zeros(len(rows)), search.needles[rows],
        PatchSettings(scene.coarse_level, half=1, sweep_px=0.0, rounds=0), scene.threads,
    )  # fmt: skip
    return fits.looking
