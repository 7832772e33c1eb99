"""The stone of a stage: the form with an allowance that says how far the carver has got.

Finished stone follows the form within the rasp's texture, close stone stands a few
millimetres proud and carries the parallel grooves of a claw chisel, untouched stone stands
6 mm to 25 mm proud, or is the block's rough face, dented by the point. Over-cut spots are
smooth hollows below the form; pits are drilled to a known height above it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from numba import njit
from numpy.typing import NDArray

from scripts.scene.forms import Form
from scripts.scene.noise import nearest_cell, octaves, value
from scripts.scene.shapes import box, smooth_union
from scripts.scene.solid import Grid, sampler, surface

Array = NDArray[np.float64]
PIT_SLOPE = 0.45
PIT_RADIUS_MM = 1.3
BLEND = 0.05
"""Half width of the passage from one region to the next, in the units of `progress`."""


@dataclass(frozen=True, slots=True)
class Carving:
    """How far the stone is carved on one day.

    Attributes
    ----------
    finished, close : float
        Values of `progress` below which stone is finished, and close.
    pits : (n, 7) array
        Place on the form (mm, frame), outward direction, height of the floor above it (mm).
    overcuts : (m, 5) array
        Centre on the form (mm, frame), depth and width (mm).
    """

    finished: float
    close: float
    pits: Array
    overcuts: Array


@njit(cache=True)
def progress(x: float, y: float, z: float, turn: float, seed: int) -> float:
    """Order in which stone gets finished: low first; form coordinates, mm."""
    side = (np.cos(turn) * x + np.sin(turn) * y) / 65.0
    return 0.45 * side - z / 900.0 + 0.9 * octaves(x, y, z, 75.0, 2, seed)


@njit(cache=True)
def step(low: float, high: float, x: float) -> float:
    """Smooth passage from 0 at `low` to 1 at `high`."""
    t = min(1.0, max(0.0, (x - low) / (high - low)))
    return t * t * (3.0 - 2.0 * t)


@njit(cache=True)
def grooves(x: float, y: float, z: float, seed: int) -> float:
    """Claw chisel: patches of parallel grooves, 0 to -0.55 mm."""
    wx = x + 3.0 * value(x / 17.0, y / 17.0, z / 17.0, seed + 5)
    wz = z + 3.0 * value(x / 17.0, y / 17.0, z / 17.0, seed + 6)
    _, name = nearest_cell(wx, y, wz, 38.0, seed)
    angle = (name % 1000) * 0.00628
    slant = 0.6 * np.sin(name * 0.001)
    along = np.cos(angle) * z + np.sin(angle) * (x + slant * y) + 0.5 * y * slant
    depth = 0.55 * (0.75 + 0.35 * value(x / 9.0, y / 9.0, z / 9.0, seed + 7))
    return -depth * abs(np.sin(along * (np.pi / 3.4)))


@njit(cache=True)
def dents(x: float, y: float, z: float, seed: int) -> float:
    """Point chisel: furrows and burst dents, about 0 to -3 mm."""
    d, _ = nearest_cell(x, y, z, 11.0, seed)
    furrow = abs(
        np.sin(
            (0.8 * z + 0.6 * (x - 0.4 * y)) * (np.pi / 13.0)
            + 2.0 * value(x / 30.0, y / 30.0, z / 30.0, seed)
        )
    )
    return -2.2 * max(0.0, 1.0 - 1.5 * d) - 1.0 * furrow + 0.35 * octaves(x, y, z, 4.0, 2, seed + 9)


@njit(cache=True)
def finished_texture(x: float, y: float, z: float, seed: int) -> float:
    """Rasp strokes and slow unevenness, within about 0.15 mm."""
    rasp = 0.09 * value(x / 1.7, (y + x) / 14.0, (z - y) / 5.0, seed + 20)
    return rasp + 0.07 * octaves(x, y, z, 26.0, 2, seed + 21)


@njit(cache=True)
def allowance(
    x: float, y: float, z: float, m: float, s: float, finished: float, close: float, seed: int
) -> float:
    """Stone meant to stand above the form, mm; form coordinates.

    `m` is the distance to the form: where it settles the question the texture is not computed.
    """
    w_close = step(finished - BLEND, finished + BLEND, s)
    w_raw = step(close - BLEND, close + BLEND, s)
    a = 0.0
    if w_close < 1.0 and abs(m) < 8.0:
        a += (1.0 - w_close) * finished_texture(x, y, z, seed)
    if w_close > 0.0 and w_raw < 1.0:
        t = min(1.0, max(0.0, 0.5 + 0.75 * octaves(x, y, z, 42.0, 2, seed + 22)))
        a += w_close * (1.0 - w_raw) * (1.25 + 4.3 * t + grooves(x, y, z, seed + 30))
    if w_raw > 0.0:
        t = min(1.0, max(0.0, 0.5 + 0.8 * octaves(x, y, z, 55.0, 2, seed + 23)))
        a += w_raw * (7.5 + 11.5 * t + dents(x, y, z, seed + 40))
    return a


@njit(cache=True)
def hollows(x: float, y: float, z: float, overcuts: Array) -> float:
    """Depth of the over-cut spots here, mm; frame coordinates."""
    depth = 0.0
    for i in range(overcuts.shape[0]):
        r2 = (x - overcuts[i, 0]) ** 2 + (y - overcuts[i, 1]) ** 2 + (z - overcuts[i, 2]) ** 2
        q = r2 / (0.25 * overcuts[i, 4] ** 2)
        if q < 1.0:
            depth = max(depth, overcuts[i, 3] * (1.0 - q) ** 2 * (1.0 + 0.5 * q))
    return depth


@njit(cache=True)
def drill(f: float, x: float, y: float, z: float, pits: Array) -> float:
    """Field `f` with the pits taken out."""
    for i in range(pits.shape[0]):
        dx, dy, dz = x - pits[i, 0], y - pits[i, 1], z - pits[i, 2]
        h = dx * pits[i, 3] + dy * pits[i, 4] + dz * pits[i, 5]
        if h < pits[i, 6] - 3.0 or h > 45.0:
            continue
        r = np.sqrt(max(dx * dx + dy * dy + dz * dz - h * h, 0.0))
        up = h - pits[i, 6]
        f = max(f, -max(-up, (r - PIT_RADIUS_MM - PIT_SLOPE * up) * 0.91))
    return f


@njit(cache=True)
def rough_block(x: float, y: float, z: float, half: Array, top: float, seed: int) -> float:
    """The upper block, sawn and pitched; form coordinates."""
    b = box(x, y, z - 0.5 * top + 20.0, half[0], half[1], 0.5 * top + 20.0, 5.0)
    if abs(b) < 8.0:
        b -= dents(x, y, z, seed + 60) * 0.7 + 1.2 * octaves(x, y, z, 30.0, 2, seed + 61)
    return b


@njit(cache=True)
def plinth(x: float, y: float, z: float, sides: Array, seats: Array, seed: int) -> float:
    """The part of the block left below, with the three seats; frame coordinates."""
    cx, cy = 0.5 * (sides[0] + sides[1]), 0.5 * (sides[2] + sides[3])
    hz = 0.5 * (sides[5] - sides[4])
    hx, hy = 0.5 * (sides[1] - sides[0]), 0.5 * (sides[3] - sides[2])
    b = box(x - cx, y - cy, z - sides[5] + hz, hx, hy, hz, 3.0)
    if abs(b) < 8.0:
        flat = step(-2.0, -8.0, z - sides[5])
        b -= flat * 0.8 * dents(x, y, z, seed + 62) + 0.3 * octaves(x, y, z, 9.0, 2, seed + 63)
    for i in range(3):
        r = np.sqrt((x - seats[i, 0]) ** 2 + (y - seats[i, 1]) ** 2 + (z - seats[i, 2] - 2.0) ** 2)
        b = max(b, 5.5 - r)
    return b


@dataclass(frozen=True, slots=True)
class Block:
    """The stone before carving, and where the form sits in it.

    `origin` is the form's axis at its foot (mm, frame); `half` and `top_mm` the upper block
    about it; `sides` (x, x, y, y, z, z limits) the plinth; `seats` (3, 3) the dimples.
    """

    form: Form
    origin: Array
    half: Array
    top_mm: float
    sides: Array
    seats: Array
    turn_rad: float
    seed: int


def stone_field(block: Block) -> Callable[..., float]:
    """Compiled field of the stone: (x, y, z, first day, second day), frame coordinates.

    A day is (finished, close, pits, overcuts). The stone of the second day lies wholly
    within the stone of the first, as it must.
    """
    form = block.form.field
    ox, oy, oz = (float(v) for v in block.origin)
    half, top, sides, seats = block.half, block.top_mm, block.sides, block.seats
    turn, seed = block.turn_rad, block.seed

    @njit
    def field(x, y, z, days, pits, n_pits, overcuts, n_overcuts):  # type: ignore[no-untyped-def]
        u, v, w = x - ox, y - oy, z - oz
        base = plinth(x, y, z, sides, seats, seed)
        m = form(u, v, w)
        if m > 60.0:
            return min(m - 25.0, base)
        if m < -16.0:
            return min(m, base)
        s = progress(u, v, w, turn, seed)
        rough = rough_block(u, v, w, half, top, seed)
        whole = -1e9
        for day in range(days.shape[0]):
            f = m
            if m >= 22.0:
                f = m - 19.0
            elif m > -5.0:
                f = m - allowance(u, v, w, m, s, days[day, 0], days[day, 1], seed)
                f += hollows(x, y, z, overcuts[day, : n_overcuts[day]])
            f = smooth_union(max(f, rough), base, 1.0)
            whole = max(whole, drill(f, x, y, z, pits[day, : n_pits[day]]))
        return whole

    return field


def pack(days: list[Carving]) -> tuple[Array, Array, NDArray[np.int64], Array, NDArray[np.int64]]:
    """The days as rectangular arrays for the compiled field."""
    n_pits = np.array([len(d.pits) for d in days])
    n_cuts = np.array([len(d.overcuts) for d in days])
    pits = np.zeros((len(days), max(1, n_pits.max()), 7))
    cuts = np.zeros((len(days), max(1, n_cuts.max()), 5))
    for i, day in enumerate(days):
        pits[i, : n_pits[i]] = day.pits
        cuts[i, : n_cuts[i]] = day.overcuts
    return np.array([[d.finished, d.close] for d in days]), pits, n_pits, cuts, n_cuts


def carve(block: Block, days: list[Carving], spacing_mm: float) -> trimesh.Trimesh:
    """Mesh of the stone after the last of `days`, frame coordinates, closed and outward."""
    high = block.origin + [block.half[0], block.half[1], block.top_mm]
    low = np.array([block.sides[0], block.sides[2], block.sides[4]]) - 4.0
    high = np.maximum(high, [block.sides[1], block.sides[3], 0.0]) + 4.0
    # A lattice that shares no plane with the model's, so that no error repeats.
    grid = Grid.over(low - 0.137, high, spacing_mm)
    values = np.empty(grid.counts, np.float32)
    sampler(stone_field(block), 16.0)(values, grid.low, grid.spacing_mm, *pack(days))
    return surface(values, grid, np.zeros(3))
