"""Depth, tilt and bulge of a patch by least squares on the grey values of several photographs.

From every photograph's patch its mean and its slope of grey are taken off, and it is brought to
length 1. The mean cancels exposure and haze. The slope goes because light that fades smoothly over
a hollow agrees at almost any depth: it says nothing of where the stone is, and would outweigh the
grain, which does. The sum of squared differences from the weighted mean is made least by
Gauss-Newton steps. Unknowns: d, the centre's move along the needle (counted in normal distance),
the tilts a, b, and if wanted the bulge. With v_k the normalised patch of photograph k, b_i the
three grey trends (1, x, y made orthonormal) and t = sum w_k v_k / sum w_k,

    cost = sum_k w_k |v_k - t|^2,
    d v_k = (D - v_k (v_k . D)) / length,    D = d I_k - sum_i b_i (b_i . d I_k)

so that H = sum_k w_k dv_k dv_k^T - W dt dt^T and g = sum_k w_k dv_k v_k - W dt t.

References
----------
A. Gruen, "Adaptive least squares correlation", S. Afr. J. of Photogrammetry 14 (1985).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tracker.cloud.patch_sampling import sample_patch, tangents
from tracker.cloud.patch_window import HALVES, REORDER, normalise
from tracker.maths.camera import Array

MAX_VIEWS = 10
LEAST_CONTRAST = 0.3
"""Grey levels of grain below which a photograph says nothing."""
FIELDS = 14
"""Width of a fit's record; see `FIT_*`."""
FIT_DEPTH, FIT_NX, FIT_NY, FIT_NZ, FIT_CORR, FIT_WORST, FIT_SIGMA, FIT_SPREAD = range(8)
FIT_VIEWS, FIT_CONTRAST, FIT_OK, FIT_STEP, FIT_HALVES, FIT_BULGE = range(8, 14)


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def solve_small(matrix: Array, right: Array, size: int) -> bool:
    """Solves matrix x = right in place by Cholesky; False when not positive definite."""
    for j in range(size):
        for i in range(j, size):
            s = matrix[i, j]
            for k in range(j):
                s -= matrix[i, k] * matrix[j, k]
            if i == j:
                if s <= 1e-12:
                    return False
                matrix[j, j] = math.sqrt(s)
            else:
                matrix[i, j] = s / matrix[j, j]
    for i in range(size):
        s = right[i]
        for k in range(i):
            s -= matrix[i, k] * right[k]
        right[i] = s / matrix[i, i]
    for i in range(size - 1, -1, -1):
        s = right[i]
        for k in range(i + 1, size):
            s -= matrix[k, i] * right[k]
        right[i] = s / matrix[i, i]
    return True


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def agreements(
    patches: Array, used: np.ndarray, views: int, w: Array, count: int, corr: Array
) -> float:
    """Correlation of each photograph with the mean of the others; returns the mean pair."""
    number = 0
    total = 0.0
    sums = np.zeros(count)
    for k in range(views):
        if used[k]:
            number += 1
            for p in range(count):
                sums[p] += patches[k, 0, p]
    for p in range(count):
        total += w[p] * sums[p] * sums[p]
    if number < 2:
        return -1.0
    for k in range(views):
        corr[k] = -1.0
        if used[k]:
            dot = 0.0
            for p in range(count):
                dot += w[p] * sums[p] * patches[k, 0, p]
            rest = total - 2.0 * dot + 1.0
            corr[k] = (dot - 1.0) / math.sqrt(max(rest, 1e-9))
    return (total - number) / (number * (number - 1.0))


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _sum_view(
    patch: Array, mean_v: Array, w: Array, basis: Array, half: int, step: float, size: int,
    rows: Array, contrast: float, share: float, H: Array, g: Array, mean_dv: Array,
) -> None:  # fmt: skip
    """One photograph's part of the normal equations, weight `share`, and of the mean derivative.

    With D_a = d I / d unknown a less its grey trends, every product with
    dv_a = (D_a - v (v . D_a)) / length follows from sums of D_a v, D_a t, D_a D_b.
    """
    width = 2 * half + 1
    count = width * width
    n = 0
    for j in range(width):
        y = (j - half) * step
        for i in range(width):
            x = (i - half) * step
            gm = patch[2, n]
            rows[0, n] = patch[1, n]
            rows[1, n] = x * gm
            rows[2, n] = y * gm
            if size == 6:
                rows[3, n] = 0.5 * x * x * gm
                rows[4, n] = x * y * gm
                rows[5, n] = 0.5 * y * y * gm
            n += 1
    level, across, down = basis[0], basis[1], basis[2]
    lean = np.empty(6)
    inv = 1.0 / contrast
    agree = 0.0
    for p in range(count):
        agree += w[p] * patch[0, p] * mean_v[p]
    for a in range(size):
        row = rows[a]
        t0 = 0.0
        t1 = 0.0
        t2 = 0.0
        for p in range(count):
            q = w[p] * row[p]
            t0 += q * level[p]
            t1 += q * across[p]
            t2 += q * down[p]
        s2 = 0.0
        s3 = 0.0
        for p in range(count):
            d = row[p] - t0 * level[p] - t1 * across[p] - t2 * down[p]
            row[p] = d
            s2 += w[p] * d * patch[0, p]
            s3 += w[p] * d * mean_v[p]
        lean[a] = s2
        g[a] = -(s3 - s2 * agree) * inv
        for b in range(a + 1):
            other = rows[b]
            s4 = 0.0
            for p in range(count):
                s4 += w[p] * row[p] * other[p]
            H[a, b] += share * (s4 - s2 * lean[b]) * inv * inv
        for p in range(count):
            mean_dv[a, p] += share * (row[p] - s2 * patch[0, p]) * inv


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _drop_strangers(
    patches: Array, used: np.ndarray, views: int, w: Array, count: int, corr: Array, least: float
) -> float:
    """Drops photographs that agree by less than `least`, worst first, keeping three."""
    pair = agreements(patches, used, views, w, count, corr)
    alive = 0
    for k in range(views):
        alive += used[k]
    while alive > 3:
        worst = -1
        for k in range(views):
            if used[k] and corr[k] < least and (worst < 0 or corr[k] < corr[worst]):
                worst = k
        if worst < 0:
            break
        used[worst] = 0
        alive -= 1
        pair = agreements(patches, used, views, w, count, corr)
    return float(pair)


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _write_relief(relief: Array, bulge: Array, half: int, step: float) -> None:
    """Height of the grid points of a bulging patch."""
    n = 0
    for j in range(-half, half + 1):
        y = j * step
        for i in range(-half, half + 1):
            x = i * step
            relief[n] = 0.5 * (bulge[0] * x * x + 2.0 * bulge[1] * x * y + bulge[2] * y * y)
            n += 1


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def fit_patch(
    pixels: np.ndarray,
    layout: np.ndarray,
    scale: float,
    cameras: Array,
    chosen: np.ndarray,
    point: Array,
    needle: Array,
    depth: float,
    normal: Array,
    half: int,
    step: float,
    tilt_sigma: float,
    bulging: bool,
    rounds: int,
    drop_below: float,
    patches: Array,
    w: Array,
    basis: Array,
    half_w: Array,
    half_basis: Array,
    record: Array,
) -> bool:
    """Least-squares fit of one patch; writes `record` (FIELDS long) and says whether it stands.

    `chosen` lists photographs, -1 at the end. Photographs that agree with the mean of the others
    by less than `drop_below` are dropped (worst first, three are kept) after the first step.
    The surface is expected along `normal` give or take `tilt_sigma` (rad); `bulging` lets it bend.
    """
    count = (2 * half + 1) ** 2
    views = 0
    while views < len(chosen) and views < MAX_VIEWS and chosen[views] >= 0:
        views += 1
    record[FIT_OK] = 0.0
    if views < 3:
        return False
    size = 6 if bulging else 3
    used = np.ones(views, dtype=np.uint8)
    corr = np.zeros(views)
    contrast = np.zeros(views)
    weight = np.ones(views)
    m = normal.copy()
    u = np.empty(3)
    v = np.empty(3)
    c = np.empty(3)
    along = np.empty(3)
    bulge = np.zeros(3)
    relief = np.empty(count if bulging else 0)
    H = np.empty((6, 6))
    g = np.empty(6)
    rows = np.empty((6, count))
    mean_dv = np.empty((6, count))
    mean_v = np.empty(count)
    grads = np.zeros((views, 6))
    squares = 0.0
    for p in range(count):
        squares += w[p] * w[p]
    start_depth = depth
    moved = 1e9
    pair = -1.0
    residual = 0.0
    slope = 1.0
    for turn in range(rounds + 1):
        slope = needle[0] * m[0] + needle[1] * m[1] + needle[2] * m[2]
        if slope < 0.15:
            return False
        tangents(m, u, v)
        for i in range(3):
            c[i] = point[i] + depth * needle[i]
            along[i] = needle[i] / slope
        if len(relief) > 0:
            _write_relief(relief, bulge, half, step)
        alive = 0
        for k in range(views):
            if not used[k]:
                continue
            cam = chosen[k]
            good = sample_patch(
                pixels,
                layout[cam],
                scale,
                cameras[cam],
                c,
                u,
                v,
                m,
                along,
                relief,
                half,
                step,
                True,
                patches[k],
            )
            if good:
                contrast[k] = normalise(patches[k, 0], w, basis, count)
                good = contrast[k] > LEAST_CONTRAST
            used[k] = 1 if good else 0
            alive += used[k]
        if alive < 3:
            return False
        least = drop_below if turn >= 1 else -1.0
        pair = _drop_strangers(patches, used, views, w, count, corr, least)
        # photographs that agree better count for more
        total = 0.0
        alive = 0
        for k in range(views):
            if used[k]:
                q = min(max(corr[k], 0.2), 0.98)
                weight[k] = q / (1.0 - q * q + 0.05) if turn >= 1 else 1.0
                total += weight[k]
                alive += 1
        for p in range(count):
            mean_v[p] = 0.0
        for a in range(size):
            g[a] = 0.0
            for b in range(size):
                H[a, b] = 0.0
            for p in range(count):
                mean_dv[a, p] = 0.0
        for k in range(views):
            if used[k]:
                for p in range(count):
                    mean_v[p] += weight[k] / total * patches[k, 0, p]
        # shares sum to alive, so that H and the residual count photographs
        residual = 0.0
        for k in range(views):
            if not used[k]:
                continue
            share = weight[k] / total * alive
            _sum_view(
                patches[k],
                mean_v,
                w,
                basis,
                half,
                step,
                size,
                rows,
                contrast[k],
                share,
                H,
                grads[k],
                mean_dv,
            )
            for p in range(count):
                r = patches[k, 0, p] - mean_v[p]
                residual += share * w[p] * r * r
            for a in range(size):
                grads[k, a] *= share
                g[a] += grads[k, a]
        for a in range(size):
            for b in range(a + 1):
                s = 0.0
                for p in range(count):
                    s += w[p] * mean_dv[a, p] * mean_dv[b, p]
                H[a, b] -= s / alive
                H[b, a] = H[a, b]
        # noise of one normal equation's row; three times over, since neighbours' noise is alike
        noise = 3.0 * squares * residual / max(alive - 1, 1) + 1e-6
        rein = noise / (tilt_sigma * tilt_sigma)
        for i in range(3):
            g[1] += rein * normal[i] * u[i]
            g[2] += rein * normal[i] * v[i]
        H[0, 0] += 1e-9
        H[1, 1] += rein
        H[2, 2] += rein
        if bulging:
            # radius of curvature hardly below 8 mm
            for a in range(3, 6):
                H[a, a] += noise * 64.0
                g[a] += noise * 64.0 * bulge[a - 3]
        if turn == rounds or moved < 0.02 * step:
            break
        if not solve_small(H, g, size):
            return False
        dd = min(max(-g[0], -1.5 * step), 1.5 * step)
        ta = min(max(-g[1], -0.25), 0.25)
        tb = min(max(-g[2], -0.25), 0.25)
        depth += dd / slope
        for i in range(3):
            m[i] -= ta * u[i] + tb * v[i]
        length = math.sqrt(m[0] * m[0] + m[1] * m[1] + m[2] * m[2])
        for i in range(3):
            m[i] /= length
        if bulging:
            limit = 0.5 / (half * step)
            for a in range(3):
                bulge[a] = min(max(bulge[a] - g[3 + a], -limit), limit)
        moved = abs(dd) + 0.3 * half * step * (abs(ta) + abs(tb))
        if abs(depth - start_depth) * slope > 6.0 * step:
            return False
    record[FIT_HALVES] = worst_half(patches, used, views, half_w, half_basis, count)
    _write_record(
        record,
        depth,
        m,
        pair,
        corr,
        used,
        contrast,
        views,
        H,
        grads,
        size,
        residual,
        slope,
        squares,
        step,
        bulge,
    )
    return True


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def worst_half(
    patches: Array, used: np.ndarray, views: int, half_w: Array, half_basis: Array, count: int
) -> float:
    """Least mean pair correlation over the four halves of the patch.

    A patch at the foot of a ridge can agree by the ridge alone, at the ridge's depth; its far half
    then does not agree.
    """
    corr = np.zeros(views)
    worst = 1.0
    for h in range(HALVES):
        for k in range(views):
            if used[k]:
                normalise(patches[k, 0], half_w[h], half_basis[h], count)
        worst = min(worst, agreements(patches, used, views, half_w[h], count, corr))
    return worst


