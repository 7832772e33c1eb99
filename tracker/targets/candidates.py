"""Targets as OpenCV reads them: numbers, and corners to a pixel or two.

Large photographs are read at half size, which finds nearly everything in a third of the time.
What is small is then looked for at full size, but only where the picture is as busy as a target
is and no target has been found yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.targets.family import dictionary

SMALL_PHOTOGRAPH_PX = 4_500_000
"""Up to this size a photograph is read at full size at once."""
MIN_SIDE_PX = 16.0
BLOCK_PX = 32
"""Side of the blocks (full size) in which busyness is judged."""
BUSY_GREY = 9.0
"""Mean step between neighbouring pixels of the half-size picture inside a target, and above."""
TILE_BLOCKS = 16
TILE_MARGIN_BLOCKS = 3
TURN_TO_UPRIGHT = [2, 3, 0, 1]
"""OpenCV's bitmaps are the official ones turned by 180 degrees."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A target as read: number and rough corners (4, 2) px, upright order."""

    tag: int
    corners_px: Array

    @property
    def centre_px(self) -> Array:
        """Mean of the corners."""
        return np.asarray(self.corners_px.mean(axis=0))

    @property
    def side_px(self) -> float:
        """Longest side."""
        return float(
            np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=0), axis=1).max()
        )


def find_candidates(gray: NDArray[np.uint8]) -> list[Candidate]:
    """All readable targets of a photograph, each place once, ordered by number and place.

    Parameters
    ----------
    gray : (h, w) array
    """
    if gray.size <= SMALL_PHOTOGRAPH_PX:
        return _each_once(_read(gray, window=(13, 23)))
    half = cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    found = [
        Candidate(c.tag, (c.corners_px + 0.5) * 2.0 - 0.5)
        for c in _read(np.asarray(half, np.uint8), window=(23, 23), min_side_px=MIN_SIDE_PX / 2)
    ]
    for x, y, width, height in _busy_tiles(np.asarray(half, np.uint8), found):
        tile = gray[y : y + height, x : x + width]
        found += [
            Candidate(c.tag, c.corners_px + np.array([x, y], float))
            for c in _read(tile, window=(13, 13))
        ]
    return _each_once(found)


def _read(
    gray: NDArray[np.uint8], window: tuple[int, int], min_side_px: float = MIN_SIDE_PX
) -> list[Candidate]:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = window
    parameters.minMarkerPerimeterRate = 4.0 * min_side_px / max(gray.shape)
    quads, numbers, _ = cv2.aruco.ArucoDetector(dictionary(), parameters).detectMarkers(gray)
    if numbers is None or len(numbers) == 0:
        return []
    return [
        Candidate(int(tag), np.asarray(quad, float).reshape(4, 2)[TURN_TO_UPRIGHT])
        for tag, quad in zip(np.ravel(numbers), quads, strict=True)
    ]


def _busy_tiles(half: NDArray[np.uint8], found: list[Candidate]) -> list[tuple[int, int, int, int]]:
    """Full-size rectangles (x, y, width, height) that may hold targets not yet found."""
    cell = BLOCK_PX // 2
    rows, columns = half.shape[0] // cell, half.shape[1] // cell
    picture = half[: rows * cell, : columns * cell]
    sideways = cv2.absdiff(picture[:, 1:], picture[:, :-1])[:-1]
    down = cv2.absdiff(picture[1:], picture[:-1])[:, :-1]
    step = cv2.addWeighted(sideways, 0.5, down, 0.5, 0.0)
    busy = cv2.resize(step, (columns, rows), interpolation=cv2.INTER_AREA) > BUSY_GREY
    known = np.zeros(busy.shape, np.uint8)
    for candidate in found:
        rim = candidate.centre_px + 1.35 * (candidate.corners_px - candidate.centre_px)
        cv2.fillConvexPoly(known, np.round(rim / BLOCK_PX - 0.5).astype(np.int32), 1)
    busy &= known == 0
    tiles = []
    for row in range(0, rows, TILE_BLOCKS):
        for column in range(0, columns, TILE_BLOCKS):
            spots = np.argwhere(busy[row : row + TILE_BLOCKS, column : column + TILE_BLOCKS])
            if len(spots):
                first = spots.min(axis=0) + [row, column] - TILE_MARGIN_BLOCKS
                last = spots.max(axis=0) + [row, column] + TILE_MARGIN_BLOCKS + 1
                (y0, x0), (y1, x1) = np.maximum(first, 0), np.minimum(last, [rows + 1, columns + 1])
                tiles.append(
                    (
                        int(x0) * BLOCK_PX,
                        int(y0) * BLOCK_PX,
                        int(x1 - x0) * BLOCK_PX,
                        int(y1 - y0) * BLOCK_PX,
                    )
                )
    return tiles


def _each_once(candidates: list[Candidate]) -> list[Candidate]:
    """Readings of one number at one place become one, the last (full-size) reading."""
    kept: list[Candidate] = []
    for candidate in candidates:
        kept = [
            k
            for k in kept
            if k.tag != candidate.tag
            or np.linalg.norm(k.centre_px - candidate.centre_px) > 0.5 * candidate.side_px
        ]
        kept.append(candidate)
    return sorted(kept, key=lambda c: (c.tag, float(c.centre_px[0]), float(c.centre_px[1])))
