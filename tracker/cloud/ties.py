"""Tie points: places of the stone recognised in three photographs or more.

Features are matched under the geometry that the targets have given, joined into tracks, and each
track is followed into every photograph that should see it by least-squares patch matching. What
a photograph cannot confirm is left out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.ties_facing import facing_map, square_warps
from tracker.cloud.ties_features import SHARE, WORD_STEP_PX, Features, find_features
from tracker.cloud.ties_match import Rays, match_pair, neighbouring_pairs
from tracker.cloud.ties_refine import FEWEST_PHOTOS, TiePoints, no_ties, refine_views
from tracker.cloud.ties_region import StoneRoom, outline_samples, stone_outline, stone_room
from tracker.cloud.ties_views import choose_views
from tracker.cloud.ties_workers import on_workers
from tracker.cloud.tracks import join_matches, robust_triangulate
from tracker.maths.camera import Array, Lens, Pose, rays_frame
from tracker.surface import Surface

__all__ = ["TiePoints", "tie_points"]

Rows = NDArray[np.int64]
Gray = NDArray[np.uint8]

FEATURE_SIGMA_PX = 0.8
"""A feature found at half size, before it is refined."""
SAME_SCALE = 1.25
"""Photographs whose pixels differ less in size on the stone are searched at the same share."""
SMALLEST_SHARE, LARGEST_SHARE = 0.2, 0.8
GATE_SIGMAS = 3.5


def tie_points(
    images: Sequence[Gray],
    lenses: Sequence[Lens],
    poses: Sequence[Pose],
    surface: Surface,
    allowance_mm: float,
    keep_out: Sequence[list[Array]] | None = None,
) -> TiePoints:
    """Tie points on the stone.

    Parameters
    ----------
    images : (height, width) arrays, one per photograph, stored pixels
    lenses, poses : one per photograph
    surface : Surface
        The model.
    allowance_mm : float
        How far outside the model the block's face may be.
    keep_out : list of polygons (k, 2) in px per photograph
        Where there is no stone (targets).

    Returns
    -------
    TiePoints
        Possibly none; each in three photographs or more.
    """
    lenses, poses = list(lenses), list(poses)
    if len(images) < FEWEST_PHOTOS:
        return no_ties()
    samples, spacing = outline_samples(surface)
    room = stone_room(surface, samples, allowance_mm)
    outlines = [
        stone_outline(samples, spacing, allowance_mm, lens, pose, image.shape[::-1])
        for image, lens, pose in zip(images, lenses, poses, strict=True)
    ]
    polygons = keep_out or [[] for _ in images]
    middle = np.mean(surface.box, axis=0)
    footprint = _footprints_mm(lenses, poses, middle)
    usual = float(np.median(footprint))

    def look(i: int) -> Features:
        facing = facing_map(surface, lenses[i], poses[i], outlines[i])
        step_mm = usual * WORD_STEP_PX / SHARE
        return find_features(
            images[i],
            outlines[i],
            lambda pixel: square_warps(facing, lenses[i], poses[i], pixel, step_mm),
            polygons[i],
            _share(footprint[i] / usual),
        )

    features = on_workers(look, len(images))
    photo, point, points = _feature_tracks(features, lenses, poses, middle, room)
    views = choose_views(photo, point, points, lenses, poses, surface, _sizes(images))
    return refine_views(images, outlines, lenses, poses, views, room)


def _feature_tracks(
    features: list[Features],
    lenses: list[Lens],
    poses: list[Pose],
    middle: Array,
    room: StoneRoom,
) -> tuple[Rows, Rows, Array]:
    """Tracks of matched features: photographs, rows of their points, and the points."""
    rays = [
        Rays(pose.centre_frame, rays_frame(lens, pose, f.pixel), lens.focal_px)
        for f, lens, pose in zip(features, lenses, poses, strict=True)
    ]
    offset = np.concatenate([[0], np.cumsum([len(f.pixel) for f in features])])
    pairs = [
        (a, b)
        for a, b in neighbouring_pairs(poses, middle)
        if len(features[a].pixel) and len(features[b].pixel)
    ]
    found = on_workers(
        lambda k: match_pair(
            rays[pairs[k][0]], features[pairs[k][0]], rays[pairs[k][1]], features[pairs[k][1]], room
        ),
        len(pairs),
    )
    first = [offset[a] + rows[:, 0] for (a, _), (rows, _) in zip(pairs, found, strict=True)]
    second = [offset[b] + rows[:, 1] for (_, b), (rows, _) in zip(pairs, found, strict=True)]
    photo_of = np.repeat(np.arange(len(features)), np.diff(offset))
    none = np.zeros(0, np.int64)
    group = join_matches(
        np.concatenate([none, *first]).astype(np.int64),
        np.concatenate([none, *second]).astype(np.int64),
        np.concatenate([np.zeros(0), *(distance for _, distance in found)]),
        photo_of,
    )
    member = np.flatnonzero(group >= 0)
    member = member[np.lexsort((photo_of[member], group[member]))]
    photo, point = photo_of[member], group[member]
    pixel = np.concatenate([np.zeros((0, 2)), *(f.pixel for f in features)])[member]
    count = int(point.max()) + 1 if len(point) else 0
    points, keep, _ = robust_triangulate(
        photo,
        point,
        pixel,
        np.full(len(photo), FEATURE_SIGMA_PX),
        lenses,
        poses,
        count,
        GATE_SIGMAS,
    )
    sound = np.all(np.isfinite(points), axis=1)
    sound[sound] = room.holds(points[sound])
    held = keep & sound[point]
    number = np.cumsum(sound) - 1
    return photo[held], number[point[held]], points[sound]


def _footprints_mm(lenses: list[Lens], poses: list[Pose], middle: Array) -> Array:
    """Size of a pixel at the stone's middle in each photograph, (photos,), mm."""
    away = np.linalg.norm(np.array([p.centre_frame for p in poses]) - middle, axis=1)
    return np.asarray(away / np.array([lens.focal_px for lens in lenses]))


def _share(coarser: float) -> float:
    """Size at which a photograph is searched; its pixels are so many times as large as usual."""
    if 1.0 / SAME_SCALE < coarser < SAME_SCALE:
        return SHARE
    return float(np.clip(SHARE * coarser, SMALLEST_SHARE, LARGEST_SHARE))


def _sizes(images: Sequence[Gray]) -> list[tuple[int, int]]:
    return [(image.shape[1], image.shape[0]) for image in images]
