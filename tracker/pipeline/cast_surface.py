"""A cast's surface from placed photographs: coarse, then dense, then set by patches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from tracker.cloud.dense_agreement import agreed_claims
from tracker.cloud.dense_neighbours import height_over_neighbours
from tracker.cloud.dense_patches import DensePlaces, joined, set_places
from tracker.cloud.dense_room import cast_pieces, first_room, free_reach_mm, on_cards, view_middle
from tracker.cloud.dense_surface import cut_open, poisson, set_onto, small_gaps, support
from tracker.cloud.dense_thin import thinned
from tracker.cloud.dense_uncertainty import corner_sigma_mm, place_sigma_mm
from tracker.cloud.depth_crossings import pack_maps
from tracker.cloud.depth_pairs import choose_pairs, match_pairs
from tracker.cloud.patch_views import View, ViewStack, stack_views
from tracker.errors import PhotographError
from tracker.maths.camera import Array
from tracker.surface import Surface

Box = tuple[Array, Array]
Tell = Callable[[float], None]

COARSE_PX = 2.5
"""Pixel of the coarse maps over that of the photographs; at least COARSE_MM."""
COARSE_MM = 1.1
COARSE_CELL_MM = 3.0
COARSE_PARTNERS = 2
FINE_PX = 2.0
LINK_CELLS = 2.5
FLOOR_MM = 6.0
"""So far above the cut strays over the base may hang together what does not."""
AROUND_MM = 8.0
"""Fine maps are read this far round the coarse places."""
MOST_SIDE_PX = 1600
FEWEST_PLACES = 400
LEAST_HALVES, LEAST_CORR = 0.25, 0.55
LEAST_HALVES_PROPOSED = 0.4
"""Least agreement of a patch's halves; more is asked where the surface only proposed the place."""
NEAR_CELLS = 3.0
"""Neighbours lie within so many spacings."""
STRAY_SCATTERS, STRAY_MM, MOST_SCATTER_MM = 2.5, 0.25, 0.5
REACH_CELLS = 1.5
"""A corner is kept within so many spacings of measured places, ..."""
FEWEST_ROUND = 3
"""... so many of them."""
GAP_MM = 6.0
"""Gaps up to this width stay bridged, with a U95 that grows towards their middle."""
PROPOSED_BEYOND_CELLS, PROPOSED_WITHIN_CELLS = 1.2, 10.0


@dataclass(frozen=True, slots=True)
class CastSurface:
    """The surface of a cast, open where it was not seen.

    Attributes
    ----------
    surface : Surface
        Frame coordinates, mm.
    sigma_mm : (n,) array
        Of each corner across the surface, cameras and frame taken as true.
    places : int
        Places set by patches.
    bridged_mm2 : float
        Area of the smoothest surface over what was not seen: roughly what is missing.
    """

    surface: Surface
    sigma_mm: Array
    places: int
    bridged_mm2: float


def pixel_mm(stack: ViewStack, middle: Array) -> float:
    """Size of a photograph's pixel in the middle of the cast, mm, median over photographs."""
    away = np.linalg.norm(stack.centres - middle, axis=1)
    return float(np.median(away / stack.cameras[:, 12]))


