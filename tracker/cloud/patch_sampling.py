"""A small patch of the stone's surface, looked up in the photographs.

A patch is a square grid on a surface through the needle: p(x, y) = c + x u + y v + h(x, y) m with
centre c, tangents u, v, normal m and relief h. Its points are projected exactly by the pinhole; the
lens distortion is linear over the patch, which is good to 0.01 px over 5 mm. Grey values are
bilinear.

With a = (a_x, a_y) the centre's place in the image plane and z_0 its depth, a point that lies s
off the centre (in the camera's axes) is seen at a + (s_xy - a s_z) / (z_0 + s_z): no large numbers
are taken from each other, so single precision is good to 1e-5 px, counted from the patch's corner.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.cloud.patch_window import (
    ACROSS,
    ALONG,
    BELOW,
    DOWN,
    GRAY,
    ONE,
    OUTWARD,
    RELIEF,
    REORDER,
    RIGHT,
)
from tracker.maths.camera import Array

MAX_HALF = 9
"""Largest half width of a patch in grid steps."""
PLACE = 11
"""Width of the numbers that say where a patch lies in a photograph and how it moves there."""


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
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


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def distorted(
    cameras: Array, k: int, x: float, y: float
) -> tuple[float, float, float, float, float]:
    """Distorted image-plane position, and its derivatives dxx, dxy = dyx, dyy."""
    k1, k2, k3 = cameras[k, 15], cameras[k, 16], cameras[k, 19]
    p1, p2 = cameras[k, 17], cameras[k, 18]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3))
    xd = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    yd = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    dxx = radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    dxy = x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
    dyy = radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    return xd, yd, dxx, dxy, dyy


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def _turned(cameras: Array, k: int, way: Array) -> tuple[float, float, float]:
    """A direction in a camera's axes."""
    return (
        cameras[k, 0] * way[0] + cameras[k, 1] * way[1] + cameras[k, 2] * way[2],
        cameras[k, 3] * way[0] + cameras[k, 4] * way[1] + cameras[k, 5] * way[2],
        cameras[k, 6] * way[0] + cameras[k, 7] * way[1] + cameras[k, 8] * way[2],
    )


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def camera_axes(cameras: Array, k: int, point: Array) -> tuple[float, float, float]:
    """A point in the axes of camera k, mm."""
    x, y, z = _turned(cameras, k, point)
    return x + cameras[k, 9], y + cameras[k, 10], z + cameras[k, 11]


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _lay_out(
    layout: np.ndarray, scale: float, cameras: Array, k: int, c: Array, u: Array, v: Array,
    m: Array, half: int, step: float, highest: float, place: Array,
) -> int:  # fmt: skip
    """How a patch lies in photograph k: fills `place`, returns where its corner pixel is stored.

    -1 where the patch is not wholly inside the photograph's part. `place` holds the centre's pixel
    (2, from the corner), the moves of a pixel by a step across, a step down and 1 mm outward
    (x: 3, then y: 3), and the growth of depth by the same three, in parts of the centre's.
    """
    xc, yc, zc = camera_axes(cameras, k, c)
    if zc < 1.0:
        return -1
    inv = 1.0 / zc
    ax, ay = xc * inv, yc * inv
    xd, yd, dxx, dxy, dyy = distorted(cameras, k, ax, ay)
    f = cameras[k, 12] / scale
    bx = f * xd + (cameras[k, 13] + 0.5) / scale - 0.5 - layout[k, 3]
    by = f * yd + (cameras[k, 14] + 0.5) / scale - 0.5 - layout[k, 4]
    f *= inv
    for way in range(3):
        x, y, z = _turned(cameras, k, u if way == 0 else v if way == 1 else m)
        size = step if way < 2 else 1.0
        sx, sy = (x - ax * z) * size, (y - ay * z) * size
        place[2 + way] = f * (dxx * sx + dxy * sy)
        place[5 + way] = f * (dxy * sx + dyy * sy)
        place[8 + way] = z * size * inv
    # the four corners bound the grid, but for its relief
    low_x, low_y, high_x, high_y = bx, by, bx, by
    for corner in range(4):
        i = half if corner & 1 else -half
        j = half if corner & 2 else -half
        depth = 1.0 + i * place[8] + j * place[9]
        if depth * zc < 1.0:
            return -1
        px = bx + (i * place[2] + j * place[3]) / depth
        py = by + (i * place[5] + j * place[6]) / depth
        low_x, low_y = min(low_x, px), min(low_y, py)
        high_x, high_y = max(high_x, px), max(high_y, py)
    room_x, room_y = 1.0 + 1.1 * highest * abs(place[4]), 1.0 + 1.1 * highest * abs(place[7])
    # asked so that what is no number is outside, too
    if not (low_x >= 1.0 + room_x and low_y >= 1.0 + room_y):
        return -1
    if not (high_x <= layout[k, 1] - 3.0 - room_x and high_y <= layout[k, 2] - 3.0 - room_y):
        return -1
    left, top = int(low_x - room_x), int(low_y - room_y)
    place[0], place[1] = bx - left, by - top
    return int(layout[k, 0] + top * layout[k, 1] + left)


