"""The model's own shape under a patch, for stone that is nearly finished.

Over a crease or a feather's edge a flat patch bridges the hollow and reads too much stone. Where
the stone follows the model, a patch of the model's shape, moved along the needle as a whole, fits
such places; which shape fits better is left to the photographs.
"""

from __future__ import annotations

import numpy as np

from tracker.cloud.patch_measure import Reliefs
from tracker.maths.camera import Array
from tracker.surface import Surface

RELIEF_REACH_MM = 4.0
HEIGHT_SCALE_MM = 1.5
"""Grid points this far above or below the middle count for little: they are another surface."""


def grid_tangents(m: Array) -> tuple[Array, Array]:
    """Two unit tangents of each unit normal, as `patch_sampling.tangents` makes them, (n, 3)."""
    k = np.argmin(np.abs(m), axis=1)
    rows = np.arange(len(m))
    u = -m[rows, k][:, None] * m
    u[rows, k] += 1.0
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return u, np.cross(m, u)


def model_reliefs(
    model: Surface, points: Array, needles: Array, half: int, step_mm: float
) -> Reliefs:
    """Heights of the model along the needles on grids round the points."""
    u, v = grid_tangents(needles)
    offsets = np.arange(-half, half + 1) * step_mm
    y, x = np.meshgrid(offsets, offsets, indexing="ij")
    grid = (
        points[:, None]
        + x.ravel()[None, :, None] * u[:, None]
        + y.ravel()[None, :, None] * v[:, None]
    )
    count = grid.shape[1]
    away = np.repeat(needles, count, axis=0)
    flat = grid.reshape(-1, 3)
    # from within the reach above, looking down: the first surface met is the outer one
    down = model.first_hit_mm(flat + RELIEF_REACH_MM * away, -away)
    height = (RELIEF_REACH_MM - down).reshape(-1, count)
    height[~np.isfinite(height) | (height < -RELIEF_REACH_MM)] = -RELIEF_REACH_MM
    middle = height[:, count // 2]
    # where something overhangs the place itself the grid says nothing
    height[np.abs(middle) > 0.2] = 0.0
    weights = np.exp(-0.5 * (height / HEIGHT_SCALE_MM) ** 2)
    weights[np.abs(middle) > 0.2] = 0.0
    return Reliefs(height.astype(np.float32), weights.astype(np.float32), step_mm)
