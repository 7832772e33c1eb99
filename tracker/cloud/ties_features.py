"""Features on pale stone: spots of evened-out contrast, and the stone round them as it lies.

A spot is lighter or darker than what surrounds it, at one scale: the stone is about equally far in
all photographs, and those that are much nearer are reduced more (`share`). Its word is a small
patch of grey values, read with the warp that the caller knows from poses and model, so that the
same stone gives the same word whichever way it is looked at.

References
----------
D. G. Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60 (2004), sections 3
to 4, for the difference of Gaussians, the interpolated place and the test against edges; here at
one scale, since poses and model tell scale and turn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_window import REORDER
from tracker.cloud.ties_region import Outline
from tracker.maths.camera import Array

Picture = NDArray[np.float32]
Words = NDArray[np.float32]
Warp = Callable[[Array], Array]
"""From pixels (n, 2) of a photograph to warps (n, 2, 2): steps of a word's grid to px there."""

SHARE = 0.5
"""Size at which features are sought, of the photograph's."""
SPOT_PX, ROUND_PX = 1.0, 1.6
"""Widths of the two Gaussians whose difference shows spots, px of the reduced picture."""
FAINTEST = 1.5
"""Of a spot, in grey values of the evened-out picture."""
EDGE = 6.0
"""A spot may be this many times as long as it is wide; longer ones are edges."""
FARTHEST_STEP_PX = 1.0
MOST = 4500
"""Features kept in one photograph, the strongest."""
WORD_SIDE = 8
WORD_STEP_PX = 1.6
"""Grid of a word: places along a side, and px of the reduced picture between them."""
SOFT_PX = 0.8
"""Smoothing before words are read, px of the reduced picture."""
EVEN_SIGMA_PX, EVEN_SHARE = 10.0, 0.25
"""Width of the surroundings over which contrast is evened out, px, and their reduced size."""
EVENED_GREY = 40.0
"""Standard deviation of grey values that contrast is raised to."""
NOISE_GREY = 2.5
"""Contrast that is taken for noise and not raised, grey values."""


@dataclass(frozen=True, slots=True)
class Features:
    """Features of one photograph, n of them.

    Attributes
    ----------
    pixel : (n, 2) array, px of the whole photograph
    word : (n, WORD_SIDE^2) float32 array, mean zero, unit length
    """

    pixel: Array
    word: Words


def even_contrast(gray: NDArray[np.uint8]) -> Picture:
    """Grey values about zero, with local contrast brought to one level."""
    values = gray.astype(np.float32)
    mean, square = _surroundings(values), _surroundings(values * values)
    gain = EVENED_GREY / np.sqrt(np.maximum(square - mean * mean, 0.0) + NOISE_GREY**2)
    size = (gray.shape[1], gray.shape[0])
    values -= cv2.resize(mean, size, interpolation=cv2.INTER_LINEAR)
    values *= cv2.resize(gain, size, interpolation=cv2.INTER_LINEAR)
    return values


def _surroundings(values: Picture) -> Picture:
    """Smoothed values, reduced: they are too smooth to need all pixels."""
    small = cv2.resize(values, None, fx=EVEN_SHARE, fy=EVEN_SHARE, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), EVEN_SIGMA_PX * EVEN_SHARE), np.float32)


