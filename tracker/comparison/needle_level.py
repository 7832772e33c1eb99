"""Finished stone lies level with the model: what its places have in common is known better.

Readings of neighbours err apart from each other, but finished stone hardly changes from place to
place in its depth below the model. Supposing that depths round a place are drawn from a Gaussian
process, and each reading is off by its own sigma,

    d_a = m + g(x_a) + e_a,   cov(g_a, g_b) = s^2 exp(-r^2 / 2 L^2) + h^2 exp(-r^2 / 2 l^2),

with m unknown, the depth at the place and its sigma follow from all readings at once (kriging).
Readings that lie far off count for less (Student's t, by weights found in rounds). Two families of
s, L and h contend: level stone, and stone as heavy tools leave it. Only where the readings
themselves speak for level stone near the model is its depth given in place of the own reading; a
shallow over-cut spot or a tool mark speaks against it.

References
----------
C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006), sections 2.2,
2.7 (unknown mean) and 5.4.1 (evidence).
K. L. Lange, R. J. A. Little, J. M. G. Taylor, "Robust statistical modeling using the t
distribution", J. Am. Stat. Assoc. 84 (1989) 881-896 (the weights).
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.maths.camera import Array

LEVEL = ((0.0, 4.0, 0.0), (0.1, 4.0, 0.0))
ROUGH = ((0.7, 4.0, 0.3), (4.0, 6.0, 0.8))
"""Families of s, L and h, mm."""
GRAIN_MM = 1.0
"""l, the reach of the part that changes from place to place."""
FREEDOM = 2.0
"""Degrees of freedom of the readings' errors."""
ROUNDS = 3
NEAREST = 24
REACH_MM = 5.5
LEAST_FACING = 0.7
"""Cosine between the needles of places that can be one finished surface."""
NEAR_MODEL_MM = 0.8
"""Stone farther off the model is not finished, however level."""
FEWEST = 6
"""Readings that make a level surface."""
UNREAD_MM = 1e3
"""Sigma of a place without a reading of its own: only its neighbours count there."""
SAME_MM = 1e-6
PIECE = 4096


@dataclass(frozen=True, slots=True)
class Sounded:
    """Depths read at m places, each on its own.

    Attributes
    ----------
    points, needles : (m, 3) arrays, places of the model and their directions
    depth_mm : (m,) array, along the needle
    sigma_mm : (m,) array, standard deviation; UNREAD_MM where nothing was read
    """

    points: Array
    needles: Array
    depth_mm: Array
    sigma_mm: Array

    def rows(self, which: NDArray[np.int64]) -> Sounded:
        """Some of the places."""
        return Sounded(
            self.points[which], self.needles[which], self.depth_mm[which], self.sigma_mm[which]
        )


@dataclass(frozen=True, slots=True)
class Level:
    """What n places have in common with those round about, supposing that they are level.

    Attributes
    ----------
    depth_mm, sigma_mm : (n,) arrays, of the stone along the needle
    follow : (n,) array, mean weight of the readings, 1.5 at most; low where many disagree
    count : (n,) int, readings used, the own one among them
    evidence : (n,) array, log of the odds of level against rough stone; -inf where too few
        readings are near the model
    """

    depth_mm: Array
    sigma_mm: Array
    follow: Array
    count: NDArray[np.int64]
    evidence: Array

    @property
    def holds(self) -> NDArray[np.bool_]:
        """Where stone is level, and near the model, (n,)."""
        near = np.abs(self.depth_mm) < NEAR_MODEL_MM
        return np.asarray((self.evidence > 0.0) & near & (self.count >= FEWEST))


