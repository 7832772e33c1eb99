"""The law of propagation of uncertainty, and what each place's figure owes to what.

Symbols as in JCGM 100:2008 (the GUM): c sensitivity coefficients, u standard uncertainties,
nu degrees of freedom, k coverage factor.

References
----------
JCGM 100:2008, 4.3 (type B), 5.1.2 and 5.2.2 (law of propagation), 6.2.1 (U = k u),
G.4.1 (Welch-Satterthwaite).
JCGM 106:2012, 7.2 and 8.3 (conformance probability, guard bands).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.readings import VARIANCE_PARTS, Readings
from tracker.maths.camera import Array, Lens, Pose
from tracker.maths.chance import normal_below, normal_quantile, student_quantile

COVERAGE_FACTOR = 2.0
"""k of every U95 in this project."""
SURFACE, NETWORK, FRAME, MODEL = range(len(VARIANCE_PARTS))
MIN_COSINE = 0.17
"""Needles nearer than 10 degrees to lying in the stone's surface have no useful figure."""


def propagate(jacobian: Array, covariance: Array) -> Array:
    """Covariance of outputs from that of inputs, U_y = C U_x C^T (GUM 5.2.2, H.2).

    Parameters
    ----------
    jacobian : (..., m, n) array
    covariance : (..., n, n) array

    Returns
    -------
    (..., m, m) array
    """
    return np.asarray(jacobian @ covariance @ np.swapaxes(jacobian, -1, -2))


def effective_dof(contributions: Sequence[float], dof: Sequence[float]) -> float:
    """Effective degrees of freedom of a combined uncertainty (GUM G.2b, Welch-Satterthwaite).

    Parameters
    ----------
    contributions : the |c_i| u_i
    dof : their degrees of freedom, infinite where an uncertainty is certain
    """
    u = np.asarray(contributions, dtype=np.float64)
    combined = float((u**2).sum())
    below = float((u**4 / np.asarray(dof, dtype=np.float64)).sum())
    return float("inf") if below == 0.0 else combined**2 / below


def coverage_factor(dof: float | Array, probability: float = 0.95) -> Array:
    """Two-sided Student factor t_p(nu) (GUM table G.2)."""
    return student_quantile(0.5 + 0.5 * probability, dof)


