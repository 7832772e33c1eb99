"""One least-squares fit per target over all its black/white edges.

A camera's contrast curve, exposure and the printer's ink move every black edge toward or away
from white. Outer edges alone cannot tell such a shift from a larger square; the edges of the bits
can, because there black lies on either side. The unknowns of a target are

    h1..h8   homography from modules to undistorted pixels,
    s        common shift of the black edges toward white, px,
    s'       its change with the local white level (relative), px,
    g        growth of the black in modules (ink), told from s by foreshortening only,
    a, b     drift of s across the target, px per half side (clipped white, focus),
    k1       radial distortion, where the lens is not known yet; otherwise held.

Observed is, at each sample, the offset of the measured edge along the image normal n:
``n . (p(h, k1) - p0) + s + s' w + g m + a u + b v``; m is the size of a module across the edge,
(u, v) the place on the target.

References
----------
Z. Zhang, "Parameter estimation techniques: a tutorial", Image and Vision Computing 15 (1997),
for the weights; D. C. Brown (1971) for the distortion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tracker.maths.camera import Array, Lens, distort, undistort
from tracker.targets.edges import (
    Crossings,
    EdgeSamples,
    Middles,
    find_crossings,
    level_nearby,
    level_planes,
    module_middles,
    place_samples,
    read_middles,
    white_share,
)
from tracker.targets.family import CORNERS_MODULES, edge_runs

SHIFT_SIGMA_PX = 0.6
SHIFT_SLOPE_SIGMA_PX = 0.6
INK_SIGMA_MODULES = 0.02
DRIFT_SIGMA_PX = 0.05
MODEL_SIGMA_PX = 0.005
"""What sampling leaves in a corner coordinate, whatever the size of the target."""
CROWDING_SIGMA_PX = 0.2
"""What neighbouring edges leave, times (blur / size of a module) squared."""
COVARIANCE_FACTOR = 1.25
HUBER = 1.345
TUKEY = 4.685
FIRST_BLUR_PX = 0.9
MAX_MOVE_PX = 6.0
"""First corners are better than this; a fit that strays farther has lost the target."""
REACHES_PX = (3.0, 2.0, 2.0)
THINNING = (3, 1, 1)
"""The first round, from rough corners, takes every third sample only."""
MIDDLE = np.array([[4.0, 4.0]])
SQRT_2PI = float(np.sqrt(2.0 * np.pi))
LEVEL_SPREAD = 0.18
"""Places at +- this many modules from a module's middle give its grey value."""
UNKNOWNS = 14
SHIFT, SLOPE, INK, DRIFT, K1 = 8, 9, 10, slice(11, 13), 13


@dataclass(frozen=True, slots=True)
class TagFit:
    """The fitted target.

    Attributes
    ----------
    corners_px : (4, 2) array, px
    cov_px2 : (8, 8) array, px^2
    edge_shift_px, residual_px : float
    wrong_modules : int
        Modules whose grey value contradicts the target's number.
    contrast : float
        White less black at the middle, grey values.
    support : float
        Share of the edge samples whose edge was found where the fit puts it.
    weakest_side : float
        The same share on the outer side that has least of it.
    tilt_cosine, shortest_side_px, module_px : float
        `module_px` is the smallest size of a module in any direction.
    """

    corners_px: Array
    cov_px2: Array
    edge_shift_px: float
    residual_px: float
    wrong_modules: int
    contrast: float
    support: float
    weakest_side: float
    tilt_cosine: float
    shortest_side_px: float
    module_px: float


@dataclass(frozen=True, slots=True)
class _View:
    """A target seen through a lens: u = modules / 4 - 1, q = middle + half * H(u), px."""

    H: Array
    middle: Array
    half: float
    lens: Lens


@dataclass(frozen=True, slots=True)
class _Solution:
    step: Array
    information: Array
    prior: Array
    residual: Array
    weight: Array
    scale: float


