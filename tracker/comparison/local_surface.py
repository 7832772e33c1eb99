"""A small robust surface through scattered points, and where a needle passes through it.

In a frame whose third axis m is the points' mean normal the surface is
h = a + b u + c v + d u^2 + e u v + f v^2, fitted by weighted least squares with Tukey's biweight
on the residuals and a prior on the bending terms. The needle's depth is the root of
t m - h(t u, t v) = 0.

The biweight lets the surface follow the most of the points. What it sets aside is stone all the
same (the other flank of a ridge), so the scatter about the surface is that of all points round the
needle.

References
----------
A. E. Beaton and J. W. Tukey, Technometrics 16 (1974), the biweight; 4.685 gives 95 % efficiency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.uncertainty import student_inflation
from tracker.maths.camera import Array

Rows = NDArray[np.int64]

BIWEIGHT = 4.685
MAD_TO_SIGMA = 1.482602
MOST_POINTS = 28
CURVATURE_PRIOR_PER_MM = 0.03
"""Standard deviation of d, e, f before any point is seen: stone bends by 1/17 per mm. With few
points it keeps the surface near a plane and lets the variance say what bending may hide."""
UNEVEN_NOISE_SHARE = 0.8
LEAST_UNEVEN_SHARE = 0.2
OWN_DOF = 4.0
"""Of the scatter about the fit, what is certainly not the stone's own unevenness, and the least
that is taken for it."""
WIDEST_SECTOR_RAD = float(np.radians(150.0))
"""The points must surround the needle: no empty sector wider than this."""
SCATTER_FLOOR_MM = 0.02
# half for the mixed term: then the prior is the same whichever way u and v lie
_PRIOR = np.diag([1e-9] * 3 + [w * CURVATURE_PRIOR_PER_MM**-2 for w in (1.0, 0.5, 1.0)])


@dataclass(frozen=True, slots=True)
class LocalFits:
    """One surface per group of points, g of them.

    Attributes
    ----------
    usable : (g,) bool
    depth_mm : (g,) array
        Along the needle from the group's origin to the surface.
    normals : (g, 3) array
        Of the surface where the needle passes.
    variance_mm2 : (g,) array
        Of the depth, for this one place (not for the mean surface): it holds the scatter of the
        stone about the fit, widened for few degrees of freedom.
    nearest : (g,) int
        Row of the point nearest to the needle.
    size : (g,) int
        Points that were offered.
    """

    usable: NDArray[np.bool_]
    depth_mm: Array
    normals: Array
    variance_mm2: Array
    nearest: Rows
    size: Rows


def fit_local_surfaces(
    points: Array,
    normals: Array,
    sigma_mm: Array,
    origins: Array,
    needles: Array,
    members: tuple[Rows, Rows],
    *,
    widest_mm: float,
    min_points: int,
) -> LocalFits:
    """Fit a surface to each group and drive its needle through it.

    Parameters
    ----------
    points, normals : (m, 3) arrays, mm, and sigma_mm : (m,) across the surface
    origins, needles : (g, 3) arrays
        A place on each needle near the group, and its unit direction.
    members : (pairs,) groups, rising, and (pairs,) rows of `points`
    widest_mm : float
        Points farther from the needle do not count.
    """
    groups = len(origins)
    size = np.bincount(members[0], minlength=groups).astype(np.int64)
    rows, valid, aside = _nearest_to_needle(points, origins, needles, members)
    mean = np.einsum("gkd,gk->gd", normals[rows], valid / (1.0 + aside))
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-12)
    axes = _axes(mean)
    local = np.einsum("gij,gkj->gki", axes, points[rows] - origins[:, None, :])
    width = _bandwidth(aside, valid, widest_mm, min_points)
    taper = np.where(valid, np.clip(1.0 - (aside / width[:, None]) ** 2, 0.0, 1.0), 0.0)
    taper[np.einsum("gkd,gd->gk", normals[rows], mean) < 0.5] = 0.0
    enough = (taper > 0.0).sum(axis=1) >= min_points
    needle = np.einsum("gij,gj->gi", axes, needles)
    enough &= (needle[:, 2] > 0.2) & _surrounded(local, needle, taper)
    depth, slope, variance = _robust_depth(local, needle, taper, sigma_mm[rows], enough)
    tilted = np.concatenate([-slope, np.ones((groups, 1))], axis=1)
    tilted /= np.linalg.norm(tilted, axis=1, keepdims=True)
    return LocalFits(
        usable=enough & np.isfinite(variance),
        depth_mm=depth,
        normals=np.einsum("gji,gj->gi", axes, tilted),
        variance_mm2=variance,
        nearest=rows[:, 0] if groups else np.zeros(0, dtype=np.int64),
        size=size,
    )


def _nearest_to_needle(
    points: Array, origins: Array, needles: Array, members: tuple[Rows, Rows]
) -> tuple[Rows, NDArray[np.bool_], Array]:
    """Members ordered by their distance from the needle, cut or padded to one width."""
    group, member = members
    offset = points[member] - origins[group]
    across = offset - np.einsum("nd,nd->n", offset, needles[group])[:, None] * needles[group]
    distance = np.linalg.norm(across, axis=1)
    order = np.lexsort((distance, group))
    group, member, distance = group[order], member[order], distance[order]
    rank = np.arange(len(group)) - np.searchsorted(group, group)
    near = rank < MOST_POINTS
    shape = (len(origins), MOST_POINTS)
    rows, valid = np.zeros(shape, dtype=np.int64), np.zeros(shape, dtype=bool)
    aside = np.full(shape, 1e6)
    at = (group[near], rank[near])
    rows[at], valid[at], aside[at] = member[near], True, distance[near]
    return rows, valid, aside


def _bandwidth(aside: Array, valid: NDArray[np.bool_], widest_mm: float, min_points: int) -> Array:
    """Radius of the points that count: as narrow as their spacing allows, (g,) mm."""
    wanted = min(min_points + 3, MOST_POINTS - 1)
    reached = np.where(valid[:, wanted], aside[:, wanted], widest_mm)
    return np.clip(1.35 * reached, 0.25 * widest_mm, widest_mm) + 1e-9


def _axes(mean: Array) -> Array:
    """Rows u, v, m of a right-handed frame on each mean normal, (g, 3, 3)."""
    other = np.zeros_like(mean)
    other[np.arange(len(mean)), np.argmin(np.abs(mean), axis=1)] = 1.0
    u = np.cross(other, mean)
    u /= np.maximum(np.linalg.norm(u, axis=1, keepdims=True), 1e-12)
    return np.stack([u, np.cross(mean, u), mean], axis=1)


def _surrounded(local: Array, needle: Array, taper: Array) -> NDArray[np.bool_]:
    """Whether points lie all round the place where the needle passes the fitted plane."""
    across = local[:, :, :2] - needle[:, None, :2] * (
        local[:, :, 2:] / np.maximum(needle[:, None, 2:], 0.2)
    )
    angle = np.where(taper > 0.0, np.arctan2(across[..., 1], across[..., 0]), np.inf)
    angle = np.sort(angle, axis=1)
    first = angle[:, :1]
    # padding takes the first angle, one turn on: it then closes the circle
    angle = np.where(np.isfinite(angle), angle, first + 2.0 * np.pi)
    closed = np.concatenate([angle, first + 2.0 * np.pi], axis=1)
    with np.errstate(invalid="ignore"):
        widest = np.diff(closed, axis=1).max(axis=1, initial=0.0)
    return np.asarray(np.isfinite(widest) & (widest < WIDEST_SECTOR_RAD))


def _robust_depth(
    local: Array, needle: Array, taper: Array, sigma: Array, enough: NDArray[np.bool_]
) -> tuple[Array, Array, Array]:
    """Depth (g,), slope (g, 2) and variance (g,) of every group; infinite where none is had."""
    groups = len(local)
    depth, slope = np.zeros(groups), np.zeros((groups, 2))
    variance = np.full(groups, np.inf)
    rows = np.flatnonzero(enough)
    if len(rows):
        depth[rows], slope[rows], variance[rows] = _fit(
            local[rows], needle[rows], taper[rows], sigma[rows]
        )
    return depth, slope, variance


def _design(u: Array, v: Array) -> Array:
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _fit(local: Array, needle: Array, taper: Array, sigma: Array) -> tuple[Array, Array, Array]:
    X = _design(local[..., 0], local[..., 1])
    h = local[..., 2]
    weight = taper.copy()
    scatter = np.sqrt((taper * sigma**2).sum(axis=1) / np.maximum(taper.sum(axis=1), 1e-12))
    for _ in range(6):
        XtW = np.swapaxes(X * weight[..., None], 1, 2)
        inverse = np.linalg.inv(XtW @ X + _PRIOR * (scatter**2)[:, None, None])
        coefficients = (inverse @ (XtW @ h[..., None]))[..., 0]
        residual = h - np.einsum("gkt,gt->gk", X, coefficients)
        scatter = np.hypot(_scatter(residual, taper), SCATTER_FLOOR_MM)
        z = residual / (BIWEIGHT * scatter[:, None])
        weight = taper * np.clip(1.0 - z * z, 0.0, None) ** 2
    depth, slope = _through(coefficients, needle)
    at = _design(depth * needle[:, 0], depth * needle[:, 1])
    effective = weight.sum(axis=1) ** 2 / np.maximum((weight**2).sum(axis=1), 1e-12)
    dof = effective - np.einsum("gij,gji->g", inverse, XtW @ X)
    spread = (taper * residual**2).sum(axis=1) / np.maximum(taper.sum(axis=1), 1e-12)
    spread *= effective / np.maximum(dof, 0.5)
    own = (weight * sigma**2).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-12)
    # the points' own sigma counts like OWN_DOF further residuals
    per_point = (np.maximum(dof, 0.0) * spread + OWN_DOF * own) / (np.maximum(dof, 0.0) + OWN_DOF)
    dof = np.maximum(dof, 0.0) + OWN_DOF
    # the stone at this one place keeps its own unevenness, the points' noise averages out
    uneven = np.maximum(per_point - UNEVEN_NOISE_SHARE * own, LEAST_UNEVEN_SHARE * per_point)
    leverage = np.einsum("gt,gts,gs->g", at, inverse, at)
    variance = (uneven + per_point * leverage) * student_inflation(dof) ** 2
    cosine = (needle[:, 2] - np.einsum("gi,gi->g", slope, needle[:, :2])) / np.sqrt(
        1.0 + (slope**2).sum(axis=1)
    )
    variance = variance / np.maximum(cosine, 0.2) ** 2
    variance[cosine < 0.2] = np.inf
    return depth, slope, variance


def _scatter(residual: Array, taper: Array) -> Array:
    """1.4826 times the median absolute residual of the points that count, (g,) mm."""
    size = np.where(taper > 0.0, np.abs(residual), np.inf)
    size = np.sort(size, axis=1)
    middle = np.maximum(((taper > 0.0).sum(axis=1) - 1) // 2, 0)
    found = np.take_along_axis(size, middle[:, None], axis=1)[:, 0]
    return MAD_TO_SIGMA * np.where(np.isfinite(found), found, 0.0)


def _through(coefficients: Array, needle: Array) -> tuple[Array, Array]:
    """Depth at which the needle meets the surface, by Newton's method, and the slope there."""
    a, b, c, d, e, f = coefficients.T
    nu, nv, nm = needle.T
    depth = np.zeros(len(coefficients))
    for _ in range(8):
        u, v = depth * nu, depth * nv
        by_u, by_v = b + 2.0 * d * u + e * v, c + e * u + 2.0 * f * v
        miss = depth * nm - (a + b * u + c * v + d * u * u + e * u * v + f * v * v)
        rate = nm - by_u * nu - by_v * nv
        depth = depth - np.clip(miss / np.where(np.abs(rate) < 0.05, 0.05, rate), -3.0, 3.0)
    u, v = depth * nu, depth * nv
    return depth, np.stack([b + 2.0 * d * u + e * v, c + e * u + 2.0 * f * v], axis=1)