def look_level(own: Sounded, among: Sounded, threads: int = 2) -> Level:
    """Weighs the reading at each place with those round about.

    Parameters
    ----------
    own : readings of the places asked for
    among : readings round about; one at the very place is not counted twice
    """
    n = len(own.points)
    level = np.stack([own.depth_mm, own.sigma_mm, np.ones(n), np.full(n, -np.inf)], axis=1)
    rough = np.zeros((n, 4))
    count = np.ones(n, dtype=np.int64)
    tree = cKDTree(among.points) if len(among.points) else None

    def piece(start: int) -> None:
        part = np.arange(start, min(start + PIECE, n))
        index = _near(own, among, tree, part)
        count[part] += (index >= 0).sum(axis=1)
        able = _can_be_level(own.depth_mm[part], among.depth_mm, index)
        rows = part[able]
        for family, out in ((LEVEL, level), (ROUGH, rough)):
            out[rows] = _regress(
                own.points[rows], own.depth_mm[rows], own.sigma_mm[rows], among.points,
                among.depth_mm, among.sigma_mm, index[able], np.array(family),
            )  # fmt: skip

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(piece, range(0, n, PIECE)))
    return Level(level[:, 0], level[:, 1], level[:, 2], count, level[:, 3] - rough[:, 3])


def no_level(own: Sounded) -> Level:
    """Places of which none is level."""
    n = len(own.points)
    return Level(own.depth_mm, own.sigma_mm, np.ones(n), np.ones(n, np.int64), np.full(n, -np.inf))


