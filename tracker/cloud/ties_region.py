"""Where the stone can be: near the model in space, near its outline in a photograph."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.maths.camera import Array, Lens, Pose, project
from tracker.surface import Surface, sample_surface

DEEPEST_MM = 8.0
"""Stone is not looked for deeper inside the model than this."""
CELLS_ALONG = 40
"""Lattice cells along the longest side of the room."""
OUTLINE_STEP = 8
"""Pixels of the photograph per pixel of the outline's mask."""
GUARD_PX = 24
"""Added round the outline so that patches at its edge are whole."""


@dataclass(frozen=True, slots=True)
class StoneRoom:
    """Signed distance to the model on a lattice round it, for quick questions.

    Attributes
    ----------
    low : (3,) array, mm
        Middle of the first cell.
    cell_mm : float
    distance_mm : (nx, ny, nz) float32 array
    allowance_mm : float
        How far outside the model the block's face may be.
    """

    low: Array
    cell_mm: float
    distance_mm: NDArray[np.float32]
    allowance_mm: float

    def holds(self, points: Array) -> NDArray[np.bool_]:
        """Whether stone can be at points (n, 3), frame coordinates, to a cell's width."""
        shape = np.array(self.distance_mm.shape)
        index = np.rint((points - self.low) / self.cell_mm)
        inside = np.all((index >= 0) & (index < shape), axis=1)
        held = np.zeros(len(points), dtype=bool)
        at = index[inside].astype(np.int64)
        held[inside] = self.holding_cells()[at[:, 0], at[:, 1], at[:, 2]]
        return held

    def holding_cells(self) -> NDArray[np.bool_]:
        """Whether stone can be in each cell, (nx, ny, nz)."""
        slack = 0.87 * self.cell_mm
        away = self.distance_mm
        return (away > -DEEPEST_MM - slack) & (away < self.allowance_mm + slack)


def stone_room(surface: Surface, samples: Array, allowance_mm: float) -> StoneRoom:
    """Lattice of signed distances over the model's box and the allowance.

    The distance is that to the nearest of the samples (n, 3): it is good to their spacing, which
    is less than a cell, and much quicker than that to the nearest triangle.
    """
    low, high = surface.box
    low, high = low - allowance_mm, high + allowance_mm
    cell = float(np.max(high - low)) / CELLS_ALONG
    axes = [np.arange(a, b + cell, cell) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    away = np.asarray(cKDTree(samples).query(grid)[0])
    away = np.where(surface.holds(grid), -away, away)
    shape = tuple(len(axis) for axis in axes)
    return StoneRoom(low, cell, away.reshape(shape).astype(np.float32), allowance_mm)


@dataclass(frozen=True, slots=True)
class Outline:
    """Part of a photograph on which stone can show.

    Attributes
    ----------
    x0, y0, x1, y1 : int
        Crop of the photograph, px, end excluded; empty where nothing shows.
    mask : (h, w) uint8 array
        255 where stone can be, `OUTLINE_STEP` times smaller than the crop.
    """

    x0: int
    y0: int
    x1: int
    y1: int
    mask: NDArray[np.uint8]

    @property
    def empty(self) -> bool:
        """Whether the photograph shows no stone at all."""
        return self.x1 - self.x0 < 4 * OUTLINE_STEP or self.y1 - self.y0 < 4 * OUTLINE_STEP


def outline_samples(surface: Surface) -> tuple[Array, float]:
    """Points on the model for its outline, (n, 3), mm, and their spacing, mm."""
    low, high = surface.box
    spacing = max(float(np.linalg.norm(high - low)) / 80.0, 0.5)
    return sample_surface(surface, spacing).points, spacing


def stone_outline(
    samples: Array,
    spacing_mm: float,
    allowance_mm: float,
    lens: Lens,
    pose: Pose,
    size: tuple[int, int],
) -> Outline:
    """The model's outline in one photograph, widened by the allowance.

    Parameters
    ----------
    samples, spacing_mm : from `outline_samples`
    size : (width, height), px
    """
    width, height = size
    pixels, depth = project(lens, pose, samples)
    ahead = depth > 1.0
    small = np.zeros((height // OUTLINE_STEP + 1, width // OUTLINE_STEP + 1), np.uint8)
    nothing = Outline(0, 0, 0, 0, small[:0, :0])
    if not ahead.any():
        return nothing
    reach_px = lens.focal_px * (allowance_mm + spacing_mm) / float(np.median(depth[ahead]))
    margin = int(np.ceil((reach_px + GUARD_PX) / OUTLINE_STEP))
    at = np.floor(pixels[ahead] / OUTLINE_STEP).astype(np.int64) + margin
    wide = np.full((small.shape[0] + 2 * margin, small.shape[1] + 2 * margin), 255, np.uint8)
    ok = np.all((at >= 0) & (at < np.array(wide.shape[::-1])), axis=1)
    if not ok.any():
        return nothing
    wide[at[ok, 1], at[ok, 0]] = 0
    near = cv2.distanceTransform(wide, cv2.DIST_L2, 5)
    near = near[margin : margin + small.shape[0], margin : margin + small.shape[1]]
    small[near * OUTLINE_STEP <= reach_px] = 255
    rows, columns = np.flatnonzero(small.any(axis=1)), np.flatnonzero(small.any(axis=0))
    if len(rows) == 0:
        return nothing
    return Outline(
        int(columns[0] * OUTLINE_STEP),
        int(rows[0] * OUTLINE_STEP),
        min(int((columns[-1] + 1) * OUTLINE_STEP), width),
        min(int((rows[-1] + 1) * OUTLINE_STEP), height),
        np.ascontiguousarray(small[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]),
    )
