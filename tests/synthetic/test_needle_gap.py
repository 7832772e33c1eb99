"""Hidden gaps: two slabs, one over the other, and a needle that comes up between them."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from tracker.comparison.needle_gap import may_hide_gap
from tracker.comparison.needle_relief import look_for_steps
from tracker.comparison.needle_settle import Stone
from tracker.maths.camera import Array
from tracker.surface import Surface

GAP_MM = 4.0
THICK_MM = 3.0
FIGURE_MM = 25.0
UP = np.array([0.0, 0.0, 1.0])


def slabs(*bottoms: float) -> Surface:
    """Slabs THICK_MM thick and 80 mm wide, their lower faces at given heights."""
    boxes = []
    for low in bottoms:
        box = trimesh.creation.box((80.0, 80.0, THICK_MM))
        box.apply_translation([0.0, 0.0, low + 0.5 * THICK_MM])
        boxes.append(box)
    mesh = trimesh.util.concatenate(boxes)
    return Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))


ONE, TWO = slabs(-THICK_MM), slabs(-THICK_MM, GAP_MM)


def stone(depth: Array, height_mm: float = 0.0) -> Stone:
    """Dense stone over a lattice of the model's face at a height, 2 mm apart."""
    at = np.arange(-30.0, 30.1, 2.0)
    x, y = (q.ravel() for q in np.meshgrid(at, at))
    points = np.stack([x, y, np.full(len(x), height_mm)], axis=1)
    up = np.tile(UP, (len(points), 1))
    yes = np.ones(len(points), dtype=bool)
    return Stone(points, up, np.broadcast_to(depth, len(x)).copy(), up, yes, yes, ~yes, 2.0)


def join(*parts: Stone) -> Stone:
    """Stone over several faces."""
    names = ("points", "needles", "depth", "normal", "ok", "solid", "shaped")
    return Stone(*(np.concatenate([getattr(p, k) for p in parts]) for k in names), 2.0)


def hides(
    model: Surface, depth: float, meets_again: bool, found: Stone,
    place: tuple[float, float] = (0.0, 0.0),
) -> bool:  # fmt: skip
    """One needle straight up from the lower slab's face."""
    answer: NDArray[np.bool_] = may_hide_gap(
        model, np.array([[*place, 0.0]]), UP[None], np.array([depth]), np.array([meets_again]),
        found, FIGURE_MM,
    )  # fmt: skip
    return bool(answer[0])


UPPER_MM = GAP_MM + THICK_MM


@pytest.mark.parametrize(("height_mm", "hidden"), [(0.2, True), (2.0, True), (8.0, False)])
def test_a_gap_is_filled_only_where_stone_stands_high(height_mm: float, hidden: bool) -> None:
    """The needle from below ends on stone over the upper slab; half the gap is 2 mm wide."""
    depth = UPPER_MM + height_mm
    found = join(stone(np.array(height_mm), UPPER_MM), stone(np.array(depth)))
    assert hides(TWO, depth, True, found) == hidden


def test_stone_lower_round_about_means_that_the_gap_may_be_carved() -> None:
    """Uncarved at the reading, finished a centimetre away."""
    x = np.tile(np.arange(-30.0, 30.1, 2.0), 31)
    uncarved = stone(np.array(UPPER_MM + 8.0))
    upper = stone(np.where(np.abs(x) > 9.0, 0.1, 8.0), UPPER_MM)
    assert not hides(TWO, UPPER_MM + 8.0, True, join(uncarved, stone(np.array(8.0), UPPER_MM)))
    below = stone(np.where(np.abs(x) > 9.0, 0.1, UPPER_MM + 8.0))
    assert hides(TWO, UPPER_MM + 8.0, True, join(below, upper))


@pytest.mark.parametrize("depth", [1.0, 6.5, 12.0, 24.0])
def test_level_uncarved_stone_over_one_lump_hides_nothing(depth: float) -> None:
    assert not hides(ONE, depth, False, stone(np.array(depth)))


def test_a_reading_at_the_rim_of_a_step_is_doubted() -> None:
    x = np.tile(np.arange(-30.0, 30.1, 2.0), 31)
    found = stone(np.where(x > 0.0, 12.0, 2.0))
    assert hides(ONE, 12.0, False, found, (1.0, 0.0))
    assert not hides(ONE, 12.0, False, found, (14.0, 0.0))
    assert not hides(ONE, 2.0, False, found, (-1.0, 0.0))


def test_a_lower_bound_is_doubted_for_low_stone_anywhere_near() -> None:
    x = np.tile(np.arange(-30.0, 30.1, 2.0), 31)
    found = stone(np.where(x > 0.0, 30.0, 12.0))
    assert hides(ONE, 30.0, False, found, (8.0, 0.0))
    assert not hides(ONE, 30.0, False, found, (14.0, 0.0))
    assert hides(ONE, 30.0, True, stone(np.array(30.0)))


def test_deep_readings_need_stone_that_hangs_together() -> None:
    none = stone(np.array(12.0))
    none.ok[:] = False
    assert hides(ONE, 12.0, False, none)
    assert not hides(ONE, 3.0, False, none)


def test_steps_are_counted_on_either_side() -> None:
    x = np.tile(np.arange(-30.0, 30.1, 2.0), 31)
    found = stone(np.where(x > 0.0, 12.0, 2.0))
    places = np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [20.0, 0.0, 0.0]])
    seen = look_for_steps(places, np.array([12.0, 2.0, 12.0]), found)
    assert 0.2 < seen.lower[0] < 0.7
    assert seen.higher[0] == 0.0
    assert 0.2 < seen.higher[1] < 0.7
    assert (seen.lower[1], seen.below_half[1]) == (0.0, 0.0)
    assert 0.2 < seen.below_half[0] < 0.7
    assert (seen.lower[2], seen.higher[2], seen.below_half[2]) == (0.0, 0.0, 0.0)


def test_without_stone_all_is_doubtful() -> None:
    none = stone(np.array(5.0))
    none.ok[:] = False
    seen = look_for_steps(np.zeros((2, 3)), np.ones(2), none)
    assert (seen.lower == 1.0).all()
    assert (seen.below_half == 1.0).all()
