"""The pointing list against the model: whether its points lie on it, and which are high points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from tracker.errors import InputError
from tracker.maths.camera import Array
from tracker.records.entries import Points
from tracker.surface import Surface

OFF_MODEL_MM = 1.0
"""A point farther than this from the model's surface is no place on it."""
PROBE_MM = 0.5
"""A needle comes from inside when this far out along it one is still within the model."""
NAMED_AT_MOST = 5


def check_on_model(points: Points, model: Surface) -> None:
    """Checks that the points lie on the model and their needles come from outside.

    Raises
    ------
    InputError
        Points off the model, or directions that point into it (named).
    """
    nearest, face = model.nearest(points.xyz)
    off = np.linalg.norm(points.xyz - nearest, axis=1)
    if np.any(off > OFF_MODEL_MM):
        rows = np.argsort(-off)[: int((off > OFF_MODEL_MM).sum())]
        listed = [f"{points.names[k]} by {off[k]:.1f} mm" for k in rows]
        raise InputError(
            f"{len(rows)} of {len(points)} points do not lie on the model: {_some(listed)}.",
            "Give the points in frame coordinates and millimetres, taken from this model.",
        )
    facing = np.einsum("nd,nd->n", points.normals, model.face_normals[face]) > 0.0
    inward = ~facing & (model.signed_distance_mm(points.xyz + PROBE_MM * points.normals) < 0.0)
    if np.any(inward):
        listed = [points.names[k] for k in np.flatnonzero(inward)]
        raise InputError(
            f"The needle of {len(listed)} of {len(points)} points comes from inside the model: "
            f"{_some(listed)}.",
            "nx, ny, nz must point outward, away from the stone.",
        )


def depth_below_hull_mm(points: Points, model: Surface) -> Array:
    """Way along each needle from the point to the model's convex hull, (n,), mm.

    Zero for a high point, which a straight edge laid over the figure would touch; the deeper a
    hollow the larger.
    """
    planes = ConvexHull(model.vertices).equations  # outward unit normal, offset: n.p + c <= 0
    climb = points.normals @ planes[:, :3].T
    inside = np.maximum(-(points.xyz @ planes[:, :3].T + planes[:, 3]), 0.0)
    way = np.where(climb > 1e-9, inside / np.maximum(climb, 1e-9), np.inf)
    return np.asarray(way.min(axis=1))


def high_points_first(points: Points, model: Surface) -> NDArray[np.int64]:
    """Rows of the points in the order in which they are taken: high points first, (n,).

    Points that are equally high to a tenth of a millimetre keep their order.
    """
    if not len(points):
        return np.zeros(0, np.int64)
    return np.argsort(np.round(depth_below_hull_mm(points, model), 1), kind="stable")


def _some(listed: list[str]) -> str:
    more = len(listed) - NAMED_AT_MOST
    return ", ".join(listed[:NAMED_AT_MOST]) + (f" and {more} more" if more > 0 else "")
