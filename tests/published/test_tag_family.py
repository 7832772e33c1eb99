"""The family 36h11 against its publication and two independent libraries.

Sources: E. Olson, "AprilTag: A robust and flexible visual fiducial system", ICRA 2011, and
J. Wang, E. Olson, IROS 2016 (family and distance); Khronos OpenXR 1.0, XrMarkerAprilTagDictML
("6 by 6 bits, minimum Hamming distance 11, 587 codes"); code words 0 and 586 and the order of
their bits: libapriltag, `tag36h11.c`. Decoders: PyPI pupil-apriltags and pyapriltags.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pupil_apriltags
import pyapriltags
import pytest
from numpy.typing import NDArray

from tracker.targets.family import (
    CORNERS_MODULES,
    FAMILY_SIZE,
    MIN_DISTANCE_BITS,
    SQUARE_MODULES,
    edge_runs,
    white_modules,
)

CODES = {0: 0xD7E00984B, 586: 0xE8B772FE0}
BIT_X = [1, 2, 3, 4, 5, 2, 3, 4, 3, 6, 6, 6, 6, 6, 5, 5, 5, 4]
BIT_X += [6, 5, 4, 3, 2, 5, 4, 3, 4, 1, 1, 1, 1, 1, 2, 2, 2, 3]
BIT_Y = [1, 1, 1, 1, 1, 2, 2, 2, 3, 1, 2, 3, 4, 5, 2, 3, 4, 3]
BIT_Y += [6, 6, 6, 6, 6, 5, 5, 5, 4, 6, 5, 4, 3, 2, 5, 4, 3, 4]
PX_PER_MODULE = 8


def bits() -> NDArray[np.uint8]:
    """The 6 x 6 bits of all targets, (587, 6, 6)."""
    return np.array([white_modules(tag)[2:8, 2:8] for tag in range(FAMILY_SIZE)], np.uint8)


def test_size_and_black_square() -> None:
    assert FAMILY_SIZE == 587
    assert SQUARE_MODULES == 8
    for tag in range(FAMILY_SIZE):
        white = white_modules(tag)
        assert white.shape == (10, 10)
        assert white[[0, -1]].all()
        assert white[:, [0, -1]].all()
        assert not white[[1, -2], 1:-1].any()
        assert not white[1:-1, [1, -2]].any()


@pytest.mark.parametrize("tag", sorted(CODES))
def test_code_words(tag: int) -> None:
    white = white_modules(tag)
    word = 0
    for x, y in zip(BIT_X, BIT_Y, strict=True):
        word = 2 * word + int(white[y + 1, x + 1])
    assert word == CODES[tag]


def _distances(a: NDArray[np.uint8], b: NDArray[np.uint8]) -> NDArray[np.int64]:
    a, b = a.reshape(len(a), -1).astype(int), b.reshape(len(b), -1).astype(int)
    return a @ (1 - b.T) + (1 - a) @ b.T


def test_hamming_distance_over_all_pairs_and_turns() -> None:
    upright = bits()
    smallest, own = 36, 36
    for turn in range(4):
        distance = _distances(upright, np.rot90(upright, turn, axes=(1, 2)))
        if turn:
            own = min(own, int(np.diag(distance).min()))
        np.fill_diagonal(distance, 36)
        smallest = min(smallest, int(distance.min()))
    assert smallest == MIN_DISTANCE_BITS == 11
    assert own == 12


def test_mirror_images_stay_beyond_the_correction_of_three_bits() -> None:
    upright, mirrored = bits(), bits()[:, :, ::-1]
    nearest = min(
        int(_distances(mirrored, np.rot90(upright, turn, axes=(1, 2))).min()) for turn in range(4)
    )
    assert nearest > 3


def picture(tag: int) -> NDArray[np.uint8]:
    """The target upright, `PX_PER_MODULE` px a module, on a white sheet."""
    white = np.pad(white_modules(tag), 1, constant_values=True)
    cell = np.ones((PX_PER_MODULE, PX_PER_MODULE), np.uint8)
    return np.kron(np.where(white, 255, 0).astype(np.uint8), cell)


@pytest.fixture(scope="module", params=["pupil_apriltags", "pyapriltags"])
def decoder(request: pytest.FixtureRequest) -> Any:
    module = pupil_apriltags if request.param == "pupil_apriltags" else pyapriltags
    return module.Detector(families="tag36h11", quad_decimate=1.0)


def test_all_587_read_by_an_independent_decoder(decoder: Any) -> None:
    """Numbers agree; the library counts corners from the bottom left, counter-clockwise."""
    first = 2 * PX_PER_MODULE
    for tag in range(FAMILY_SIZE):
        (found,) = decoder.detect(picture(tag))
        assert found.tag_id == tag
        assert found.hamming == 0
        ours = CORNERS_MODULES * PX_PER_MODULE + first
        np.testing.assert_allclose(np.asarray(found.corners)[[3, 2, 1, 0]], ours, atol=0.6)


def test_a_number_outside_the_family_is_refused() -> None:
    with pytest.raises(IndexError, match="0 to 586, not 587"):
        white_modules(587)


def test_edge_runs_are_all_boundaries_and_point_to_white() -> None:
    for tag in range(0, FAMILY_SIZE, 29):
        white, runs = white_modules(tag).astype(int), edge_runs(tag)
        boundary = np.abs(np.diff(white, axis=0)).sum() + np.abs(np.diff(white, axis=1)).sum()
        assert runs.length.sum() == boundary
        middle = runs.start + (0.5 * runs.length)[:, None] * runs.along
        # an even run has a module boundary in its middle: step aside into the next module
        middle += 0.25 * runs.along
        for sign, colour in ((0.5, 1), (-0.5, 0)):
            cell = np.floor(middle + sign * runs.toward_white).astype(int) + 1
            assert (white[cell[:, 1], cell[:, 0]] == colour).all()
