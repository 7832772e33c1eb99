"""Matches between two photographs whose poses are known.

Two rays that meet lie in one plane through the base line between the cameras. Each feature gets
the angle of its plane about the base line; only features whose angles agree to a few pixels, and
whose rays meet where stone can be, are compared by descriptor. The best of them must be best both
ways, near enough in itself, and better than the next place along the ray.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.ties_features import Features
from tracker.cloud.ties_region import StoneRoom
from tracker.maths.camera import Array, Pose

BAND_PX = 2.5
"""Half width of the epipolar band."""
FARTHEST = 0.55
"""Largest RootSIFT distance of a match."""
RIVAL_RATIO = 0.92
"""A match must be nearer than this share of its best rival's distance."""
SAME_PLACE_PX = 4.0
"""Features nearer to each other than this are one place, not rivals."""
SMALLEST_ANGLE, LARGEST_ANGLE = np.deg2rad(5.0), np.deg2rad(50.0)
NEIGHBOURS = 6
"""Each photograph is paired with so many others, the nearest in angle."""

Pairs = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rays:
    """Viewing rays of the features of one photograph, frame coordinates."""

    centre: Array
    direction: Array
    """(n, 3) unit."""
    focal_px: float


def neighbouring_pairs(poses: list[Pose], middle: Array) -> Pairs:
    """Photographs to match with one another, (k, 2), each pair once, in order.

    Pairs see the stone's middle from directions 5 to 50 degrees apart; the nearest in each
    half-circle come first, so that a ring of stations is closed.
    """
    towards = np.array([p.centre_frame - middle for p in poses])
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    angle = np.arccos(np.clip(towards @ towards.T, -1.0, 1.0))
    chosen: set[tuple[int, int]] = set()
    for i in range(len(poses)):
        near = [
            int(j)
            for j in np.argsort(angle[i], kind="stable")
            if j != i and SMALLEST_ANGLE <= angle[i, j] <= LARGEST_ANGLE
        ]
        chosen.update((min(i, j), max(i, j)) for j in near[:NEIGHBOURS])
    return np.array(sorted(chosen), dtype=np.int64).reshape(-1, 2)


def match_pair(
    rays_a: Rays, features_a: Features, rays_b: Rays, features_b: Features, room: StoneRoom
) -> tuple[Pairs, Array]:
    """Matches of two photographs.

    Returns
    -------
    rows : (k, 2) array
        Feature of a, feature of b.
    distance : (k,) array
        RootSIFT distance.
    """
    a, b = _in_band(rays_a, rays_b)
    meeting, ahead = _meeting_points(rays_a, rays_b, a, b)
    held = ahead & room.holds(meeting)
    a, b = a[held], b[held]
    if len(a) == 0:
        return np.zeros((0, 2), np.int64), np.zeros(0)
    likeness = _dots(features_a.descriptor, features_b.descriptor, a, b)
    distance = np.sqrt(np.maximum(2.0 - 2.0 * likeness, 0.0))
    best_a = _clear_best(a, distance, features_b.pixel[b], len(features_a.pixel))
    best_b = _clear_best(b, distance, features_a.pixel[a], len(features_b.pixel))
    keep = best_a & best_b & (distance < FARTHEST)
    order = np.argsort(a[keep], kind="stable")
    return np.stack([a[keep], b[keep]], axis=1)[order], distance[keep][order]


def _in_band(rays_a: Rays, rays_b: Rays) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Features whose planes about the base line agree, as two lists of rows."""
    base = rays_b.centre - rays_a.centre
    base = base / np.linalg.norm(base)
    u = rays_a.direction.mean(axis=0) + rays_b.direction.mean(axis=0)
    u = u - base * (u @ base)
    u /= np.linalg.norm(u)
    v = np.cross(base, u)
    turn_a = np.arctan2(rays_a.direction @ v, rays_a.direction @ u)
    turn_b = np.arctan2(rays_b.direction @ v, rays_b.direction @ u)
    # a pixel is 1 / (f sin) of turning, sin the angle between ray and base line
    steep = np.sqrt(np.maximum(1.0 - (rays_a.direction @ base) ** 2, 1e-4))
    band = BAND_PX / (min(rays_a.focal_px, rays_b.focal_px) * steep)
    order = np.argsort(turn_b, kind="stable")
    first = np.searchsorted(turn_b[order], turn_a - band)
    last = np.searchsorted(turn_b[order], turn_a + band)
    count = last - first
    a = np.repeat(np.arange(len(turn_a)), count)
    offset = np.arange(len(a)) - np.repeat(np.cumsum(count) - count, count)
    return a, order[np.repeat(first, count) + offset]


def _meeting_points(
    rays_a: Rays, rays_b: Rays, a: NDArray[np.int64], b: NDArray[np.int64]
) -> tuple[Array, NDArray[np.bool_]]:
    """Point of ray a nearest to ray b, (k, 3), mm, and whether it is ahead of both cameras."""
    d, e = rays_a.direction[a], rays_b.direction[b]
    base = rays_b.centre - rays_a.centre
    cosine = np.einsum("kd,kd->k", d, e)
    sine2 = np.maximum(1.0 - cosine**2, 1e-9)
    along_a = (d @ base - cosine * (e @ base)) / sine2
    along_b = (cosine * (d @ base) - e @ base) / sine2
    return rays_a.centre + d * along_a[:, None], (along_a > 0.0) & (along_b > 0.0)


def _dots(
    da: NDArray[np.float32],
    db: NDArray[np.float32],
    a: NDArray[np.int64],
    b: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Products of descriptors row by row, in pieces that bound memory."""
    out = np.empty(len(a))
    for start in range(0, len(a), 50_000):
        part = slice(start, start + 50_000)
        out[part] = np.einsum("kd,kd->k", da[a[part]], db[b[part]])
    return out


def _clear_best(
    group: NDArray[np.int64], distance: Array, place: Array, groups: int
) -> NDArray[np.bool_]:
    """Whether a candidate is the nearest of its group, clearly nearer than any other place."""
    order = np.lexsort((distance, group))
    starts = np.searchsorted(group[order], np.arange(groups))
    starts = np.minimum(starts, len(order) - 1)
    best = order[starts]
    apart = np.linalg.norm(place - place[best[group]], axis=1) > SAME_PLACE_PX
    rival = np.full(groups, np.inf)
    np.minimum.at(rival, group[apart], distance[apart])
    clear = np.zeros(len(group), dtype=bool)
    mine = group[best] == np.arange(groups)
    winners = best[mine]
    clear[winners] = distance[winners] < RIVAL_RATIO * rival[group[winners]]
    return clear
