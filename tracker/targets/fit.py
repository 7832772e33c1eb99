"""One target whose number is known: its corners by a fit over all its black/white edges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tracker.maths.camera import Array, Lens
from tracker.targets.edge_adjustment import (
    INK,
    K1,
    SHIFT,
    TUKEY,
    UNKNOWNS,
    Adjustment,
    adjust,
    covariance,
    design,
    prior_weights,
)
from tracker.targets.edges import Crossings, EdgeSamples, find_crossings, place_samples
from tracker.targets.family import CORNERS_MODULES, edge_runs
from tracker.targets.levels import (
    LevelPlanes,
    Middles,
    fit_planes,
    levels_nearby,
    middle_spots,
    read_middles,
    white_share,
)
from tracker.targets.view import Differential, TargetView, view_through

MODEL_SIGMA_PX = 0.005
"""What sampling leaves in a corner coordinate, whatever the size of the target."""
CROWDING_SIGMA_PX = 0.2
"""What neighbouring edges leave, times (blur / size of a module) squared."""
UNKNOWN_LENS_SIGMA = 0.003
"""What an unknown lens leaves in a corner coordinate, times side squared over focal length."""
LEAST_SUPPORT_PX = 0.05
FIRST_BLUR_PX = 0.9
BLUR_RANGE_PX = (0.5, 4.0)
MAX_MOVE_PX = 6.0
"""First corners are better than this; a fit that strays farther has lost the target."""
ROUNDS = ((3.0, 3, 2), (2.0, 1, 4))
"""Reach in px, every how manyth sample, reweightings: the first round starts from rough corners.
A second round over all samples moves nine targets of ten by less than 0.01 px, and none nearer to
the truth on three days."""
HALF_STEP_PX = 0.35
KEY_MODULES = np.concatenate([CORNERS_MODULES, [[4.0, 4.0]]])
SQRT_2PI = float(np.sqrt(2.0 * np.pi))


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
class _Picture:
    """The part of the photograph that holds the target; its first pixel."""

    tag: int
    patch: NDArray[np.float32]
    origin: Array
    local_levels: bool


@dataclass(frozen=True, slots=True)
class _State:
    """What one round hands to the next: the view, its corners and middle, blur, edge shift."""

    view: TargetView
    key: Differential
    blur_px: float
    shift_px: float

    @property
    def module(self) -> Array:
        """A module at the middle of the target, (2, 2) px."""
        return np.asarray(self.key.by_place[4])


@dataclass(frozen=True, slots=True)
class _Sight:
    """What the photograph shows of the edges."""

    design: Array
    crossings: Crossings
    middles: Middles
    planes: LevelPlanes
    blur_px: float


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
    picture = _cut(gray, tag, corners_px, local_levels)
    prior = prior_weights(k1_sigma)
    state = _state(view_through(corners_px, lens), FIRST_BLUR_PX)
    samples = place_samples(edge_runs(tag), np.linalg.norm(state.module, axis=0))
    for reach, every, turns in ROUNDS:
        some = samples.every(every)
        sight = _look(picture, state, some, reach)
        if sight.crossings.found.sum() < 3 * UNKNOWNS:
            return None
        pull = np.zeros(UNKNOWNS)
        pull[K1] = lens.k1 - state.view.lens.k1
        solution = adjust(sight.design, sight.crossings, prior, pull, turns)
        J = _corner_slope(state.key)
        corners = state.key.pixels[:4] + (J @ solution.step).reshape(4, 2)
        if not np.abs(corners - corners_px).max() < MAX_MOVE_PX:
            return None
        bent = replace(lens, k1=state.view.lens.k1 + float(solution.step[K1]))
        state = _state(view_through(corners, bent), sight.blur_px, solution)
    cov = J @ covariance(solution, prior, samples.run) @ J.T
    if k1_sigma > 0.0:
        area_px2 = 64.0 * abs(float(np.linalg.det(state.module)))
        cov += (UNKNOWN_LENS_SIGMA * area_px2 / lens.focal_px) ** 2 * np.eye(8)
    return _judge(corners, cov, state, solution, samples, sight)


def _cut(gray: NDArray[np.uint8], tag: int, corners_px: Array, local_levels: bool) -> _Picture:
    reach = 0.25 * float(np.ptp(corners_px, axis=0).max()) + 8.0
    size = gray.shape[::-1]
    x0, y0 = np.clip(np.floor(corners_px.min(axis=0) - reach).astype(int), 0, size)
    x1, y1 = np.clip(np.ceil(corners_px.max(axis=0) + reach).astype(int), 0, size)
    patch = gray[y0:y1, x0:x1].astype(np.float32)
    return _Picture(tag, patch, np.array([x0, y0], np.float64), local_levels)


def _state(view: TargetView, blur_px: float, solution: Adjustment | None = None) -> _State:
    key = view.differentiate(KEY_MODULES)
    shift = 0.0
    if solution is not None:
        size = np.sqrt(abs(np.linalg.det(key.by_place[4])))
        shift = float(solution.step[SHIFT] + solution.step[INK] * size)
    return _State(view, key, blur_px, shift)


def _corner_slope(key: Differential) -> Array:
    """Derivatives of the corners (x0, y0, x1, ...) by all unknowns, (8, 14)."""
    J = np.zeros((8, UNKNOWNS))
    J[:, :8] = key.by_view[:4, :, :8].reshape(8, 8)
    J[:, K1] = key.by_view[:4, :, 8].ravel()
    return J


def _look(picture: _Picture, state: _State, samples: EdgeSamples, reach_px: float) -> _Sight:
    """Measure the edges round the places where the state puts them."""
    at = state.view.differentiate(samples.modules)
    normal, across_px = _normals(at.by_place, samples)
    inverse = np.linalg.inv(state.module)
    blur_modules = state.blur_px * np.linalg.norm(inverse, axis=1)
    spots = state.view.pixels(middle_spots()) - picture.origin
    middles = read_middles(picture.tag, picture.patch, spots, blur_modules)
    planes = fit_planes(middles)
    if picture.local_levels:
        black, white = levels_nearby(middles, planes, samples.modules)
    else:
        black, white = planes.at(samples.modules)
    crossings = find_crossings(
        picture.patch,
        at.pixels - picture.origin,
        normal,
        0.5 * (black + white),
        np.minimum(reach_px, 0.5 * across_px),
    )
    bend, steep = _neighbours(picture.tag, samples.modules, normal @ inverse.T, state, blur_modules)
    crossings, blur_px = _sort_out(crossings, white - black, bend, steep)
    A = design(normal, at.by_view, across_px, white, samples.modules)
    return _Sight(A, crossings, middles, planes, blur_px)


def _normals(by_place: Array, samples: EdgeSamples) -> tuple[Array, Array]:
    """Image normals toward white, (n, 2), and the size of a module along them, (n,) px."""
    tangent = (by_place @ samples.along[:, :, None])[:, :, 0]
    outward = (by_place @ samples.toward_white[:, :, None])[:, :, 0]
    length = np.hypot(tangent[:, 0], tangent[:, 1])
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=-1) / length[:, None]
    across_px = (normal * outward).sum(axis=1)
    return normal * np.sign(across_px)[:, None], np.abs(across_px)


def _neighbours(
    tag: int, modules: Array, ahead: Array, state: _State, blur_modules: Array
) -> tuple[Array, Array]:
    """How far blur from neighbouring edges moves each crossing, px; its slope against a lone edge.

    A contrast curve makes the grey half level cross a lone edge `shift_px` from its place, that
    is at another share of white than one half; the same share is sought among neighbours.
    `ahead` is one pixel along the image normals, in modules.
    """
    h, s = HALF_STEP_PX, state.shift_px
    high = white_share(tag, modules + (s + h) * ahead, blur_modules)
    low = white_share(tag, modules + (s - h) * ahead, blur_modules)
    lone_high = float(ndtr((s + h) / state.blur_px))
    lone_low = float(ndtr((s - h) / state.blur_px))
    rise = lone_high - lone_low
    bend = h * (lone_high + lone_low - high - low) / np.maximum(high - low, 0.2 * rise)
    return np.clip(bend, -1.0, 1.0), (high - low) / rise


def _sort_out(
    crossings: Crossings, contrast: Array, bend: Array, steep: Array
) -> tuple[Crossings, float]:
    """Crossings freed of their neighbours, without the faint ones; the blur they show, px."""
    rise = crossings.slope / np.maximum(contrast, 1.0)
    found = crossings.found
    if not found.any():
        return crossings, FIRST_BLUR_PX
    found = found & (rise > 0.25 * _median(rise[found]))
    clear = found & (steep > 0.9)
    typical = _median(rise[clear if clear.sum() > 20 else found])
    blur_px = float(np.clip(1.0 / (SQRT_2PI * max(typical, 1e-3)), *BLUR_RANGE_PX))
    return Crossings(crossings.offset_px - bend, crossings.slope, found & (steep > 0.5)), blur_px


def _median(values: Array) -> float:
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])


def _judge(
    corners_px: Array,
    cov: Array,
    state: _State,
    solution: Adjustment,
    samples: EdgeSamples,
    sight: _Sight,
) -> TagFit:
    """Add to the corners all that tells whether the target may be used."""
    middles = sight.middles
    black, white = sight.planes.at(middles.modules)
    reads_white = middles.grey > 0.5 * (black + white)
    inside = (np.abs(middles.modules - 4.0) < 4.0).all(axis=1)
    near = np.abs(solution.residual) < TUKEY * max(solution.scale_px, LEAST_SUPPORT_PX)
    good = sight.crossings.found & near
    side = np.linalg.norm(corners_px - np.roll(corners_px, -1, axis=0), axis=1)
    stretch = np.linalg.svd(state.module, compute_uv=False)
    crowding = CROWDING_SIGMA_PX * (sight.blur_px / float(stretch[1])) ** 2
    return TagFit(
        corners_px=corners_px,
        cov_px2=cov + (MODEL_SIGMA_PX**2 + crowding**2) * np.eye(8),
        edge_shift_px=state.shift_px,
        residual_px=solution.residual_px,
        wrong_modules=int((reads_white != middles.white)[inside].sum()),
        contrast=float((white - black).mean()),
        support=float(good.mean()),
        weakest_side=_weakest_side(samples, good),
        tilt_cosine=float(stretch[1] / stretch[0]),
        shortest_side_px=float(side.min()),
        module_px=float(stretch[1]),
    )


def _weakest_side(samples: EdgeSamples, good: NDArray[np.bool_]) -> float:
    """Share of found samples on the worst of the four outer sides."""
    x, y = samples.modules.T
    sides = (x < 0.01, x > 7.99, y < 0.01, y > 7.99)
    return min(float(good[s].mean()) if s.any() else 0.0 for s in sides)
