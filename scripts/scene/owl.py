"""The owl finial: 260 mm tall on a small moulded base, facing -Y, axis at x = y = 0."""

from __future__ import annotations

import numpy as np
from numba import njit

from scripts.scene.shapes import disc, ellipsoid, ring, shingle, smooth_cut, smooth_union, taper


@njit(cache=True)
def base(x: float, y: float, z: float) -> float:
    """Moulded base: plinth, hollow with flutes, round, fillet."""
    r = np.sqrt(x * x + y * y)
    flutes = 1.3 * np.cos(20.0 * np.arctan2(y, x))
    d = disc(r, z, 62.0, 0.0, 13.0, 1.5)
    d = min(d, disc(r + flutes * 0.6, z, 52.0, 10.0, 24.0, 1.0))
    d = min(d, np.sqrt((r - 48.0) ** 2 + (z - 27.0) ** 2) - 6.5)
    return min(d, disc(r, z, 48.0, 20.0, 37.0, 2.0))


@njit(cache=True)
def wing(ax: float, y: float, z: float) -> float:
    """Folded wing, overlapping feathers; `ax` is the distance from the middle plane."""
    t = (z - 122.0) / 70.0
    lean = 6.0 * t * t
    d = ellipsoid(
        ax, y, z, 49.0 - lean, 7.0 + 10.0 * (-t if t < 0.0 else 0.0), 122.0, 13.0, 40.0, 74.0
    )
    d = smooth_union(d, taper(ax, y, z, 44.0, 22.0, 90.0, 13.0, 33.0, 47.0, 44.0, 4.0), 8.0)
    row = (z - 40.0) / 19.0
    side = np.cos(y * 0.16 + 1.57 * np.floor(row + 0.35 * np.cos(y * 0.32))) ** 2
    return d - 2.4 * (1.0 - shingle(row + 0.35 * np.cos(y * 0.32))) - 0.5 * side


@njit(cache=True)
def face(ax: float, y: float, z: float, d: float) -> float:
    """Facial dishes, eye rings, eyes with drilled pupils, brows and beak on the head `d`."""
    nx, ny = 0.34, -0.9404
    d = smooth_cut(d, ellipsoid(ax, y, z, 21.5, -50.0, 206.0, 17.0, 9.0, 18.0), 3.0)
    d = smooth_union(d, ring(ax, y, z, 19.5, -42.5, 206.0, nx, ny, 0.0, 18.5, 2.2), 2.0)
    d = min(d, ellipsoid(ax, y, z, 18.5, -40.0, 207.0, 8.5, 8.5, 8.5))
    d = min(d, ring(ax, y, z, 19.8, -43.2, 207.0, nx, ny, 0.0, 10.2, 1.7))
    d = smooth_cut(d, taper(ax, y, z, 21.8, -50.5, 207.0, 3.4, 20.2, -46.0, 207.0, 1.6), 0.8)
    d = smooth_union(d, taper(ax, y, z, 2.0, -47.0, 211.0, 4.0, 38.0, -33.0, 237.0, 5.0), 3.0)
    beak = taper(ax, y, z, 0.0, -47.0, 208.0, 5.5, 0.0, -58.0, 195.0, 4.6)
    beak = smooth_union(beak, taper(ax, y, z, 0.0, -58.0, 195.0, 4.6, 0.0, -57.0, 183.0, 1.6), 2.0)
    return smooth_union(d, beak, 1.5)


@njit(cache=True)
def feet(ax: float, y: float, z: float) -> float:
    """Three toes a foot, with claws over the edge of the base."""
    d = ellipsoid(ax, y, z, 20.0, -30.0, 48.0, 13.0, 14.0, 12.0)
    for i in range(3):
        tx = 20.0 + 10.5 * (i - 1)
        reach = -55.0 if i == 1 else -50.0
        toe = taper(ax, y, z, 20.0, -32.0, 46.0, 6.5, tx, reach, 41.5, 5.0)
        knuckle = ellipsoid(ax, y, z, tx, reach + 5.0, 43.0, 5.4, 5.0, 5.8)
        claw = taper(ax, y, z, tx, reach - 2.0, 41.0, 3.6, tx, reach - 8.0, 31.0, 1.0)
        d = smooth_union(d, smooth_union(smooth_union(toe, knuckle, 2.0), claw, 1.0), 1.2)
    return d


@njit(cache=True)
def owl(x: float, y: float, z: float) -> float:
    """Field of the whole finial, mm, negative inside."""
    ax = abs(x)
    body = ellipsoid(x, y, z, 0.0, 6.0, 112.0, 53.0, 46.0, 82.0)
    body = smooth_union(body, ellipsoid(x, y, z, 0.0, -12.0, 122.0, 43.0, 39.0, 62.0), 14.0)
    if y < 0.0 and 55.0 < z < 178.0 and ax < 40.0:
        row = (z + 0.012 * ax * ax) / 12.5
        odd = np.floor(row) - 2.0 * np.floor(row * 0.5)
        u = ax / 11.0 + 0.5 * odd
        tip = abs(u - np.floor(u) - 0.5)
        fade = min(1.0, -y / 18.0) * min(1.0, (178.0 - z) / 14.0) * min(1.0, (z - 55.0) / 10.0)
        body -= 1.7 * fade * (1.0 - shingle(row - 0.9 * tip * tip)) * min(1.0, (40.0 - ax) / 6.0)
    wings = wing(ax, y, z)
    body = max(body, -max(wings - 3.5, -(body + 8.0)))
    head = ellipsoid(x, y, z, 0.0, -5.0, 206.0, 47.0, 42.0, 40.0)
    tuft = taper(ax, y, z, 25.0, -10.0, 232.0, 13.5, 39.0, -15.0, 258.0, 3.2)
    tuft = smooth_cut(tuft, taper(ax, y, z, 28.0, -24.0, 234.0, 5.0, 38.5, -21.0, 253.0, 2.0), 2.0)
    head = face(ax, y, z, smooth_union(head, tuft, 6.0))
    nape = max(0.0, min(1.0, (y - 4.0) / 16.0)) * max(0.0, min(1.0, (236.0 - z) / 16.0))
    head -= 1.4 * nape * (1.0 - shingle(z / 13.0 + 0.25 * np.cos(x * 0.5)))
    tail = taper(x, y, z, 0.0, 34.0, 96.0, 20.0, 0.0, 44.0, 44.0, 13.0)
    tail = max(tail, abs(x) - 21.0) - 0.8 * np.cos(x * 0.75)
    d = smooth_union(body, head, 11.0)
    d = smooth_union(d, tail, 5.0)
    d = min(d, wings)
    d = smooth_union(d, feet(ax, y, z), 3.0)
    d = smooth_union(d, ellipsoid(x, y, z, 0.0, 0.0, 46.0, 40.0, 40.0, 20.0), 4.0)
    return smooth_union(d, base(x, y, z), 2.0)