def student_inflation(dof: Array) -> Array:
    """Factor on a sigma estimated with few degrees of freedom so that 2 sigma covers 95 %.

    t95(nu) / t95(infinity): the expanded uncertainty stays 2 sigma everywhere (GUM G.3.2).
    """
    return np.asarray(coverage_factor(np.maximum(dof, 1.0)) / coverage_factor(np.inf))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of limits +-a with nothing known between them, a/sqrt 3 (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """Standard uncertainty of limits +-a, the middle likelier, a/sqrt 6 (GUM 4.3.9)."""
    return half_width / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """Standard uncertainty of a value that swings between +-a, a/sqrt 2 (GUM H.1.3.4)."""
    return half_width / math.sqrt(2.0)


def resolution(step: float) -> float:
    """Standard uncertainty of a reading rounded to a step d, d/sqrt 12 (GUM F.2.2.1)."""
    return step / math.sqrt(12.0)


def slant(needles: Array, normals: Array) -> Array:
    """Cosine between needle and stone's normal, (n,): a shift s across moves the figure s/cos."""
    cosine = np.abs(np.einsum("nd,nd->n", needles, normals))
    return np.asarray(np.maximum(cosine, MIN_COSINE))


def along_needle_variance_mm2(cov_mm2: Array, needles: Array, normals: Array) -> Array:
    """Variance of stone left from the covariance of the stone's place, n^T C n / cos^2, (n,)."""
    across = np.einsum("ni,nij,nj->n", normals, cov_mm2, normals)
    return np.asarray(across / slant(needles, normals) ** 2)


def rigid_variance_mm2(places: Array, needles: Array, normals: Array, cov_rigid: Array) -> Array:
    """Variance of stone left when the whole stone may be turned and shifted against the model.

    Parameters
    ----------
    places : (n, 3) array, mm
    cov_rigid : (6, 6) array
        Covariance of a small turn w about the origin and a shift s (rad, mm): dx = w x X + s.
    """
    moved = rigid_sensitivity(places, normals) / slant(needles, normals)[:, None]
    return np.asarray(np.einsum("ni,ij,nj->n", moved, cov_rigid, moved))


def rigid_sensitivity(places: Array, normals: Array) -> Array:
    """Derivative of the shift across the surface by (turn, shift), (n, 6): n.(w x X + s)."""
    return np.concatenate([np.cross(places, normals), normals], axis=1)


def model_variance_mm2(tolerance_mm: float, count: int) -> Array:
    """Variance of stone left from the model's tolerance, rectangular limits, (n,)."""
    return np.full(count, rectangular(tolerance_mm) ** 2)


def network_variance_mm2(
    places: Array,
    needles: Array,
    normals: Array,
    seen: NDArray[np.bool_],
    lenses: Sequence[Lens],
    lens_of_photo: NDArray[np.int64],
    poses: Sequence[Pose],
    cov_cameras: Array,
    *,
    chunk: int = 2000,
) -> Array:
    """Variance of stone left from poses and lenses, propagated through the actual rays.

    A place intersected from its photographs moves by dX = -N^-1 sum A^T B dtheta, with A and B the
    derivatives of its pixels by the place and by pose and lens and N = sum A^T A; the needle
    feels the part across the surface, n.dX / cos.

    Parameters
    ----------
    places, needles, normals : (n, 3) arrays
        Places of the stone (mm), needles and the stone's normals there.
    seen : (n, photographs) bool
        Photographs that take part; fewer than two give infinity.
    lens_of_photo : (photographs,) rows of `lenses`
    cov_cameras : (6 photographs + 8 lenses, same) array
        As `Solution.cov_cameras`: (w, dt) per photograph with R <- exp(w) R, then the lenses.

    Returns
    -------
    (n,) array, mm^2
    """
    result = np.full(len(places), np.inf)
    for start in range(0, len(places), chunk):
        rows = slice(start, start + chunk)
        result[rows] = _network_piece(
            places[rows], normals[rows], seen[rows], lenses, lens_of_photo, poses, cov_cameras
        )
    return np.asarray(result / slant(needles, normals) ** 2)


def _network_piece(
    places: Array,
    normals: Array,
    seen: NDArray[np.bool_],
    lenses: Sequence[Lens],
    lens_of_photo: NDArray[np.int64],
    poses: Sequence[Pose],
    cov_cameras: Array,
) -> Array:
    count, photos = seen.shape
    N = np.zeros((count, 3, 3))
    AtB = np.zeros((count, 3, 6 * photos + 8 * len(lenses)))
    for photo, pose in enumerate(poses):
        rows = np.flatnonzero(seen[:, photo])
        if not len(rows):
            continue
        lens_row = int(lens_of_photo[photo])
        A, B_pose, B_lens = _pixel_derivatives(lenses[lens_row], pose, places[rows])
        At = np.swapaxes(A, 1, 2)
        N[rows] += At @ A
        AtB[rows, :, 6 * photo : 6 * photo + 6] = At @ B_pose
        first = 6 * photos + 8 * lens_row
        AtB[rows, :, first : first + 8] += At @ B_lens
    enough = seen.sum(axis=1) >= 2
    variance = np.full(count, np.inf)
    across = np.linalg.solve(N[enough], normals[enough][:, :, None])[:, :, 0]
    moved = np.einsum("nd,ndk->nk", across, AtB[enough])
    variance[enough] = np.einsum("nk,nk->n", moved @ cov_cameras, moved)
    return variance


def _pixel_derivatives(lens: Lens, pose: Pose, places: Array) -> tuple[Array, Array, Array]:
    """Pixels' derivatives by place (n, 2, 3), by (w, dt) (n, 2, 6) and by the lens (n, 2, 8)."""
    turned = places @ pose.R.T
    p_camera = turned + pose.t
    z = p_camera[:, 2]
    x, y = p_camera[:, 0] / z, p_camera[:, 1] / z
    r2 = x * x + y * y
    radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
    slope = 2.0 * (lens.k1 + r2 * (2.0 * lens.k2 + 3.0 * r2 * lens.k3))
    f = lens.focal_px
    mixed = x * y * slope + 2.0 * lens.p1 * x + 2.0 * lens.p2 * y
    D = np.empty((len(z), 2, 2))
    D[:, 0, 0] = f * (radial + x * x * slope + 2.0 * lens.p1 * y + 6.0 * lens.p2 * x)
    D[:, 1, 1] = f * (radial + y * y * slope + 6.0 * lens.p1 * y + 2.0 * lens.p2 * x)
    D[:, 0, 1] = D[:, 1, 0] = f * mixed
    perspective = np.zeros((len(z), 2, 3))
    perspective[:, 0, 0] = perspective[:, 1, 1] = 1.0 / z
    perspective[:, 0, 2], perspective[:, 1, 2] = -x / z, -y / z
    by_camera = D @ perspective
    cross = np.zeros((len(z), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2] = turned[:, 2], -turned[:, 1]
    cross[:, 1, 0], cross[:, 1, 2] = -turned[:, 2], turned[:, 0]
    cross[:, 2, 0], cross[:, 2, 1] = turned[:, 1], -turned[:, 0]
    by_pose = np.concatenate([by_camera @ cross, by_camera], axis=2)
    tangential_x = 2.0 * lens.p1 * x * y + lens.p2 * (r2 + 2.0 * x * x)
    tangential_y = lens.p1 * (r2 + 2.0 * y * y) + 2.0 * lens.p2 * x * y
    zero, one = np.zeros_like(x), np.ones_like(x)
    by_lens = np.stack(
        [
            np.stack([x * radial + tangential_x, y * radial + tangential_y], axis=1),
            np.stack([one, zero], axis=1),
            np.stack([zero, one], axis=1),
            f * np.stack([x * r2, y * r2], axis=1),
            f * np.stack([x * r2**2, y * r2**2], axis=1),
            f * np.stack([2.0 * x * y, r2 + 2.0 * y * y], axis=1),
            f * np.stack([r2 + 2.0 * x * x, 2.0 * x * y], axis=1),
            f * np.stack([x * r2**3, y * r2**3], axis=1),
        ],
        axis=2,
    )
    return by_camera @ pose.R, by_pose, by_lens


def budget_mm(readings: Readings, row: int) -> dict[str, float]:
    """Standard uncertainty of one place by its parts, mm, in the order of VARIANCE_PARTS."""
    return {
        part: float(readings.variance_mm2[row, k] ** 0.5) for k, part in enumerate(VARIANCE_PARTS)
    }


def dominant_part(readings: Readings) -> tuple[str, ...]:
    """The part that weighs most at each place."""
    return tuple(VARIANCE_PARTS[k] for k in np.argmax(readings.variance_mm2, axis=1))


def probability_below(value: Array | float, sigma: Array | float, limit: float) -> Array:
    """Probability that the true value lies below a limit (JCGM 106, 7.2.2, normal)."""
    return normal_below((limit - np.asarray(value)) / np.asarray(sigma))


def probability_within(
    value: Array | float, sigma: Array | float, low: float, high: float
) -> Array:
    """Probability that the true value lies between two limits (JCGM 106, 7.2.3)."""
    return probability_below(value, sigma, high) - probability_below(value, sigma, low)


def guard_width(sigma: float, probability: float = 0.95) -> float:
    """Width of a one-sided guard band (ISO 14253-1; JCGM 106, 8.3.2): 1.645 u at 95 %."""
    return normal_quantile(probability) * sigma


def decided(value: float, sigma: float, limit: float, probability: float = 0.95) -> str:
    """Whether a value is proved "above" or "below" a limit, or "not decided" (ISO 14253-1)."""
    guard = guard_width(sigma, probability)
    if value > limit + guard:
        return "above"
    return "below" if value < limit - guard else "not decided"
