"""The calibration board in pictures made by formula: corners and lens against the truth."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.simulated_network import look_at
from tracker.calibration import Calibration, calibrate
from tracker.errors import PhotographError
from tracker.maths.camera import Array, Lens, Pose, project, undistort
from tracker.targets.board import board_points, find_board

WIDTH, HEIGHT, FINE = 640, 480, 3
LENS = Lens(560.0, 326.0, 233.0, 0.08, -0.2, 0.0006, -0.0004, 0.12)
BOARD, SQUARE_MM = (9, 6), 20.0
CORNERS = board_points(BOARD, SQUARE_MM)
MIDDLE = CORNERS.mean(axis=0)


@cache
def rays() -> Array:
    """Undistorted coordinates of FINE x FINE places in each pixel."""
    x = (np.arange(WIDTH * FINE) + 0.5) / FINE - 0.5
    y = (np.arange(HEIGHT * FINE) + 0.5) / FINE - 0.5
    return undistort(LENS, np.stack(np.meshgrid(x, y), axis=-1), steps=6)


def picture(pose: Pose, seed: int) -> NDArray[np.uint8]:
    """The board as the camera sees it, blurred by its pixels, with noise and a tone curve."""
    x, y = rays()[..., 0], rays()[..., 1]
    # where the ray meets the board's plane z = 0
    n = pose.R[:, 2]
    depth = (n @ pose.t) / (n[0] * x + n[1] * y + n[2])
    on = np.stack([x * depth, y * depth, depth], axis=-1) - pose.t
    u, v = (on @ pose.R[:, k] / SQUARE_MM + 1.0 for k in (0, 1))
    inside = (u > 0) & (u < BOARD[0] + 1) & (v > 0) & (v < BOARD[1] + 1)
    black = inside & ((np.floor(u) + np.floor(v)) % 2 == 0)
    light = np.where(black, 0.05, 0.8).reshape(HEIGHT, FINE, WIDTH, FINE).mean(axis=(1, 3))
    light += np.random.default_rng(seed).normal(0.0, 0.008, light.shape)
    return np.asarray(np.clip(255.0 * np.clip(light, 0, 1) ** (1 / 2.2), 0, 255), np.uint8)


@cache
def poses() -> tuple[Pose, ...]:
    """Eight stations before the board, tilted to every side."""
    made = []
    for k in range(8):
        around = 2.0 * np.pi * k / 8
        aside = 170.0 * np.array([np.cos(around), np.sin(around), 0.0])
        eye = MIDDLE + aside + [0.0, 0.0, -260.0 - 10.0 * (k % 3)]
        aim = MIDDLE + 22.0 * np.array([np.cos(2.1 * k), np.sin(2.1 * k), 0.0])
        made.append(look_at(eye, aim, np.pi / 2 * (k % 2)))
    return tuple(made)


@cache
def seen() -> tuple[Array | None, ...]:
    """Corners found in every picture."""
    return tuple(find_board(picture(pose, k), BOARD) for k, pose in enumerate(poses()))


def test_corners_lie_where_they_are() -> None:
    for pose, pixels in zip(poses(), seen(), strict=True):
        assert pixels is not None
        truth, _ = project(LENS, pose, CORNERS)
        # the board looks the same turned by half a turn with its colours swapped; order may turn
        off = min((pixels - truth, pixels[::-1] - truth), key=lambda d: float(np.sum(d**2)))
        assert np.sqrt(np.mean(off**2)) < 0.15
        assert np.abs(off.mean(axis=0)).max() < 0.02


@cache
def found() -> Calibration:
    """The lens that the pictures give."""
    pixels = [p for p in seen() if p is not None]
    return calibrate([str(k) for k in range(8)], pixels, CORNERS, (WIDTH, HEIGHT))


def test_lens_within_its_uncertainty() -> None:
    off = found().lens.vector - LENS.vector
    assert off @ np.linalg.solve(found().cov, off) < 26.1  # chi2, 8 degrees of freedom, 99.9 %
    assert found().lens.focal_px == pytest.approx(LENS.focal_px, rel=1e-3)
    assert found().left_out == {}
    assert found().tilted == 8


def test_no_board_is_no_board() -> None:
    noise = np.random.default_rng(3).integers(0, 255, (HEIGHT, WIDTH), dtype=np.uint8)
    assert find_board(noise, BOARD) is None


def test_flat_on_photographs_do_not_fix_the_lens() -> None:
    pixels = []
    rng = np.random.default_rng(5)
    for k in range(6):
        pose = Pose(np.eye(3), np.array([-80.0 - k, -50.0, 300.0]))
        pixels.append(project(LENS, pose, CORNERS)[0] + rng.normal(0, 0.1, (len(CORNERS), 2)))
    with pytest.raises(PhotographError, match="fix the focal length only to") as refused:
        calibrate(list("abcdef"), pixels, CORNERS, (WIDTH, HEIGHT))
    assert "Tilt the board" in refused.value.hint


def test_too_few_photographs() -> None:
    pixels = [p for p in seen() if p is not None][:4]
    with pytest.raises(PhotographError, match="seen whole and sharp in 4 photographs; 5 are"):
        calibrate(list("abcd"), pixels, CORNERS, (WIDTH, HEIGHT))
