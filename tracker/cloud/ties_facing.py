"""How the stone lies where a photograph shows it, so far as the model tells.

Stone that is still to be carved is neither where the model is nor parallel to it, so this is a
coarse map: the model's normals a few millimetres apart, smoothed, and carried on over the rim
where only the block can be. It tells the warp with which a patch of stone is read as if looked at
squarely, upright and at one scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tracker.cloud.ties_region import Outline
from tracker.maths.camera import Array, Lens, Pose, project, rays_frame
from tracker.surface import Surface

CELL_PX = 32
"""Of the photograph, per place of the map."""
SMOOTHING_CELLS = (1.0, 4.0, 16.0, 64.0)
"""Widths tried in turn until a place has the model near enough."""
ENOUGH = 0.05
"""Share of the smoothing's weight that must lie on the model."""
SMALLEST_COSINE = float(np.cos(np.deg2rad(65.0)))
"""Stone is taken to be turned away from the photograph no farther than this."""
LYING = 0.85
"""A normal so near to the frame's Z is level stone: there its X and not its Z is upright."""


@dataclass(frozen=True, slots=True)
class Facing:
    """Map of the stone in one photograph, places `CELL_PX` apart.

    Attributes
    ----------
    corner : (2,) array, px
        Upper left corner of the first cell.
    normal : (rows, columns, 3) array, frame coordinates, outward
        Not of unit length; zero where nothing is known.
    distance_mm : (rows, columns) array
        From the projection centre.
    """

    corner: Array
    normal: Array
    distance_mm: Array


def facing_map(surface: Surface, lens: Lens, pose: Pose, outline: Outline) -> Facing:
    """The model as it faces the photograph within the stone's outline."""
    corner = np.array([outline.x0, outline.y0], dtype=np.float64)
    columns = max((outline.x1 - outline.x0) // CELL_PX, 1)
    rows = max((outline.y1 - outline.y0) // CELL_PX, 1)
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    middle = (np.stack([x.ravel(), y.ravel()], axis=1) + 0.5) * CELL_PX - 0.5 + corner
    sight = rays_frame(lens, pose, middle)
    away, face = surface.first_hits(np.broadcast_to(pose.centre_frame, sight.shape), sight)
    met = np.isfinite(away)
    known = np.zeros((len(sight), 5))
    known[met, :3] = surface.face_normals[face[met]]
    known[met, 3], known[met, 4] = away[met], 1.0
    filled = _carried_on(known.reshape(rows, columns, 5))
    return Facing(corner, filled[:, :, :3], filled[:, :, 3])


def _carried_on(known: Array) -> Array:
    """Means of what is known round each place; the last channel is 1 where something is."""
    filled = np.zeros_like(known)
    waiting = np.ones(known.shape[:2], dtype=bool)
    for width in SMOOTHING_CELLS:
        smooth = cv2.GaussianBlur(known, (0, 0), width, borderType=cv2.BORDER_REPLICATE)
        ready = waiting & (smooth[:, :, 4] > ENOUGH)
        filled[ready] = smooth[ready] / smooth[ready][:, 4:]
        waiting &= ~ready
    return filled


def square_warps(facing: Facing, lens: Lens, pose: Pose, pixel: Array, step_mm: float) -> Array:
    """Warps (n, 2, 2) from steps on the stone to px of the photograph.

    Parameters
    ----------
    pixel : (n, 2) array, px
    step_mm : float
        Of a unit step: first along the level on the stone, then down it.
    """
    if len(pixel) == 0:
        return np.zeros((0, 2, 2))
    rows, columns = facing.distance_mm.shape
    at = np.rint((pixel + 0.5 - facing.corner) / CELL_PX - 0.5).astype(np.int64)
    column, row = at[:, 0].clip(0, columns - 1), at[:, 1].clip(0, rows - 1)
    sight = rays_frame(lens, pose, pixel)
    normal = _towards(facing.normal[row, column], -sight)
    lying = np.abs(normal[:, 2:]) > LYING
    upright = np.where(lying, np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    up = upright - np.einsum("nd,nd->n", upright, normal)[:, None] * normal
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    place = pose.centre_frame + facing.distance_mm[row, column][:, None] * sight
    warp = np.empty((len(pixel), 2, 2))
    for k, axis in enumerate((np.cross(up, normal), -up)):
        ahead, _ = project(lens, pose, place + step_mm * axis)
        back, _ = project(lens, pose, place - step_mm * axis)
        warp[:, :, k] = 0.5 * (ahead - back)
    return warp


def _towards(normal: Array, eye: Array) -> Array:
    """Unit normals, those turned away too far brought back to the steepest allowed."""
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.where(length > 0.0, normal / np.maximum(length, 1e-9), eye)
    cosine = np.einsum("nd,nd->n", normal, eye)[:, None]
    beside = normal - cosine * eye
    beside /= np.maximum(np.linalg.norm(beside, axis=1, keepdims=True), 1e-9)
    sine = float(np.sqrt(1.0 - SMALLEST_COSINE**2))
    return np.where(cosine < SMALLEST_COSINE, SMALLEST_COSINE * eye + sine * beside, normal)
