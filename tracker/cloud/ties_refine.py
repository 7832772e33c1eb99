"""Following tie points into every photograph that should see them, to a fraction of a pixel.

Each place is matched twice: with a wide window that finds it, then with a fine one that keeps to
the place itself. Every observation gets its own covariance; what the others do not confirm is
left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_match import (
    Match,
    Template,
    Window,
    find_template,
    gaussian_window,
    make_template,
    soften,
)
from tracker.cloud.ties_region import Outline, StoneRoom
from tracker.cloud.ties_views import Views, tangent_warps
from tracker.cloud.ties_workers import on_workers
from tracker.cloud.tracks import largest_angle_rad, robust_triangulate, triangulate
from tracker.maths.camera import Array, Lens, Pose

Rows = NDArray[np.int64]
Gray = NDArray[np.uint8]

WIDE = gaussian_window(10, 5.0, every=2)
"""Window that finds: it reaches far."""
FINE = gaussian_window(7, 3.0)
"""Window that measures: it keeps to the place itself."""
FEWEST_PHOTOS = 3
SMALLEST_ANGLE = float(np.deg2rad(6.0))
"""Between the outermost rays of a place."""
WORTH_A_LOOK = 0.5
"""Smallest correlation under the wide window for the fine one to be tried."""
LIKENESS = 0.70
"""Smallest correlation of a patch with its template."""
WORST_SIGMA_PX = 0.3
FARTHEST_MOVE_PX = 4.0
"""A patch that ends farther from where it was expected has found something else."""
NOISE_SHARE = 12.0
"""Neighbouring pixels share noise (colour filter, JPEG): factor on the variance."""
FLOOR_PX = 0.07
"""What patch matching leaves even on perfect texture: curved stone, changing light."""
GATE_SIGMAS = 3.5
SAME_PLACE_MM = 0.4
"""Of two places nearer than this, the one seen in fewer photographs is dropped."""


@dataclass(frozen=True, slots=True)
class TiePoints:
    """Observations of tie points, m of n places, sorted by place, then photograph.

    Attributes
    ----------
    photo, point : (m,) arrays
        Rows of the photographs handed in and of `start`.
    pixel : (m, 2) array, px
    cov_px2 : (m, 2, 2) array, px^2
    start : (n, 3) array, mm, frame coordinates
        Places as the given poses have them.
    normal : (n, 3) array
        Unit direction from the place to the photograph that sees it most squarely.
    template : (n,) array
        Row of that photograph.
    relief_mm : (n,) array
        How far the place moves when it is measured with the wide window instead of the fine one:
        a sign of stone that is not flat within the patch.
    """

    photo: Rows
    point: Rows
    pixel: Array
    cov_px2: Array
    start: Array
    normal: Array
    template: Rows
    relief_mm: Array

    @property
    def photos_per_point(self) -> Rows:
        """Number of photographs that hold each place, (n,)."""
        return np.bincount(self.point, minlength=len(self.start))


def no_ties() -> TiePoints:
    """No tie points at all."""
    rows, vectors = np.zeros(0, np.int64), np.zeros((0, 3))
    pixels, cov = np.zeros((0, 2)), np.zeros((0, 2, 2))
    return TiePoints(rows, rows, pixels, cov, vectors, vectors, rows, np.zeros(0))


def refine_views(
    images: Sequence[Gray],
    outlines: list[Outline],
    lenses: list[Lens],
    poses: list[Pose],
    views: Views,
    room: StoneRoom,
) -> TiePoints:
    """Patch matching of every view, then the places anew."""
    wide, found = _match_views(images, outlines, lenses, poses, views)
    moved = np.linalg.norm(found.pixel - views.pixel, axis=1)
    is_template = views.photo == views.template[views.point]
    pair_cov = NOISE_SHARE * found.cov_px2
    cov = 0.5 * pair_cov
    sigma = np.sqrt(0.5 * np.trace(cov, axis1=1, axis2=2) + FLOOR_PX**2)
    good = (
        found.settled
        & (found.likeness > LIKENESS)
        & (moved < FARTHEST_MOVE_PX)
        & (sigma < WORST_SIGMA_PX)
    )
    others = good & ~is_template
    count = len(views.points)
    share = np.bincount(views.point[others], minlength=count)
    mean_cov = np.zeros((count, 4))
    for k in range(4):
        mean_cov[:, k] = np.bincount(
            views.point[others], cov.reshape(-1, 4)[others, k], minlength=count
        )
    mean_cov /= np.maximum(share, 1)[:, None]
    cov[is_template] = mean_cov[views.point[is_template]].reshape(-1, 2, 2)
    pixel = np.where(is_template[:, None], views.pixel, found.pixel)
    rows = np.flatnonzero((others | is_template) & (share[views.point] >= FEWEST_PHOTOS - 1))
    cov = cov + np.eye(2) * FLOOR_PX**2
    return _settle(views, rows, pixel, wide.pixel, cov, lenses, poses, room)


def _settle(
    views: Views,
    rows: Rows,
    pixel: Array,
    pixel_wide: Array,
    cov: Array,
    lenses: list[Lens],
    poses: list[Pose],
    room: StoneRoom,
) -> TiePoints:
    """Places from the refined observations; what does not agree is left out."""
    photo, point = views.photo[rows], views.point[rows]
    pixel, cov = pixel[rows], cov[rows]
    sigma = np.sqrt(0.5 * np.trace(cov, axis1=1, axis2=2))
    points, keep, _ = robust_triangulate(
        photo, point, pixel, sigma, lenses, poses, len(views.points), GATE_SIGMAS
    )
    enough = np.bincount(point[keep], minlength=len(points)) >= FEWEST_PHOTOS
    enough &= np.bincount(point, minlength=len(points)) <= 2 * np.bincount(
        point[keep], minlength=len(points)
    )
    enough &= np.all(np.isfinite(points), axis=1)
    enough[enough] = room.holds(points[enough])
    wide = largest_angle_rad(photo[keep], point[keep], poses, np.nan_to_num(points))
    enough &= wide > SMALLEST_ANGLE
    enough &= _first_of_place(points, np.bincount(point[keep], minlength=len(points)), enough)
    used = keep & enough[point]
    coarse, _ = triangulate(
        photo, point, pixel_wide[rows], used / sigma**2, lenses, poses, len(points)
    )
    number = np.cumsum(enough) - 1
    towards = np.array([p.centre_frame for p in poses])[views.template[enough]] - points[enough]
    return TiePoints(
        photo=photo[used],
        point=number[point[used]],
        pixel=pixel[used],
        cov_px2=cov[used],
        start=points[enough],
        normal=towards / np.linalg.norm(towards, axis=1, keepdims=True),
        template=views.template[enough],
        relief_mm=np.linalg.norm(coarse[enough] - points[enough], axis=1),
    )


def _match_views(
    images: Sequence[Gray],
    outlines: list[Outline],
    lenses: list[Lens],
    poses: list[Pose],
    views: Views,
) -> tuple[Match, Match]:
    """Where each view found the template of its place: with the wide window, then the fine.

    The templates' own views, and those of which the wide window finds nothing, stay where they are.
    """
    crops = [_corner(outline) for outline in outlines]
    own = views.photo == views.template[views.point]
    at = np.zeros((len(views.points), 2))
    at[views.point[own]] = views.pixel[own]
    start = tangent_warps(views, lenses, poses)

    def cut(i: int) -> tuple[Rows, Template, Template]:
        rows = np.flatnonzero(views.template == i)
        picture, centre = _soft_crop(images[i], outlines[i]), at[rows] - crops[i]
        return rows, make_template(picture, centre, WIDE), make_template(picture, centre, FINE)

    coarse, fine = _no_templates(len(views.points), WIDE), _no_templates(len(views.points), FINE)
    for rows, *parts in on_workers(cut, len(images)):
        for template, part in zip((coarse, fine), parts, strict=True):
            template.values[rows], template.slopes[rows] = part.values, part.slopes
            template.contrast[rows] = part.contrast

    def search(i: int) -> tuple[Rows, Match, Rows, Match]:
        rows = np.flatnonzero((views.photo == i) & ~own)
        picture, first = _soft_crop(images[i], outlines[i]), views.pixel[rows] - crops[i]
        wide = find_template(picture, coarse.only(views.point[rows]), first, start[rows], WIDE)
        worth = np.flatnonzero(wide.likeness > WORTH_A_LOOK)
        template = fine.only(views.point[rows[worth]])
        found = find_template(picture, template, wide.pixel[worth], wide.warp[worth], FINE)
        return rows, wide, rows[worth], found

    wide = _at_start(views.pixel, start, own)
    searched = on_workers(search, len(images))
    for corner, (rows, match, _, _) in zip(crops, searched, strict=True):
        _put(wide, rows, match, corner)
    found = _at_start(wide.pixel, wide.warp, own)
    for corner, (_, _, rows, match) in zip(crops, searched, strict=True):
        _put(found, rows, match, corner)
    return wide, found


def _no_templates(count: int, window: Window) -> Template:
    """Room for templates, to be filled."""
    p = len(window.grid)
    values, slopes = np.zeros((count, p), np.float32), np.zeros((count, 2, p), np.float32)
    return Template(values, slopes, np.zeros(count))


def _at_start(pixel: Array, warp: Array, own: NDArray[np.bool_]) -> Match:
    """Matches before anything is searched: only the templates' own views are found."""
    likeness = own.astype(np.float64)
    return Match(pixel.copy(), warp.copy(), likeness, np.zeros((len(own), 2, 2)), own.copy())


def _put(found: Match, rows: Rows, match: Match, corner: Array) -> None:
    """Writes the matches of a crop, whose first pixel is `corner`, in their places."""
    found.pixel[rows], found.warp[rows] = match.pixel + corner, match.warp
    found.likeness[rows], found.cov_px2[rows] = match.likeness, match.cov_px2
    found.settled[rows] = match.settled


def _first_of_place(points: Array, photos: Rows, alive: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of places that coincide, the one seen in most photographs."""
    rows = np.flatnonzero(alive)
    order = rows[np.lexsort((rows, -photos[rows]))]
    cell = np.floor(points[order] / SAME_PLACE_MM).astype(np.int64)
    _, first = np.unique(cell, axis=0, return_index=True)
    kept = np.zeros(len(points), dtype=bool)
    kept[order[first]] = True
    return kept


def _soft_crop(image: Gray, outline: Outline) -> NDArray[np.float32]:
    if outline.empty:
        return np.zeros((1, 1), np.float32)
    return soften(image[outline.y0 : outline.y1, outline.x0 : outline.x1])


def _corner(outline: Outline) -> Array:
    return np.array([outline.x0, outline.y0], dtype=np.float64)
