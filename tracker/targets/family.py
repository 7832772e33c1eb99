"""The AprilTag family 36h11: which modules of a target are white, and where its edges run.

A target is measured in *modules*: x to the right, y down in the upright print, (0, 0) the top
left and (8, 8) the bottom right corner of the black square. The white rim round the square is
one module wide.

References
----------
E. Olson, "AprilTag: A robust and flexible visual fiducial system", ICRA 2011.
J. Wang, E. Olson, "AprilTag 2: Efficient and robust fiducial detection", IROS 2016.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array

FAMILY_SIZE = 587
SQUARE_MODULES = 8
"""Side of the black square."""
MIN_DISTANCE_BITS = 11
"""Two targets of the family differ in at least so many modules, however they are turned."""
CORNERS_MODULES: Array = np.array([[0.0, 0.0], [8.0, 0.0], [8.0, 8.0], [0.0, 8.0]])
"""Top left, top right, bottom right, bottom left."""


@dataclass(frozen=True, slots=True)
class EdgeRuns:
    """Straight black-to-white edges of one target, (m, 2) or (m,) arrays, modules.

    Attributes
    ----------
    start : (m, 2) array
        First end.
    along : (m, 2) array
        Unit direction from the first end to the second.
    toward_white : (m, 2) array
        Unit normal from the black side to the white one.
    length : (m,) array
    """

    start: Array
    along: Array
    toward_white: Array
    length: Array


@lru_cache(maxsize=1)
def dictionary() -> cv2.aruco.Dictionary:
    """OpenCV's table of the family; its bitmaps are the official ones turned by 180 degrees."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


@lru_cache(maxsize=FAMILY_SIZE)
def white_modules(tag: int) -> NDArray[np.bool_]:
    """Which modules are white, (10, 10), the white rim included; row 0 is the upright top.

    Raises
    ------
    IndexError
        The family has no target of that number.
    """
    if not 0 <= tag < FAMILY_SIZE:
        raise IndexError(f"The family 36h11 has the numbers 0 to {FAMILY_SIZE - 1}, not {tag}.")
    square = cv2.aruco.generateImageMarker(dictionary(), tag, SQUARE_MODULES, borderBits=1)
    white = np.pad(np.asarray(square)[::-1, ::-1] > 127, 1, constant_values=True)
    white.setflags(write=False)
    return white


@lru_cache(maxsize=FAMILY_SIZE)
def edge_runs(tag: int) -> EdgeRuns:
    """All edges between black and white, cut only where the boundary turns or ends."""
    white = white_modules(tag)
    runs = [(x, y, 0.0, 1.0, nx, 0.0, n) for x, y, nx, n in _upright_runs(white)]
    runs += [(x, y, 1.0, 0.0, 0.0, ny, n) for y, x, ny, n in _upright_runs(white.T)]
    table = np.array(runs)
    return EdgeRuns(table[:, 0:2] - 1.0, table[:, 2:4], table[:, 4:6], table[:, 6])


def _upright_runs(white: NDArray[np.bool_]) -> list[tuple[float, float, float, float]]:
    """Runs (x, first y, side of white, length) of the edges parallel to the rows' axis."""
    step = white[:, 1:].astype(int) - white[:, :-1].astype(int)
    runs = []
    for column in range(step.shape[1]):
        signs = np.concatenate([[0], step[:, column], [0]])
        cuts = np.flatnonzero(np.diff(signs))
        for first, last in pairwise(cuts):
            if signs[first + 1]:
                runs.append(
                    (column + 1.0, float(first), float(signs[first + 1]), float(last - first))
                )
    return runs
