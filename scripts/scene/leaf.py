"""The leaf capital: a bell with two rows of leaves that curl over, scrolls and a slab above."""

from __future__ import annotations

import numpy as np
from numba import njit

from scripts.scene.shapes import box, disc, smooth_union

LOW = np.array(
    [
        [46.0, 12.0],
        [47.0, 34.0],
        [49.0, 56.0],
        [54.0, 74.0],
        [62.0, 86.0],
        [71.0, 88.0],
        [75.0, 81.0],
        [72.0, 75.0],
    ]
)
HIGH = np.array(
    [
        [49.0, 30.0],
        [50.0, 70.0],
        [52.0, 100.0],
        [57.0, 122.0],
        [66.0, 136.0],
        [76.0, 138.0],
        [80.0, 130.0],
        [76.0, 123.0],
    ]
)
"""Leaf mid-lines: distance from the axis and height, mm, from root to tip."""


@njit(cache=True)
def along(r: float, z: float, line: np.ndarray) -> tuple[float, float]:
    """Distance to a mid-line and the length along it of the nearest place, both mm."""
    best, where, run = 1e9, 0.0, 0.0
    for i in range(line.shape[0] - 1):
        ar, az = line[i, 0], line[i, 1]
        ur, uz = line[i + 1, 0] - ar, line[i + 1, 1] - az
        length = np.sqrt(ur * ur + uz * uz)
        h = min(1.0, max(0.0, ((r - ar) * ur + (z - az) * uz) / (length * length)))
        d = np.sqrt((r - ar - h * ur) ** 2 + (z - az - h * uz) ** 2)
        if d < best:
            best, where = d, run + h * length
        run += length
    return best, where


@njit(cache=True)
def leaf_row(
    x: float, y: float, z: float, line: np.ndarray, count: int, shift: float, wide: float
) -> float:
    """A row of leaves round the axis, lobed, with midrib and veins."""
    sector = 2.0 * np.pi / count
    angle = np.arctan2(y, x) - shift
    angle -= sector * np.floor(angle / sector + 0.5)
    r = np.sqrt(x * x + y * y)
    radial, side = r * np.cos(angle), abs(r * np.sin(angle))
    d, s = along(radial, z, line)
    run = 112.0 if line[0, 1] < 20.0 else 148.0
    t = s / run
    half = wide * (0.80 + 0.55 * t - 1.05 * t * t * t)
    half *= 0.86 + 0.14 * np.cos(2.0 * np.pi * (s - 0.55 * side) / 17.0)
    thick = 3.0 - 0.9 * t + 1.6 * np.exp(-((side / 2.6) ** 2))
    thick += 0.7 * np.cos(2.0 * np.pi * (s - 0.9 * side) / 8.5) * min(1.0, side / 4.0)
    a, b = d - thick, 0.85 * (side - half)
    return 0.9 * (max(a, b) + max(0.0, 2.0 - abs(a - b)) ** 2 * 0.125)


@njit(cache=True)
def scroll(x: float, y: float, z: float) -> float:
    """Four corner scrolls with a spiral groove, on the diagonals."""
    u, v = abs(x) * 0.70711 + abs(y) * 0.70711, abs(abs(x) - abs(y)) * 0.70711
    du, dz = u - 82.0, z - 152.0
    rho, phi = np.sqrt(du * du + dz * dz), np.arctan2(dz, du)
    spiral = np.cos(2.0 * np.pi * rho / 8.0 - phi)
    out = rho - 20.0
    flat = v - (8.0 + 1.3 * spiral * min(1.0, rho / 4.0))
    d = max(out, flat)
    stem = box(u - 66.0, v, z - 157.0, 18.0, 7.0, 9.0, 3.0)
    return min(d, smooth_union(stem, d, 3.0))


@njit(cache=True)
def leaf(x: float, y: float, z: float) -> float:
    """Field of the whole capital, mm, negative inside; 192 mm tall."""
    r = np.sqrt(x * x + y * y)
    bell = 42.0 + 16.0 * max(0.0, (z - 90.0) / 80.0) ** 2
    d = max(0.9 * (r - bell), max(-z, z - 172.0))
    d = min(d, disc(r, z, 54.0, 0.0, 9.0, 2.0))
    d = min(d, np.sqrt((r - 50.0) ** 2 + (z - 14.0) ** 2) - 5.5)
    d = smooth_union(d, leaf_row(x, y, z, HIGH, 8, 0.3927, 19.0), 1.5)
    d = smooth_union(d, leaf_row(x, y, z, LOW, 8, 0.0, 18.0), 1.5)
    d = smooth_union(d, scroll(x, y, z), 2.0)
    bow = 8.0 * np.cos(4.0 * np.arctan2(y, x))
    slab = disc(r + bow, z, 88.0, 172.0, 192.0, 2.5)
    slab = min(slab, disc(r + bow, z, 82.0, 168.0, 175.0, 1.5))
    rose = np.sqrt((max(abs(x), abs(y)) - 76.0) ** 2 + min(abs(x), abs(y)) ** 2 + (z - 181.0) ** 2)
    petals = np.arctan2(z - 181.0, x if abs(y) > abs(x) else y)
    return smooth_union(min(d, 0.85 * slab), rose - 13.0 - 1.2 * np.cos(6.0 * petals), 1.5)