def find_features(
    gray: NDArray[np.uint8],
    outline: Outline,
    warp: Warp,
    keep_out: list[Array] | None = None,
    share: float = SHARE,
) -> Features:
    """Features of the stone in one photograph.

    Parameters
    ----------
    gray : (height, width) array
    outline : Outline
    warp : from pixels of the photograph to warps of the words' grids
    keep_out : list of (k, 2) arrays, px
        Polygons without stone (targets).
    share : float
        Size at which features are sought, of the photograph's.
    """
    if outline.empty:
        return Features(np.zeros((0, 2)), np.zeros((0, WORD_SIDE**2), np.float32))
    crop = gray[outline.y0 : outline.y1, outline.x0 : outline.x1]
    small = cv2.resize(crop, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(outline.mask, small.shape[::-1], interpolation=cv2.INTER_NEAREST)
    corner = np.array([outline.x0, outline.y0], dtype=np.float64)
    for polygon in keep_out or []:
        cv2.fillPoly(mask, [np.rint((polygon - corner) * share).astype(np.int32)], 0)
    even = even_contrast(np.asarray(small, np.uint8))
    spot = _strongest_spots(even, np.asarray(mask, np.uint8))
    pixel = (spot + 0.5) / share - 0.5 + corner
    word = np.empty((len(spot), WORD_SIDE**2), np.float32)
    soft = np.asarray(cv2.GaussianBlur(even, (0, 0), SOFT_PX), np.float32)
    _read_words(soft, spot, share * warp(pixel), word)
    return Features(pixel, word)


def _strongest_spots(even: Picture, mask: NDArray[np.uint8]) -> Array:
    """Places (n, 2) of the strongest spots, px, in reading order."""
    fine, coarse = (cv2.GaussianBlur(even, (0, 0), width) for width in (SPOT_PX, ROUND_PX))
    most = even.size // 4 + 1
    place, strength = np.empty((most, 2)), np.empty(most)
    count = _find_spots(cv2.subtract(fine, coarse), mask, place, strength)
    place, strength = place[:count], strength[:count]
    return place[np.sort(np.argsort(-strength, kind="stable")[:MOST])]


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _find_spots(D: Picture, mask: NDArray[np.uint8], place: Array, strength: Array) -> int:
    """Fills place (n, 2) and strength (n,) of the extrema of D that are no edges; returns n.

    No two neighbouring pixels are both extrema, so a quarter of the pixels is room enough.
    """
    n = 0
    for y in range(1, D.shape[0] - 1):
        for x in range(1, D.shape[1] - 1):
            v = D[y, x]
            if abs(v) < FAINTEST or mask[y, x] == 0 or not _is_extremum(D, y, x):
                continue
            gx, gy = 0.5 * (D[y, x + 1] - D[y, x - 1]), 0.5 * (D[y + 1, x] - D[y - 1, x])
            hxx, hyy = D[y, x + 1] + D[y, x - 1] - 2 * v, D[y + 1, x] + D[y - 1, x] - 2 * v
            hxy = 0.25 * (D[y + 1, x + 1] + D[y - 1, x - 1] - D[y + 1, x - 1] - D[y - 1, x + 1])
            det, trace = hxx * hyy - hxy * hxy, hxx + hyy
            if det <= 0.0 or EDGE * trace * trace >= (EDGE + 1.0) ** 2 * det:
                continue
            dx, dy = (hxy * gy - hyy * gx) / det, (hxy * gx - hxx * gy) / det
            if max(abs(dx), abs(dy)) > FARTHEST_STEP_PX:
                continue
            place[n, 0], place[n, 1], strength[n] = x + dx, y + dy, abs(v)
            n += 1
    return n


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _is_extremum(D: Picture, y: int, x: int) -> bool:
    """Whether a pixel lies above all its eight neighbours, or below them."""
    v, sign = D[y, x], 1.0 if D[y, x] > 0.0 else -1.0
    for j in range(y - 1, y + 2):
        for i in range(x - 1, x + 2):
            if (i != x or j != y) and sign * D[j, i] >= sign * v:
                return False
    return True


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _read_words(picture: Picture, place: Array, warp: Array, word: Words) -> None:
    """Fills the words (n, WORD_SIDE^2) of places (n, 2), px; the picture's edge is repeated."""
    height, width = picture.shape
    for n in range(len(place)):
        k, total, square = 0, 0.0, 0.0
        for j in range(WORD_SIDE):
            for i in range(WORD_SIDE):
                u, v = i - 0.5 * (WORD_SIDE - 1), j - 0.5 * (WORD_SIDE - 1)
                x = place[n, 0] + warp[n, 0, 0] * u + warp[n, 0, 1] * v
                y = place[n, 1] + warp[n, 1, 0] * u + warp[n, 1, 1] * v
                x, y = min(max(x, 0.0), width - 1.001), min(max(y, 0.0), height - 1.001)
                column, row = int(x), int(y)
                fx, fy = x - column, y - row
                top = (1.0 - fx) * picture[row, column] + fx * picture[row, column + 1]
                low = (1.0 - fx) * picture[row + 1, column] + fx * picture[row + 1, column + 1]
                word[n, k] = (1.0 - fy) * top + fy * low
                total += word[n, k]
                k += 1
        for m in range(k):
            word[n, m] -= total / k
            square += word[n, m] ** 2
        for m in range(k):
            word[n, m] /= np.sqrt(max(square, 1e-9))
