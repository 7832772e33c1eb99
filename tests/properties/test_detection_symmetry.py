"""What must hold whatever the picture: turning, moving, dimming, repeating, derivatives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.warped_tags import Print, Scene, draw, phone, posed, scattered
from tracker.maths.camera import Array, Lens
from tracker.targets.detect import detect_targets, refine_targets
from tracker.targets.family import CORNERS_MODULES
from tracker.targets.observation import Detection
from tracker.targets.view import view_through

LENS = Lens(1500.0, 449.5, 349.5, 0.05, -0.1, 2e-4, -3e-4, 0.02)


@pytest.fixture(scope="module")
def gray() -> NDArray[np.uint8]:
    return draw(scattered(21, count=4), Scene(tone=phone))


@pytest.fixture(scope="module")
def plain(gray: NDArray[np.uint8]) -> Detection:
    return detect_targets(gray)


def corners(detection: Detection) -> Array:
    return np.array([t.corners_px for t in detection.used])


def test_a_second_look_says_the_same(gray: NDArray[np.uint8], plain: Detection) -> None:
    again = detect_targets(gray.copy())
    np.testing.assert_array_equal(corners(again), corners(plain))
    for a, b in zip(again.used, plain.used, strict=True):
        np.testing.assert_array_equal(a.cov_px2, b.cov_px2)


def test_refining_from_refined_corners_changes_nothing(
    gray: NDArray[np.uint8], plain: Detection
) -> None:
    lens = Lens(1500.0, 449.5, 349.5)
    once = refine_targets(gray, plain, lens)
    twice = refine_targets(gray, once, lens)
    assert np.abs(corners(twice) - corners(once)).max() < 2e-3


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_turned_camera_turns_the_corners(
    gray: NDArray[np.uint8], plain: Detection, quarters: int
) -> None:
    """Corners keep their names on the print: the first stays the upright top left."""
    turned = detect_targets(np.ascontiguousarray(np.rot90(gray, quarters)))
    height, width = gray.shape
    expected = corners(plain)
    for _ in range(quarters):
        expected = np.stack([expected[..., 1], width - 1.0 - expected[..., 0]], axis=-1)
        width, height = height, width
    assert [t.tag for t in turned.used] == [t.tag for t in plain.used]
    assert np.abs(corners(turned) - expected).max() < 0.01


def test_a_cropped_picture_moves_the_corners(gray: NDArray[np.uint8], plain: Detection) -> None:
    lens = Lens(1500.0, 449.5, 349.5)
    moved = Lens(1500.0, 449.5 - 30.0, 349.5 - 17.0)
    whole = refine_targets(gray, plain, lens)
    cropped = np.ascontiguousarray(gray[17:, 30:])
    part = refine_targets(cropped, detect_targets(cropped), moved)
    assert [t.tag for t in part.used] == [t.tag for t in whole.used]
    assert np.abs(corners(part) + [30.0, 17.0] - corners(whole)).max() < 0.01


@pytest.mark.parametrize(("gain", "offset"), [(0.6, 0.0), (0.7, 40.0)])
def test_brightness_and_haze_do_not_move_corners(
    gray: NDArray[np.uint8], plain: Detection, gain: float, offset: float
) -> None:
    dimmed = np.round(gain * gray + offset).astype(np.uint8)
    after = detect_targets(dimmed)
    assert np.abs(corners(after) - corners(plain)).max() < 0.02


def test_covariance_is_symmetric_and_positive(plain: Detection) -> None:
    for target in plain.used:
        np.testing.assert_allclose(target.cov_px2, target.cov_px2.T, atol=1e-12)
        assert np.linalg.eigvalsh(target.cov_px2).min() > 0.0


def test_more_noise_claims_more_sigma() -> None:
    prints = [Print(5, posed(120.0, 0.4, 0.3, 0.3, np.array([200.0, 200.0])))]
    claimed = []
    for noise in (1.0, 5.0, 12.0):
        scene = Scene(width=400, height=400, noise=noise)
        (target,) = detect_targets(draw(prints, scene)).used
        claimed.append(float(np.trace(target.cov_px2)))
    assert claimed[0] < claimed[1] < claimed[2]


ANGLES = st.floats(0.0, 6.28)


@given(
    side=st.floats(20.0, 300.0),
    tilt=st.floats(0.0, 1.3),
    axis=ANGLES,
    turn=ANGLES,
    x=st.floats(100.0, 800.0),
    y=st.floats(100.0, 600.0),
)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_view_passes_through_its_corners_and_its_derivatives_hold(
    side: float, tilt: float, axis: float, turn: float, x: float, y: float
) -> None:
    H = posed(side, tilt, axis, turn, np.array([x, y]), focal_px=1500.0)
    ideal = np.column_stack([CORNERS_MODULES, np.ones(4)]) @ H.T
    wanted = ideal[:, :2] / ideal[:, 2:]
    view = view_through(wanted, LENS)
    np.testing.assert_allclose(view.pixels(CORNERS_MODULES), wanted, atol=1e-6)
    places = np.array([[0.5, 0.7], [4.0, 4.0], [7.2, 1.1], [3.3, 7.9]])
    at = view.differentiate(places)
    np.testing.assert_allclose(at.pixels, view.pixels(places), atol=1e-9)
    for axis_number in (0, 1):
        h = np.zeros(2)
        h[axis_number] = 1e-4
        difference = (view.pixels(places + h) - view.pixels(places - h)) / 2e-4
        np.testing.assert_allclose(at.by_place[:, :, axis_number], difference, rtol=1e-5, atol=1e-4)
