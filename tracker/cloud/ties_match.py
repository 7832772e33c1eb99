"""Matches between two photographs whose poses are known.

Two rays that meet lie in one plane through the base line between the cameras. Each feature gets
the angle of its plane about the base line; only features whose angles agree to a few pixels, and
whose rays meet where stone can be, are compared by their words. The best of them must be best both
ways, near enough in itself, and better than the next place along the ray.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_window import REORDER
from tracker.cloud.ties_features import Features
from tracker.cloud.ties_region import StoneRoom
from tracker.maths.camera import Array, Pose

BAND_PX = 2.5
"""Half width of the epipolar band."""
FARTHEST = 0.52
"""Largest distance of the words of a match, which are unit vectors."""
RIVAL_RATIO = 0.92
"""A match must be nearer than this share of its best rival's distance."""
SAME_PLACE_PX = 4.0
"""Features nearer to each other than this are one place, not rivals."""
SMALLEST_ANGLE, LARGEST_ANGLE = np.deg2rad(5.0), np.deg2rad(50.0)
NEIGHBOURS = 6
"""Each photograph is paired with so many others, the nearest in angle."""

Pairs = NDArray[np.int64]
Rows = NDArray[np.int64]
Words = NDArray[np.float32]


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
        Of the words.
    """
    order, first, last = _in_band(rays_a, rays_b)
    a, b, likeness = _candidates(
        order, first, last, rays_a.direction, rays_b.direction, rays_a.centre, rays_b.centre,
        features_a.word, features_b.word, room.low, room.cell_mm, room.holding_cells(),
    )  # fmt: skip
    distance = np.sqrt(np.maximum(2.0 - 2.0 * likeness, 0.0))
    keep = _clear_best(a, b, distance, features_b.pixel, len(features_a.pixel))
    keep &= _clear_best(b, a, distance, features_a.pixel, len(features_b.pixel))
    keep &= distance < FARTHEST
    return np.stack([a[keep], b[keep]], axis=1), distance[keep]


def _in_band(rays_a: Rays, rays_b: Rays) -> tuple[Rows, Rows, Rows]:
    """Features whose planes about the base line agree.

    Returns
    -------
    order : (n of b,) rows of b, by their planes' angle
    first, last : (n of a,) arrays
        Where in `order` each feature of a has its band.
    """
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
    return order, first, last


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _candidates(
    order: Rows, first: Rows, last: Rows, d: Array, e: Array, centre_a: Array, centre_b: Array,
    words_a: Words, words_b: Words, low: Array, cell_mm: float, holding: NDArray[np.bool_],
) -> tuple[Rows, Rows, Array]:  # fmt: skip
    """Features in each other's band whose rays d, e meet ahead of both cameras, where stone can be.

    Returns
    -------
    rows of a, rising; rows of b; product of their words
    """
    most = (last - first).sum()
    a, b, likeness = np.empty(most, np.int64), np.empty(most, np.int64), np.empty(most)
    base, count = centre_b - centre_a, 0
    for i in range(len(first)):
        along = d[i, 0] * base[0] + d[i, 1] * base[1] + d[i, 2] * base[2]
        for j in order[first[i] : last[i]]:
            cosine = d[i, 0] * e[j, 0] + d[i, 1] * e[j, 1] + d[i, 2] * e[j, 2]
            sine2 = max(1.0 - cosine * cosine, 1e-9)
            back = e[j, 0] * base[0] + e[j, 1] * base[1] + e[j, 2] * base[2]
            # point of ray a nearest to ray b
            depth = (along - cosine * back) / sine2
            if depth <= 0.0 or cosine * along - back <= 0.0:
                continue
            held = True
            at = (0, 0, 0)
            for k in range(3):
                cell = np.rint((centre_a[k] + depth * d[i, k] - low[k]) / cell_mm)
                held &= 0 <= cell < holding.shape[k]
                at = (at[1], at[2], int(cell))
            if held and holding[at]:
                product = np.float32(0.0)
                for k in range(words_a.shape[1]):
                    product += words_a[i, k] * words_b[j, k]
                a[count], b[count], likeness[count] = i, j, product
                count += 1
    return a[:count], b[:count], likeness[:count]


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _clear_best(
    group: Rows, other: Rows, distance: Array, place: Array, groups: int
) -> NDArray[np.bool_]:
    """Whether a candidate is the nearest of its group, clearly nearer than any other place.

    Parameters
    ----------
    group, other : (k,) arrays
        Feature whose best is sought, feature it is compared with.
    place : (n, 2) array, px
        Of the other features.
    """
    best = np.full(groups, -1)
    for k in range(len(group)):
        if best[group[k]] < 0 or distance[k] < distance[best[group[k]]]:
            best[group[k]] = k
    rival = np.full(groups, np.inf)
    for k in range(len(group)):
        g = group[k]
        dx, dy = place[other[k]] - place[other[best[g]]]
        if dx * dx + dy * dy > SAME_PLACE_PX**2:
            rival[g] = min(rival[g], distance[k])
    clear = np.zeros(len(group), np.bool_)
    for g in range(groups):
        if best[g] >= 0:
            clear[best[g]] = distance[best[g]] < RIVAL_RATIO * rival[g]
    return clear
