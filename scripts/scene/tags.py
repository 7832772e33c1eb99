"""The printed AprilTag 36h11 as black and white modules, upright as published."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

MODULES = 8
"""Modules along the black square; the card is white for at least one module around it."""


def modules(tag: int) -> NDArray[np.uint8]:
    """1 for white and 0 for black, (8, 8), rows from the top of the upright print.

    OpenCV stores the family turned by 180 degrees.
    """
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = cv2.aruco.generateImageMarker(dictionary, tag, MODULES)
    return np.ascontiguousarray(np.rot90(picture, 2) > 127).astype(np.uint8)
