"""Stone left along needles from the measured points of the stone.

Points near a needle are grouped by the depth at which their own small surface crosses it; each
group that surrounds the needle closely enough gets a robust local surface, which the needle is
driven through. A place without such a group is not seen: nothing is carried across a gap.

Only stone that faces along the needle counts, so that the back of the figure is never taken for
its front, and a surface is refused when the model itself says that the needle may already have
left the stone in a gap before it.

A figure's variance holds what the stone may do between the points (`left_out`): without that only
7 of 10 figures had the truth within their U95 on rendered days, with it 19 of 20.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.left_out import form_variance_mm2, leave_out
from tracker.comparison.local_surface import LocalFits, fit_local_surfaces
from tracker.comparison.readings import VARIANCE_PARTS, NotSeen, Readings
from tracker.comparison.uncertainty import (
    FRAME,
    MODEL,
    NETWORK,
    SURFACE,
    along_needle_variance_mm2,
    model_variance_mm2,
    rigid_variance_mm2,
    slant,
)
from tracker.maths.camera import Array
from tracker.surface import Surface

Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class StonePoints:
    """Measured points of the stone, m of them, frame coordinates.

    Attributes
    ----------
    points, normals : (m, 3) arrays, mm; unit normals that point out of the stone
    sigma_mm : (m,) array
        Of each point across the surface from its own photographs' noise.
    network_cov_mm2 : (m, 3, 3) array
        From poses and lenses, shared by neighbours.
    photos : (m,) int
        Photographs that a point was measured in.
    """

    points: Array
    normals: Array
    sigma_mm: Array
    network_cov_mm2: Array
    photos: Rows


@dataclass(frozen=True, slots=True)
class CloudReach:
    """Which points a needle may be judged by."""

    inward_mm: float = 10.0
    """Deepest over-cut considered."""
    outward_mm: float = 60.0
    """Most stone considered."""
    at_least_mm: float = 25.0
    """Beyond this a single surface along the needle cannot be told: given as a bound."""
    gap_mm: float = 8.0
    """No point farther from the needle than this counts: the widest gap that is bridged is
    twice this, with stone measured all round it."""
    min_points: int = 6
    depth_gap_mm: float = 2.5
    """Surfaces whose crossings of the needle lie farther apart than this are different ones."""
    min_facing: float = 0.25
    """Smallest cosine between a point's normal and the needle."""


DEFAULT_REACH = CloudReach()


def readings_from_cloud(
    cloud: StonePoints,
    model: Surface,
    points: Array,
    needles: Array,
    photos: Rows,
    *,
    cov_rigid: Array,
    model_tolerance_mm: float,
    reach: CloudReach = DEFAULT_REACH,
) -> Readings:
    """Stone left at places of the model from the cloud.

    Parameters
    ----------
    cloud : StonePoints
    model : Surface
        The surface to be copied, in the same coordinates.
    points, needles : (n, 3) arrays
        Places of the model (mm) and unit outward directions.
    photos : (n,) int
        Photographs that look at each place; fewer than three and it is not seen.
    cov_rigid : (6, 6) array
        Covariance (turn, shift; rad, mm) of the stone against the model: frame and alignment.
    model_tolerance_mm : float
        Limits within which the model's surface is right.

    Returns
    -------
    Readings
    """
    count = len(points)
    place, point, crossing, facing = _pairs(cloud, points, needles, reach)
    out = facing > reach.min_facing
    group_place, group_depth, group, member = _depth_groups(
        place[out], point[out], crossing[out], reach.depth_gap_mm
    )
    fits = fit_local_surfaces(
        cloud.points,
        cloud.normals,
        cloud.sigma_mm,
        points[group_place] + group_depth[:, None] * needles[group_place],
        needles[group_place],
        (group, member),
        widest_mm=reach.gap_mm,
        min_points=reach.min_points,
    )
    depth = group_depth + fits.depth_mm
    chosen, reason = _choose(
        count, group_place, depth, fits, (place, crossing, facing < -reach.min_facing), reach
    )
    hidden = _hidden_gap(model, points, needles, chosen, depth)
    reason[hidden] = NotSeen.HIDDEN_GAP
    reason[photos < 3] = NotSeen.TOO_FEW_PHOTOGRAPHS
    return _readings(
        cloud, model, points, needles, photos, reason, chosen, depth, fits, cov_rigid,
        model_tolerance_mm, reach,
    )  # fmt: skip