def coarse_cast(
    views: Sequence[View],
    cards: Sequence[Array],
    within: Array,
    above_mm: float,
    carried: Sequence[Array] = (),
) -> tuple[Array, Array]:
    """Places of the cast, 3 mm apart, and their normals: where it stands and how it looks.

    Parameters
    ----------
    cards : corners (4, 3) of every target
    within : (k, 3) array, mm, places that bound the cast sideways
    carried : corners of the cards that the frame carries, where it stands about the cast

    Raises
    ------
    PhotographError
        Too little surface is agreed upon.
    """
    room = first_room([v.pose for v in views], within, above_mm)
    middle = view_middle([v.pose for v in views])
    stack = stack_views(views, room)
    mm_per_px = max(COARSE_PX * pixel_mm(stack, middle), COARSE_MM)
    pairs = choose_pairs(stack, middle, COARSE_PARTNERS)
    points, normals = _agreed_places(stack, pairs, room, mm_per_px, COARSE_CELL_MM)
    free = ~on_cards(points, cards)
    points, normals = points[free], normals[free]
    kept = cast_pieces(
        points,
        LINK_CELLS * COARSE_CELL_MM,
        cards,
        middle,
        above_mm + FLOOR_MM,
        free_reach_mm(middle, carried),
    )
    if kept.sum() < FEWEST_PLACES:
        raise PhotographError(
            f"Only {int(kept.sum())} places of the cast can be told in three photographs or more; "
            f"{FEWEST_PLACES} are needed at the least.",
            "White plaster shows the camera nothing: give it pencil dots and a speckle, light it "
            "from the side, and take a photograph every 12 to 15 degrees.",
        )
    return points[kept], normals[kept]


def coarse_surface(points: Array, normals: Array) -> Surface:
    """Surface through the coarse places, open where there are none."""
    closed = poisson(points, normals, COARSE_CELL_MM)
    reach = REACH_CELLS * COARSE_CELL_MM
    counts = support(closed, points, normals, reach).within(reach)
    return cut_open(closed, counts.sum(axis=1) >= FEWEST_ROUND)[0]


def cast_room(coarse: Array, above_mm: float) -> Box:
    """Lowest and highest corner of the room that the coarse places (n, 3) leave the cast, mm."""
    low, high = coarse.min(axis=0) - AROUND_MM, coarse.max(axis=0) + AROUND_MM
    low[2] = max(low[2], above_mm)
    return low, high


def cast_surface(
    stack: ViewStack,
    cards: Sequence[Array],
    coarse: Array,
    above_mm: float,
    spacing_mm: float,
    tell: Tell,
) -> CastSurface:
    """The cast's surface at full resolution.

    Parameters
    ----------
    stack : ViewStack
        The photographs' parts that show `cast_room`.
    coarse : (n, 3) array, mm, from `coarse_cast`
    spacing_mm : of the measured places
    tell : called with the share done

    Raises
    ------
    PhotographError
        The patches settle too little of it.
    """
    box = cast_room(coarse, above_mm)
    middle = 0.5 * (box[0] + box[1])
    mm_per_px = FINE_PX * pixel_mm(stack, middle)
    pairs = choose_pairs(stack, middle)
    points, normals = _agreed_places(stack, pairs, box, mm_per_px, spacing_mm)
    away, _ = cKDTree(coarse).query(points, distance_upper_bound=AROUND_MM)
    keep = np.isfinite(away) & ~on_cards(points, cards)
    points, normals = points[keep], normals[keep]
    tell(0.3)
    places = _sound(set_places(stack, box, points, normals, spacing_mm), LEAST_HALVES, spacing_mm)
    tell(0.65)
    _need_places(places)
    closed = poisson(places.points, places.normals, spacing_mm)
    more = _proposed(closed, places, cards, above_mm, spacing_mm)
    tell(0.75)
    found = set_places(stack, box, *more, spacing_mm)
    found = found.only((found.halves > LEAST_HALVES_PROPOSED) & (found.corr > LEAST_CORR))
    places = _sound(joined(places, found), LEAST_HALVES, spacing_mm)
    places = places.only(~on_cards(places.points, cards))
    tell(0.9)
    return _finished(places, above_mm, spacing_mm)


