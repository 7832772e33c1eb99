"""Features on pale stone: local contrast raised to one level, SIFT at half size, RootSIFT.

References
----------
D. G. Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60 (2004).
R. Arandjelovic and A. Zisserman, "Three things everyone should know to improve object
retrieval", CVPR (2012), for the square root of the descriptor.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.cloud.ties_region import Outline
from tracker.maths.camera import Array

CONTRAST = 0.01
"""SIFT's contrast threshold on the evened-out picture."""
EDGE = 12.0
MOST = 5000
"""Features kept in one photograph, the strongest."""
EVEN_SIGMA_PX = 10.0
"""Width of the surroundings over which contrast is evened out, half-size px."""
NOISE_GREY = 2.5
"""Contrast that is taken for noise and not raised, grey values."""


@dataclass(frozen=True, slots=True)
class Features:
    """Features of one photograph, n of them.

    Attributes
    ----------
    pixel : (n, 2) array, px of the whole photograph
    descriptor : (n, 128) float32 array, unit length (RootSIFT)
    """

    pixel: Array
    descriptor: NDArray[np.float32]


def even_contrast(gray: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Grey values with local mean and local contrast brought to one level."""
    values = gray.astype(np.float32)
    mean = cv2.GaussianBlur(values, (0, 0), EVEN_SIGMA_PX)
    values -= mean
    variance = cv2.GaussianBlur(values * values, (0, 0), EVEN_SIGMA_PX)
    scaled = values * (40.0 / np.sqrt(variance + NOISE_GREY**2)) + 128.0
    return np.asarray(np.clip(np.rint(scaled), 0.0, 255.0), np.uint8)


def find_features(
    gray: NDArray[np.uint8], outline: Outline, keep_out: list[Array] | None = None
) -> Features:
    """Features of the stone in one photograph.

    Parameters
    ----------
    gray : (height, width) array
    outline : Outline
    keep_out : list of (k, 2) arrays, px
        Polygons without stone (targets).
    """
    none = Features(np.zeros((0, 2)), np.zeros((0, 128), np.float32))
    if outline.empty:
        return none
    crop = gray[outline.y0 : outline.y1, outline.x0 : outline.x1]
    half = cv2.resize(crop, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(outline.mask, half.shape[::-1], interpolation=cv2.INTER_NEAREST)
    corner = np.array([outline.x0, outline.y0], dtype=np.float64)
    for polygon in keep_out or []:
        inside = np.rint((polygon - corner) / 2.0).astype(np.int32)
        cv2.fillPoly(mask, [inside], 0)
    sift = cv2.SIFT.create(
        nfeatures=MOST, nOctaveLayers=3, contrastThreshold=CONTRAST, edgeThreshold=EDGE, sigma=1.2
    )
    keys, raw = sift.detectAndCompute(even_contrast(half.astype(np.uint8)), mask.astype(np.uint8))
    if raw is None or len(keys) == 0:
        return none
    place = np.array([key.pt for key in keys], dtype=np.float64)
    # the same spot may carry several orientations: keep them, ordered
    order = np.lexsort((np.array([key.angle for key in keys]), place[:, 0], place[:, 1]))
    whole = (place[order] + 0.5) * 2.0 - 0.5 + corner
    root = np.sqrt(raw[order] / np.maximum(raw[order].sum(axis=1, keepdims=True), 1e-9))
    return Features(whole, root.astype(np.float32))
