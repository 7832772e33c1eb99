"""Patches in the shape of the model, and photographs that see a part of a patch only."""

import numpy as np
import pytest

from tests.needle_scene import Array, closed, height_mesh, photograph_all, true_stone_left
from tracker.cloud.patch_choice import map_frames, render_surface
from tracker.cloud.patch_fit import FIT_DEPTH
from tracker.cloud.patch_hidden import fill_hidden, normalise_seen
from tracker.cloud.patch_measure import Fits, PatchSettings, measure
from tracker.cloud.patch_room import make_room, window_of
from tracker.cloud.patch_shape import REACH_MM, ModelShape
from tracker.cloud.patch_views import ViewStack, stack_views
from tracker.cloud.patch_window import ALONG, BELL, GRAY, OUTWARD, PATCHES, SHOWN

PITCH_MM, DEEP_MM = 4.0, 0.8
LEFT_MM = 0.1
"""Stone left everywhere, mm."""
FITTED = PatchSettings(0, half=6, sweep_px=0.0, rounds=6)


def furrows(x: Array, y: Array) -> Array:
    """Steep-sided furrows side by side, mm: a flat patch across one has no good place."""
    return DEEP_MM * np.abs(2.0 * np.abs(x / PITCH_MM % 1.0 - 0.5) - 0.5) * 2.0


MODEL = height_mesh(furrows)


@pytest.fixture(scope="module")
def stack() -> ViewStack:
    stone = closed(lambda x, y: furrows(x, y) + LEFT_MM)
    low, high = MODEL.box
    return stack_views(photograph_all(stone), (low - 3.0, high + 3.0))


@pytest.fixture(scope="module")
def shape(stack: ViewStack) -> ModelShape:
    low, high = MODEL.box
    maps = render_surface(MODEL, stack, map_frames(stack, (low - 3.0, high + 3.0), 512), 512)
    return ModelShape.of(MODEL, maps, 0.7)


def places() -> tuple[Array, Array]:
    """Places on the flanks and near the bottom of the furrows, needles along the vertical."""
    x, y = (q.ravel() for q in np.meshgrid(np.arange(-20.0, 20.0, 0.9), np.arange(-18.0, 19.0, 6)))
    points = np.stack([x, y, furrows(x, y)], axis=1)
    return points, MODEL.face_normals[MODEL.nearest(points)[1]]


def measured(stack: ViewStack, shape: ModelShape, given: ModelShape | None) -> tuple[Fits, Array]:
    """Fits begun on the model itself, and the true stone left along the model's normal."""
    points, normals = places()
    maps = render_surface(MODEL, stack, shape.frames, shape.limits.shape[1])
    fits = measure(
        stack, [maps], [3.0], points, normals, np.zeros(len(points)), normals, FITTED, 2, given
    )
    truth = true_stone_left(closed(lambda x, y: furrows(x, y) + LEFT_MM), points, normals)
    return fits, truth


def test_furrows_are_measured_in_their_shape_and_not_by_flat_patches(
    stack: ViewStack, shape: ModelShape
) -> None:
    found = {}
    for name, given in (("shaped", shape), ("flat", None)):
        fits, truth = measured(stack, shape, given)
        on_top = truth < 1.0  # a needle that grazes the rim goes on through the next furrow
        right = fits.stands & (np.abs(fits.record[:, FIT_DEPTH] - truth) < 0.05)
        found[name] = right[on_top].mean()
    assert found["shaped"] > 0.95
    assert found["flat"] < 0.6


def test_heights_are_the_models_over_the_tangent_plane(shape: ModelShape) -> None:
    """Closed form: over the level the relief is the furrows themselves."""
    points, normals = places()
    flank = np.array([[1.5, 0.0, 0.0]])
    flank[:, 2] = furrows(flank[:, 0], flank[:, 1])
    up = np.array([[0.0, 0.0, 1.0]])
    heights, swell = shape.heights_mm(flank, up, 2, np.array([0.5]))
    grid = np.arange(-2, 3) * 0.5
    across = np.zeros((25, 2))
    across[:, 0], across[:, 1] = np.tile(grid, 5), np.repeat(grid, 5)
    # tangents of the vertical are the axes, in some order
    possible = [
        furrows(flank[0, 0] + a, flank[0, 1] + b) - flank[0, 2]
        for a, b in ((across[:, 0], across[:, 1]), (across[:, 1], -across[:, 0]))
    ]
    assert min(np.abs(heights[0, :25] - p).max() for p in possible) < 0.02
    # level ground in the middle of a furrow, flanks of 0.8 mm over a quarter of the pitch beside
    bottom = np.array([[2.0, 0.0, 0.0]])
    _, swell = shape.heights_mm(bottom, up, 2, np.array([0.25]))
    assert swell[0, 12] == pytest.approx(0.0, abs=1e-6)
    assert np.abs(swell[0, :25]).max() == pytest.approx(np.hypot(1.0, 0.8) - 1.0, abs=0.03)
    every, _ = shape.heights_mm(points, normals, 6, np.full(len(points), 0.3))
    assert np.nanmax(np.abs(every)) <= REACH_MM


def test_a_hidden_point_takes_what_the_others_expect() -> None:
    window = window_of(3, 0.7)
    room = make_room(window)
    rng = np.random.default_rng(3)
    stone = rng.normal(size=room.sheet.shape[1])
    used, contrast = np.ones(3, dtype=np.uint8), np.zeros(3)
    hidden = np.arange(10)
    for n in range(3):
        row = PATCHES + 3 * n
        room.sheet[row + GRAY] = 20.0 * (n + 1) + (5.0 + n) * stone
        room.sheet[row + ALONG], room.sheet[row + OUTWARD] = 1.0, 1.0
        room.sheet[SHOWN + n] = 1.0
    # the third photograph sees something dark there
    room.sheet[PATCHES + 6 + GRAY, hidden] = -90.0
    room.sheet[SHOWN + 2, hidden] = 0.0
    room.shown[2] = (room.sheet[BELL] * room.sheet[SHOWN + 2]).sum()
    for n in range(3):
        contrast[n] = normalise_seen(room, n, window.trends)
    fill_hidden(room, used, window.trends, True, contrast)
    first, last = room.sheet[PATCHES + GRAY], room.sheet[PATCHES + 6 + GRAY]
    agree = float((room.sheet[BELL] * first * last).sum())
    assert agree > 0.97
    assert (room.sheet[PATCHES + 6 + ALONG, hidden] == 0.0).all()
    assert (room.sheet[PATCHES + ALONG] == 1.0).all()


def test_a_photograph_that_shows_less_than_half_of_a_patch_says_nothing() -> None:
    window = window_of(3, 0.7)
    room = make_room(window)
    room.sheet[PATCHES + GRAY] = np.random.default_rng(1).normal(size=room.sheet.shape[1])
    room.shown[0] = 0.4
    assert normalise_seen(room, 0, window.trends) == 0.0
