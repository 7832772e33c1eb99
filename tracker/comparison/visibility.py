"""Which photographs look at a place of the stone.

A photograph sees a place when the place falls inside its picture, faces the camera at less than a
stated angle, and the line of sight meets nothing on its way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array, Lens, Pose, project, undistort
from tracker.surface import Surface

MAX_ANGLE_RAD = float(np.radians(65.0))
"""Beyond this angle from the normal a patch of stone is too foreshortened to be compared."""
CLEARANCE_MM = 0.8
"""A line of sight starts this far off the stone, so that a place does not hide itself."""


@dataclass(frozen=True, slots=True)
class Visibility:
    """Places against photographs.

    Attributes
    ----------
    seen : (n, photographs) bool
    """

    seen: NDArray[np.bool_]

    @property
    def counts(self) -> NDArray[np.int64]:
        """Photographs that see each place, (n,)."""
        return np.asarray(self.seen.sum(axis=1), dtype=np.int64)


def photos_that_see(
    points: Array,
    normals: Array,
    lenses: Sequence[Lens],
    poses: Sequence[Pose],
    sizes_px: Sequence[tuple[int, int]],
    occluders: Sequence[Surface],
    *,
    max_angle_rad: float = MAX_ANGLE_RAD,
    clearance_mm: float | Array = CLEARANCE_MM,
    margin_px: float = 0.0,
) -> Visibility:
    """Photographs that see each place, by ray casting.

    Parameters
    ----------
    points, normals : (n, 3) arrays
        Places (mm, frame coordinates) and unit outward normals of the stone there.
    lenses, poses, sizes_px : one per photograph
        Sizes are (width, height) of the stored picture.
    occluders : surfaces that may stand in the way
        The best estimate of the stone, and whatever else is known to stand about.
    clearance_mm : float or (n,) array
        Start of the line of sight in front of the place. Where the place lies inside an occluder
        by d (stone cut below the model, the model being the occluder) it has to exceed d.
    margin_px : float
        Distance that has to be kept from the picture's edge.

    Returns
    -------
    Visibility
    """
    seen = np.zeros((len(points), len(poses)), dtype=bool)
    clearance = np.broadcast_to(np.asarray(clearance_mm, dtype=np.float64), (len(points),))
    for column, (lens, pose, size) in enumerate(zip(lenses, poses, sizes_px, strict=True)):
        sight = pose.centre_frame - points
        distance = np.linalg.norm(sight, axis=1)
        sight = sight / np.maximum(distance, 1e-9)[:, None]
        faces = np.einsum("nd,nd->n", sight, normals) > np.cos(max_angle_rad)
        rows = np.flatnonzero(faces & _in_picture(lens, pose, size, points, margin_px))
        # along the normal first: a grazing line of sight would else start inside rough stone
        start = points[rows] + clearance[rows, None] * 0.5 * (normals[rows] + sight[rows])
        free = np.ones(len(rows), dtype=bool)
        for occluder in occluders:
            if len(rows):
                free &= occluder.first_hit_mm(start, sight[rows]) > distance[rows]
        seen[rows[free], column] = True
    return Visibility(seen)


def _in_picture(
    lens: Lens, pose: Pose, size_px: tuple[int, int], points: Array, margin_px: float
) -> NDArray[np.bool_]:
    """Whether places fall inside the picture, (n,)."""
    width, height = size_px
    pixel, depth = project(lens, pose, points)
    inside = (depth > 1.0) & np.all(pixel >= margin_px - 0.5, axis=1)
    inside &= (pixel[:, 0] <= width - 0.5 - margin_px) & (pixel[:, 1] <= height - 0.5 - margin_px)
    # far outside, the distortion polynomial folds back into the picture
    corners = undistort(lens, np.array([[0, 0], [width, 0], [0, height], [width, height]], float))
    p_camera = points @ pose.R.T + pose.t
    off_axis = np.linalg.norm(p_camera[:, :2], axis=1) / np.maximum(depth, 1.0)
    return np.asarray(inside & (off_axis <= 1.05 * np.linalg.norm(corners, axis=1).max()))