def _can_be_level(depth: Array, depths: Array, index: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether enough of the readings round places are near the model to ask further, (n,)."""
    there = index >= 0
    if not len(depths):
        return np.zeros(len(depth), dtype=bool)
    near = there & (np.abs(depths[np.where(there, index, 0)]) < 2.0 * NEAR_MODEL_MM)
    count = near.sum(axis=1) + (np.abs(depth) < 2.0 * NEAR_MODEL_MM)
    return np.asarray((count >= FEWEST) & (4 * count >= there.sum(axis=1)))


def _near(
    own: Sounded, among: Sounded, tree: cKDTree | None, part: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Rows of the readings round some places, (n, NEAREST), those that count first, then -1."""
    points = own.points[part]
    if tree is None:
        return np.full((len(points), NEAREST), -1, dtype=np.int64)
    ask = min(NEAREST, len(among.points))
    found = tree.query(points, k=ask, distance_upper_bound=REACH_MM)
    distance = np.asarray(found[0]).reshape(len(points), ask)
    index = np.asarray(found[1]).reshape(len(points), ask)
    there = np.isfinite(distance) & (distance > SAME_MM)
    index = np.where(there, index, 0)
    facing = np.einsum("nd,nkd->nk", own.needles[part], among.needles[index])
    there &= facing > LEAST_FACING
    order = np.argsort(~there, axis=1, kind="stable")
    return np.take_along_axis(np.where(there, index, -1), order, axis=1).astype(np.int64)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _regress(
    points: Array, depth: Array, sigma: Array, among: Array, depths: Array, sigmas: Array,
    index: np.ndarray, family: Array,
) -> Array:  # fmt: skip
    """Depth, sigma, mean weight and evidence of one family at each place, (n, 4).

    Depth and sigma are those of all members, weighed by their evidence; the evidence is that of
    the best.
    """
    out = np.empty((len(points), 4))
    most = index.shape[1] + 1
    x, d, v = np.empty((most, 3)), np.empty(most), np.empty(most)
    apart, member = np.empty((most, most)), np.empty((len(family), 4))
    K, A = np.empty((most, most)), np.empty((most, most))
    w, one, rest, link = np.empty(most), np.empty(most), np.empty(most), np.empty(most)
    for n in range(len(points)):
        x[0], d[0], v[0] = points[n], depth[n], sigma[n] ** 2
        there = 1
        while there < most and index[n, there - 1] >= 0:
            j = index[n, there - 1]
            x[there], d[there], v[there] = among[j], depths[j], sigmas[j] ** 2
            there += 1
        _squares(x, there, apart)
        for h in range(len(family)):
            s, reach, grain = family[h]
            for a in range(there):
                for b in range(a + 1):
                    K[a, b] = s * s * math.exp(-0.5 * apart[a, b] / reach**2)
                    K[a, b] += grain * grain * math.exp(-0.5 * apart[a, b] / GRAIN_MM**2)
            _krige(K, d, v, there, A, w, one, rest, link, member[h])
        _join(member, out[n])
    return out


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _squares(x: Array, n: int, apart: Array) -> None:
    """Squares of the distances of n places; fills the lower half."""
    for a in range(n):
        for b in range(a + 1):
            apart[a, b] = 0.0
            for i in range(3):
                apart[a, b] += (x[a, i] - x[b, i]) ** 2


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _join(member: Array, out: Array) -> None:
    """Mean, sigma, mean weight and best evidence of a family's members; fills `out`."""
    top = member[:, 3].max()
    total, mean, square, follow = 0.0, 0.0, 0.0, 0.0
    for h in range(len(member)):
        odds = math.exp(member[h, 3] - top)
        total += odds
        mean += odds * member[h, 0]
        square += odds * (member[h, 1] + member[h, 0] ** 2)
        follow += odds * member[h, 2]
    mean /= total
    out[0], out[1] = mean, math.sqrt(max(square / total - mean * mean, 1e-8))
    out[2], out[3] = follow / total, top


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _krige(
    K: Array, d: Array, v: Array, n: int, A: Array, w: Array, one: Array, rest: Array,
    link: Array, out: Array,
) -> None:  # fmt: skip
    """Kriging of the first of n depths: fills `out` with mean, variance, mean weight, evidence.

    K is the covariance of the stone (lower half), v the variance of the readings; A = K + v / w.
    The unknown mean has a flat prior.
    """
    w[:n] = 1.0
    weight, mean, evidence = _solve(K, d, v, n, A, w, one, rest)
    for _ in range(ROUNDS - 1):
        for a in range(n):
            off = v[a] / w[a] * rest[a]  # reading less the stone supposed there
            w[a] = (FREEDOM + 1.0) / (FREEDOM + off * off / v[a])
        weight, mean, evidence = _solve(K, d, v, n, A, w, one, rest)
    for a in range(n):
        link[a] = K[a, 0]
        mean += link[a] * rest[a]
    _forward(A, link, n)
    known, shared, follow = 0.0, 0.0, 0.0
    for a in range(n):
        known += link[a] * link[a]
        shared += link[a] * one[a]
        follow += w[a]
    out[0], out[1] = mean, K[0, 0] - known + (1.0 - shared) ** 2 / weight
    out[2], out[3] = follow / n, evidence


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _solve(
    K: Array, d: Array, v: Array, n: int, A: Array, w: Array, one: Array, rest: Array
) -> tuple[float, float, float]:
    """Fills A with its factor L, `one` with L^-1 1 and `rest` with A^-1 (d - m).

    Returns 1' A^-1 1, m, and the log of the evidence, the prior of the weights included.
    """
    for a in range(n):
        for b in range(a):
            A[a, b] = K[a, b]
        A[a, a] = K[a, a] + v[a] / w[a]
        one[a], rest[a] = 1.0, d[a]
    _factor(A, n)
    _forward(A, one, n)
    _forward(A, rest, n)
    weight, mean = 0.0, 0.0
    for a in range(n):
        weight += one[a] * one[a]
        mean += one[a] * rest[a]
    mean /= weight
    evidence = -0.5 * math.log(weight)
    for a in range(n):
        rest[a] -= mean * one[a]
        evidence -= math.log(A[a, a]) + 0.5 * rest[a] * rest[a]
        evidence += 0.5 * FREEDOM * (math.log(w[a]) - w[a] + 1.0)
    _backward(A, rest, n)
    return weight, mean, evidence


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _factor(A: Array, n: int) -> None:
    """Cholesky's factor of the lower half, in place."""
    for j in range(n):
        for k in range(j):
            A[j, j] -= A[j, k] * A[j, k]
        A[j, j] = math.sqrt(max(A[j, j], 1e-12))
        for i in range(j + 1, n):
            for k in range(j):
                A[i, j] -= A[i, k] * A[j, k]
            A[i, j] /= A[j, j]


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _forward(A: Array, b: Array, n: int) -> None:
    """Solves with the factor, in place."""
    for i in range(n):
        for k in range(i):
            b[i] -= A[i, k] * b[k]
        b[i] /= A[i, i]


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _backward(A: Array, b: Array, n: int) -> None:
    """Solves with the factor's transpose, in place."""
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= A[k, i] * b[k]
        b[i] /= A[i, i]