def fit_tag(
    gray: NDArray[np.uint8],
    tag: int,
    corners_px: Array,
    lens: Lens,
    k1_sigma: float = 0.0,
    local_levels: bool = False,
) -> TagFit | None:
    """Fit a target whose number is known.

    Parameters
    ----------
    gray : (h, w) array
    tag : int
    corners_px : (4, 2) array, px
        First corners, within about 2 px, in the order of `CORNERS_MODULES`.
    lens : Lens
    k1_sigma : float
        Sigma of `lens.k1` if that is to be estimated; 0 holds it.
    local_levels : bool
        Take black and white near each edge instead of planes over the target.

    Returns
    -------
    TagFit or None
        None if the edges cannot be found at all.
    """
    patch, origin = _cut(gray, corners_px)
    view = _through(corners_px, lens)
    samples = place_samples(edge_runs(tag), _px_per_module(view))
    picture = _Picture(tag, patch, origin, local_levels)
    blur_px, shift_px = FIRST_BLUR_PX, 0.0
    for reach, every in zip(REACHES_PX, THINNING, strict=True):
        some = samples.every(every)
        sight = _look(picture, view, some, blur_px, shift_px, reach)
        if sight.crossings.found.sum() < 3 * UNKNOWNS:
            return None
        pull = np.zeros(UNKNOWNS)
        pull[K1] = lens.k1 - view.lens.k1
        solution = _solve(sight.design, sight.crossings, _prior(k1_sigma), pull)
        corners, J = _corners(view)
        corners = corners + (J @ solution.step).reshape(4, 2)
        if not np.isfinite(corners).all() or np.abs(corners - corners_px).max() > MAX_MOVE_PX:
            return None
        view = _through(corners, replace(lens, k1=view.lens.k1 + float(solution.step[K1])))
        blur_px, shift_px = sight.blur_px, _shift_px(solution, view)
    return _judge(solution, view, J, samples, sight)


@dataclass(frozen=True, slots=True)
class _Picture:
    tag: int
    patch: NDArray[np.float32]
    origin: Array
    local_levels: bool


@dataclass(frozen=True, slots=True)
class _Sight:
    """What the photograph shows of the edges, seen from one set of unknowns."""

    design: Array
    crossings: Crossings
    middles: Middles
    blur_px: float


def _look(
    picture: _Picture,
    view: _View,
    samples: EdgeSamples,
    blur_px: float,
    shift_px: float,
    reach_px: float,
) -> _Sight:
    """Measure the edges round the places where the unknowns put them."""
    at = _linearise(view, samples)
    inverse = np.linalg.inv(_place(view, MIDDLE)[1][0])
    blur_modules = blur_px * np.linalg.norm(inverse, axis=1)
    middles = read_middles(picture.tag, picture.patch, _spots(view) - picture.origin, blur_modules)
    level = level_nearby if picture.local_levels else level_planes
    black, white = level(middles, samples.modules)
    crossings = find_crossings(
        picture.patch,
        at.pixels - picture.origin,
        at.normal,
        0.5 * (black + white),
        np.minimum(reach_px, 0.5 * at.across_px),
    )
    bend, steep = _neighbours(picture.tag, samples, at, inverse, blur_px, shift_px)
    rise = crossings.slope / np.maximum(white - black, 1.0)
    usable = crossings.found & (
        rise > 0.25 * float(np.median(rise[crossings.found] if crossings.found.any() else rise))
    )
    clear = usable & (steep > 0.9)
    typical = np.median(rise[clear if clear.sum() > 20 else usable]) if usable.any() else 1.0
    return _Sight(
        _design(at, white, samples.modules),
        Crossings(crossings.offset_px - bend, crossings.slope, usable & (steep > 0.5)),
        middles,
        float(np.clip(1.0 / (SQRT_2PI * max(typical, 1e-3)), 0.5, 4.0)),
    )


