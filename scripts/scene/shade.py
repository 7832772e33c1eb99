"""What light a ray brings back: compiled loops over rays."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from scripts.scene.meshes import BENCH, CARD, STONE, WOOD
from scripts.scene.noise import nearest_cell, octaves, value

Array32 = NDArray[np.float32]


@njit(cache=True, parallel=True)
def stone_clouds(points, seed):  # type: ignore[no-untyped-def]
    """Slow part of the stone's tone at points (n, 3): clouds, mottle, veins."""
    out = np.empty(points.shape[0], np.float32)
    for i in prange(points.shape[0]):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        tone = 0.055 * octaves(x, y, z, 38.0, 3, seed) + 0.075 * octaves(x, y, z, 5.0, 2, seed + 3)
        vein = octaves(x + 0.5 * z, y, z - 0.5 * x, 60.0, 3, seed + 5)
        out[i] = tone - 0.05 * np.exp(-((vein / 0.02) ** 2))
    return out


@njit(cache=True)
def hashed(i, k):  # type: ignore[no-untyped-def]
    """Pseudo-random number of a pixel and a sample, 0 to 1."""
    h = np.uint32(i) * np.uint32(0x9E3779B1) ^ np.uint32(k) * np.uint32(0x85EBCA77)
    h = np.uint32((h ^ (h >> np.uint32(15))) * np.uint32(0x2C1B3C6D))
    h = np.uint32((h ^ (h >> np.uint32(12))) * np.uint32(0x297A2D39))
    h ^= h >> np.uint32(15)
    return np.float32(h) / np.float32(4294967296.0)


@njit(cache=True, parallel=True)
def aim(grid, rows, cols, k, seed, R, centre, rays):  # type: ignore[no-untyped-def]
    """Rays of sample `k` (a quarter of the pixel each) of the given pixels, (n, 6).

    Within its quarter each ray is placed at random, so no edge is favoured.
    """
    for i in prange(rows.shape[0]):
        r, c = rows[i], cols[i]
        pixel = r * 8192 + c
        u = 0.5 * ((k & 1) + hashed(pixel + seed, 2 * k))
        v = 0.5 * ((k >> 1) + hashed(pixel + seed, 2 * k + 1))
        x = (grid[r, c, 0] * (1 - u) + grid[r, c + 1, 0] * u) * (1 - v) + (
            grid[r + 1, c, 0] * (1 - u) + grid[r + 1, c + 1, 0] * u
        ) * v
        y = (grid[r, c, 1] * (1 - u) + grid[r, c + 1, 1] * u) * (1 - v) + (
            grid[r + 1, c, 1] * (1 - u) + grid[r + 1, c + 1, 1] * u
        ) * v
        for a in range(3):
            rays[i, a] = centre[a]
            rays[i, 3 + a] = R[0, a] * x + R[1, a] * y + R[2, a]


@njit(cache=True)
def stone_albedo(p, n, tone, seed, bump, grain):  # type: ignore[no-untyped-def]
    """Fine tone of the stone here, and the normal changed by its fine relief.

    `grain` is the strength of all tones, 1 for stone.
    """
    x, y, z = p
    g1 = value(x / 1.3, y / 1.3, z / 1.3, seed + 11)
    ax, ay, az = 0.8 * x - 0.6 * y, 0.6 * x + 0.8 * y, z
    g2 = value(ax / 0.62, ay / 0.62, az / 0.62, seed + 12)
    g3 = value(ay / 0.36, az / 0.36, ax / 0.36, seed + 13)
    g4 = value(az / 0.6, ax / 0.6, ay / 0.6, seed + 14)
    m = (
        n[0] + bump * (g2 * 0.6 + g1 * 0.4),
        n[1] + bump * (g3 * 0.6 - g1 * 0.4),
        n[2] + bump * g4,
    )
    fine = grain * 0.042 * g1 + grain * 0.046 * g2 + grain * 0.034 * g3
    return 1.0 + grain * tone + fine, unit(m)


@njit(cache=True)
def drops(x, y, z, apart, radius, seed):  # type: ignore[no-untyped-def]
    """Share of a round drop here, 0 to 1: balls about scattered places, cut by the surface."""
    d, name = nearest_cell(x, y, z, apart, seed)
    wide = radius * (0.55 + 0.9e-6 * (name * 7919 % 1000000))
    return min(1.0, max(0.0, (wide - d * apart) / 0.12))


@njit(cache=True)
def marked(x, y, z, dots, speckle, seed):  # type: ignore[no-untyped-def]
    """Darkening of plaster by pencil dots and by a flicked wash, each of a strength 0 to 1."""
    tint = 1.0
    if dots > 0.0:
        tint -= dots * 0.62 * drops(x, y, z, 4.6, 0.85, seed + 80)
    if speckle > 0.0:
        tint *= 1.0 - speckle * 0.34 * drops(x, y, z, 1.45, 0.42, seed + 81)
    return tint


@njit(cache=True)
def pencilled(x, y, z, ring, seed):  # type: ignore[no-untyped-def]
    """Darkening by a pencil ring: row of place (3), direction (3), radius."""
    px, py, pz = x - ring[0], y - ring[1], z - ring[2]
    h = px * ring[3] + py * ring[4] + pz * ring[5]
    wide = np.sqrt(max(px * px + py * py + pz * pz - h * h, 0.0))
    if abs(wide - ring[6]) < 0.45 + 0.12 * value(x, y, z, seed):
        return 0.42 + 0.2 * value(3 * x, 3 * y, 3 * z, seed + 2)
    return 1.0


