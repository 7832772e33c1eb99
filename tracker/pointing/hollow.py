"""How deep in a hollow a place lies: the way along its needle to the model's convex hull."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull

from tracker.maths.camera import Array
from tracker.surface import Surface


def depth_below_hull_mm(points: Array, directions: Array, model: Surface) -> Array:
    """Way along each needle from the point to the model's convex hull, (n,), mm.

    Zero for a high point, which a straight edge laid over the figure would touch; the deeper a
    hollow the larger.

    Parameters
    ----------
    points, directions : (n, 3) arrays
        Places, mm, and unit directions that the needles come from.
    """
    planes = ConvexHull(model.vertices).equations  # outward unit normal, offset: n.p + c <= 0
    climb = directions @ planes[:, :3].T
    inside = np.maximum(-(points @ planes[:, :3].T + planes[:, 3]), 0.0)
    way = np.where(climb > 1e-9, inside / np.maximum(climb, 1e-9), np.inf)
    return np.asarray(way.min(axis=1))
