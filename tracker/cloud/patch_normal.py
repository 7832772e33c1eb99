"""Normal equations of a patch's fit, from sums over its points.

The unknowns are the move of the centre along the needle, the tilts across and down the patch, and
three of its bulge. When one of them grows, a point (x, y) of the patch moves by (x, y in steps)

    along the needle:  d;      outward:  a x + b y + c x^2 / 2 + e x y + f y^2 / 2,

so the grey value's derivatives D are g_n, x g_m, y g_m, x^2/2 g_m, ... with g_n and g_m the
derivatives by a move along the needle and outward. Every product of them under the window's weights
is a moment  sum w g g' x^i y^j  of degree 4 at most; none of them is written out point by point.

Of a normalised patch v = (I - trends) / length the derivative is dv = (D - trends of D - v (v . D))
/ length. Trends, v and each other are orthogonal, so dv_a . dv_b = (D_a . D_b - sum of products of
their trends - s_a s_b) / length^2 with s_a = v . D_a.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from tracker.cloud.patch_window import (
    ACROSS,
    ALONG,
    BELL,
    DOWN,
    EVERY,
    GRAY,
    MEAN,
    OUTWARD,
    REORDER,
    SHIFT,
    ZERO,
    add,
    dot,
)
from tracker.maths.camera import Array

UNKNOWNS = 6
TRENDS = 3
MOMENTS = 15
PRODUCT = np.array(
    [[0, 1, 2, 3, 4, 5],
     [1, 3, 4, 6, 7, 8],
     [2, 4, 5, 7, 8, 9],
     [3, 6, 7, 10, 11, 12],
     [4, 7, 8, 11, 12, 13],
     [5, 8, 9, 12, 13, 14]], dtype=np.int64,
)  # fmt: skip
"""Number of the product of two monomials: 1, x, y, x2, xy, y2, x3, x2y, xy2, y3, x4, ..."""


@njit(cache=True, nogil=True, forceinline=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def moments2(sheet: np.ndarray, a: int, b: int, out: Array, to: int) -> None:
    """Weighted sums of two rows times 1, x, y, x2, xy, y2."""
    m0, m1, m2, m3, m4, m5 = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
    for p in range(sheet.shape[1]):
        x, y = sheet[ACROSS, p], sheet[DOWN, p]
        q = sheet[BELL, p] * sheet[a, p] * sheet[b, p]
        qx, qy = q * x, q * y
        m0 += q
        m1 += qx
        m2 += qy
        m3 += qx * x
        m4 += qx * y
        m5 += qy * y
    out[to, 0], out[to, 1], out[to, 2] = m0, m1, m2
    out[to, 3], out[to, 4], out[to, 5] = m3, m4, m5


@njit(cache=True, nogil=True, forceinline=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def moments4(sheet: np.ndarray, a: int, b: int, out: Array, to: int) -> None:
    """Weighted sums of two rows times the monomials up to degree 4."""
    m0, m1, m2, m3, m4, m5, m6, m7 = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
    m8, m9, m10, m11, m12, m13, m14 = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
    for p in range(sheet.shape[1]):
        x, y = sheet[ACROSS, p], sheet[DOWN, p]
        q = sheet[BELL, p] * sheet[a, p] * sheet[b, p]
        qx, qy = q * x, q * y
        qxx, qxy, qyy = qx * x, qx * y, qy * y
        xx, xy, yy = x * x, x * y, y * y
        m0 += q
        m1 += qx
        m2 += qy
        m3 += qxx
        m4 += qxy
        m5 += qyy
        m6 += qxx * x
        m7 += qxx * y
        m8 += qyy * x
        m9 += qyy * y
        m10 += qxx * xx
        m11 += qxx * xy
        m12 += qxx * yy
        m13 += qyy * xy
        m14 += qyy * yy
    out[to, 0], out[to, 1], out[to, 2], out[to, 3], out[to, 4] = m0, m1, m2, m3, m4
    out[to, 5], out[to, 6], out[to, 7], out[to, 8], out[to, 9] = m5, m6, m7, m8, m9
    out[to, 10], out[to, 11], out[to, 12], out[to, 13], out[to, 14] = m10, m11, m12, m13, m14


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _sum_products(sheet: np.ndarray, row: int, size: int, moments: Array) -> None:
    """Sums over the points of the patch in `row`, from which its products follow.

    `moments` rows: of g_m g_m, g_m, g_m v, g_m mean, g_n g_m, g_n; then the products of g_n with
    itself, v and the mean, and of v with the mean.
    """
    gray, along, outward = row + GRAY, row + ALONG, row + OUTWARD
    if size > 3:
        moments4(sheet, outward, outward, moments, 0)
        moments4(sheet, outward, EVERY, moments, 1)
    else:
        moments2(sheet, outward, outward, moments, 0)
        moments2(sheet, outward, EVERY, moments, 1)
    moments2(sheet, outward, gray, moments, 2)
    moments2(sheet, outward, MEAN, moments, 3)
    moments2(sheet, along, outward, moments, 4)
    moments2(sheet, along, EVERY, moments, 5)
    moments[6, 0] = dot(sheet, along, along, BELL)
    moments[6, 1] = dot(sheet, along, gray, BELL)
    moments[6, 2] = dot(sheet, along, MEAN, BELL)
    moments[6, 3] = dot(sheet, gray, MEAN, BELL)


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def sum_view(
    sheet: np.ndarray, row: int, trends: Array, size: int, contrast: float, share: float,
    moments: Array, trend: Array, lean: Array, H: Array, grads: Array, k: int, trend_sums: Array,
) -> float:  # fmt: skip
    """Adds one photograph's part, weight `share`, to H and to the sum of derivatives.

    Bulges count without the halves of their monomials, and all in steps; see `to_mm`.
    The sum of derivatives without their trends gathers in the sheet in pieces: rows SHIFT to
    SHIFT + 5 what is taken off along the patches, then the sums of g_n and g_m.

    Parameters
    ----------
    sheet, row : where the normalised patch and its derivatives lie; row MEAN is the weighted mean
    contrast : length of the grey values before they were normalised
    moments, trend, lean : (7, MOMENTS), (6, TRENDS) and (6,) arrays, room to work in
    H : (6, 6) array, of which the lower half is added to
    grads : (., 6) array, row k is filled with this photograph's part of the gradient
    trend_sums : (6, TRENDS) array, trends of the sum of derivatives, added to

    Returns
    -------
    float
        Product of patch and mean.
    """
    _sum_products(sheet, row, size, moments)
    agree = moments[6, 3]
    inv = 1.0 / contrast
    for a in range(size):
        for i in range(TRENDS):
            trend[a, i] = moments[5, i] if a == 0 else moments[1, PRODUCT[a, i]]
            trend_sums[a, i] += share * inv * trend[a, i]
        lean[a] = moments[6, 1] if a == 0 else moments[2, a]
        other = moments[6, 2] if a == 0 else moments[3, a]
        grads[k, a] = -share * (other - lean[a] * agree) * inv
        for b in range(a + 1):
            if a == 0:
                product = moments[6, 0]
            else:
                product = moments[4, a] if b == 0 else moments[0, PRODUCT[a, b]]
            product -= _common(trend, trends, a, b) + lean[a] * lean[b]
            H[a, b] += share * inv * inv * product
        add(sheet, SHIFT + a, row + GRAY, -share * inv * lean[a])
    add(sheet, SHIFT + 6, row + ALONG, share * inv)
    add(sheet, SHIFT + 7, row + OUTWARD, share * inv)
    return float(agree)


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def _common(trend: Array, trends: Array, a: int, b: int) -> float:
    """Product of the trends of two derivatives."""
    return float(
        trend[a, 0] * trend[b, 0] + trends[0, 2] * trend[a, 1] * trend[b, 1]
        + trends[0, 3] * trend[a, 2] * trend[b, 2]
    )  # fmt: skip


@njit(cache=True, nogil=True, forceinline=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _add_product(sheet: np.ndarray, row: int, first: int, second: int) -> None:
    """Adds to a row of the sum of derivatives what the sum of g_m has in it."""
    for p in range(sheet.shape[1]):
        sheet[row, p] += sheet[first, p] * sheet[second, p] * sheet[SHIFT + 7, p]


@njit(cache=True, nogil=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def take_mean_off(
    sheet: np.ndarray, trends: Array, size: int, alive: int, trend_sums: Array, H: Array
) -> None:
    """What all photographs' patches have in common tells nothing: takes it off H's lower half."""
    add(sheet, SHIFT, SHIFT + 6, 1.0)
    for a in range(1, size):
        first = DOWN if a == 2 or a == 5 else ACROSS
        second = EVERY if a < 3 else ACROSS if a == 3 else DOWN
        _add_product(sheet, SHIFT + a, first, second)
    for a in range(size):
        for b in range(a + 1):
            product = dot(sheet, SHIFT + a, SHIFT + b, BELL)
            H[a, b] -= (product - _common(trend_sums, trends, a, b)) / alive


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def to_mm(H: Array, grads: Array, size: int, step: float) -> None:
    """Counts tilts and bulges in rad and 1/mm, and fills H up."""
    for a in range(size):
        factor = _factor(a, step)
        for k in range(len(grads)):
            grads[k, a] *= factor
        for b in range(a + 1):
            H[a, b] *= factor * _factor(b, step)
            H[b, a] = H[a, b]


@njit(cache=True, nogil=True, forceinline=True)  # type: ignore[untyped-decorator]
def _factor(a: int, step: float) -> float:
    """What unknown a moves a point by in mm, against its monomial in steps."""
    if a < 3:
        return 1.0 if a == 0 else step
    return step * step if a == 4 else 0.5 * step * step