@njit(cache=True)
def wood_tint(kind, x, y, z, seed):  # type: ignore[no-untyped-def]
    """Grain of the bench's boards and of the frame's bars; 1 for other materials."""
    if kind == BENCH:
        tint = 1.0 + 0.25 * octaves(x / 16.0, y, 0.0, 3.0, 3, seed + 70)
        tint *= 1.0 + 0.2 * value(x / 300.0, np.floor(y / 118.0) * 7.3, 0.5, seed + 71)
        return tint * (0.3 if abs(y / 118.0 - np.floor(y / 118.0) - 0.5) > 0.491 else 1.0)
    if kind == WOOD:
        return 1.0 + 0.18 * octaves(x, y, z / 6.0, 2.6, 2, seed + 72)
    return 1.0


@njit(cache=True)
def mix(table, corners, weights):  # type: ignore[no-untyped-def]
    """Vector at a place within a triangle from those at its corners."""
    a, b, c = corners[0], corners[1], corners[2]
    u, v, w = weights
    return (
        u * table[a, 0] + v * table[b, 0] + w * table[c, 0],
        u * table[a, 1] + v * table[b, 1] + w * table[c, 1],
        u * table[a, 2] + v * table[b, 2] + w * table[c, 2],
    )


@njit(cache=True)
def level(table, corners, weights):  # type: ignore[no-untyped-def]
    """Number at a place within a triangle from those at its corners."""
    u, v, w = weights
    return u * table[corners[0]] + v * table[corners[1]] + w * table[corners[2]]


@njit(cache=True)
def dot(a, b):  # type: ignore[no-untyped-def]
    """Scalar product of the first three entries."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@njit(cache=True)
def unit(a):  # type: ignore[no-untyped-def]
    """Direction of a vector."""
    n = np.sqrt(dot(a, a)) + 1e-12
    return (a[0] / n, a[1] / n, a[2] / n)


@njit(cache=True)
def backdrop(ray, seed):  # type: ignore[no-untyped-def]
    """The dim workshop behind everything."""
    n = np.sqrt(ray[3] ** 2 + ray[4] ** 2 + ray[5] ** 2)
    return 0.035 * (1.0 + 0.7 * value(3 * ray[3] / n, 3 * ray[4] / n, 3 * ray[5] / n, seed + 90))


@njit(cache=True)
def surface_light(ray, f, uv, scene, lights, stone, rings, seed, out):  # type: ignore[no-untyped-def]
    """Light from the place `uv` of face `f` into `out`; the row of the card it is on, or -1."""
    faces, vertices, normals, sky, lamp, tone, ring, material, number, colour = scene
    corners, kind = faces[f], material[f]
    v, w = np.float64(uv[0]), np.float64(uv[1])
    weights = (1.0 - v - w, v, w)
    p = mix(vertices, corners, weights)
    n = unit(mix(normals, corners, weights))
    m, tint = n, wood_tint(kind, p[0], p[1], p[2], seed)
    if kind == STONE:
        base = level(tone, corners, weights)
        tint, m = stone_albedo(p, n, base, seed, stone[3], stone[4])
        tint *= marked(p[0], p[1], p[2], stone[5], stone[6], seed)
        which = max(ring[corners[0]], max(ring[corners[1]], ring[corners[2]]))
        if which > 0:
            tint *= pencilled(p[0], p[1], p[2], rings[which - 1], seed)
    way = unit((lights[0, 0] - p[0], lights[0, 1] - p[1], lights[0, 2] - p[2]))
    e_lamp = level(lamp, corners, weights) * max(0.0, dot(m, way))
    relief = dot(m, lights[3]) - dot(n, lights[3])
    e_sky = level(sky, corners, weights) * (1.0 + 0.5 * relief)
    printed = kind == CARD and dot(ray[3:], n) < 0.0
    for a in range(3):
        r = stone[a] if kind == STONE else (1.0 if printed else colour[f, a])
        out[a] = tint * r * (e_sky * lights[2, a] + e_lamp * lights[1, a])
    return number[f] if printed else -1


@njit(cache=True, parallel=True)
def shade(rays, t, face, uv, scene, lights, stone, rings, seed, rgb, card):  # type: ignore[no-untyped-def]
    """Light each ray brings back, (n, 3), and the row of the card it hit or -1.

    On cards it is the light on the paper, before its print is looked up.

    Parameters
    ----------
    rays, t, face, uv : what was cast, how far it went, what it hit and where
    scene : tables of the lit scene
    lights : (4, 3) place of the lamp, its colour, the sky's colour, the window's direction
    stone : (7,) linear RGB, fine relief, strength of grain, pencil dots and speckle
    rings : (k, 7) pencil rings
    """
    for i in prange(rays.shape[0]):
        if np.isfinite(t[i]):
            f = np.int64(face[i])
            card[i] = surface_light(rays[i], f, uv[i], scene, lights, stone, rings, seed, rgb[i])
        else:
            card[i] = -1
            b = backdrop(rays[i], seed)
            rgb[i, 0], rgb[i, 1], rgb[i, 2] = b, 0.95 * b, 0.9 * b
