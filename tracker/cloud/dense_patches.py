"""Places of a dense surface set to a fraction of a pixel by patches along their own normals.

A place from coarse maps is good to about a pixel. It is moved along its own normal, which may turn
a little, until the photographs that see it agree best: first at half size, where it is looked for a
few steps to either side, then at full size with two sizes of patch. Where the two do not agree,
or the photographs are at odds, the place is not used.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.depth_air import draw_stone
from tracker.cloud.patch_choice import DepthMaps, map_frames
from tracker.cloud.patch_fit import (
    FIT_CORR,
    FIT_DEPTH,
    FIT_HALVES,
    FIT_NX,
    FIT_NZ,
    FIT_SPREAD,
    FIT_STEP,
    FIT_VIEWS,
)
from tracker.cloud.patch_measure import Fits, PatchSettings, measure
from tracker.cloud.patch_views import ViewStack
from tracker.maths.camera import Array

FIND = PatchSettings(1, half=5, softness=0.7, sweep_px=2.0, sweep_step_px=0.5, rounds=5, views=7)
SMALL = PatchSettings(0, half=5, softness=0.6, sweep_px=0.0, rounds=4, views=7)
LARGE = PatchSettings(0, half=7, softness=0.6, sweep_px=0.0, rounds=3, views=7)
MAP_PX = 640
SLACK_MM = 1.5
LEAST_CORR = 0.45
MOST_APART_PX = 1.5
FLOOR_MM = 0.02


@dataclass(frozen=True, slots=True)
class DensePlaces:
    """Places set by patches, n of them.

    Attributes
    ----------
    points, normals : (n, 3) arrays, mm and unit outward
    apart_mm : (n,) array, how far the two sizes of patch disagree, signed
    spread_mm : (n,) array, discord of the photographs
    footprint_mm : (n,) array, a pixel on the surface
    corr : (n,) array, mean correlation of pairs of photographs
    halves : (n,) array, the least correlation of a half of the patch
    views : (n,) int array
    """

    points: Array
    normals: Array
    apart_mm: Array
    spread_mm: Array
    footprint_mm: Array
    corr: Array
    halves: Array
    views: NDArray[np.int64]

    def only(self, rows: NDArray[np.bool_]) -> DensePlaces:
        """Some of the places."""
        return DensePlaces(*(getattr(self, f.name)[rows] for f in fields(self)))


def joined(first: DensePlaces, second: DensePlaces) -> DensePlaces:
    """Both, one after the other."""
    parts = [[getattr(p, f.name) for p in (first, second)] for f in fields(first)]
    return DensePlaces(*(np.concatenate(part) for part in parts))


def set_places(
    stack: ViewStack, box: tuple[Array, Array], points: Array, normals: Array, spacing_mm: float
) -> DensePlaces:
    """Places that the patches settle.

    Parameters
    ----------
    stack : ViewStack
    box : lowest and highest corner of the cast, mm
    points, normals : (n, 3) arrays, mm and unit outward
    spacing_mm : of the places, roughly
    """
    frames = map_frames(stack, box, MAP_PX)
    stone = draw_stone(stack, frames, MAP_PX, points, normals, 1.5 * spacing_mm)
    start = np.zeros(len(points))
    found = _fit(stack, stone, points, normals, start, normals, FIND)
    ok = found.stands & (found.record[:, FIT_CORR] > LEAST_CORR)
    start = np.where(ok, found.record[:, FIT_DEPTH], start)
    facing = np.where(ok[:, None], found.record[:, FIT_NX : FIT_NZ + 1], normals)
    small = _fit(stack, stone, points, normals, start, facing, SMALL)
    start = np.where(small.stands, small.record[:, FIT_DEPTH], start)
    facing = np.where(small.stands[:, None], small.record[:, FIT_NX : FIT_NZ + 1], facing)
    large = _fit(stack, stone, points, normals, start, facing, LARGE)
    return _settled(points, normals, small, large)


def _fit(
    stack: ViewStack,
    stone: DepthMaps,
    points: Array,
    needles: Array,
    start: Array,
    facing: Array,
    settings: PatchSettings,
) -> Fits:
    return measure(stack, [stone], [SLACK_MM], points, needles, start, facing, settings)


def _settled(points: Array, needles: Array, small: Fits, large: Fits) -> DensePlaces:
    """Mean of both sizes, weighted by the photographs' discord, where they agree."""
    a, b = small.record, large.record
    weight_a = 1.0 / (a[:, FIT_SPREAD] ** 2 + FLOOR_MM**2)
    weight_b = 1.0 / (b[:, FIT_SPREAD] ** 2 + FLOOR_MM**2)
    total = np.maximum(weight_a + weight_b, 1e-12)
    depth = (weight_a * a[:, FIT_DEPTH] + weight_b * b[:, FIT_DEPTH]) / total
    apart = a[:, FIT_DEPTH] - b[:, FIT_DEPTH]
    footprint = a[:, FIT_STEP]
    ok = small.stands & large.stands
    ok &= (a[:, FIT_CORR] > LEAST_CORR) & (b[:, FIT_CORR] > LEAST_CORR)
    ok &= (np.abs(apart) < MOST_APART_PX * footprint) & (a[:, FIT_SPREAD] < footprint)
    rows = np.flatnonzero(ok)
    normals = a[rows, FIT_NX : FIT_NZ + 1] + b[rows, FIT_NX : FIT_NZ + 1]
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return DensePlaces(
        points=points[rows] + depth[rows, None] * needles[rows],
        normals=normals,
        apart_mm=apart[rows],
        spread_mm=0.5 * (a[rows, FIT_SPREAD] + b[rows, FIT_SPREAD]),
        footprint_mm=footprint[rows],
        corr=0.5 * (a[rows, FIT_CORR] + b[rows, FIT_CORR]),
        halves=a[rows, FIT_HALVES],
        views=a[rows, FIT_VIEWS].astype(np.int64),
    )