@njit(cache=True, nogil=True, fastmath=REORDER)  # type: ignore[untyped-decorator]
def _write_record(
    record: Array, depth: float, m: Array, pair: float, corr: Array, used: np.ndarray,
    contrast: Array, views: int, H: Array, grads: Array, size: int, residual: float, slope: float,
    squares: float, step: float, bulge: Array,
) -> None:  # fmt: skip
    """Figures of merit: pair correlation, worst view, sigma by noise, sigma by views' discord."""
    right = np.zeros(6)
    right[0] = 1.0
    alive = 0
    worst = 1.0
    texture = 0.0
    for k in range(views):
        if used[k]:
            alive += 1
            worst = min(worst, corr[k])
            texture += contrast[k]
    sigma = 1e3
    spread = 1e3
    if solve_small(H, right, size):
        sigma = math.sqrt(max(right[0], 0.0) * residual * squares / max(alive - 1, 1)) / slope
        s = 0.0
        for k in range(views):
            if used[k]:
                e = 0.0
                for a in range(size):
                    e += right[a] * grads[k, a]
                s += e * e
        spread = math.sqrt(s * alive / max(alive - 1, 1)) / slope
    record[FIT_DEPTH] = depth
    record[FIT_NX] = m[0]
    record[FIT_NY] = m[1]
    record[FIT_NZ] = m[2]
    record[FIT_CORR] = pair
    record[FIT_WORST] = worst
    record[FIT_SIGMA] = sigma
    record[FIT_SPREAD] = spread
    record[FIT_VIEWS] = alive
    record[FIT_CONTRAST] = texture / max(alive, 1)
    record[FIT_STEP] = step
    record[FIT_BULGE] = bulge[0] + bulge[2]
    record[FIT_OK] = 1.0
