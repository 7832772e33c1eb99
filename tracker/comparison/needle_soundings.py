"""Readings weighed with those round about; a second look where they say that stone is level.

Level stone is finished stone, which has the model's shape. Where the neighbours are level but the
place's own reading was taken with a free patch, or failed, the photographs are asked once more,
with a patch in the model's shape at the neighbours' depth. They may still say no.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps
from tracker.comparison.needle_figures import Fine, measure_again
from tracker.comparison.needle_level import UNREAD_MM, Level, Sounded, look_level, no_level
from tracker.comparison.needle_marks import Marks
from tracker.comparison.needle_search import Scene, Search
from tracker.comparison.needle_settle import Stone
from tracker.maths.camera import Array


@dataclass(frozen=True, slots=True)
class Soundings:
    """Readings of n places, alone and with those round about.

    Attributes
    ----------
    own : Sounded
        Each reading alone.
    marks : Marks
        Of each reading alone; zero where nothing was read.
    level : Level
    """

    own: Sounded
    marks: Marks
    level: Level


def no_soundings(points: Array, needles: Array) -> Soundings:
    """Soundings of places at which nothing was read."""
    n = len(points)
    own = Sounded(points, needles, np.zeros(n), np.full(n, UNREAD_MM))
    return Soundings(own, Marks.none(n), no_level(own))


def sound(
    scene: Scene, search: Search, fine: Fine, stone: Stone, maps: DepthMaps,
    among: Sounded | None = None, weigh: bool = True,
) -> Soundings:  # fmt: skip
    """Weighs all readings; those of the second look are entered into `search` and `fine`.

    Parameters
    ----------
    stone, maps : the dense stone round about, and its depth maps
    among : readings round about; None where the places' own readings are meant
    weigh : whether there is level stone at all
    """
    n = len(search.points)
    alone = no_soundings(search.points, search.needles)
    own, marks = alone.own, alone.marks

    def take(rows: NDArray[np.int64]) -> None:
        read = Marks.of(scene.model, search, fine, stone, rows, scene.threads)
        marks.values[rows] = read.values
        own.depth_mm[rows], own.sigma_mm[rows] = fine.depth[rows], read.sigma_mm

    def level_of(rows: NDArray[np.int64]) -> Level:
        return look_level(own.rows(rows), among or own.rows(np.flatnonzero(fine.ok)), scene.threads)

    take(np.flatnonzero(fine.ok))
    if not weigh:
        return alone
    doubtful = np.flatnonzero(~(fine.ok & search.shaped))
    level = level_of(doubtful)
    ask = level.holds
    take(measure_again(scene, search, fine, maps, doubtful[ask], level.depth_mm[ask]))
    return Soundings(own, marks, level_of(np.arange(n)))
