"""Parallel views of the model from its sides, all at one scale."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.comparison.states import Bands
from tracker.maths.camera import Array
from tracker.report.colours import PAPER_RGB
from tracker.report.painting import OUTLINE_SHADE, Hits, cast, corner_figures, outline, paint
from tracker.surface import Surface

OVERSAMPLING = 2
MARGIN_MM = 4.0


@dataclass(frozen=True, slots=True)
class Side:
    """A direction to look from; `right` and `up` span the picture."""

    name: str
    right: tuple[float, float, float]
    up: tuple[float, float, float]

    @property
    def axes(self) -> Array:
        """Rows right, up, towards the eye; (3, 3)."""
        right, up = np.array(self.right), np.array(self.up)
        right = right / np.linalg.norm(right)
        up = up - (up @ right) * right
        up = up / np.linalg.norm(up)
        return np.stack([right, up, np.cross(right, up)])


FRONT = Side("front", (1, 0, 0), (0, 0, 1))
RIGHT = Side("right", (0, 1, 0), (0, 0, 1))
BACK = Side("back", (-1, 0, 0), (0, 0, 1))
LEFT = Side("left", (0, -1, 0), (0, 0, 1))
ABOVE = Side("from above", (1, 0, 0), (0, 1, 0))
SLANT_LEFT = Side("front left, from above", (0.8, -0.6, 0.0), (0.27, 0.36, 0.9))
SLANT_RIGHT = Side("back right, from above", (-0.8, 0.6, 0.0), (-0.27, -0.36, 0.9))


@dataclass(frozen=True, slots=True)
class View:
    """A painted side.

    Attributes
    ----------
    side : Side
    picture : (h, w, 3) uint8
    origin_mm : (2,) array
        Right and up coordinates of the picture's upper left corner.
    mm_per_px : float
    centre : (3,) array
        Of the model's box, from which right and up are counted.
    """

    side: Side
    picture: NDArray[np.uint8]
    origin_mm: Array
    mm_per_px: float
    centre: Array

    def pixel(self, place: Array) -> tuple[float, float]:
        """Where a place appears (x, y), px from the upper left corner."""
        right, up, _ = self.side.axes @ (place - self.centre)
        return (
            float((right - self.origin_mm[0]) / self.mm_per_px),
            float((self.origin_mm[1] - up) / self.mm_per_px),
        )


def extent_mm(surface: Surface, side: Side) -> tuple[Array, Array]:
    """Lowest and highest (right, up) coordinate of the surface from a side, about its middle."""
    low, high = surface.box
    flat = (surface.vertices - 0.5 * (low + high)) @ side.axes[:2].T
    return flat.min(axis=0) - MARGIN_MM, flat.max(axis=0) + MARGIN_MM


def draw_view(
    surface: Surface,
    stone_left_mm: Array,
    seen: NDArray[np.bool_],
    side: Side,
    bands: Bands,
    mm_per_px: float,
) -> View:
    """Paint one side of the model."""
    hits, corner = look(surface, stone_left_mm, seen, side, mm_per_px)
    low, high = surface.box
    light = side.axes.T @ np.array([-0.5, 0.62, 0.6])
    colour = paint(hits, bands, light / np.linalg.norm(light), 7.0 * OVERSAMPLING)
    return View(side, _reduced(colour, hits), corner, mm_per_px, 0.5 * (low + high))


def look(
    surface: Surface, stone_left_mm: Array, seen: NDArray[np.bool_], side: Side, mm_per_px: float
) -> tuple[Hits, Array]:
    """What parallel rays from a side meet, `OVERSAMPLING` of them along a pixel.

    Returns
    -------
    hits : Hits
    corner : (2,) array, mm
        Right and up coordinates of the upper left corner.
    """
    low, high = extent_mm(surface, side)
    width, height = np.ceil((high - low) / mm_per_px).astype(int)
    step = mm_per_px / OVERSAMPLING
    right = low[0] + (np.arange(width * OVERSAMPLING) + 0.5) * step
    up = high[1] - (np.arange(height * OVERSAMPLING) + 0.5) * step
    bottom, top = surface.box
    axes, away = side.axes, float(np.linalg.norm(top - bottom))
    row = 0.5 * (bottom + top) + away * axes[2] + right[:, None] * axes[0]
    column = up[:, None, None] * axes[1]
    origins = row.astype(np.float32) + column.astype(np.float32)
    towards = -axes[2].astype(np.float32)
    figures = corner_figures(surface, stone_left_mm, seen)
    return cast(surface, figures, origins, towards), np.array([low[0], high[1]])


def _reduced(colour: NDArray[np.float32], hits: Hits) -> NDArray[np.uint8]:
    colour[outline(hits)] *= OUTLINE_SHADE
    colour[~hits.met] = np.array(PAPER_RGB) / 255.0
    height, width = hits.met.shape
    size = (width // OVERSAMPLING, height // OVERSAMPLING)
    small = cv2.resize(colour, size, interpolation=cv2.INTER_AREA)
    return np.asarray(np.round(255.0 * small), dtype=np.uint8)


def in_sight(surface: Surface, side: Side, place: Array, tolerance_mm: float = 3.0) -> bool:
    """Whether nothing of the model lies between a place and the eye."""
    eye = side.axes[2]
    ray = place[None] + tolerance_mm * eye
    return bool(np.isinf(surface.first_hit_mm(ray, eye[None])[0]))