def _pairs(
    cloud: StonePoints, points: Array, needles: Array, reach: CloudReach
) -> tuple[Rows, Rows, Array, Array]:
    """Places and the cloud's points near their needles.

    Returns the rows of both, the depth at which each point's own tangent plane crosses the
    needle (mm), and the cosine between its normal and the needle.
    """
    tree = cKDTree(cloud.points)
    step = 1.5 * reach.gap_mm
    places: list[Rows] = []
    found: list[Rows] = []
    for depth in np.arange(-reach.inward_mm, reach.outward_mm + step, step):
        centres = points + depth * needles
        near = tree.query_ball_point(centres, float(np.hypot(reach.gap_mm, 0.5 * step)))
        lists = [np.asarray(rows, dtype=np.int64) for rows in near]
        places.append(np.repeat(np.arange(len(points)), [len(rows) for rows in lists]))
        found.append(np.concatenate(lists, dtype=np.int64))
    # a point may lie in two neighbouring balls
    pair = np.unique(np.concatenate(places) * len(cloud.points) + np.concatenate(found))
    place, point = np.divmod(pair, len(cloud.points))
    offset = cloud.points[point] - points[place]
    along = np.einsum("nd,nd->n", offset, needles[place])
    aside = offset - along[:, None] * needles[place]
    facing = np.einsum("nd,nd->n", cloud.normals[point], needles[place])
    steep = np.abs(facing) < 0.1
    crossing = along + np.einsum("nd,nd->n", cloud.normals[point], aside) / np.where(
        steep, 1.0, facing
    )
    keep = ~steep & (np.einsum("nd,nd->n", aside, aside) <= reach.gap_mm**2)
    keep &= (crossing >= -reach.inward_mm) & (crossing <= reach.outward_mm)
    return place[keep], point[keep], crossing[keep], facing[keep]