def _neighbours(
    tag: int,
    samples: EdgeSamples,
    at: _Linear,
    inverse: Array,
    blur_px: float,
    shift_px: float,
) -> tuple[Array, Array]:
    """How far blur from neighbouring edges moves each crossing, px; its slope against a lone edge.

    A contrast curve makes the grey half level cross a lone edge `shift_px` from its place, that
    is at another share of white than one half; the same share is sought among neighbours.
    """
    h = 0.35
    blur = np.broadcast_to(blur_px * np.linalg.norm(inverse, axis=1), samples.modules.shape)
    ahead = at.normal @ inverse.T
    high = white_share(tag, samples.modules + (shift_px + h) * ahead, blur)
    low = white_share(tag, samples.modules + (shift_px - h) * ahead, blur)
    lone_high, lone_low = ndtr((shift_px + h) / blur_px), ndtr((shift_px - h) / blur_px)
    steep = (high - low) / (lone_high - lone_low)
    bend = (
        h
        * (lone_high + lone_low - high - low)
        / np.maximum(high - low, 0.2 * (lone_high - lone_low))
    )
    return np.clip(bend, -1.0, 1.0), steep


def _shift_px(solution: _Solution, view: _View) -> float:
    """Common shift of the edges at the middle of the target."""
    size = np.sqrt(abs(np.linalg.det(_place(view, MIDDLE)[1][0])))
    return float(solution.step[SHIFT] + solution.step[INK] * size)


def _cut(gray: NDArray[np.uint8], corners_px: Array) -> tuple[NDArray[np.float32], Array]:
    """The part of the photograph that holds the target and its rim; its first pixel."""
    size = np.ptp(corners_px, axis=0).max()
    reach = 0.25 * size + 8.0
    height, width = gray.shape
    x0, y0 = np.clip(np.floor(corners_px.min(axis=0) - reach).astype(int), 0, [width, height])
    x1, y1 = np.clip(np.ceil(corners_px.max(axis=0) + reach).astype(int), 0, [width, height])
    return gray[y0:y1, x0:x1].astype(np.float32), np.array([x0, y0], float)


def _through(corners_px: Array, lens: Lens) -> _View:
    """The view that puts the corners where they are."""
    principal = np.array([lens.cx_px, lens.cy_px])
    ideal = undistort(lens, corners_px, steps=6) * lens.focal_px + principal
    middle = ideal.mean(axis=0)
    half = float(np.abs(ideal - middle).max())
    u, q = CORNERS_MODULES / 4.0 - 1.0, (ideal - middle) / half
    A = np.zeros((8, 8))
    A[:4, 0:2] = A[4:, 3:5] = u
    A[:4, 2] = A[4:, 5] = 1.0
    A[:4, 6:8] = -u * q[:, :1]
    A[4:, 6:8] = -u * q[:, 1:]
    return _View(np.linalg.solve(A, q.T.ravel()), middle, half, lens)


def _place(view: _View, modules: Array) -> tuple[Array, Array, Array, Array]:
    """Pixels of places (n, 2) modules; derivatives by place, homography and k1."""
    H, lens = view.H, view.lens
    u = modules / 4.0 - 1.0
    w = 1.0 + u @ H[6:8]
    x = (u @ H[0:2] + H[2]) / w
    y = (u @ H[3:5] + H[5]) / w
    f = lens.focal_px
    plane = (view.middle + view.half * np.stack([x, y], -1) - [lens.cx_px, lens.cy_px]) / f
    D = view.half * _distort_slope(lens, plane)
    r2 = (plane**2).sum(axis=-1)
    by_place = np.empty((len(u), 2, 2))
    by_place[:, 0] = (H[0:2] - x[:, None] * H[6:8]) / (4.0 * w[:, None])
    by_place[:, 1] = (H[3:5] - y[:, None] * H[6:8]) / (4.0 * w[:, None])
    by_H = np.zeros((len(u), 2, 8))
    by_H[:, 0, 0:2] = by_H[:, 1, 3:5] = u / w[:, None]
    by_H[:, 0, 2] = by_H[:, 1, 5] = 1.0 / w
    by_H[:, 0, 6:8] = -x[:, None] * u / w[:, None]
    by_H[:, 1, 6:8] = -y[:, None] * u / w[:, None]
    return distort(lens, plane), D @ by_place, D @ by_H, f * plane * r2[:, None]


