"""Distances to simple solids, the letters from which the forms are written.

Negative inside. Mostly exact; the ellipsoid is the usual first-order one. All in mm.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True)
def smooth_union(a: float, b: float, k: float) -> float:
    """Union with a fillet of about k."""
    h = max(k - abs(a - b), 0.0) / k
    return min(a, b) - h * h * k * 0.25


@njit(cache=True)
def smooth_cut(a: float, b: float, k: float) -> float:
    """What is left of a without b, edge rounded by about k."""
    return -smooth_union(-a, b, k)


@njit(cache=True)
def ellipsoid(
    x: float, y: float, z: float, cx: float, cy: float, cz: float, rx: float, ry: float, rz: float
) -> float:
    """Ellipsoid along the axes."""
    x, y, z = x - cx, y - cy, z - cz
    k0 = np.sqrt((x / rx) ** 2 + (y / ry) ** 2 + (z / rz) ** 2)
    k1 = np.sqrt((x / (rx * rx)) ** 2 + (y / (ry * ry)) ** 2 + (z / (rz * rz)) ** 2)
    if k1 < 1e-9:
        return -min(rx, min(ry, rz))
    return k0 * (k0 - 1.0) / k1


@njit(cache=True)
def taper(
    x: float,
    y: float,
    z: float,
    ax: float,
    ay: float,
    az: float,
    ra: float,
    bx: float,
    by: float,
    bz: float,
    rb: float,
) -> float:
    """Rod from a to b with radius ra at a and rb at b, round ends."""
    ux, uy, uz = bx - ax, by - ay, bz - az
    px, py, pz = x - ax, y - ay, z - az
    h = (px * ux + py * uy + pz * uz) / (ux * ux + uy * uy + uz * uz)
    h = min(1.0, max(0.0, h))
    d = np.sqrt((px - h * ux) ** 2 + (py - h * uy) ** 2 + (pz - h * uz) ** 2)
    return d - (ra + h * (rb - ra))


@njit(cache=True)
def ring(
    x: float,
    y: float,
    z: float,
    cx: float,
    cy: float,
    cz: float,
    nx: float,
    ny: float,
    nz: float,
    major: float,
    minor: float,
) -> float:
    """Torus about the unit axis n."""
    x, y, z = x - cx, y - cy, z - cz
    h = x * nx + y * ny + z * nz
    r = np.sqrt(max(x * x + y * y + z * z - h * h, 0.0))
    return np.sqrt((r - major) ** 2 + h * h) - minor


@njit(cache=True)
def disc(r: float, z: float, radius: float, low: float, high: float, round_: float) -> float:
    """Upright round slab in the coordinates (distance from the axis, height)."""
    dx = r - (radius - round_)
    dz = abs(z - 0.5 * (low + high)) - (0.5 * (high - low) - round_)
    return min(max(dx, dz), 0.0) + np.sqrt(max(dx, 0.0) ** 2 + max(dz, 0.0) ** 2) - round_


@njit(cache=True)
def box(x: float, y: float, z: float, hx: float, hy: float, hz: float, round_: float) -> float:
    """Box of half sizes h about the origin with rounded edges."""
    dx, dy, dz = abs(x) - hx + round_, abs(y) - hy + round_, abs(z) - hz + round_
    out = np.sqrt(max(dx, 0.0) ** 2 + max(dy, 0.0) ** 2 + max(dz, 0.0) ** 2)
    return out + min(max(dx, max(dy, dz)), 0.0) - round_


@njit(cache=True)
def shingle(t: float) -> float:
    """Overlapping edge: rises slowly over a period of one, falls back steeply, 0 to 1."""
    f = t - np.floor(t)
    if f < 0.86:
        s = f / 0.86
        return s * s * (3.0 - 2.0 * s) * 0.4 + s * 0.6
    s = (1.0 - f) / 0.14
    return s * s * (3.0 - 2.0 * s)
