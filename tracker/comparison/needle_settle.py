"""Dense stone under the figure: first finds handed on, then settled among neighbours.

A patch begun in the wrong direction can settle on a wrong depth that agrees in the photographs,
and so can a patch at the foot of a ridge. Therefore every place hears several hypotheses: the
model's own surface, and what the finds round about predict. At full resolution the depths round
all hypotheses are looked through, and neighbours decide together which is stone; from there, and
in the end from the smooth surface through its neighbours, each place is measured, and the
worthiest stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.cloud.depth_air import draw_stone, seen_through
from tracker.cloud.patch_choice import DepthMaps
from tracker.cloud.patch_measure import PatchSettings
from tracker.cloud.patch_steps import STEP_MM, Steps, agreement_along
from tracker.cloud.patch_sweep import NO_AGREEMENT
from tracker.comparison.needle_contest import Field, contend, contend_in_shape
from tracker.comparison.needle_neighbours import Neighbours, agreed, find_neighbours, modes, predict
from tracker.comparison.needle_search import (
    AIR_MARGIN_MM,
    MAP_PX,
    MODEL_SLACK_MM,
    SEED_MM,
    SHAPED_TILT_RAD,
    STONE_SLACK_MM,
    Scene,
    Search,
    seed,
    start_search,
    thin,
)
from tracker.comparison.needle_surroundings import look_around
from tracker.comparison.needle_together import decide_together, join_steps
from tracker.maths.camera import Array
from tracker.surface import Surface, sample_surface

SPREAD_MM = 2.6
"""Distance of the places to which the first finds are handed on, at coarse resolution."""
ROUND_POINTS_MM = 12.0
"""Dense places this near to a point that is asked."""
SAME_MM = 1e-6
WIDE_MM, CLOSE_MM = 0.8, 0.6
"""How far predictions of one surface may lie apart, first and later."""
ROUNDS = 2
GOOD = 0.6
"""Places as worthy as this need not hear further hypotheses."""
AHEAD = 0.8
"""What the neighbours say wins with this part of the worth of what was found alone."""
FEWEST = 5
"""Neighbours that make a surface."""
SETTLED_MM = 0.12
SETTLED_COSINE = 0.985
FARTHEST_MM = 1.5
PIECE = 16384
DISC = 1.2
"""Radius of a find drawn into the depth maps, in spacings."""
SIDE = 6
"""Steps looked through either way of a hypothesis."""
NEAR_MODEL_MM = 2.0
"""Stone supposed this near to the model may be finished, and then faces as the model does."""
SHAPED_MM = 1.0
"""Stone this near to the model may have its shape; inside it too, or fewer places of a shallow
over-cut spot are measured."""
LOOK = PatchSettings(0, half=4)
LOOK_SHAPED = PatchSettings(0, half=6)
AGAIN_SHAPED = PatchSettings(
    0, half=6, sweep_px=0.0, rounds=4, tilt_sigma_rad=SHAPED_TILT_RAD, views=9
)
AGAIN = PatchSettings(0, half=4, sweep_px=0.0, rounds=5, bulging=True, views=9)


@dataclass(frozen=True, slots=True)
class Stone:
    """Stone found at dense places.

    Attributes
    ----------
    points, needles : (n, 3) arrays, places of the model and their directions
    depth : (n,) array, mm along the needle
    normal : (n, 3) array, outward normal of the stone
    ok : (n,) bool, whether stone was found
    solid : (n,) bool, whether it may hide other stone
    shaped : (n,) bool, whether it has the shape of the model
    spacing_mm : float
    """

    points: Array
    needles: Array
    depth: Array
    normal: Array
    ok: NDArray[np.bool_]
    solid: NDArray[np.bool_]
    shaped: NDArray[np.bool_]
    spacing_mm: float

    @property
    def places(self) -> Array:
        """Stone found, (m, 3), mm; only where `ok`."""
        return np.asarray((self.points + self.depth[:, None] * self.needles)[self.ok])

    @property
    def normals(self) -> Array:
        """Outward normals of `places`, (m, 3)."""
        return self.normal[self.ok]


def find_stone(
    scene: Scene, points: Array, inward_mm: float, outward_mm: float, spacing_mm: float
) -> Stone:
    """Finds the stone round some points of the model, from nothing."""
    nodes, needles = _nodes(scene.model, points, spacing_mm)
    rows = thin(nodes, needles, SEED_MM)
    seeds = start_search(nodes[rows], needles[rows], scene.model)
    seed(scene, seeds, inward_mm, outward_mm)
    spread = _spread(scene, seeds, *_nodes(scene.model, points, SPREAD_MM))
    field = _onto(scene, spread, nodes, needles, spacing_mm)
    settle(scene, field, spacing_mm)
    return Stone(
        field.points, field.needles, field.depth, field.normal, field.found, field.solid,
        field.shaped, spacing_mm,
    )  # fmt: skip


def _nodes(model: Surface, points: Array, spacing_mm: float) -> tuple[Array, Array]:
    samples = sample_surface(model, spacing_mm)
    near, _ = cKDTree(points).query(samples.points, distance_upper_bound=ROUND_POINTS_MM)
    take = np.isfinite(near)
    return samples.points[take], samples.normals[take]


def _spread(scene: Scene, seeds: Search, points: Array, needles: Array) -> Field:
    """Hands the first finds on: every place tries the model and what the finds predict."""
    field = Field.empty(points, needles)
    level = scene.coarse_level
    plain = PatchSettings(level, half=3, sweep_px=0.0, bulging=True, rounds=4)
    swept = PatchSettings(level, half=3, sweep_step_px=0.75, bulging=True, rounds=4)
    everywhere = np.arange(len(points))
    contend(scene, field, everywhere, np.zeros(len(points)), field.normal.copy(), None, plain)
    near = find_neighbours(
        field.points, field.needles, seeds.points, seeds.needles, 9, 2.5 * SEED_MM, False
    )
    said = _Said(near, field, seeds.places, seeds.normal, seeds.ok)
    for depth, normal, _ in said.hypotheses(3, WIDE_MM):
        ask = np.flatnonzero(np.isfinite(depth) & (field.worth < GOOD))
        contend(scene, field, ask, depth[ask], normal[ask], None, swept)
    near = find_neighbours(
        field.points, field.needles, field.points, field.needles, 12, 3.6 * SPREAD_MM, True
    )
    _drop_in_air(scene, field, _drawn(scene, field, SPREAD_MM))
    for _ in range(2):
        said = _Said(near, field, field.places, field.normal, field.solid)
        for depth, normal, count in said.hypotheses(2, CLOSE_MM):
            ask = np.flatnonzero(np.isfinite(depth) & (count >= 2) & (field.worth < 0.3))
            contend(scene, field, ask, depth[ask], normal[ask], None, swept)
    return field


def _onto(scene: Scene, spread: Field, points: Array, needles: Array, spacing_mm: float) -> Field:
    """Full resolution at the dense places, begun from the coarse finds round about."""
    field = Field.empty(points, needles)
    stone = _drawn(scene, spread, SPREAD_MM)
    near = find_neighbours(
        field.points, field.needles, spread.points, spread.needles, 10, 4.0 * SPREAD_MM, False
    )
    said = _Said(near, field, spread.places, spread.normal, spread.found)
    (first, first_normal, _), (second, second_normal, _) = said.hypotheses(2, CLOSE_MM)
    apart = 0.75 * SIDE * STEP_MM
    with np.errstate(invalid="ignore"):
        others = np.isfinite(second) & (np.abs(second - first) > apart)
        low = ~(np.abs(first) > NEAR_MODEL_MM)
    looked = [
        _look_through(scene, field, np.isfinite(first), first, first_normal, stone),
        _look_through(scene, field, others, second, second_normal, stone),
        _look_through(scene, field, low, np.zeros(len(points)), needles, None),
    ]
    near = find_neighbours(points, needles, points, needles, 8, 2.5 * spacing_mm, True)
    decided = decide_together(
        join_steps(looked), np.stack([first_normal, second_normal, needles], axis=1),
        points, needles, near, spacing_mm, scene.threads,
    )  # fmt: skip
    ask = np.flatnonzero(decided.ok)
    contend(scene, field, ask, decided.depth[ask], decided.normal[ask], stone, AGAIN)
    near_model = np.flatnonzero(decided.ok & (np.abs(decided.depth) < SHAPED_MM))
    contend_in_shape(scene, field, near_model, decided.depth[near_model], AGAIN_SHAPED)
    return field


def _look_through(
    scene: Scene, field: Field, ask: NDArray[np.bool_], depth: Array, normal: Array,
    stone: DepthMaps | None,
) -> Steps:  # fmt: skip
    """Agreement at the steps round one hypothesis; none where it is not asked for.

    Patches are flat, and `stone` hides them as the model does; without stone they have the model's
    shape.
    """
    hiding, slack = [scene.model_maps], [MODEL_SLACK_MM]
    if stone is not None:
        hiding, slack = [*hiding, stone], [*slack, STONE_SLACK_MM]
    shape, look = (scene.shape, LOOK_SHAPED) if stone is None else (None, LOOK)
    rows = np.flatnonzero(ask)
    first = np.zeros(len(ask), dtype=np.int32)
    agreement = np.full((len(ask), 2 * SIDE + 1), NO_AGREEMENT, dtype=np.float32)
    found = agreement_along(
        scene.stack, hiding, slack, field.points[rows], field.needles[rows], depth[rows],
        normal[rows], SIDE, look, scene.threads, shape,
    )  # fmt: skip
    first[rows], agreement[rows] = found.first, found.agreement
    return Steps(first, agreement)


def settle(scene: Scene, field: Field, spacing_mm: float) -> None:
    """Begins places again from the smooth surface through their neighbours."""
    near = find_neighbours(
        field.points, field.needles, field.points, field.needles, 10, 2.5 * spacing_mm, True
    )
    for _ in range(ROUNDS):
        stone = _drawn(scene, field, spacing_mm)
        _drop_in_air(scene, field, stone)
        rows, depth, normal = _surface_through_neighbours(scene, field, near, spacing_mm)
        contend(scene, field, rows, depth, normal, stone, AGAIN, AHEAD)


def _surface_through_neighbours(
    scene: Scene, field: Field, near: Neighbours, spacing_mm: float
) -> tuple[NDArray[np.int64], Array, Array]:
    """Places off their neighbours' surface, with its depth and direction there."""
    found = field.found
    said = _Said(near, field, field.places, field.normal, found)
    depth, normal, count = said.hypotheses(1, CLOSE_MM)[0]
    rows = np.flatnonzero(np.isfinite(depth) & (count >= 3) & ~field.shaped)
    own_depth, own_normal = field.depth[rows], field.normal[rows]
    stranger = ~found[rows] | (np.abs(depth[rows] - own_depth) > CLOSE_MM)
    depth = np.where(stranger, depth[rows], own_depth)
    normal = np.where(stranger[:, None], normal[rows], own_normal)
    around = look_around(
        field.points[rows] + depth[:, None] * field.needles[rows], normal,
        field.places[found], field.normal[found], spacing_mm, scene.threads,
    )  # fmt: skip
    slope = np.clip(np.einsum("nd,nd->n", field.needles[rows], normal), 0.2, 1.0)
    enough = around.count >= FEWEST
    depth = depth + enough * np.clip(around.offset_mm / slope, -FARTHEST_MM, FARTHEST_MM)
    normal = np.where(enough[:, None], around.normal, normal)
    off = (np.abs(depth - own_depth) * slope > SETTLED_MM) | ~found[rows]
    off |= np.einsum("nd,nd->n", normal, own_normal) < SETTLED_COSINE
    return rows[off], depth[off], normal[off]