def _corners(view: _View) -> tuple[Array, Array]:
    """Corners (4, 2) px and their derivatives by all unknowns, (8, 14)."""
    corners, _, by_H, by_k1 = _place(view, CORNERS_MODULES)
    J = np.zeros((8, UNKNOWNS))
    J[:, :8] = by_H.reshape(8, 8)
    J[:, K1] = by_k1.ravel()
    return corners, J


def _distort_slope(lens: Lens, plane: Array) -> Array:
    """Derivative of the distorted by the undistorted plane coordinates, (n, 2, 2)."""
    x, y = plane[:, 0], plane[:, 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
    slope = 2.0 * (lens.k1 + r2 * (2.0 * lens.k2 + 3.0 * r2 * lens.k3))
    D = np.empty((len(plane), 2, 2))
    D[:, 0, 0] = radial + x * x * slope + 2.0 * lens.p1 * y + 6.0 * lens.p2 * x
    D[:, 1, 1] = radial + y * y * slope + 6.0 * lens.p1 * y + 2.0 * lens.p2 * x
    D[:, 0, 1] = D[:, 1, 0] = x * y * slope + 2.0 * lens.p1 * x + 2.0 * lens.p2 * y
    return D


def _px_per_module(view: _View) -> Array:
    by_place = _place(view, MIDDLE)[1][0]
    return np.asarray(np.linalg.norm(by_place, axis=0))


def _spots(view: _View) -> Array:
    """Places near the middle of every module, (100, 5, 2) px."""
    d = LEVEL_SPREAD
    around = np.array([[0.0, 0.0], [-d, -d], [d, -d], [-d, d], [d, d]])
    modules = module_middles()[:, None, :] + around
    return _place(view, modules.reshape(-1, 2))[0].reshape(100, 5, 2)


@dataclass(frozen=True, slots=True)
class _Linear:
    """Edge samples at one set of unknowns: pixels, derivatives (n, 2, 9), image normals."""

    pixels: Array
    slope: Array
    normal: Array
    across_px: Array


def _linearise(view: _View, samples: EdgeSamples) -> _Linear:
    pixels, by_place, by_H, by_k1 = _place(view, samples.modules)
    tangent = (by_place @ samples.along[:, :, None])[:, :, 0]
    length = np.hypot(tangent[:, 0], tangent[:, 1])
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=-1) / length[:, None]
    outward = (by_place @ samples.toward_white[:, :, None])[:, :, 0]
    normal *= np.sign((normal * outward).sum(axis=1))[:, None]
    det = by_place[:, 0, 0] * by_place[:, 1, 1] - by_place[:, 0, 1] * by_place[:, 1, 0]
    slope = np.concatenate([by_H, by_k1[:, :, None]], axis=2)
    return _Linear(pixels, slope, normal, np.abs(det) / length)


def _design(at: _Linear, white: Array, modules: Array) -> Array:
    """Derivative of the edge offset along the normal by all unknowns, (n, 14)."""
    A = np.empty((len(white), UNKNOWNS))
    along_normal = (at.normal[:, None, :] @ at.slope)[:, 0]
    A[:, :8] = along_normal[:, :8]
    A[:, SHIFT] = 1.0
    A[:, SLOPE] = white / max(float(white.mean()), 1.0) - 1.0
    A[:, INK] = at.across_px
    A[:, DRIFT] = modules / 4.0 - 1.0
    A[:, K1] = along_normal[:, 8]
    return A


def _prior(k1_sigma: float) -> Array:
    """Inverse variances of the unknowns before the fit."""
    weight = np.zeros(UNKNOWNS)
    weight[SHIFT] = SHIFT_SIGMA_PX**-2
    weight[SLOPE] = SHIFT_SLOPE_SIGMA_PX**-2
    weight[DRIFT] = DRIFT_SIGMA_PX**-2
    weight[INK] = INK_SIGMA_MODULES**-2
    weight[K1] = k1_sigma**-2 if k1_sigma > 0 else 1e18
    return weight


