"""A small patch of the stone's surface, looked up in the photographs.

A patch is a square grid on a surface through the needle: p(x, y) = c + x u + y v + h(x, y) m with
centre c, tangents u, v, normal m and relief h. Its points are projected exactly by the pinhole; the lens distortion is linear over the patch, which
is good to 0.01 px over 5 mm. Grey values are bilinear.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.maths.camera import Array

MAX_HALF = 9
"""Largest half width of a patch in grid steps."""


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def tangents(m: Array, u: Array, v: Array) -> None:
    """Writes two unit tangents of the unit normal m, steady under small turns of it."""
    k = 0
    if abs(m[1]) < abs(m[k]):
        k = 1
    if abs(m[2]) < abs(m[k]):
        k = 2
    for i in range(3):
        u[i] = -m[k] * m[i]
    u[k] += 1.0
    length = math.sqrt(u[0] * u[0] + u[1] * u[1] + u[2] * u[2])
    for i in range(3):
        u[i] /= length
    v[0] = m[1] * u[2] - m[2] * u[1]
    v[1] = m[2] * u[0] - m[0] * u[2]
    v[2] = m[0] * u[1] - m[1] * u[0]


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def distortion_at(cam: Array, x: float, y: float, out: Array) -> None:
    """Distorted image-plane position and its derivatives: out = (xd, yd, dxx, dxy, dyx, dyy)."""
    k1, k2, p1, p2, k3 = cam[15], cam[16], cam[17], cam[18], cam[19]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3))
    out[0] = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    out[1] = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    out[2] = radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    out[3] = x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
    out[4] = out[3]
    out[5] = radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def project_point(cam: Array, x: float, y: float, z: float, out: Array) -> None:
    """Pixel and depth of a point in frame coordinates: out = (px, py, depth)."""
    xc = cam[0] * x + cam[1] * y + cam[2] * z + cam[9]
    yc = cam[3] * x + cam[4] * y + cam[5] * z + cam[10]
    zc = cam[6] * x + cam[7] * y + cam[8] * z + cam[11]
    out[2] = zc
    if zc < 1e-6:
        return
    a = xc / zc
    b = yc / zc
    r2 = a * a + b * b
    radial = 1.0 + r2 * (cam[15] + r2 * (cam[16] + r2 * cam[19]))
    out[0] = cam[12] * (a * radial + 2 * cam[17] * a * b + cam[18] * (r2 + 2 * a * a)) + cam[13]
    out[1] = cam[12] * (b * radial + cam[17] * (r2 + 2 * b * b) + 2 * cam[18] * a * b) + cam[14]


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def sample_patch(
    pixels: np.ndarray,
    place: np.ndarray,
    scale: float,
    cam: Array,
    c: Array,
    u: Array,
    v: Array,
    m: Array,
    needle: Array,
    relief: Array,
    half: int,
    step: float,
    gradients: bool,
    out: Array,
) -> bool:
    """Grey values of a patch in one photograph.

    Parameters
    ----------
    pixels, place, scale : flat pixels, layout row and pixel size (1, 2, 4) of the level
    cam : (20,) camera
    c, u, v, m : (3,) centre (mm), tangents, normal, frame coordinates
    needle : (3,) direction in which the centre moves, scaled so that its part along m is 1
    relief : ((2 half + 1)^2,) height of the grid points along m, mm; empty for a flat patch
    half, step : half width in steps, and the step in mm
    gradients : whether to fill the derivatives
    out : (3, (2 half + 1)^2) array
        Grey value, its derivative when the patch moves along the needle by 1 mm of normal
        distance, and when the point moves along m by 1 mm.

    Returns
    -------
    bool
        False where the patch is not wholly inside the photograph's part.
    """
    xc = np.empty(3)
    uc = np.empty(3)
    vc = np.empty(3)
    mc = np.empty(3)
    nc = np.empty(3)
    for i in range(3):
        r0, r1, r2 = cam[3 * i], cam[3 * i + 1], cam[3 * i + 2]
        xc[i] = r0 * c[0] + r1 * c[1] + r2 * c[2] + cam[9 + i]
        uc[i] = r0 * u[0] + r1 * u[1] + r2 * u[2]
        vc[i] = r0 * v[0] + r1 * v[1] + r2 * v[2]
        mc[i] = r0 * m[0] + r1 * m[1] + r2 * m[2]
        nc[i] = r0 * needle[0] + r1 * needle[1] + r2 * needle[2]
    if xc[2] < 1.0:
        return False
    inv0 = 1.0 / xc[2]
    ax = xc[0] * inv0
    ay = xc[1] * inv0
    lens = np.empty(6)
    distortion_at(cam, ax, ay, lens)
    f = cam[12] / scale
    left = place[3]
    top = place[4]
    bx = (cam[12] * lens[0] + cam[13] + 0.5) / scale - 0.5 - left
    by = (cam[12] * lens[1] + cam[14] + 0.5) / scale - 0.5 - top
    fxx, fxy, fyx, fyy = f * lens[2], f * lens[3], f * lens[4], f * lens[5]
    width = place[1]
    height = place[2]
    # the four corners bound the grid
    reach = half * step
    for corner in range(4):
        sx = reach if corner & 1 else -reach
        sy = reach if corner & 2 else -reach
        z = xc[2] + sx * uc[2] + sy * vc[2]
        if z < 1.0:
            return False
        dx = (xc[0] + sx * uc[0] + sy * vc[0]) / z - ax
        dy = (xc[1] + sx * uc[1] + sy * vc[1]) / z - ay
        px = bx + fxx * dx + fxy * dy
        py = by + fyx * dx + fyy * dy
        if px < 2.0 or py < 2.0 or px > width - 4.0 or py > height - 4.0:
            return False
    # image motion per mm along the needle and along the normal
    sx = (nc[0] - ax * nc[2]) * inv0
    sy = (nc[1] - ay * nc[2]) * inv0
    nx, ny = fxx * sx + fxy * sy, fyx * sx + fyy * sy
    sx = (mc[0] - ax * mc[2]) * inv0
    sy = (mc[1] - ay * mc[2]) * inv0
    mx, my = fxx * sx + fxy * sy, fyx * sx + fyy * sy
    curved = len(relief) > 0
    start = place[0]
    n = 0
    for j in range(-half, half + 1):
        y = j * step
        rowx = xc[0] + y * vc[0]
        rowy = xc[1] + y * vc[1]
        rowz = xc[2] + y * vc[2]
        for i in range(-half, half + 1):
            x = i * step
            gx = rowx + x * uc[0]
            gy = rowy + x * uc[1]
            gz = rowz + x * uc[2]
            if curved:
                h = relief[n]
                gx += h * mc[0]
                gy += h * mc[1]
                gz += h * mc[2]
            inv = 1.0 / gz
            dx = gx * inv - ax
            dy = gy * inv - ay
            px = bx + fxx * dx + fxy * dy
            py = by + fyx * dx + fyy * dy
            if px < 0.0 or py < 0.0 or px > width - 2.0 or py > height - 2.0:
                return False
            ix = int(px)
            iy = int(py)
            wx = px - ix
            wy = py - iy
            at = start + iy * width + ix
            p00 = float(pixels[at])
            p01 = float(pixels[at + 1])
            p10 = float(pixels[at + width])
            p11 = float(pixels[at + width + 1])
            upper = p00 + wx * (p01 - p00)
            lower = p10 + wx * (p11 - p10)
            out[0, n] = upper + wy * (lower - upper)
            if gradients:
                ex = (p01 - p00) + wy * ((p11 - p10) - (p01 - p00))
                ey = lower - upper
                out[1, n] = ex * nx + ey * ny
                out[2, n] = ex * mx + ey * my
            n += 1
    return True