@dataclass(frozen=True, slots=True)
class _Said:
    """What the neighbours of each place predict."""

    near: Neighbours
    field: Field
    places: Array
    normals: Array
    usable: NDArray[np.bool_]

    def hypotheses(self, number: int, width_mm: float) -> list[tuple[Array, Array, Array]]:
        """Depth (nan where there is none), normal, and how many neighbours say so.

        Most supported first; in pieces, so that memory stays bounded.
        """
        n = len(self.field.points)
        pieces = [
            self._piece(slice(k, k + PIECE), number, width_mm) for k in range(0, max(n, 1), PIECE)
        ]
        return [
            (
                np.concatenate([piece[c][0] for piece in pieces]),
                np.concatenate([piece[c][1] for piece in pieces]),
                np.concatenate([piece[c][2] for piece in pieces]),
            )
            for c in range(number)
        ]

    def _piece(self, part: slice, number: int, width_mm: float) -> list[tuple[Array, Array, Array]]:
        near = Neighbours(self.near.index[part], self.near.distance_mm[part])
        predicted = predict(
            near, self.field.points[part], self.field.needles[part], self.places, self.normals,
            self.usable,
        )  # fmt: skip
        depth, _, count = modes(predicted, width_mm, number)
        out = []
        for c in range(number):
            middle, normal = agreed(near, predicted, depth[:, c], self.normals, width_mm)
            out.append((np.where(np.isfinite(depth[:, c]), middle, np.nan), normal, count[:, c]))
        return out


