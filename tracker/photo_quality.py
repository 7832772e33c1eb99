"""Whether a photograph is sharp and well exposed enough to measure on.

Sharpness is read where the picture is known: a target is black beside white, so the height of
that step over its steepest slope is the width, in pixels, over which the picture smears an edge.
Taken for both pairs of sides, it tells a shaken photograph from a sharp one too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array

CLIPPED_GREY = 252
BLUR_LIMIT_PX = 6.0
"""An edge smeared wider than this hides the stone's grain at a quarter of a millimetre a pixel."""
BLUR_AGAINST_OTHERS = 2.2
"""So many times the median of the day's photographs is out of line."""
MOST_TARGETS = 6
"""Targets of a photograph whose edges are looked at, spread over all that it shows."""
ENOUGH_PIXELS = 700_000
"""So many pixels of a photograph, evenly spread, tell how much of it is burnt out."""
CLIPPED_LIMIT = 0.25
"""Share of the stone burnt out to white above which a photograph is left out."""


@dataclass(frozen=True, slots=True)
class PhotoQuality:
    """Sharpness and exposure of one photograph.

    Attributes
    ----------
    edge_width_px : float
        Width of a black/white step in the worst direction; inf where no target was seen.
    clipped_share : float
        Share of the region asked for that is burnt out to white.
    """

    edge_width_px: float
    clipped_share: float


def edge_width_px(gray: NDArray[np.uint8], corners: Sequence[Array]) -> float:
    """Median, over a few targets, of the width of their edges in the worst direction, px.

    Parameters
    ----------
    gray : (h, w) array
    corners : sequence of (4, 2) arrays, px
        Corners of the targets' black squares.
    """
    turn = -(-len(corners) // MOST_TARGETS) or 1
    for first in range(turn):
        some = corners[first::turn]
        widths = [width for quad in some if (width := _target_width_px(gray, quad)) is not None]
        if widths:
            return float(np.median(widths))
    return float("inf")


def clipped_share(gray: NDArray[np.uint8], outline: Array | None) -> float:
    """Share of the pixels inside a convex outline (k, 2), px, that are burnt out to white."""
    step = max(int(np.sqrt(gray.size / ENOUGH_PIXELS)), 1)
    gray = gray[::step, ::step]
    if outline is None:
        return float(np.mean(gray >= CLIPPED_GREY))
    mask = np.zeros(gray.shape, np.uint8)
    rim = np.round(outline / step).astype(np.int32)
    cv2.fillConvexPoly(mask, cv2.convexHull(rim), 1)
    inside = mask.astype(bool)
    if not inside.any():
        return 0.0
    return float(np.mean(gray[inside] >= CLIPPED_GREY))


def unfit(qualities: Sequence[PhotoQuality]) -> dict[int, str]:
    """Rows of photographs that had better be left out, each with the reason in plain words."""
    widths = np.array([q.edge_width_px for q in qualities])
    finite = widths[np.isfinite(widths)]
    usual = float(np.median(finite)) if len(finite) else 0.0
    limit = max(BLUR_AGAINST_OTHERS * usual, BLUR_LIMIT_PX)
    reasons: dict[int, str] = {}
    for row, quality in enumerate(qualities):
        if np.isfinite(quality.edge_width_px) and quality.edge_width_px > limit:
            reasons[row] = (
                f"blurred: edges are smeared over {quality.edge_width_px:.0f} pixels, "
                f"the other photographs over {usual:.1f}; hold still or add light"
            )
        elif quality.clipped_share > CLIPPED_LIMIT:
            reasons[row] = (
                f"over-exposed: {100 * quality.clipped_share:.0f} % of the stone is burnt out to "
                "white; photograph it darker"
            )
    return reasons


def _target_width_px(gray: NDArray[np.uint8], quad: Array) -> float | None:
    low = np.maximum(np.floor(quad.min(axis=0)).astype(int) - 2, 0)
    high = np.ceil(quad.max(axis=0)).astype(int) + 3
    patch = gray[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    if min(patch.shape) < 12:
        return None
    inside = np.zeros(patch.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.round(quad - low).astype(np.int32), 1)
    grey = patch[inside.astype(bool)]
    black, white = _ranked(grey, 0.05), _ranked(grey, 0.95)
    if white - black < 20:
        return None
    gx = cv2.Sobel(patch, cv2.CV_32F, 1, 0, ksize=3) / 8.0
    gy = cv2.Sobel(patch, cv2.CV_32F, 0, 1, ksize=3) / 8.0
    strength = np.hypot(gx, gy)
    # edges of a square target come in two directions; each is judged by its own steepest slopes
    sides = np.roll(quad, -1, axis=0) - quad
    worst = 0.0
    for side in (sides[0] - sides[2], sides[1] - sides[3]):
        normal = np.array([-side[1], side[0]]) / max(float(np.linalg.norm(side)), 1e-9)
        along = np.abs(gx * normal[0] + gy * normal[1])
        across = along[(along > 0.9 * strength) & (strength > 0.03 * (white - black))]
        if len(across) < 20:
            continue
        worst = max(worst, float((white - black) / _ranked(across, 0.95)))
    return worst or None


def _ranked(values: NDArray[np.float32], share: float) -> float:
    """The value that this share of the values does not exceed."""
    place = int(share * (len(values) - 1))
    return float(np.partition(values, place)[place])
