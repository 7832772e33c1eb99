"""Where a cast can be, and which of the places found are the cast.

Nothing is known of the cast beforehand but that it stands among the targets, above the plane of
the seats, where the photographs look. What carries a target card is frame, not cast.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tracker.maths.camera import Array, Pose

HEIGHT_SHARE = 0.55
"""The cast reaches above the middle of the views by no more than this share of their distance."""
CARD_MM = 8.0
"""Places nearer to a card's plane than this, within its paper, are card."""
CARD_REACH = 1.6
"""Paper and board beyond the printed square, in half diagonals."""
CARRIER_MM = 14.0
"""What comes so near to a card is its carrier, not the cast, ..."""
LEAST_SHARE = 0.01
"""... and pieces smaller than this share of the cast are left out as strays."""
ASIDE_MM = 20.0


def view_middle(poses: Sequence[Pose]) -> Array:
    """Place nearest to all lines of sight, (3,), mm: sum (I - d d^T) (m - c) = 0."""
    d = np.array([pose.R[2] for pose in poses])
    c = np.array([pose.centre_frame for pose in poses])
    across = np.eye(3)[None] - d[:, :, None] * d[:, None, :]
    right = np.einsum("nij,nj->i", across, c)
    return np.asarray(np.linalg.solve(across.sum(axis=0), right))


def first_room(poses: Sequence[Pose], within: Array, above_mm: float) -> tuple[Array, Array]:
    """Lowest and highest corner of the room in which the cast must be, mm, frame coordinates.

    Parameters
    ----------
    poses : of the photographs
    within : (k, 3) array, mm
        Places that bound the cast sideways: the frame's cards, or the seats.
    above_mm : what lies lower than this above the seats' plane is not asked for
    """
    middle = view_middle(poses)
    centres = np.array([pose.centre_frame for pose in poses])
    away = float(np.median(np.linalg.norm(centres - middle, axis=1)))
    low, high = within.min(axis=0), within.max(axis=0)
    low[2], high[2] = above_mm, max(middle[2], above_mm) + HEIGHT_SHARE * away
    return low, high


def on_cards(points: Array, cards: Sequence[Array]) -> NDArray[np.bool_]:
    """Which places belong to a target card: near its plane and within its paper, (n,)."""
    found = np.zeros(len(points), dtype=bool)
    for corners in cards:
        centre = corners.mean(axis=0)
        normal = np.cross(corners[1] - corners[0], corners[3] - corners[0])
        normal /= np.linalg.norm(normal)
        off = points - centre
        high = off @ normal
        wide = np.linalg.norm(off - high[:, None] * normal, axis=1)
        reach = CARD_REACH * float(np.linalg.norm(corners - centre, axis=1).max())
        found |= (np.abs(high) < CARD_MM) & (wide < reach)
    return found


def free_reach_mm(middle: Array, carried: Sequence[Array]) -> float:
    """How far sideways the cast can reach before the frame stands there, mm.

    Parameters
    ----------
    middle : (3,) array, mm, where the photographs look
    carried : corners (4, 3) of the frame's cards; none where no frame stands
    """
    if not len(carried):
        return float("inf")
    corners = np.concatenate([np.asarray(c) for c in carried])
    return float(np.linalg.norm(corners[:, :2] - middle[:2], axis=1).min())


def cast_pieces(
    points: Array,
    link_mm: float,
    cards: Sequence[Array],
    middle: Array,
    floor_mm: float = -np.inf,
    reach_mm: float = np.inf,
) -> NDArray[np.bool_]:
    """Which places are the cast, (n,): the piece in the middle and what stands with it.

    Parameters
    ----------
    points : (n, 3) array, mm, cards taken out already
    link_mm : places nearer than this hang together
    middle : (3,) array, where the photographs look
    floor_mm : lower places join nothing, since they may be strays over the base; they follow
    reach_mm : farther from the middle sideways stands the frame
    """
    near = np.linalg.norm(points[:, :2] - middle[:2], axis=1) < reach_mm
    high = np.flatnonzero(near & (points[:, 2] > floor_mm))
    kept = np.zeros(len(points), dtype=bool)
    if not len(high):
        return kept
    kept[high] = _standing_together(points[high], link_mm, cards, middle)
    low = np.flatnonzero(near & ~kept & (points[:, 2] <= floor_mm))
    if kept.any() and len(low):
        away = np.asarray(cKDTree(points[kept]).query(points[low])[0])
        kept[low] = away < link_mm
    return kept


def _standing_together(
    points: Array, link_mm: float, cards: Sequence[Array], middle: Array
) -> NDArray[np.bool_]:
    piece = _pieces(points, link_mm)
    away = np.linalg.norm(points - middle, axis=1)
    weight = np.exp(-0.5 * (away / max(float(np.median(away)), 1.0)) ** 2)
    main = int(np.argmax(np.bincount(piece, weight)))
    size = np.bincount(piece)
    low, high = points[piece == main].min(axis=0), points[piece == main].max(axis=0)
    corners = np.concatenate([np.asarray(c) for c in cards])
    apart = np.asarray(cKDTree(corners).query(points)[0])
    keep = np.zeros(len(size), dtype=bool)
    for k in np.flatnonzero(size >= LEAST_SHARE * size[main]):
        mine = piece == k
        centre = points[mine].mean(axis=0)
        beside = np.all((centre[:2] > low[:2] - ASIDE_MM) & (centre[:2] < high[:2] + ASIDE_MM))
        keep[k] = beside and float(apart[mine].min()) > CARRIER_MM
    keep[main] = True
    return np.asarray(keep[piece])


def _pieces(points: Array, link_mm: float) -> NDArray[np.int64]:
    """Number of the piece that each place hangs together with."""
    links = cKDTree(points).query_pairs(link_mm, output_type="ndarray")
    shape = (len(points), len(points))
    graph = coo_matrix((np.ones(len(links), np.int8), (links[:, 0], links[:, 1])), shape=shape)
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)