def _solve(A: Array, crossings: Crossings, prior: Array, pull: Array) -> _Solution:
    """Robust least squares for one set of measured edges: Huber's weights, then Tukey's.

    Parameters
    ----------
    A : (n, 14) array
        Derivatives of the offsets.
    crossings : Crossings
    prior : (14,) array
        Inverse variances of the unknowns beforehand.
    pull : (14,) array
        Where those priors would have the step go.
    """
    found = crossings.found
    step = np.zeros(UNKNOWNS)
    weight = np.asarray(found, np.float64)
    scale = 0.3
    middle = int(found.sum()) // 2
    for turn in range(4):
        Aw = A * (weight / scale**2)[:, None]
        information = Aw.T @ A
        step = np.linalg.solve(
            information + np.diag(prior), Aw.T @ crossings.offset_px + prior * pull
        )
        residual = crossings.offset_px - A @ step
        size = np.abs(residual)
        scale = max(1.4826 * float(np.partition(size[found], middle)[middle]), 0.01)
        z = size / scale
        if turn < 2:
            weight = np.where(found, np.minimum(1.0, HUBER / np.maximum(z, 1e-9)), 0.0)
        else:
            weight = np.where(found, np.maximum(0.0, 1.0 - (z / TUKEY) ** 2) ** 2, 0.0)
    return _Solution(step, information, prior, residual, weight, scale)


def _judge(
    solution: _Solution,
    view: _View,
    J: Array,
    samples: EdgeSamples,
    sight: _Sight,
) -> TagFit:
    """Corners, covariance and all that tells whether the target may be used."""
    corners = _corners(view)[0]
    freedom = max(float(solution.weight.sum()) - UNKNOWNS, 1.0)
    variance = float((solution.weight * solution.residual**2).sum()) / freedom
    factor = COVARIANCE_FACTOR * variance / solution.scale**2
    factor *= _inflation(solution.residual, solution.weight, samples.run)
    cov_theta = np.linalg.inv(solution.information / factor + np.diag(solution.prior))
    middles = sight.middles
    black, white = level_planes(middles, middles.modules)
    reads_white = middles.grey > 0.5 * (black + white)
    inside = (np.abs(middles.modules - 4.0) < 4.0).all(axis=1)
    good = sight.crossings.found & (np.abs(solution.residual) < TUKEY * max(solution.scale, 0.05))
    side = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    stretch = np.linalg.svd(_place(view, MIDDLE)[1][0], compute_uv=False)
    crowding = CROWDING_SIGMA_PX * (sight.blur_px / float(stretch[1])) ** 2
    model = float(np.hypot(MODEL_SIGMA_PX, crowding))
    return TagFit(
        corners_px=corners,
        cov_px2=J @ cov_theta @ J.T + model**2 * np.eye(8),
        edge_shift_px=_shift_px(solution, view),
        residual_px=float(np.sqrt(variance)),
        wrong_modules=int((reads_white != middles.white)[inside].sum()),
        contrast=float((white - black).mean()),
        support=float(good.mean()),
        weakest_side=_weakest_side(samples, good),
        tilt_cosine=float(stretch[1] / stretch[0]),
        shortest_side_px=float(side.min()),
        module_px=float(stretch[1]),
    )


def _inflation(residual: Array, weight: Array, run: NDArray[np.int64]) -> float:
    """How much neighbouring residuals of one run repeat each other (variance of a mean)."""
    value = residual * np.sqrt(weight)
    power = float((value**2).mean())
    if power <= 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, 7):
        same = run[lag:] == run[:-lag]
        if same.sum() < 20:
            break
        total += 2.0 * max(float((value[lag:] * value[:-lag])[same].mean()) / power, 0.0)
    return total


def _weakest_side(samples: EdgeSamples, good: NDArray[np.bool_]) -> float:
    """Share of found samples on the worst of the four outer sides."""
    x, y = samples.modules.T
    sides = (x < 0.01, x > 7.99, y < 0.01, y > 7.99)
    return min(float(good[s].mean()) if s.any() else 0.0 for s in sides)
