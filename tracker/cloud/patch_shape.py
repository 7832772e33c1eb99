"""Patches in the shape of the model, and which of their points each photograph can see.

Finished stone follows the model, creases and ridges included, where a flat patch has no good place.
A patch that takes the model's own relief over the needle's tangent plane fits there and may be
larger. Stone left stands on the model like a coat, everywhere along the model's own direction: where
that leans by an angle a from the patch's, and by b in its middle, a coat that is d thick outward in
the middle is d cos b / cos a thick, so heights are h + d (cos b / cos a - 1) over a patch that moves
outward by d. That is right for thin coats. Parts of it may hide behind the model in some photographs:
there such a photograph takes the value the others expect (`fill_hidden`), so that it says nothing
of them, and takes part with the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps, hiding_limits
from tracker.cloud.patch_room import Photographs, Room
from tracker.cloud.patch_sampling import camera_axes, tangents
from tracker.cloud.patch_views import ViewStack
from tracker.cloud.patch_window import (
    ACROSS,
    BELL,
    DOWN,
    LANES,
    MAX_VIEWS,
    ONE,
    SHAPE,
    SHOWN,
    SWELL,
    ZERO,
    clear,
)
from tracker.maths.camera import Array
from tracker.surface import Surface

REACH_MM = 2.0
"""Points of the model higher or lower than this over the tangent plane belong to no patch."""
MOST_SWELL = 1.0
LOOK_FROM_MM = 2.5
"""Height from which the model is looked for."""
NEAREST_SHARE = 3
"""The nearest one in so many photographs say how large a pixel is."""


@dataclass(frozen=True, slots=True)
class ModelShape:
    """The model as the shape of patches.

    Attributes
    ----------
    model : Surface
    limits : (photographs, size, size) float32 array, mm
        Depth behind which the model hides a place, see `hiding_limits`.
    frames : (photographs, 3) array, see `DepthMaps`
    """

    model: Surface
    limits: NDArray[np.float32]
    frames: Array

    @staticmethod
    def of(model: Surface, maps: DepthMaps, slack_mm: float) -> ModelShape:
        """The shape, with maps of the model; a place may lie behind them by the slack."""
        return ModelShape(model, hiding_limits([maps], [slack_mm]), maps.frames)

    def steps_mm(self, stack: ViewStack, points: Array) -> Array:
        """Size of a pixel at places, mean of the nearest photographs, (n,), mm."""
        far = np.linalg.norm(points[:, None] - stack.centres, axis=2) / stack.cameras[:, 12]
        nearest = max(stack.count // NEAREST_SHARE, 3)
        return np.asarray(np.sort(far, axis=1)[:, :nearest].mean(axis=1))

    def heights_mm(
        self, points: Array, normals: Array, half: int, steps: Array
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Relief of the model over planes at some of its places, and its swell.

        Parameters
        ----------
        points, normals : (n, 3) arrays, places of the model and the directions of the planes
        half, steps : half width of the patch in steps, and the step (n,), mm

        Returns
        -------
        heights, swell : (n, points of the patch, filled up as `patch_window.window` does) float32
            Height, nan where the model is not met within REACH_MM, and what it grows by for each mm
            of depth: cos b / cos a - 1, with a the slope there and b the slope in the middle.
        """
        across, down = (np.empty_like(normals) for _ in range(2))
        _all_tangents(normals, across, down)
        grid = np.arange(-half, half + 1, dtype=np.float64)
        j, i = (g.ravel() for g in np.meshgrid(grid, grid, indexing="ij"))
        start = (points + LOOK_FROM_MM * normals)[:, None] + steps[:, None, None] * (
            i[:, None] * across[:, None] + j[:, None] * down[:, None]
        )
        way = np.broadcast_to(-normals[:, None], start.shape)
        met = self.model.first_hit_mm(start.reshape(-1, 3), way.reshape(-1, 3))
        height = LOOK_FROM_MM - met.reshape(start.shape[:2])
        height[~(np.abs(height) <= REACH_MM)] = np.nan
        swell = _swell(height.reshape(len(points), len(grid), len(grid)), steps)
        return _filled(height), _filled(swell.reshape(height.shape))


