"""Which observations take part in the adjustment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.maths.chance import chi2_above
from tracker.maths.robust import median_sigma
from tracker.network.eliminate import free_residuals
from tracker.network.layout import Layout
from tracker.network.normal import group_residuals, length
from tracker.network.problem import Network, Rows
from tracker.network.residuals import POSE, Unknowns

REJECT_PROBABILITY = 5e-4
"""Chance that a good observation is rejected."""
MIN_OBSERVATIONS = 2
MIN_POINTS_IN_PHOTO = 3
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Kept:
    """Which observations take part."""

    free: Mask
    groups: tuple[Mask, ...]
    loose_points: Rows
    """Eliminated points without enough observations."""
    loose_joint: Rows
    """The same among the joint points (place in layout.joint)."""
    loose_photos: Rows
    """Photographs whose observations were all rejected: they stay where they are."""


def keep_all(network: Network, layout: Layout) -> Kept:
    """Every observation, except those of points that too few hold."""
    free = np.ones(len(layout.free.order), np.bool_)
    groups = tuple(np.ones(len(group.whitener), np.bool_) for group in layout.groups)
    return _with_loose(network, layout, free, groups)


def keep_as_before(network: Network, layout: Layout, used: Mask, sighting_used: Mask) -> Kept:
    """What an earlier solution of the same observations kept, in the network's own order."""
    groups = (sighting_used, used[layout.single_order])
    return _with_loose(network, layout, used[layout.free.order], groups)


def choose(unknowns: Unknowns, network: Network, layout: Layout) -> Kept:
    """Observations that agree with the unknowns.

    One is rejected where its standardised residual is longer than chance allows, in units of
    its class's own scatter where that is larger than claimed.
    """
    z = length(free_residuals(unknowns, layout))
    free = _within(z, 2)
    groups = tuple(
        _within(length(group_residuals(unknowns, group, layout)), 2 * group.size)
        for group in layout.groups
    )
    return _with_loose(network, layout, free, groups)


def _within(z: Array, dimension: int) -> Mask:
    if len(z) == 0:
        return np.zeros(0, np.bool_)
    limit = np.sqrt(chi2_above(REJECT_PROBABILITY, dimension))
    return np.asarray(z <= limit * max(1.0, median_sigma(z, dimension)))


def _with_loose(network: Network, layout: Layout, free: Mask, groups: tuple[Mask, ...]) -> Kept:
    """Adds the points that are left with too few observations, and drops what they have."""
    known = np.zeros(len(network.points), np.bool_)
    known[network.known.point] = True
    starts, index = layout.free.starts, layout.free.index
    if len(starts):
        count = np.add.reduceat(free.astype(np.int64), starts)
        total = np.diff(np.append(starts, len(free)))
        # two observations that survive from more cannot vouch for each other
        too_few = (count < MIN_OBSERVATIONS) | ((count == MIN_OBSERVATIONS) & (total > count))
        too_few &= ~known[layout.free.point]
        free = free & ~too_few[index]
        loose_points = np.flatnonzero(too_few)
    else:
        loose_points = np.zeros(0, np.int64)
    held = np.zeros(len(network.points), np.int64)
    for group, mask in zip(layout.groups, groups, strict=True):
        held += np.bincount(
            group.seen.point[np.repeat(mask, group.size)], minlength=len(network.points)
        )
    loose = (held[layout.joint] < MIN_OBSERVATIONS) & ~known[layout.joint]
    rows = np.zeros(len(network.points), np.bool_)
    rows[layout.joint[loose]] = True
    groups = tuple(
        mask & ~rows[group.seen.point].reshape(-1, group.size).any(axis=1)
        for group, mask in zip(layout.groups, groups, strict=True)
    )
    loose_photos = _photos_without_hold(layout, free, groups)
    return Kept(free, groups, loose_points, np.flatnonzero(loose), loose_photos)


def _photos_without_hold(layout: Layout, free: Mask, groups: tuple[Mask, ...]) -> Rows:
    count = np.bincount(layout.free.seen.photo[free], minlength=layout.n_photos)
    for group, mask in zip(layout.groups, groups, strict=True):
        photos = group.seen.photo[np.repeat(mask, group.size)]
        count += np.bincount(photos, minlength=layout.n_photos)
    return np.flatnonzero(count < MIN_POINTS_IN_PHOTO)


def same_choice(a: Kept, b: Kept) -> bool:
    """Whether two choices are the same."""
    return bool(
        np.array_equal(a.free, b.free)
        and all(np.array_equal(x, y) for x, y in zip(a.groups, b.groups, strict=True))
    )


def loose_columns(layout: Layout, kept: Kept) -> Rows:
    """Columns of the joint points and photographs that too few observations hold."""
    points = (layout.camera_size + 3 * kept.loose_joint)[:, None] + np.arange(3)
    photos = (POSE * kept.loose_photos)[:, None] + np.arange(POSE)
    return np.concatenate([points.ravel(), photos.ravel()])
