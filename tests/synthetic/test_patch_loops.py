"""The compiled loops over patches against the same sums written out in numpy and SciPy.

Grey values are checked with `scipy.ndimage.map_coordinates`, trends with `numpy.linalg.lstsq`.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from tracker.cloud.patch_agreement import agreements, worst_half
from tracker.cloud.patch_fit import _normal_equations
from tracker.cloud.patch_room import Room, Window, make_room, window_of
from tracker.cloud.patch_sampling import sample_patch, tangents
from tracker.cloud.patch_window import (
    ACROSS,
    ALONG,
    BELL,
    DOWN,
    GRAY,
    HALVES,
    OUTWARD,
    PATCHES,
    RELIEF,
    normalise,
)
from tracker.maths.camera import Array, Lens, Pose, project

HALF, STEP, VIEWS = 4, 0.25, 5
POINTS = (2 * HALF + 1) ** 2
LENS = Lens.from_vector(np.array([3000.0, 210.0, 190.0, 0.08, -0.1, 1e-3, -5e-4, 0.02]))


def random_room(seed: int) -> tuple[Window, Room]:
    """Patches that share a grain, with slopes of their own, as in photographs of one place."""
    rng = np.random.default_rng(seed)
    window = window_of(HALF, 0.7)
    room = make_room(window)
    grain = rng.normal(size=POINTS)
    for k in range(VIEWS):
        row = PATCHES + 3 * k
        room.sheet[row + GRAY, :POINTS] = 120.0 + 4.0 * grain + 1.5 * rng.normal(size=POINTS)
        room.sheet[row + ALONG, :POINTS] = rng.normal(size=POINTS)
        room.sheet[row + OUTWARD, :POINTS] = rng.normal(size=POINTS)
    return window, room


def freed(values: Array, sheet: Array, weight: Array) -> Array:
    """Values less the plane that fits them best under weights."""
    planes = np.stack([np.ones(POINTS), sheet[ACROSS, :POINTS], sheet[DOWN, :POINTS]], axis=1)
    root = np.sqrt(weight)[:, None]
    found = np.linalg.lstsq(root * planes, root[:, 0] * values, rcond=None)[0]
    return np.asarray(values - planes @ found)


def test_grey_values_and_slopes_of_a_tilted_bulging_patch() -> None:
    y, x = np.mgrid[0:400, 0:440]
    gray = np.clip(120 + 60 * np.sin(x / 7.0) * np.cos(y / 9.0), 0, 255).astype(np.uint8)
    layout = np.array([[0, 440, 400, 0, 0]])
    pose = Pose(np.eye(3), np.array([2.0, -3.0, 900.0]))
    camera = np.concatenate([pose.R.ravel(), pose.t, LENS.vector])[None]
    window = window_of(HALF, 0.7)
    room = make_room(window)
    m = np.array([0.3, -0.2, -0.93])
    m /= np.linalg.norm(m)
    u, v = np.empty(3), np.empty(3)
    tangents(m, u, v)
    needle = m + 0.2 * u - 0.1 * v
    across, down = (STEP * room.sheet[row, :POINTS].astype(float) for row in (ACROSS, DOWN))
    relief = 0.03 * across**2 - 0.02 * across * down
    room.sheet[RELIEF, :POINTS] = relief

    def looked_up(shift: Array) -> Array:
        places = across[:, None] * u + down[:, None] * v + relief[:, None] * m + shift
        pixels, _ = project(LENS, pose, places)
        return np.asarray(map_coordinates(gray.astype(float), pixels[:, ::-1].T, order=1))

    assert sample_patch(
        gray.ravel(), layout, 1.0, camera, 0, np.zeros(3), u, v, m, needle, HALF, STEP, 0.1, True,
        room.place, room.words, room.sheet, PATCHES,
    )  # fmt: skip
    found = room.sheet[PATCHES : PATCHES + 3, :POINTS]
    assert np.abs(found[GRAY] - looked_up(np.zeros(3))).max() < 0.02
    small = 1e-5
    for row, way in ((ALONG, needle), (OUTWARD, m)):
        slope = (looked_up(small * way) - looked_up(-small * way)) / (2.0 * small)
        assert np.median(np.abs(found[row] - slope)) < 0.01 * np.abs(slope).max()


def test_a_patch_that_leaves_the_photograph_is_refused() -> None:
    window = window_of(HALF, 0.7)
    room = make_room(window)
    camera = np.concatenate([np.eye(3).ravel(), [0.0, 0.0, 900.0], LENS.vector])[None]
    m, u, v = np.array([0.0, 0.0, -1.0]), np.empty(3), np.empty(3)
    tangents(m, u, v)

    def inside(x_px: float, highest: float) -> bool:
        centre = np.array([(x_px - 210.0) / 3000.0 * 900.0, 0.0, 0.0])
        return bool(
            sample_patch(
                np.zeros(440 * 400, np.uint8), np.array([[0, 440, 400, 0, 0]]), 1.0, camera, 0,
                centre, u, v, m, m, HALF, 0.3, highest, False, room.place, room.words, room.sheet,
                PATCHES,
            )
        )  # fmt: skip

    assert inside(7.0, 0.0)
    assert not inside(5.5, 0.0)
    assert not inside(7.0, 8.0)
    assert inside(431.0, 0.0)
    assert not inside(434.5, 0.0)
    assert not inside(float("nan"), 0.0)


def test_agreement_of_the_whole_and_of_the_halves() -> None:
    window, room = random_room(3)
    sheet = room.sheet
    gray = [sheet[PATCHES + 3 * k + GRAY, :POINTS].astype(float) for k in range(VIEWS)]
    used, corr = np.array([1, 1, 0, 1, 1], np.uint8), np.empty(VIEWS)
    for k in range(VIEWS):
        normalise(sheet, PATCHES + 3 * k, window.trends)

    def mean_pair(weight: Array) -> float:
        plain = np.array(
            [freed(g, sheet, weight) for g, use in zip(gray, used, strict=True) if use]
        )
        plain /= np.sqrt((plain**2) @ weight)[:, None]
        pairs = (plain * weight) @ plain.T
        return float(pairs[np.triu_indices(len(pairs), 1)].mean())

    weights = sheet[BELL : BELL + 1 + HALVES, :POINTS].astype(float)
    assert agreements(sheet, used, corr) == pytest.approx(mean_pair(weights[0]), abs=1e-5)
    halves = [mean_pair(weight) for weight in weights[1:]]
    assert worst_half(sheet, used, window.trends) == pytest.approx(min(halves), abs=1e-5)
    assert np.ptp(halves) > 0.01


@pytest.mark.parametrize("size", [3, 6])
def test_normal_equations_written_out(size: int) -> None:
    window, room = random_room(4)
    sheet = room.sheet
    contrast = np.array([normalise(sheet, PATCHES + 3 * k, window.trends) for k in range(VIEWS)])
    used, share = np.ones(VIEWS, np.uint8), np.array([1.3, 0.9, 0.8, 1.1, 0.9])
    weight = sheet[BELL, :POINTS].astype(float)
    x, y = (STEP * sheet[row, :POINTS].astype(float) for row in (ACROSS, DOWN))
    monomials = [x, y, 0.5 * x * x, x * y, 0.5 * y * y][: size - 1]
    patches = sheet[PATCHES : PATCHES + 3 * VIEWS, :POINTS].astype(float).reshape(VIEWS, 3, -1)
    mean = np.einsum("k,kp->p", share, patches[:, GRAY]) / VIEWS
    H, g, total = np.zeros((size, size)), np.zeros((VIEWS, size)), np.zeros((size, POINTS))
    for k, (gray, along, outward) in enumerate(patches):
        plain = np.array([along, *(f * outward for f in monomials)])
        slopes = np.array([freed(row, sheet, weight) for row in plain])
        slopes -= ((slopes * weight) @ gray)[:, None] * gray
        slopes /= contrast[k]
        H += share[k] * (slopes * weight) @ slopes.T
        g[k] = -share[k] * (slopes * weight) @ mean
        total += share[k] * slopes
    H -= (total * weight) @ total.T / VIEWS
    found_H, found_g = np.empty((6, 6)), np.zeros((VIEWS, 6))
    left = _normal_equations(
        room, window, used, share, contrast, VIEWS, size, STEP, found_H, found_g
    )
    apart = patches[:, GRAY] - mean
    assert left == pytest.approx(float(share @ ((apart**2) @ weight)), abs=1e-5)
    assert np.allclose(found_H[:size, :size], H, rtol=1e-4, atol=1e-5 * np.abs(H).max())
    assert np.allclose(found_g[:, :size], g, rtol=1e-4, atol=1e-5 * np.abs(g).max())
