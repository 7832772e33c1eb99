"""Sharpness and exposure of made-up photographs of a target."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tracker.photo_quality import PhotoQuality, clipped_share, edge_width_px, unfit

QUAD = np.array([[60.0, 60.0], [180.0, 70.0], [175.0, 190.0], [55.0, 180.0]])


def _picture() -> np.ndarray:
    tag = cv2.aruco.generateImageMarker(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), 7, 800
    )
    big = np.full((1920, 1920), 230, np.uint8)
    source = np.array([[0, 0], [800, 0], [800, 800], [0, 800]], np.float32)
    shape = cv2.getPerspectiveTransform(source, (QUAD * 8).astype(np.float32))
    black = cv2.warpPerspective(255 - tag, shape, (1920, 1920))
    big = np.clip(big.astype(int) - black * 0.8, 20, 255).astype(np.uint8)
    return cv2.resize(big, (240, 240), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("sigma_px", [1.0, 2.0])
def test_width_of_a_gaussian_edge(sigma_px: float) -> None:
    # step / steepest slope of an edge blurred by a Gaussian is sqrt(2 pi) sigma; the picture's own
    # pixels and the 3 x 3 gradient add a little
    blurred = cv2.GaussianBlur(_picture(), (0, 0), sigma_px)
    assert edge_width_px(blurred, [QUAD]) == pytest.approx(
        np.sqrt(2 * np.pi * (sigma_px**2 + 0.6)), rel=0.2
    )


def test_shake_in_one_direction_is_seen() -> None:
    sharp = _picture()
    kernel = np.zeros((13, 13), np.float32)
    kernel[6] = 1 / 13
    shaken = cv2.filter2D(sharp, -1, kernel)
    assert edge_width_px(shaken, [QUAD]) > 3 * edge_width_px(sharp, [QUAD])


def test_no_target_gives_no_width() -> None:
    assert edge_width_px(_picture(), []) == float("inf")


def test_clipped_share_counts_inside_the_outline_only() -> None:
    gray = np.full((100, 100), 128, np.uint8)
    gray[:, 50:] = 255
    assert clipped_share(gray, None) == 0.5
    left = np.array([[0, 0], [40, 0], [40, 99], [0, 99]], dtype=float)
    assert clipped_share(gray, left) == 0.0


def test_unfit_names_the_odd_ones() -> None:
    day = [PhotoQuality(2.5, 0.0)] * 6 + [PhotoQuality(9.0, 0.0), PhotoQuality(2.5, 0.6)]
    reasons = unfit(day)
    assert set(reasons) == {6, 7}
    assert "blurred" in reasons[6]
    assert "over-exposed" in reasons[7]
