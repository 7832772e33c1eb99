"""Finds the chequered calibration board in a photograph."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array

SEARCH_PX = 1600
"""Longer side of the picture in which the board is looked for; corners are set in the whole."""
WINDOW_SHARE = 0.3
"""Half window of the corner, as a share of the smallest distance between corners: a larger one
takes in the next square's edges and doubles the misfit of real photographs (measured)."""
WINDOW_PX = (3, 15)
"""Least and largest half window."""
ROUNDS, STEP_PX = 40, 0.005


def find_board(gray: NDArray[np.uint8], corners: tuple[int, int]) -> Array | None:
    """Inner corners of the board, row by row, or None where it is not seen whole.

    Parameters
    ----------
    gray : (h, w) array
        Stored pixels, unturned.
    corners : (along, across)
        Inner corners of the board.

    Returns
    -------
    (along * across, 2) array, px, or None
    """
    scale = min(1.0, SEARCH_PX / max(gray.shape))
    small = gray
    if scale < 1.0:
        small = np.asarray(
            cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    seen, rough = cv2.findChessboardCorners(small, corners)
    if not seen:
        seen, rough = cv2.findChessboardCornersSB(
            small, corners, flags=cv2.CALIB_CB_NORMALIZE_IMAGE
        )
    if not seen:
        return None
    start = (np.asarray(rough, np.float64).reshape(-1, 2) + 0.5) / scale - 0.5
    half = int(np.clip(WINDOW_SHARE * _closest_px(start, corners), *WINDOW_PX))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, ROUNDS, STEP_PX)
    first = start.astype(np.float32).reshape(-1, 1, 2)
    fine = cv2.cornerSubPix(gray, first, (half, half), (-1, -1), stop)
    return np.asarray(fine, np.float64).reshape(-1, 2)


def board_points(corners: tuple[int, int], square_mm: float) -> Array:
    """The same corners on the board, (n, 3), mm."""
    across, down = corners
    return np.array(
        [[square_mm * c, square_mm * r, 0.0] for r in range(down) for c in range(across)]
    )


def _closest_px(pixels: Array, corners: tuple[int, int]) -> float:
    grid = pixels.reshape(corners[1], corners[0], 2)
    along = np.linalg.norm(np.diff(grid, axis=1), axis=2)
    across = np.linalg.norm(np.diff(grid, axis=0), axis=2)
    return float(min(along.min(), across.min()))
