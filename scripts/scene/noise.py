"""Smooth random fields of position: seeded, without repeats, the same on every machine.

Value noise on a cubic lattice with quintic interpolation (K. Perlin, "Improving noise",
SIGGRAPH 2002, the fade polynomial), and the nearest feature point of a jittered lattice
(S. Worley, "A cellular texture basis function", SIGGRAPH 1996).
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True)
def lattice(ix: int, iy: int, iz: int, seed: int) -> float:
    """Pseudo-random number of a lattice cell, 0 to 1."""
    h = np.uint32(ix * 73856093) ^ np.uint32(iy * 19349663) ^ np.uint32(iz * 83492791)
    h ^= np.uint32(seed * 2654435761 & 0xFFFFFFFF)
    h = np.uint32((h ^ (h >> np.uint32(16))) * np.uint32(0x7FEB352D))
    h = np.uint32((h ^ (h >> np.uint32(15))) * np.uint32(0x846CA68B))
    h ^= h >> np.uint32(16)
    return np.float64(h) / 4294967296.0


@njit(cache=True)
def value(x: float, y: float, z: float, seed: int) -> float:
    """Value noise of unit lattice, -1 to 1."""
    fx, fy, fz = np.floor(x), np.floor(y), np.floor(z)
    ix, iy, iz = int(fx), int(fy), int(fz)
    u, v, w = x - fx, y - fy, z - fz
    u = u * u * u * (u * (u * 6.0 - 15.0) + 10.0)
    v = v * v * v * (v * (v * 6.0 - 15.0) + 10.0)
    w = w * w * w * (w * (w * 6.0 - 15.0) + 10.0)
    a = lattice(ix, iy, iz, seed) * (1 - u) + lattice(ix + 1, iy, iz, seed) * u
    b = lattice(ix, iy + 1, iz, seed) * (1 - u) + lattice(ix + 1, iy + 1, iz, seed) * u
    c = lattice(ix, iy, iz + 1, seed) * (1 - u) + lattice(ix + 1, iy, iz + 1, seed) * u
    d = lattice(ix, iy + 1, iz + 1, seed) * (1 - u) + lattice(ix + 1, iy + 1, iz + 1, seed) * u
    return 2.0 * ((a * (1 - v) + b * v) * (1 - w) + (c * (1 - v) + d * v) * w) - 1.0


@njit(cache=True)
def octaves(x: float, y: float, z: float, size: float, count: int, seed: int) -> float:
    """Sum of `count` octaves from the cell size downward, amplitudes halved, about -1 to 1."""
    total, weight, scale = 0.0, 0.5, 1.0 / size
    for i in range(count):
        # Each octave is turned so that lattice directions never line up.
        xr = 0.8 * x - 0.6 * y
        yr = 0.6 * x + 0.8 * y
        yt = 0.8 * yr - 0.6 * z
        zr = 0.6 * yr + 0.8 * z
        x, y, z = xr, yt, zr
        total += weight * value(x * scale, y * scale, z * scale, seed + 17 * i)
        weight *= 0.5
        scale *= 2.03
    return total


@njit(cache=True)
def nearest_cell(x: float, y: float, z: float, size: float, seed: int) -> tuple[float, int]:
    """Distance (in cell sizes) to the nearest feature point, and a number that names it."""
    px, py, pz = x / size, y / size, z / size
    ix, iy, iz = int(np.floor(px)), int(np.floor(py)), int(np.floor(pz))
    best, name = 9.0, 0
    for i in range(ix - 1, ix + 2):
        for j in range(iy - 1, iy + 2):
            for k in range(iz - 1, iz + 2):
                qx = i + lattice(i, j, k, seed)
                qy = j + lattice(i, j, k, seed + 1)
                qz = k + lattice(i, j, k, seed + 2)
                d = (px - qx) ** 2 + (py - qy) ** 2 + (pz - qz) ** 2
                if d < best:
                    best = d
                    name = int(lattice(i, j, k, seed + 3) * 1e6)
    return np.sqrt(best), name
