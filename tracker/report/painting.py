"""From rays against a surface to a painted picture of stone left.

Rays come as a grid; each hit takes stone left from its triangle's corners. Over-cut stone is
hatched and unseen stone dotted in the picture's own pixels, thin lines follow the bands' limits,
and a gentle light from the upper left shows the form without changing what a colour says.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.comparison.states import Bands
from tracker.maths.camera import Array
from tracker.maths.open3d_core import o3d
from tracker.report.colours import (
    NOT_SEEN_DOT_RGB,
    NOT_SEEN_RGB,
    OVERCUT_HATCH_RGB,
    stone_left_rgb,
)
from tracker.surface import Faces, Surface

SMOOTH_MM, SMOOTH_COSINE = 1.5, 0.95
"""Neighbouring rays that differ by less than this, in distance and normal, meet a smooth form."""

Mask = NDArray[np.bool_]
Grid = NDArray[np.floating[Any]]
Corners = NDArray[np.float32]
Pixels = NDArray[np.int64]

SHADE = 0.20
"""Darkest shade takes this share off a colour."""
LINE_SHADE = 0.55
OUTLINE_SHADE = 0.62


@dataclass(frozen=True, slots=True)
class Hits:
    """What a grid of rays meets, (h, w) each.

    `distance_mm` is infinite where nothing is met; `stone_left_mm` is NaN where not seen;
    `normals` (h, w, 3) are smooth.
    """

    distance_mm: Grid
    stone_left_mm: Grid
    normals: Grid

    @property
    def met(self) -> Mask:
        """Rays that meet the surface."""
        return np.isfinite(self.distance_mm)

    @property
    def seen(self) -> Mask:
        """Rays that meet a place with a figure."""
        return np.isfinite(self.stone_left_mm)


def _of_rays(values: Grid, ray: Pixels) -> Grid:
    """Values of some rays, counted through; the one value where all share it."""
    return values if values.ndim == 1 else np.take(values.reshape(-1, 3), ray, axis=0)


def corner_figures(surface: Surface, stone_left_mm: Array, seen: Mask) -> Corners:
    """Stone left, NaN where not seen, and normal at a surface's vertices, (n, 4)."""
    known = np.where(seen, stone_left_mm, np.nan)
    figures = np.concatenate([known[:, None], surface.vertex_normals], axis=1)
    return figures.astype(np.float32)


def cast(surface: Surface, at_corners: Corners, origins: Grid, directions: Grid) -> Hits:
    """Rays (h, w) against a surface with the figures of `corner_figures`.

    Origins or directions are (h, w, 3), or (3,) where all rays share one.

    A triangle counts as seen when all its corners are. Every second ray of every second row is
    cast; those between are cast where their neighbours differ, and are the neighbours' mean where
    the form is smooth: a third of the work for the same picture.
    """
    shape = (directions if directions.ndim == 3 else origins).shape[:2]
    distance: Grid = np.full(shape, np.inf, dtype=np.float32)
    value: Grid = np.full(shape, np.nan)
    normals: Grid = np.zeros((*shape, 3), dtype=np.float32)
    asked = np.zeros(shape, dtype=np.bool_)
    asked[::2, ::2] = True
    for _ in range(2):
        ray = np.flatnonzero(asked)
        rays = np.empty((len(ray), 6), dtype=np.float32)
        rays[:, :3], rays[:, 3:] = _of_rays(origins, ray), _of_rays(directions, ray)
        answer = surface.scene.cast_rays(o3d.core.Tensor(rays))
        _interpolate(
            ray,
            answer["t_hit"].numpy(),
            answer["primitive_ids"].numpy(),
            answer["primitive_uvs"].numpy(),
            surface.faces,
            at_corners,
            distance.reshape(-1),
            value.reshape(-1),
            normals.reshape(-1, 3),
        )
        if asked[0, 0]:
            _fill_between(distance, value, normals, asked)
    return Hits(distance, value, normals)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _interpolate(
    ray: Pixels, away: Array, triangle: Pixels, uv: Array, faces: Faces, at_corners: Array,
    distance: Array, value: Array, normals: Array,
) -> None:  # fmt: skip
    """Distance, value and unit normal where rays meet their triangles, written in their places.

    Parameters
    ----------
    ray : (n,) array
        Which of all rays each is.
    away, triangle, uv : n each
        Where it meets a triangle.
    at_corners : (vertices, 4) array
        Value and normal at every corner.
    """
    found = np.empty(4)
    for n in range(len(ray)):
        if not np.isfinite(away[n]):
            continue
        u, v = uv[n]
        a, b, c = faces[triangle[n]]
        for k in range(4):
            found[k] = (
                (1.0 - u - v) * at_corners[a, k] + u * at_corners[b, k] + v * at_corners[c, k]
            )
        distance[ray[n]], value[ray[n]] = away[n], found[0]
        length = np.sqrt(max(found[1] ** 2 + found[2] ** 2 + found[3] ** 2, 1e-12))
        for k in range(3):
            normals[ray[n], k] = found[k + 1] / length


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _fill_between(distance: Array, value: Array, normals: Array, asked: Mask) -> None:
    """Rays between those cast: filled in where the form is smooth, asked for where it is not."""
    rows, columns = distance.shape
    for y in range(rows):
        for x in range(columns):
            asked[y, x] = False
            if y % 2 == 0 and x % 2 == 0:
                continue
            top, left = y - y % 2, x - x % 2
            low, right = y + y % 2, x + x % 2
            if low >= rows or right >= columns:
                asked[y, x] = True
                continue
            if _alike(distance, value, normals, top, left, low, right):
                for k in range(3):
                    total = normals[top, left, k] + normals[top, right, k]
                    normals[y, x, k] = 0.25 * (
                        total + normals[low, left, k] + normals[low, right, k]
                    )
                total = distance[top, left] + distance[top, right]
                distance[y, x] = 0.25 * (total + distance[low, left] + distance[low, right])
                total = value[top, left] + value[top, right]
                value[y, x] = 0.25 * (total + value[low, left] + value[low, right])
            else:
                asked[y, x] = True


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _alike(
    distance: Array, value: Array, normals: Array, top: int, left: int, low: int, right: int
) -> bool:
    """Whether four rays meet one smooth piece of the form, all of it seen or none; or nothing."""
    near, far = np.inf, -np.inf
    blank = np.isnan(value[top, left])
    for y in (top, low):
        for x in (left, right):
            near, far = min(near, distance[y, x]), max(far, distance[y, x])
            if np.isnan(value[y, x]) != blank:
                return False
            along = 0.0
            for k in range(3):
                along += normals[y, x, k] * normals[top, left, k]
            if np.isfinite(far) and along < SMOOTH_COSINE:
                return False
    return not np.isfinite(near) or far - near < SMOOTH_MM


