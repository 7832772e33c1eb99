"""The ram's head: fleece, ridged horns that wind away from the cheek, ears, on a small base."""

from __future__ import annotations

import numpy as np
from numba import njit

from scripts.scene.noise import nearest_cell
from scripts.scene.shapes import disc, ellipsoid, smooth_cut, smooth_union, taper

TURNS = np.linspace(0.0, 1.0, 44)
_ANGLE = 0.9 + 7.2 * TURNS
_REACH = 34.0 - 14.0 * TURNS
HORN = np.stack(
    [
        26.0 + 40.0 * TURNS**0.9,
        14.0 - _REACH * np.sin(_ANGLE) * 0.9 + 6.0,
        142.0 + _REACH * np.cos(_ANGLE),
        14.5 * (1.0 - 0.82 * TURNS),
    ],
    axis=1,
)
"""Mid-line of the right horn (mm) and its radius."""


@njit(cache=True)
def horn(ax: float, y: float, z: float) -> float:
    """Horn with rings of growth."""
    best, run, where = 1e9, 0.0, 0.0
    for i in range(HORN.shape[0] - 1):
        ux, uy, uz = (
            HORN[i + 1, 0] - HORN[i, 0],
            HORN[i + 1, 1] - HORN[i, 1],
            HORN[i + 1, 2] - HORN[i, 2],
        )
        px, py, pz = ax - HORN[i, 0], y - HORN[i, 1], z - HORN[i, 2]
        n2 = ux * ux + uy * uy + uz * uz
        h = min(1.0, max(0.0, (px * ux + py * uy + pz * uz) / n2))
        d = np.sqrt((px - h * ux) ** 2 + (py - h * uy) ** 2 + (pz - h * uz) ** 2)
        d -= HORN[i, 3] + h * (HORN[i + 1, 3] - HORN[i, 3])
        length = np.sqrt(n2)
        if d < best:
            best, where = d, run + h * length
        run += length
    return best - 0.9 * np.cos(2.0 * np.pi * where / 7.0) * (1.0 - where / (run + 1.0))


@njit(cache=True)
def ram(x: float, y: float, z: float) -> float:
    """Field of the whole head, mm, negative inside; faces -Y, about 205 mm tall."""
    ax = abs(x)
    r = np.sqrt(x * x + y * y)
    base = disc(r, z, 58.0, 0.0, 14.0, 2.0)
    base = min(base, np.sqrt((r - 46.0) ** 2 + (z - 20.0) ** 2) - 7.0)
    base = min(base, disc(r, z, 45.0, 12.0, 34.0, 2.0))
    neck = taper(x, y, z, 0.0, 12.0, 40.0, 38.0, 0.0, 12.0, 120.0, 36.0)
    skull = ellipsoid(x, y, z, 0.0, 4.0, 150.0, 34.0, 40.0, 38.0)
    wool = smooth_union(neck, ellipsoid(x, y, z, 0.0, 12.0, 160.0, 35.0, 36.0, 36.0), 8.0)
    if abs(wool) < 12.0:
        d, _ = nearest_cell(x, y, z, 13.0, 77)
        wool -= 3.6 * max(0.0, 1.0 - 1.35 * d * d) - 1.0
        wool += 0.7 * np.cos(18.0 * d) * max(0.0, 1.0 - d)
    nose = taper(x, y, z, 0.0, -20.0, 142.0, 27.0, 0.0, -66.0, 100.0, 15.5)
    nose = smooth_union(nose, taper(x, y, z, 0.0, -34.0, 148.0, 15.0, 0.0, -72.0, 106.0, 9.0), 6.0)
    nose = smooth_cut(nose, taper(ax, y, z, 6.0, -84.0, 104.0, 3.2, 9.0, -72.0, 106.0, 1.6), 1.5)
    nose = smooth_cut(nose, taper(ax, y, z, 0.0, -86.0, 91.0, 1.3, 14.0, -62.0, 96.0, 1.3), 1.0)
    head = smooth_union(skull, nose, 10.0)
    head = smooth_cut(head, ellipsoid(ax, y, z, 31.0, -29.0, 147.0, 9.0, 12.0, 9.0), 3.0)
    head = min(head, ellipsoid(ax, y, z, 24.5, -25.0, 147.0, 7.5, 7.5, 6.5))
    head = smooth_union(
        head, taper(ax, y, z, 14.0, -38.0, 158.0, 3.0, 33.0, -22.0, 158.0, 4.5), 2.5
    )
    ear = taper(ax, y, z, 30.0, 2.0, 128.0, 6.0, 62.0, -4.0, 108.0, 7.5)
    ear = smooth_cut(ear, taper(ax, y, z, 40.0, -9.0, 123.0, 4.0, 60.0, -12.0, 110.0, 5.0), 1.5)
    d = smooth_union(head, wool, 4.0)
    d = smooth_union(d, ear, 3.0)
    d = smooth_union(d, horn(ax, y, z), 1.5)
    return smooth_union(d, base, 3.0)
