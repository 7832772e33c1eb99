"""The form alone, from a side, in greys: light from the upper left, an outline, no figures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.report.painting import cast, outline
from tracker.report.views import OVERSAMPLING, Side, View, extent_mm
from tracker.surface import Surface

DARKEST, LIGHTEST, OUTLINE = 0.50, 0.97, 0.25
LIGHT = np.array([-0.5, 0.62, 0.6])


def draw_form(surface: Surface, side: Side, mm_per_px: float) -> View:
    """One side of the model in greys, pale enough to write on."""
    low, high = extent_mm(surface, side)
    bottom, top = surface.box
    centre, axes = 0.5 * (bottom + top), side.axes
    width, height = np.ceil((high - low) / mm_per_px).astype(int)
    step = mm_per_px / OVERSAMPLING
    right = low[0] + (np.arange(width * OVERSAMPLING) + 0.5) * step
    up = high[1] - (np.arange(height * OVERSAMPLING) + 0.5) * step
    origins = centre + right[None, :, None] * axes[0] + up[:, None, None] * axes[1]
    origins = origins + float(np.linalg.norm(top - bottom)) * axes[2]
    nothing = np.zeros(len(surface.vertices))
    seen = np.ones(len(nothing), dtype=bool)
    hits = cast(surface, nothing, seen, origins, np.broadcast_to(-axes[2], origins.shape))
    light = axes.T @ (LIGHT / np.linalg.norm(LIGHT))
    lit = np.clip(0.5 + 0.5 * (hits.normals @ light), 0.0, 1.0)
    grey = DARKEST + (LIGHTEST - DARKEST) * lit
    grey[outline(hits)] = OUTLINE
    grey[~hits.met] = 1.0
    small = grey.reshape(height, OVERSAMPLING, width, OVERSAMPLING).mean(axis=(1, 3))
    picture: NDArray[np.uint8] = np.repeat(
        np.round(255.0 * small).astype(np.uint8)[:, :, None], 3, axis=2
    )
    return View(side, picture, np.array([low[0], high[1]]), mm_per_px, centre)