def _swell(height: Array, steps: Array) -> Array:
    """How much thicker than in the middle a coat is outward, as a share, (n, rows, columns).

    0 where it is unknown. A needle need not stand square to the model.
    """
    down, across = np.gradient(height, axis=(1, 2))
    slope = np.hypot(down, across) / steps[:, None, None]
    thick = np.sqrt(1.0 + slope**2)
    # the least round the middle, so that a crease beside it does not count
    middle = slice(height.shape[1] // 2 - 1, height.shape[1] // 2 + 2)
    least = np.min(thick[:, middle, middle], axis=(1, 2), keepdims=True)
    swell = thick / least - 1.0
    return np.asarray(np.nan_to_num(np.clip(swell, -MOST_SWELL, MOST_SWELL)))


def _filled(values: Array) -> NDArray[np.float32]:
    """Rows filled up to whole vectors of the processor."""
    count = (values.shape[1] + LANES - 1) // LANES * LANES
    filled = np.zeros((len(values), count), dtype=np.float32)
    filled[:, : values.shape[1]] = values
    return filled


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _all_tangents(normals: Array, across: Array, down: Array) -> None:
    for n in range(len(normals)):
        tangents(normals[n], across[n], down[n])


class Shapes(NamedTuple):
    """Shapes of a piece of work; without rows the patches are flat.

    Attributes
    ----------
    heights, swell : (n, points) float32 arrays, see `ModelShape.heights_mm`
    steps : (n,) array, mm
    limits, frames : see `ModelShape`
    """

    heights: NDArray[np.float32]
    swell: NDArray[np.float32]
    steps: Array
    limits: NDArray[np.float32]
    frames: Array


FLAT = Shapes(
    np.zeros((0, 0), np.float32), np.zeros((0, 0), np.float32), np.zeros(0),
    np.zeros((0, 0, 0), np.float32), np.zeros((0, 3)),
)  # fmt: skip


def shapes_at(
    shape: ModelShape | None, stack: ViewStack, points: Array, normals: Array, half: int,
    scale: float,
) -> Shapes:  # fmt: skip
    """Shapes of the model at some of its places; flat ones if there is no shape."""
    if shape is None or len(points) == 0:
        return FLAT
    steps = shape.steps_mm(stack, points) * scale
    heights, swell = shape.heights_mm(points, normals, half, steps)
    return Shapes(heights, swell, steps, shape.limits, shape.frames)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def footprint_mm(cameras: Array, chosen: np.ndarray, place: Array) -> float:
    """Mean size of a photograph's pixel at a place, over the chosen photographs."""
    used = 0
    total = 0.0
    for k in range(len(chosen)):
        if chosen[k] < 0:
            break
        cam = cameras[chosen[k]]
        used += 1
        total += (cam[6] * place[0] + cam[7] * place[1] + cam[8] * place[2] + cam[11]) / cam[12]
    return total / max(used, 1)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def settle_shape(
    photographs: Photographs, chosen: np.ndarray, shapes: Shapes, n: int, place: Array,
    normal: Array, room: Room,
) -> float:  # fmt: skip
    """Puts the n-th shape, or a flat one, into the room; returns the grid step of the patch, mm."""
    if len(shapes.steps) == 0:
        lay_flat(room)
        return float(footprint_mm(photographs.cameras, chosen, place) * photographs.scale)
    lay_shape(
        photographs, chosen, shapes.heights[n], shapes.swell[n], shapes.limits, shapes.frames,
        place, normal, shapes.steps[n], room,
    )  # fmt: skip
    return float(shapes.steps[n])


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def lay_shape(
    photographs: Photographs, chosen: np.ndarray, heights: np.ndarray, swell: np.ndarray,
    limits: np.ndarray, frames: Array, place: Array, normal: Array, step: float, room: Room,
) -> None:  # fmt: skip
    """Puts a shape into the room: heights of the points, and which of them a photograph sees.

    Parameters
    ----------
    chosen : photographs, -1 at the end
    heights, swell : (points,) float32, see `ModelShape.heights_mm`
    limits, frames : see `ModelShape`
    place, normal : (3,) the centre and its direction, frame coordinates
    """
    sheet = room.sheet
    u, v, point = np.empty(3), np.empty(3), np.empty(3)
    tangents(normal, u, v)
    size = limits.shape[1]
    for p in range(sheet.shape[1]):
        sheet[SHAPE, p] = ZERO if math.isnan(heights[p]) else heights[p]
        sheet[SWELL, p] = swell[p]
    for n in range(min(len(chosen), MAX_VIEWS)):
        k = chosen[n]
        if k < 0:
            break
        shown = ZERO
        for p in range(sheet.shape[1]):
            x, y = sheet[ACROSS, p] * step, sheet[DOWN, p] * step
            for i in range(3):
                point[i] = place[i] + x * u[i] + y * v[i] + sheet[SHAPE, p] * normal[i]
            xc, yc, zc = camera_axes(photographs.cameras, k, point)
            column = math.floor(frames[k, 0] * xc / zc - frames[k, 1] + 0.5)
            row = math.floor(frames[k, 0] * yc / zc - frames[k, 2] + 0.5)
            seen = not math.isnan(heights[p])
            if seen and 0 <= column < size and 0 <= row < size:
                seen = zc <= limits[k, row, column]
            sheet[SHOWN + n, p] = ONE if seen else ZERO
            shown += sheet[BELL, p] * sheet[SHOWN + n, p]
        room.shown[n] = shown


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def lay_flat(room: Room) -> None:
    """Puts a flat patch into the room, seen as a whole by all photographs."""
    clear(room.sheet, SHAPE)
    clear(room.sheet, SWELL)
    room.shown[:] = 1.0