@njit(cache=True, nogil=True, forceinline=True, fastmath=REORDER, error_model="numpy")  # type: ignore[untyped-decorator]
def _project(sheet: np.ndarray, place: Array, width: int, words: np.ndarray) -> None:
    """Pixel of each point counted from the corner pixel, and how far beyond it the point lies."""
    x0, y0 = np.float32(place[0]), np.float32(place[1])
    xu, xv, xm = np.float32(place[2]), np.float32(place[3]), np.float32(place[4])
    yu, yv, ym = np.float32(place[5]), np.float32(place[6]), np.float32(place[7])
    zu, zv, zm = np.float32(place[8]), np.float32(place[9]), np.float32(place[10])
    row = np.int32(width)
    for p in range(sheet.shape[1]):
        x, y, h = sheet[ACROSS, p], sheet[DOWN, p], sheet[RELIEF, p]
        inv = ONE / (ONE + x * zu + y * zv + h * zm)
        px = x0 + (x * xu + y * xv + h * xm) * inv
        py = y0 + (x * yu + y * yv + h * ym) * inv
        i, j = np.int32(px), np.int32(py)
        sheet[RIGHT, p] = px - np.float32(i)
        sheet[BELOW, p] = py - np.float32(j)
        words[p] = np.uint32(j * row + i)


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def _gather(pixels: np.ndarray, corner: int, width: int, words: np.ndarray) -> None:
    """In place of each pixel's number the grey values of it and the next ones, in one word."""
    upper, lower = np.uint64(corner), np.uint64(corner + width)
    one, byte, two = np.uint64(1), np.uint32(8), np.uint32(16)
    for p in range(len(words)):
        i, j = upper + words[p], lower + words[p]
        above = np.uint32(pixels[i]) | (np.uint32(pixels[i + one]) << byte)
        below = np.uint32(pixels[j]) | (np.uint32(pixels[j + one]) << byte)
        words[p] = above | (below << two)


@njit(cache=True, nogil=True, forceinline=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _interpolate(sheet: np.ndarray, words: np.ndarray, row: int) -> None:
    """Bilinear grey values, into a row."""
    byte = np.uint32(255)
    for p in range(sheet.shape[1]):
        word, right = words[p], sheet[RIGHT, p]
        p00 = np.float32(word & byte)
        p01 = np.float32((word >> np.uint32(8)) & byte)
        p10 = np.float32((word >> np.uint32(16)) & byte)
        p11 = np.float32(word >> np.uint32(24))
        upper, lower = p00 + right * (p01 - p00), p10 + right * (p11 - p10)
        sheet[row, p] = upper + sheet[BELOW, p] * (lower - upper)


@njit(cache=True, nogil=True, forceinline=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _differentiate(
    sheet: np.ndarray, words: np.ndarray, row: int, nx: float, ny: float, mx: float, my: float
) -> None:
    """Bilinear grey values, and their derivatives when the pixel moves by (nx, ny) and (mx, my)."""
    byte = np.uint32(255)
    n_x, n_y, m_x, m_y = np.float32(nx), np.float32(ny), np.float32(mx), np.float32(my)
    for p in range(sheet.shape[1]):
        word, right, below = words[p], sheet[RIGHT, p], sheet[BELOW, p]
        p00 = np.float32(word & byte)
        p01 = np.float32((word >> np.uint32(8)) & byte)
        p10 = np.float32((word >> np.uint32(16)) & byte)
        p11 = np.float32(word >> np.uint32(24))
        upper, lower = p00 + right * (p01 - p00), p10 + right * (p11 - p10)
        fall = lower - upper
        rise = (p01 - p00) + below * (p11 - p10 - p01 + p00)
        sheet[row + GRAY, p] = upper + below * fall
        sheet[row + ALONG, p] = rise * n_x + fall * n_y
        sheet[row + OUTWARD, p] = rise * m_x + fall * m_y


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def sample_patch(
    pixels: np.ndarray, layout: np.ndarray, scale: float, cameras: Array, k: int, c: Array,
    u: Array, v: Array, m: Array, needle: Array, half: int, step: float, highest: float,
    gradients: bool, place: Array, words: np.ndarray, sheet: np.ndarray, row: int,
) -> bool:  # fmt: skip
    """Grey values of a patch in photograph k.

    Parameters
    ----------
    pixels, layout, scale, cameras : see `patch_room.Photographs`
    c, u, v, m : (3,) centre (mm), tangents, normal, frame coordinates
    needle : (3,) direction in which the centre moves, scaled so that its part along m is 1
    half, step : half width in steps, and the step in mm
    highest : no point of the relief is higher or lower, mm
    gradients : whether to fill the derivatives
    place, words : (PLACE,) float64 and (n,) uint32 arrays, room to work in
    sheet : (., n) float32 array
        Row RELIEF is the height of the points along m, mm; rows from `row` on are filled: GRAY,
        and ALONG, OUTWARD if asked for.

    Returns
    -------
    bool
        False where the patch is not wholly inside the photograph's part.
    """
    corner = _lay_out(layout, scale, cameras, k, c, u, v, m, half, step, highest, place)
    if corner < 0:
        return False
    width = layout[k, 1]
    _project(sheet, place, width, words)
    _gather(pixels, corner, width, words)
    if not gradients:
        _interpolate(sheet, words, row)
        return True
    # the needle's motion is the normal's and a part within the patch
    across = (needle[0] * u[0] + needle[1] * u[1] + needle[2] * u[2]) / step
    down = (needle[0] * v[0] + needle[1] * v[1] + needle[2] * v[2]) / step
    nx = place[4] + across * place[2] + down * place[3]
    ny = place[7] + across * place[5] + down * place[6]
    _differentiate(sheet, words, row, nx, ny, place[4], place[7])
    return True