def _agreed_places(
    stack: ViewStack, pairs: list[tuple[int, int]], box: Box, mm_per_px: float, cell_mm: float
) -> tuple[Array, Array]:
    """Places on which pairs' depth maps agree, thinned, and their normals."""
    packed = pack_maps(
        match_pairs(stack, pairs, _corners(box), mm_per_px=mm_per_px, most_px=MOST_SIDE_PX)
    )
    claims = agreed_claims(packed, pairs, stride=1 if mm_per_px > 0.6 * cell_mm else 2)
    inside = np.all((claims.points > box[0]) & (claims.points < box[1]), axis=1)
    points, normals, _ = thinned(
        claims.points[inside], claims.normals[inside], claims.votes[inside].astype(float), cell_mm
    )
    return points, normals


def _corners(box: Box) -> Array:
    pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T.astype(bool)
    return np.where(pick, box[1], box[0])


def _sound(places: DensePlaces, least_halves: float, spacing_mm: float) -> DensePlaces:
    """Places whose patches agree in all their parts and that their neighbours do not contradict."""
    places = places.only((places.halves > least_halves) & (places.corr > LEAST_CORR))
    for _ in range(2):
        height, scatter, _ = height_over_neighbours(
            places.points, places.normals, place_sigma_mm(places), NEAR_CELLS * spacing_mm
        )
        limit = np.maximum(STRAY_SCATTERS * scatter, STRAY_MM)
        good = np.isfinite(height) & (np.abs(height) < limit) & (scatter < MOST_SCATTER_MM)
        places = places.only(good)
    return places


def _need_places(places: DensePlaces) -> None:
    if len(places.points) >= FEWEST_PLACES:
        return
    raise PhotographError(
        f"The photographs agree only at {len(places.points)} places of the cast; "
        f"{FEWEST_PLACES} are needed at the least.",
        "Speckle the plaster, light it evenly from the side, keep the photographs sharp, and take "
        "them closer together.",
    )


def _proposed(
    closed: Surface, places: DensePlaces, cards: Sequence[Array], above_mm: float, spacing_mm: float
) -> tuple[Array, Array]:
    """Places of the bridging surface near the measured ones: the photographs will decide."""
    reach = PROPOSED_BEYOND_CELLS * spacing_mm
    counts = support(closed, places.points, places.normals, reach).within(reach)
    away, _ = cKDTree(places.points).query(closed.vertices)
    asked = (counts.sum(axis=1) < FEWEST_ROUND) & (away < PROPOSED_WITHIN_CELLS * spacing_mm)
    asked &= closed.vertices[:, 2] > above_mm
    asked &= ~on_cards(closed.vertices, cards)
    rows = np.flatnonzero(asked)
    points, normals, _ = thinned(
        closed.vertices[rows], closed.vertex_normals[rows], np.ones(len(rows)), spacing_mm
    )
    return points, normals


def _finished(places: DensePlaces, above_mm: float, spacing_mm: float) -> CastSurface:
    """Surface through the places, cut open where there are none."""
    sigma = place_sigma_mm(places)
    closed = poisson(places.points, places.normals, spacing_mm)
    reach = REACH_CELLS * spacing_mm
    round_ = support(closed, places.points, places.normals, max(GAP_MM, reach))
    counts = round_.within(reach)
    kept = counts.sum(axis=1) >= FEWEST_ROUND
    gaps = small_gaps(closed, kept, GAP_MM)
    counts = np.where(gaps[:, None], round_.within(max(GAP_MM, reach)), counts)
    moved, scatter, aside = set_onto(
        closed, places.points, places.normals, sigma, round_.near, counts, 0.8 * spacing_mm
    )
    kept = (kept | gaps) & counts.any(axis=1) & (moved.vertices[:, 2] > above_mm)
    surface, rows = cut_open(moved, kept)
    corner = corner_sigma_mm(sigma, round_.near[rows], counts[rows], scatter[rows], aside[rows])
    whole = closed.face_areas_mm2[(closed.vertices[closed.faces][:, :, 2] > above_mm).all(axis=1)]
    bridged = max(float(whole.sum() - surface.face_areas_mm2.sum()), 0.0)
    return CastSurface(surface, corner, len(places.points), bridged)