def hatch(rows: Pixels, columns: Pixels, period_px: float) -> Mask:
    """Whether pixels lie on diagonal lines, a good quarter of the period wide."""
    return np.asarray(np.mod(rows + columns, period_px) < period_px / 3.2)


def dots(rows: Pixels, columns: Pixels, period_px: float) -> Mask:
    """Whether pixels lie on dots in offset rows."""
    odd = np.mod(np.floor_divide(rows, period_px), 2.0)
    u = np.mod(columns + 0.5 * period_px * odd, period_px) - 0.5 * period_px
    v = np.mod(rows, period_px) - 0.5 * period_px
    return np.asarray(u * u + v * v < (0.21 * period_px) ** 2)


def paint(hits: Hits, bands: Bands, light: Array, period_px: float) -> NDArray[np.float32]:
    """Colours of the met pixels, sRGB in 0..1, (h, w, 3); the rest is left black.

    Parameters
    ----------
    light : (3,) array
        Unit direction towards the light.
    period_px : float
        Distance of the hatching's lines.
    """
    met = np.flatnonzero(hits.met)
    value = hits.stone_left_mm.ravel()[met].astype(np.float64)
    blank = np.isnan(value)
    value[blank] = 0.0
    colour = stone_left_rgb(value, bands).astype(np.float32)
    colour[blank] = np.array(NOT_SEEN_RGB) / 255.0
    dotted = np.flatnonzero(blank)
    dotted = dotted[dots(*_row_column(met[dotted], hits), 0.8 * period_px)]
    colour[dotted] = np.array(NOT_SEEN_DOT_RGB) / 255.0
    lit = 0.5 + 0.5 * hits.normals.reshape(-1, 3)[met] @ light.astype(np.float32)
    colour *= (1.0 - SHADE * (1.0 - lit))[:, None]
    below = np.flatnonzero(value < bands.overcut_below_mm)
    below = below[hatch(*_row_column(met[below], hits), period_px)]
    colour[below] = np.array(OVERCUT_HATCH_RGB) / 255.0
    picture = np.zeros((*hits.met.shape, 3), dtype=np.float32)
    picture.reshape(-1, 3)[met] = colour
    picture[limit_lines(hits, bands)] *= LINE_SHADE
    return picture


def _row_column(flat: Pixels, hits: Hits) -> tuple[Pixels, Pixels]:
    """Rows and columns of rays counted through."""
    rows, columns = np.divmod(flat, hits.distance_mm.shape[1])
    return rows, columns


def limit_lines(hits: Hits, bands: Bands) -> Mask:
    """Pixels where stone left passes a band's limit on one smooth piece of surface."""
    limits = [bands.overcut_below_mm, bands.finished_below_mm, bands.close_below_mm]
    level = np.digitize(hits.stone_left_mm, limits)
    line = np.zeros(level.shape, dtype=bool)
    for axis in (0, 1):
        one, other = _neighbours(level, axis)
        near, far = _neighbours(hits.distance_mm, axis)
        seen, also = _neighbours(hits.seen, axis)
        both = seen & also
        step = np.abs(np.where(both, near, 0.0) - np.where(both, far, 0.0)) < 4.0
        target = line[:-1] if axis == 0 else line[:, :-1]
        target |= both & step & (one != other)
    return line


def outline(hits: Hits, step_mm: float = 4.0) -> Mask:
    """Pixels at which the form ends or passes in front of itself."""
    far = float(np.max(hits.distance_mm[hits.met], initial=0.0)) + 1e3
    depth = np.where(hits.met, hits.distance_mm, far)
    edge = np.zeros(depth.shape, dtype=bool)
    for axis in (0, 1):
        one, other = _neighbours(depth, axis)
        jump = one - other
        first = edge[:-1] if axis == 0 else edge[:, :-1]
        second = edge[1:] if axis == 0 else edge[:, 1:]
        first |= jump < -step_mm
        second |= jump > step_mm
    return edge & hits.met


def _neighbours(values: NDArray[Any], axis: int) -> tuple[NDArray[Any], NDArray[Any]]:
    """Each pixel but the last along an axis, and the next one."""
    return (values[:-1], values[1:]) if axis == 0 else (values[:, :-1], values[:, 1:])