def _drawn(scene: Scene, field: Field, spacing_mm: float) -> DepthMaps:
    solid = field.solid
    return draw_stone(
        scene.stack, scene.frames, MAP_PX, field.places[solid], field.normal[solid],
        DISC * spacing_mm, scene.threads,
    )  # fmt: skip


def _drop_in_air(scene: Scene, field: Field, stone: DepthMaps) -> None:
    """Takes back finds through which two photographs see stone behind."""
    through = seen_through(scene.stack, stone, field.places, AIR_MARGIN_MM, scene.threads)
    field.worth[through >= 2] = 0.0


def begin_from(stone: Stone, points: Array, needles: Array, model: Surface) -> Search:
    """A search at other places, begun from dense stone round about.

    A place that is one of the dense places begins from its own depth. One that lies between begins
    from its neighbours' surface, and is measured with free patches.
    """
    search = start_search(points, needles, model)
    if not stone.ok.any() or len(points) == 0:
        return search
    ok = stone.ok
    near = find_neighbours(
        points, needles, stone.points[ok], stone.needles[ok], 8, 4.0 * stone.spacing_mm, False
    )
    usable = np.ones(int(ok.sum()), dtype=bool)
    guess = predict(near, points, needles, stone.places, stone.normals, usable)
    depth, _, _ = modes(guess, CLOSE_MM, 1)
    middle, normal = agreed(near, guess, depth[:, 0], stone.normals, CLOSE_MM)
    own = near.distance_mm[:, 0] < SAME_MM
    middle[own] = stone.depth[ok][near.index[own, 0]]
    normal[own] = stone.normals[near.index[own, 0]]
    search.ok[:] = np.isfinite(depth[:, 0]) | own
    search.shaped[own] = stone.shaped[ok][near.index[own, 0]]
    search.depth[:] = np.where(search.ok, middle, 0.0)
    search.normal[search.ok] = normal[search.ok]
    return search


def draw(scene: Scene, stone: Stone) -> DepthMaps:
    """Depth maps of the dense stone."""
    solid = stone.solid
    return draw_stone(
        scene.stack, scene.frames, MAP_PX,
        (stone.points + stone.depth[:, None] * stone.needles)[solid], stone.normal[solid],
        DISC * stone.spacing_mm, scene.threads,
    )  # fmt: skip
