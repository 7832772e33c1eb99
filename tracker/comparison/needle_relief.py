"""Stone close to a reading that stands lower or higher: signs of a step.

At a step a patch may take the grain of the higher stone for its own, and a needle that has passed
a hidden gap ends beside stone that is much lower.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.needle_settle import Stone
from tracker.maths.camera import Array

Flags = NDArray[np.bool_]

NEAREST = 32
CLOSE_MM = 4.0
STEP_MM = 1.0
REACH_MM = 6.0
PIECE = 16384


@dataclass(frozen=True, slots=True)
class Relief:
    """Of the stone found near n readings, the shares that differ in depth; 1 where none was found.

    Attributes
    ----------
    lower, higher : (n,) arrays, within CLOSE_MM, by more than STEP_MM
    below_half : (n,) array, within REACH_MM, less than half as deep
    """

    lower: Array
    higher: Array
    below_half: Array


def look_for_steps(points: Array, depth: Array, stone: Stone) -> Relief:
    """Compares readings with the dense stone nearest to them.

    Parameters
    ----------
    points : (n, 3) array, places of the model
    depth : (n,) array, mm along the needle
    """
    shares = np.ones((3, len(points)))
    if stone.ok.any():
        tree, depths = cKDTree(stone.points[stone.ok]), stone.depth[stone.ok]
        for start in range(0, len(points), PIECE):
            part = slice(start, start + PIECE)
            shares[:, part] = _shares(points[part], depth[part], tree, depths)
    return Relief(*shares)


def _shares(points: Array, depth: Array, tree: cKDTree, depths: Array) -> Array:
    """Lower, higher, below half: (3, n)."""
    most = min(NEAREST, len(depths))
    found = tree.query(points, k=most, distance_upper_bound=REACH_MM)
    distance, index = (np.asarray(part).reshape(len(points), most) for part in found)
    there = np.isfinite(distance)
    near = depths[np.where(there, index, 0)]
    close = there & (distance <= CLOSE_MM)

    def share(of: Flags, which: Flags) -> Array:
        count = of.sum(axis=1)
        return np.where(count > 0, (of & which).sum(axis=1) / np.maximum(count, 1), 1.0)

    own = depth[:, None]
    return np.stack(
        [
            share(close, near < own - STEP_MM),
            share(close, near > own + STEP_MM),
            share(there, near < 0.5 * own),
        ]
    )
