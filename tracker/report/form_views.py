"""The form alone, from a side, in greys: light from the upper left, an outline, no figures."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.report.painting import outline
from tracker.report.views import OVERSAMPLING, Side, View, look
from tracker.surface import Surface

DARKEST, LIGHTEST, OUTLINE = 0.50, 0.97, 0.25
LIGHT = np.array([-0.5, 0.62, 0.6])


def draw_form(surface: Surface, side: Side, mm_per_px: float) -> View:
    """One side of the model in greys, pale enough to write on."""
    nothing = np.zeros(len(surface.vertices))
    hits, corner = look(surface, nothing, np.ones(len(nothing), dtype=bool), side, mm_per_px)
    light = side.axes.T @ (LIGHT / np.linalg.norm(LIGHT))
    lit = np.clip(0.5 + 0.5 * (hits.normals @ light), 0.0, 1.0)
    grey = DARKEST + (LIGHTEST - DARKEST) * lit
    grey[outline(hits)] = OUTLINE
    grey[~hits.met] = 1.0
    size = tuple(n // OVERSAMPLING for n in hits.met.shape[::-1])
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    picture: NDArray[np.uint8] = np.repeat(
        np.round(255.0 * small).astype(np.uint8)[:, :, None], 3, axis=2
    )
    return View(side, picture, corner, mm_per_px, 0.5 * np.sum(surface.box, axis=0))