def _depth_groups(
    place: Rows, point: Rows, crossing: Array, gap_mm: float
) -> tuple[Rows, Array, Rows, Rows]:
    """Points of each place grouped by the depth of their crossing.

    Returns each group's place and median depth (mm), and for each pair its group and point.
    """
    order = np.lexsort((crossing, place))
    place, point, crossing = place[order], point[order], crossing[order]
    new = np.ones(len(place), dtype=bool)
    new[1:] = (place[1:] != place[:-1]) | (np.diff(crossing) > gap_mm)
    starts = np.flatnonzero(new)
    ends = np.append(starts[1:], len(place))
    return place[starts], crossing[(starts + ends) // 2], np.cumsum(new) - 1, point


def _choose(
    count: int,
    group_place: Rows,
    depth: Array,
    fits: LocalFits,
    entries: tuple[Rows, Array, NDArray[np.bool_]],
    reach: CloudReach,
) -> tuple[Rows, Rows]:
    """The group that ends each needle's way through the stone, or why there is none.

    The nearest way out beyond the point is the answer when the point lies in stone, the nearest
    one before it when it lies in air. Where both exist, stone that faces the other way between
    them tells; without it the place is ambiguous, unless the nearer one lies at the point itself.
    """
    chosen = np.full(count, -1, dtype=np.int64)
    reason = np.full(count, int(NotSeen.GAP_IN_CLOUD), dtype=np.int64)
    entry_place, entry_depth, is_entry = entries
    entry_depth = entry_depth[is_entry]
    entry_place = entry_place[is_entry]
    order = np.lexsort((depth, group_place))
    bounds = np.searchsorted(group_place[order], np.arange(count + 1))
    entry_bounds = np.searchsorted(entry_place, np.arange(count + 1))
    for row in range(count):
        groups = order[bounds[row] : bounds[row + 1]]
        if not len(groups) or not fits.usable[groups].any():
            continue
        inside = entry_depth[entry_bounds[row] : entry_bounds[row + 1]]
        pick, why = _way_out(depth[groups], fits.usable[groups], fits.size[groups], inside, reach)
        reason[row] = why
        chosen[row] = groups[pick] if why == NotSeen.SEEN else -1
    return chosen, reason


def _way_out(
    depth: Array, usable: NDArray[np.bool_], size: Rows, entry: Array, reach: CloudReach
) -> tuple[int, NotSeen]:
    """Row of the group that answers for one needle; depths rise."""
    near = 0.25 * reach.depth_gap_mm
    after = np.flatnonzero(depth > near)
    before = np.flatnonzero(depth <= near)
    if len(before) and len(after):
        low, high = depth[before[-1]], depth[after[0]]
        entered_before = int(((entry > low) & (entry <= 0.0)).sum())
        entered_after = int(((entry > 0.0) & (entry < high)).sum())
        if entered_before >= 3 and entered_before > 2 * entered_after:
            pick = int(after[0])
        elif low > -near or (entered_after >= 3 and entered_after > 2 * entered_before):
            pick = int(before[-1])
        else:
            return 0, NotSeen.AMBIGUOUS
    else:
        pick = int(after[0]) if len(after) else int(before[-1])
    if not usable[pick]:
        # a thin group nearer to the point than any good one: either may be the stone
        return pick, NotSeen.AMBIGUOUS if size[pick] < reach.min_points else NotSeen.GAP_IN_CLOUD
    return pick, NotSeen.SEEN


def _hidden_gap(
    model: Surface, points: Array, needles: Array, chosen: Rows, depth: Array
) -> NDArray[np.bool_]:
    """Places whose needle crosses another part of the model before it leaves the stone.

    Between the two parts of the model there is a gap to be carved; whether it is open already
    cannot be told from the stone beyond it.
    """
    hidden = np.zeros(len(points), dtype=bool)
    rows = np.flatnonzero(chosen >= 0)
    rows = rows[depth[chosen[rows]] > 1.0]
    if len(rows):
        start = 0.2
        again = start + model.first_hit_mm(points[rows] + start * needles[rows], needles[rows])
        hidden[rows] = depth[chosen[rows]] > again - 0.5
    return hidden


def _readings(
    cloud: StonePoints, model: Surface, points: Array, needles: Array, photos: Rows, reason: Rows,
    chosen: Rows, depth: Array, fits: LocalFits, cov_rigid: Array, model_tolerance_mm: float,
    reach: CloudReach,
) -> Readings:  # fmt: skip
    count = len(points)
    seen = reason == NotSeen.SEEN
    rows = np.flatnonzero(seen)
    group = chosen[rows]
    stone_left = np.full(count, np.nan)
    closest = np.full(count, np.nan)
    variance = np.full((count, len(VARIANCE_PARTS)), np.nan)
    places = points[rows] + depth[group, None] * needles[rows]
    at_least = np.zeros(count, dtype=bool)
    at_least[rows] = depth[group] > reach.at_least_mm
    stone_left[rows] = np.minimum(depth[group], reach.at_least_mm)
    if len(rows):
        closest[rows] = model.signed_distance_mm(places)
        normals = fits.normals[group]
        cov = cloud.network_cov_mm2[fits.nearest[group]]
        variance[rows, SURFACE] = fits.variance_mm2[group] + _form_variance(
            cloud, places, needles[rows], normals, reach
        )
        variance[rows, NETWORK] = along_needle_variance_mm2(cov, needles[rows], normals)
        variance[rows, FRAME] = rigid_variance_mm2(places, needles[rows], normals, cov_rigid)
        variance[rows, MODEL] = model_variance_mm2(model_tolerance_mm, len(rows))
    return Readings(
        points=points,
        needles=needles,
        seen=seen,
        stone_left_mm=stone_left,
        at_least=at_least,
        closest_mm=closest,
        variance_mm2=variance,
        photos=photos,
        reason=reason,
    )


def _form_variance(
    cloud: StonePoints, places: Array, needles: Array, normals: Array, reach: CloudReach
) -> Array:
    """What the form of the stone between its points adds along the needle, (n,), mm^2."""
    left_out = leave_out(
        cloud.points,
        cloud.normals,
        cloud.sigma_mm,
        widest_mm=reach.gap_mm,
        min_points=reach.min_points,
    )
    nearest, _ = cKDTree(cloud.points).query(places)
    across = form_variance_mm2(left_out, places, np.asarray(nearest))
    return np.asarray(across / slant(needles, normals) ** 2)
