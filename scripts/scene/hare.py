"""The crouching hare: long ears that part and lean back, on an oval slab, facing -Y."""

from __future__ import annotations

import numpy as np
from numba import njit

from scripts.scene.noise import octaves, value
from scripts.scene.shapes import ellipsoid, smooth_cut, smooth_union, taper


@njit(cache=True)
def slab(x: float, y: float, z: float) -> float:
    """Oval slab with a rounded rim and a bead under it."""
    r = np.sqrt((x / 0.72) ** 2 + y * y)
    dx, dz = 0.8 * (r - 86.0), abs(z - 11.0) - 8.0
    d = min(max(dx, dz), 0.0) + np.sqrt(max(dx, 0.0) ** 2 + max(dz, 0.0) ** 2) - 3.0
    groove = np.sqrt((0.8 * (r - 90.5)) ** 2 + (z - 9.0) ** 2) - 2.6
    return smooth_cut(d, groove, 1.0)


@njit(cache=True)
def fur(x: float, y: float, z: float) -> float:
    """Tufts of combed fur, about +-1 mm, their strokes falling backward and down."""
    along, across = 0.8 * y + 0.6 * z, 0.6 * y - 0.8 * z
    lock = value(x / 7.0, across / 6.0, along / 22.0, 901)
    return 0.9 * lock + 0.35 * octaves(x, across, along / 2.5, 5.0, 2, 902)


@njit(cache=True)
def trunk(ax: float, x: float, y: float, z: float) -> float:
    """Back, haunches, shoulders and chest, with the hollow between haunch and belly."""
    d = ellipsoid(x, y, z, 0.0, 30.0, 76.0, 40.0, 50.0, 52.0)
    d = smooth_union(d, ellipsoid(x, y, z, 0.0, -22.0, 88.0, 31.0, 34.0, 48.0), 22.0)
    d = smooth_union(d, ellipsoid(ax, y, z, 34.0, 34.0, 58.0, 18.0, 36.0, 36.0), 4.0)
    d = smooth_union(d, ellipsoid(ax, y, z, 25.0, -24.0, 78.0, 13.0, 21.0, 33.0), 4.0)
    tail = ellipsoid(x, y, z, 0.0, 82.0, 52.0, 11.0, 12.0, 17.0)
    return smooth_union(d, tail, 3.0)


@njit(cache=True)
def legs(ax: float, y: float, z: float) -> float:
    """Long hind feet along the slab; fore legs free of the chest, toes in front."""
    hind = taper(ax, y, z, 39.0, 52.0, 26.0, 10.0, 37.0, -10.0, 25.0, 8.0)
    hind = smooth_union(hind, ellipsoid(ax, y, z, 37.0, -14.0, 25.0, 9.0, 11.0, 7.0), 2.0)
    fore = taper(ax, y, z, 21.0, -36.0, 74.0, 11.0, 15.0, -58.0, 26.0, 7.0)
    fore = smooth_union(fore, ellipsoid(ax, y, z, 15.0, -65.0, 23.5, 9.0, 13.0, 7.0), 2.5)
    for i in range(3):
        tx = 15.0 + 5.4 * (i - 1)
        cut = taper(ax, y, z, tx + 2.7, -80.0, 30.0, 1.3, tx + 2.7, -66.0, 28.0, 0.9)
        fore = smooth_cut(fore, cut, 0.8)
    return min(hind, fore)


@njit(cache=True)
def ears(ax: float, y: float, z: float) -> float:
    """Two ears that rise, part and lean back clear of the nape, hollow to the front and side."""
    d = taper(ax, y, z, 11.0, -36.0, 168.0, 9.0, 22.0, -8.0, 208.0, 13.0)
    d = smooth_union(d, taper(ax, y, z, 22.0, -8.0, 208.0, 13.0, 31.0, 26.0, 246.0, 4.0), 6.0)
    scoop = taper(ax, y, z, 19.0, -37.0, 184.0, 5.0, 33.0, -16.0, 215.0, 9.0)
    tip = taper(ax, y, z, 33.0, -16.0, 215.0, 9.0, 37.0, 12.0, 243.0, 4.0)
    return smooth_cut(d, smooth_union(scoop, tip, 4.0), 1.6)


@njit(cache=True)
def head(ax: float, x: float, y: float, z: float) -> float:
    """Skull, cheeks, muzzle with nostrils and split lip, eyes under lids."""
    d = ellipsoid(x, y, z, 0.0, -46.0, 152.0, 25.0, 30.0, 26.0)
    muzzle = taper(x, y, z, 0.0, -62.0, 148.0, 17.0, 0.0, -80.0, 137.0, 11.5)
    d = smooth_union(d, muzzle, 8.0)
    d = smooth_union(d, ellipsoid(ax, y, z, 17.0, -57.0, 142.0, 10.0, 16.0, 12.0), 5.0)
    d = smooth_union(d, ellipsoid(x, y, z, 0.0, -91.0, 141.0, 5.0, 3.5, 3.5), 1.5)
    d = smooth_cut(d, taper(ax, y, z, 4.6, -97.0, 140.0, 1.2, 3.2, -86.0, 139.0, 1.0), 0.6)
    d = smooth_cut(d, taper(x, y, z, 0.0, -96.0, 136.0, 0.9, 0.0, -86.0, 128.0, 0.9), 0.8)
    d = smooth_cut(d, taper(ax, y, z, 0.0, -95.0, 129.0, 1.0, 12.0, -74.0, 131.0, 1.0), 0.8)
    d = smooth_cut(d, ellipsoid(ax, y, z, 25.0, -60.0, 160.0, 8.0, 10.0, 8.0), 2.5)
    d = min(d, ellipsoid(ax, y, z, 19.0, -58.0, 159.5, 6.5, 7.5, 6.5))
    lid = taper(ax, y, z, 11.5, -66.0, 167.0, 2.0, 19.5, -51.0, 168.0, 3.0)
    return smooth_union(d, lid, 2.0)


@njit(cache=True)
def hare(x: float, y: float, z: float) -> float:
    """Field of the whole hare, mm, negative inside; 250 mm tall."""
    ax = abs(x)
    body = trunk(ax, x, y, z)
    neck = taper(x, y, z, 0.0, -26.0, 112.0, 26.0, 0.0, -40.0, 144.0, 21.0)
    body = smooth_union(body, neck, 12.0)
    if abs(body) < 12.0:
        body -= fur(x, y, z)
    d = smooth_union(body, head(ax, x, y, z), 7.0)
    d = smooth_union(d, ears(ax, y, z), 4.0)
    d = smooth_union(d, legs(ax, y, z), 2.5)
    stump = ellipsoid(x, y, z, 0.0, 28.0, 26.0, 36.0, 46.0, 26.0)
    d = smooth_union(d, stump, 3.0)
    return smooth_union(d, slab(x, y, z), 2.0)
