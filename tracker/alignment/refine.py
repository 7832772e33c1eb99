"""One-sided robust fit of regions of stone to the model, and its honest covariance.

The unknowns are the motion (w, dt) and one even amount b by which the stone may stand off the
model everywhere. Stone that is evenly proud and seen from one side looks exactly like stone that
has moved toward the camera; with b free such a view determines nothing, and the frame's pose
stands.

With rows g_i = (p x n, n) and signed distances d_i (positive outside), region i asks that
d_i + g_i x - b = 0. Weights are one-sided: stone inside the model counts in full up to Huber's
corner, stone outside loses weight as 1 / (1 + z^2), since it may be stone still to remove.

References
----------
P. J. Huber, Robust Statistics (1981), for the corner 1.345; W. Foerstner and B. P. Wrobel,
Photogrammetric Computer Vision (2016), section 4.7, for robust weights by iteration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tracker.alignment.finished import Regions, motion_rows
from tracker.alignment.result import rigid
from tracker.maths.camera import Array
from tracker.surface import Surface

HUBER_CORNER = 1.345
ROUNDS = 30
STILL = 3e-4
"""A round that moves no region by more than this share of its sigma is the last."""


@dataclass(frozen=True, slots=True)
class StoneFit:
    """Pose that finished stone alone would ask for.

    Attributes
    ----------
    motion : (6,) array
        (w, dt) from the frame's pose, rad and mm.
    covariance : (6, 6) array
        With b unknown, and with the part that all regions may share.
    proud_mm : float
        The even amount b.
    away_mm : (k,) array
        Signed distance of the regions after the motion.
    """

    motion: Array
    covariance: Array
    proud_mm: float
    away_mm: Array


def one_sided_weights(z: Array) -> Array:
    """Robust weights of standardised signed distances, positive outside."""
    inside = HUBER_CORNER / np.maximum(-z, HUBER_CORNER)
    return np.asarray(np.where(z > 0.0, 1.0 / (1.0 + z * z), inside))


def region_distances(regions: Regions, surface: Surface, motion: Array) -> tuple[Array, Array]:
    """Signed distances (k,), mm, and their rows (k, 6), with the stone moved."""
    R, t = rigid(motion)
    moved = regions.points @ R.T + t
    foot, face = surface.nearest(moved)
    n_model = surface.face_normals[face]
    away = np.einsum("nd,nd->n", moved - foot, n_model)
    rows = motion_rows(moved, n_model)
    return regions.medians(away), regions.means(rows)


def compose(step: Array, motion: Array) -> Array:
    """Motion followed by a further step, both (w, dt)."""
    R_step, t_step = rigid(step)
    R, t = rigid(motion)
    w = Rotation.from_matrix(R_step @ R).as_rotvec()
    return np.concatenate([w, R_step @ t + t_step])


def fit_stone(regions: Regions, surface: Surface, finish_mm: float) -> StoneFit:
    """Pose that the regions alone ask for, from the frame's pose as start.

    Parameters
    ----------
    finish_mm : float
        Standard deviation of finished stone about the model, region by region; also the part
        that all regions of one side may share, which no number of regions averages away.
    """
    sigma = np.sqrt(regions.variance_mm2 + finish_mm**2)
    reach = _reach(regions)
    motion = np.zeros(6)
    away, rows = region_distances(regions, surface, motion)
    proud = float(np.median(away))
    for _ in range(ROUNDS):
        weight = one_sided_weights((away - proud) / sigma) / sigma**2
        normal, right = _normal_equations(rows, away - proud, weight)
        step = _solve(normal, right, reach)
        motion, proud = compose(step[:6], motion), proud + float(step[6])
        away, rows = region_distances(regions, surface, motion)
        if float(np.max(np.abs(rows @ step[:6]) / sigma)) < STILL:
            break
    weight = one_sided_weights((away - proud) / sigma) / sigma**2
    normal, _ = _normal_equations(rows, away - proud, weight)
    covariance = _pose_covariance(normal, reach) + shared_covariance(regions, finish_mm)
    return StoneFit(motion, covariance, proud, away)


def shared_covariance(regions: Regions, finish_mm: float) -> Array:
    """What a whole side left proud by `finish_mm` does to the pose, (6, 6).

    A shift of the regions' middle by `finish_mm` in any direction, and the turn that moves the
    rim by as much.
    """
    middle = regions.points.mean(axis=0)
    radius = float(np.sqrt(np.mean(np.sum((regions.points - middle) ** 2, axis=1))))
    # dt about the origin = shift of the middle - w x middle
    x, y, z = middle
    minus_w_cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    to_origin = np.block([[np.eye(3), np.zeros((3, 3))], [minus_w_cross, np.eye(3)]])
    parts = np.concatenate([np.full(3, (finish_mm / radius) ** 2), np.full(3, finish_mm**2)])
    return np.asarray(to_origin @ np.diag(parts) @ to_origin.T)


def _normal_equations(rows: Array, miss: Array, weight: Array) -> tuple[Array, Array]:
    design = np.concatenate([rows, np.full((len(rows), 1), -1.0)], axis=1)
    weighted = design * weight[:, None]
    return design.T @ weighted, -weighted.T @ miss


def _reach(regions: Regions) -> float:
    """Scale that turns rotations into millimetres, mm."""
    return max(float(np.sqrt(np.mean(np.sum(regions.points**2, axis=1)))), 1.0)


def _solve(normal: Array, right: Array, reach: float) -> Array:
    """Least-norm step, directions that the regions do not see left out."""
    scale = np.array([1 / reach] * 3 + [1.0] * 4)
    values, vectors = np.linalg.eigh(normal * np.outer(scale, scale))
    seen = values > 1e-6 * values[-1]
    part = (vectors[:, seen].T @ (scale * right)) / values[seen]
    return np.asarray(scale * (vectors[:, seen] @ part))


def _pose_covariance(normal: Array, reach: float) -> NDArray[np.float64]:
    """Covariance of the motion with b unknown; unseen directions get a huge variance."""
    scale = np.array([1 / reach] * 3 + [1.0] * 4)
    values, vectors = np.linalg.eigh(normal * np.outer(scale, scale))
    values = np.maximum(values, 1e-6 * values[-1])
    whole = (vectors / values) @ vectors.T * np.outer(scale, scale)
    return np.asarray(whole[:6, :6])
