"""Least squares adjustment of the whole network by Levenberg and Marquardt's method.

First with a robust loss; then observations that disagree are taken out and the rest is solved
by plain least squares, until the choice no longer changes.

References
----------
K. Madsen, H. B. Nielsen, O. Tingleff, "Methods for non-linear least squares problems" (2004),
section 3.2 (damping).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, stats
from threadpoolctl import threadpool_limits

from tracker.errors import NetworkError
from tracker.maths.camera import Array
from tracker.maths.robust import Loss, huber, median_sigma, squares
from tracker.network import normal as normals
from tracker.network.covariance import covariances
from tracker.network.datum import inner_constraints, is_free, open_motions
from tracker.network.eliminate import back_substitute, eliminate, free_residuals
from tracker.network.layout import Layout, lay_out
from tracker.network.normal import Normal, Weights
from tracker.network.problem import Network, Rows, Solution
from tracker.network.residuals import LENS, POSE, Unknowns, residuals

HUBER_SHARE = 0.8214
"""Share of good observations that Huber's loss treats as squares (1.345 in one dimension)."""
REJECT_PROBABILITY = 5e-4
"""Chance that a good observation is rejected."""
FIRST_DAMPING = 1e-4
ROBUST_TOLERANCE = 1e-6
TOLERANCE = 1e-11
"""Relative fall of the cost that counts as converged."""
REJECTION_ROUNDS = 5
MIN_OBSERVATIONS = 2
MIN_POINTS_IN_PHOTO = 3
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Kept:
    """Which observations take part."""

    free: Mask
    groups: tuple[Mask, ...]
    loose_points: Rows
    """Eliminated points without enough observations."""
    loose_joint: Rows
    """The same among the joint points (place in layout.joint)."""
    loose_photos: Rows
    """Photographs whose observations were all rejected: they stay where they are."""


@dataclass(frozen=True, slots=True)
class _Descent:
    unknowns: Unknowns
    cost: float
    iterations: int
    converged: bool


def solve(
    network: Network, *, robust: bool = True, max_iterations: int = 60, covariance: bool = True
) -> Solution:
    """Optimum of a network from its starting values, with covariance.

    Parameters
    ----------
    network : Network
        Without known points the datum is free: the joint points (targets, bars) keep their mean
        place, turn and, without bars, size.
    robust : bool
        False: plain least squares of everything.
    covariance : bool
        False leaves the covariances zero (a search for starting values needs none).

    Raises
    ------
    NetworkError
        The observations do not fix the unknowns.
    """
    layout = lay_out(network)
    unknowns = Unknowns.of(network)
    with threadpool_limits(limits=1, user_api="blas"):
        return _solve(network, layout, unknowns, robust, max_iterations, covariance)


def _solve(
    network: Network,
    layout: Layout,
    unknowns: Unknowns,
    robust: bool,
    max_iterations: int,
    covariance: bool,
) -> Solution:
    kept = keep_all(network, layout)
    iterations = 0
    if robust:
        descent = descend(
            unknowns, network, layout, kept, robust=True, max_iterations=max_iterations
        )
        unknowns, iterations = descent.unknowns, descent.iterations
        kept = choose(unknowns, network, layout)
    for _ in range(REJECTION_ROUNDS):
        descent = descend(
            unknowns, network, layout, kept, robust=False, max_iterations=max_iterations
        )
        unknowns = descent.unknowns
        iterations += descent.iterations
        if not robust:
            break
        again = choose(unknowns, network, layout)
        if _same(kept, again):
            break
        kept = again
    warnings = () if descent.converged else ("the adjustment did not settle",)
    return _record(network, layout, kept, descent, iterations, warnings, covariance)


def keep_all(network: Network, layout: Layout) -> Kept:
    """Every observation, except those of points that too few hold."""
    free = np.ones(len(layout.free.order), np.bool_)
    groups = tuple(np.ones(len(group.whitener), np.bool_) for group in layout.groups)
    return _with_loose(network, layout, free, groups)


def choose(unknowns: Unknowns, network: Network, layout: Layout) -> Kept:
    """Observations that agree with the unknowns.

    One is rejected where its standardised residual is longer than chance allows, in units of
    its class's own scatter where that is larger than claimed.
    """
    z = normals.length(free_residuals(unknowns, layout))
    free = _within(z, 2)
    groups = tuple(
        _within(normals.length(normals.group_residuals(unknowns, group, layout)), 2 * group.size)
        for group in layout.groups
    )
    return _with_loose(network, layout, free, groups)


def _within(z: Array, dimension: int) -> Mask:
    if len(z) == 0:
        return np.zeros(0, np.bool_)
    limit = np.sqrt(stats.chi2.isf(REJECT_PROBABILITY, dimension))
    return np.asarray(z <= limit * max(1.0, median_sigma(z, dimension)))


def _with_loose(network: Network, layout: Layout, free: Mask, groups: tuple[Mask, ...]) -> Kept:
    """Adds the points that are left with too few observations, and drops what they have."""
    known = np.zeros(len(network.points), np.bool_)
    known[network.known.point] = True
    starts, index = layout.free.starts, layout.free.index
    if len(starts):
        count = np.add.reduceat(free.astype(np.int64), starts)
        total = np.diff(np.append(starts, len(free)))
        # two observations that survive from more cannot vouch for each other
        too_few = (count < MIN_OBSERVATIONS) | ((count == MIN_OBSERVATIONS) & (total > count))
        too_few &= ~known[layout.free.point]
        free = free & ~too_few[index]
        loose_points = np.flatnonzero(too_few)
    else:
        loose_points = np.zeros(0, np.int64)
    held = np.zeros(len(network.points), np.int64)
    for group, mask in zip(layout.groups, groups, strict=True):
        held += np.bincount(
            group.seen.point[np.repeat(mask, group.size)], minlength=len(network.points)
        )
    loose = (held[layout.joint] < MIN_OBSERVATIONS) & ~known[layout.joint]
    rows = np.zeros(len(network.points), np.bool_)
    rows[layout.joint[loose]] = True
    groups = tuple(
        mask & ~rows[group.seen.point].reshape(-1, group.size).any(axis=1)
        for group, mask in zip(layout.groups, groups, strict=True)
    )
    loose_photos = _photos_without_hold(layout, free, groups)
    return Kept(free, groups, loose_points, np.flatnonzero(loose), loose_photos)


def _photos_without_hold(layout: Layout, free: Mask, groups: tuple[Mask, ...]) -> Rows:
    count = np.bincount(layout.free.seen.photo[free], minlength=layout.n_photos)
    for group, mask in zip(layout.groups, groups, strict=True):
        photos = group.seen.photo[np.repeat(mask, group.size)]
        count += np.bincount(photos, minlength=layout.n_photos)
    return np.flatnonzero(count < MIN_POINTS_IN_PHOTO)


def _same(a: Kept, b: Kept) -> bool:
    return bool(
        np.array_equal(a.free, b.free)
        and all(np.array_equal(x, y) for x, y in zip(a.groups, b.groups, strict=True))
    )


def _losses(robust: bool, layout: Layout) -> tuple[Loss, tuple[Loss, ...]]:
    if not robust:
        return squares(), tuple(squares() for _ in layout.groups)

    def of(dimension: int) -> Loss:
        return huber(float(np.sqrt(stats.chi2.ppf(HUBER_SHARE, dimension))))

    return of(2), tuple(of(2 * group.size) for group in layout.groups)


def evaluate(
    unknowns: Unknowns, network: Network, layout: Layout, kept: Kept, *, robust: bool
) -> tuple[float, Weights]:
    """Cost of the unknowns and the weights that the loss gives."""
    free_loss, group_losses = _losses(robust, layout)
    z = normals.length(free_residuals(unknowns, layout))
    cost = float(free_loss.rho(z)[kept.free].sum())
    free = free_loss.weight(z) * kept.free
    groups = []
    for group, loss, mask in zip(layout.groups, group_losses, kept.groups, strict=True):
        z = normals.length(normals.group_residuals(unknowns, group, layout))
        cost += float(loss.rho(z)[mask].sum())
        groups.append(loss.weight(z) * mask)
    known = network.known
    pull = (known.xyz - unknowns.points[known.point]) / known.sigma_mm[:, None]
    cost += 0.5 * float(np.sum(pull**2))
    if len(network.distances.length_mm):
        cost += 0.5 * float(np.sum(normals.distance_residuals(unknowns, network)[0] ** 2))
    for row, prior in enumerate(network.lens_priors):
        weight = normals.prior_weight(prior.sigma)
        cost += 0.5 * float(np.sum(weight * (prior.vector - unknowns.lens[row]) ** 2))
    loose = loose_columns(layout, kept)
    return cost, Weights(free, tuple(groups), loose, kept.loose_points)


def loose_columns(layout: Layout, kept: Kept) -> Rows:
    """Columns of the joint points and photographs that too few observations hold."""
    points = (layout.camera_size + 3 * kept.loose_joint)[:, None] + np.arange(3)
    photos = (POSE * kept.loose_photos)[:, None] + np.arange(POSE)
    return np.concatenate([points.ravel(), photos.ravel()])


def descend(
    unknowns: Unknowns,
    network: Network,
    layout: Layout,
    kept: Kept,
    *,
    robust: bool,
    max_iterations: int,
) -> _Descent:
    """Levenberg-Marquardt from given unknowns to the nearest optimum."""
    tolerance = ROBUST_TOLERANCE if robust else TOLERANCE
    damping, growth = FIRST_DAMPING, 2.0
    cost, weights = evaluate(unknowns, network, layout, kept, robust=robust)
    normal = normals.normal_equations(unknowns, network, layout, weights)
    for iteration in range(1, max_iterations + 1):
        step, points_step, predicted = _step(unknowns, network, layout, normal, weights, damping)
        trial = _moved(unknowns, layout, step, points_step)
        trial_cost, trial_weights = evaluate(trial, network, layout, kept, robust=robust)
        gain = (cost - trial_cost) / max(predicted, 1e-300)
        settled = predicted <= tolerance * max(cost, 1e-12)
        if trial_cost <= cost:
            unknowns, cost, weights = trial, trial_cost, trial_weights
            if settled:
                return _Descent(unknowns, cost, iteration, True)
            damping *= max(1.0 / 9.0, 1.0 - (2.0 * gain - 1.0) ** 3)
            growth = 2.0
            normal = normals.normal_equations(unknowns, network, layout, weights)
        elif settled:
            return _Descent(unknowns, cost, iteration, True)
        else:
            damping *= growth
            growth *= 2.0
    return _Descent(unknowns, cost, max_iterations, False)


def _step(
    unknowns: Unknowns,
    network: Network,
    layout: Layout,
    normal: Normal,
    weights: Weights,
    damping: float,
) -> tuple[Array, Array, float]:
    """Step of the reduced unknowns and of the points, and the fall of the cost it promises."""
    diagonal = np.diag(normal.S).copy()
    V = normal.V * (1.0 + damping * np.eye(3))
    try:
        S, g, roots = eliminate(normal.S, normal.g, V, normal.h, normal.W, layout)
        S[np.diag_indices(layout.size)] += damping * diagonal
        if is_free(network):
            N = open_motions(unknowns, network, layout, _still(layout, weights))
            H = inner_constraints(N, layout)
            S += float(np.median(diagonal[diagonal > 0.0])) * (H @ H.T)
        scale = 1.0 / np.sqrt(np.maximum(np.diag(normal.S), 1e-300))
        factor = linalg.cho_factor(
            S * scale[:, None] * scale[None, :], lower=True, check_finite=False
        )
        step = scale * linalg.cho_solve(factor, scale * g, check_finite=False)
    except (np.linalg.LinAlgError, linalg.LinAlgError) as error:
        raise NetworkError(
            "The targets and points in these photographs do not fix where they were taken.",
            "Take more photographs, each with at least two targets of the frame in view.",
        ) from error
    points_step = back_substitute(normal.h, normal.W, roots, step, layout)
    predicted = 0.5 * float(
        step @ (damping * diagonal * step + normal.g)
        + np.sum(
            points_step
            * (damping * np.diagonal(normal.V, axis1=1, axis2=2) * points_step + normal.h)
        )
    )
    return step, points_step, predicted


def _still(layout: Layout, weights: Weights) -> Rows:
    return np.concatenate([layout.held, weights.loose_columns])


def _moved(unknowns: Unknowns, layout: Layout, step: Array, points_step: Array) -> Unknowns:
    d_points = np.zeros_like(unknowns.points)
    d_points[layout.joint] = step[layout.camera_size :].reshape(-1, 3)
    d_points[layout.free.point] = points_step
    return unknowns.moved(
        step[: layout.lens_column].reshape(-1, POSE),
        step[layout.lens_column : layout.camera_size].reshape(-1, LENS),
        d_points,
    )


def _record(
    network: Network,
    layout: Layout,
    kept: Kept,
    descent: _Descent,
    iterations: int,
    warnings: tuple[str, ...],
    covariance: bool,
) -> Solution:
    unknowns = descent.unknowns
    redundancy = _redundancy(network, layout, kept)
    squared, weights = evaluate(unknowns, network, layout, kept, robust=False)
    sigma0 = float(np.sqrt(2.0 * squared / redundancy)) if redundancy > 0 else 1.0
    placed = np.ones(len(network.points), np.bool_)
    placed[layout.joint[kept.loose_joint]] = False
    placed[layout.free.point[kept.loose_points]] = False
    seen_at_all = np.zeros(len(network.points), np.bool_)
    seen_at_all[layout.joint] = seen_at_all[layout.free.point] = True
    placed &= seen_at_all
    if covariance:
        normal = normals.normal_equations(unknowns, network, layout, weights)
        joint, points = covariances(unknowns, network, layout, normal, weights)
        inflation = max(1.0, sigma0) ** 2
        joint, points = joint * inflation, points * inflation
        points[~placed] = np.where(np.eye(3) > 0.0, np.inf, 0.0)
    else:
        joint = np.zeros((layout.size, layout.size))
        points = np.zeros((len(network.points), 3, 3))
    used, residual, sighting_residual = _observation_record(unknowns, network, layout, kept)
    return Solution(
        lenses=unknowns.lenses(),
        poses=unknowns.poses(),
        points=unknowns.points,
        cov_cameras=joint[: layout.camera_size, : layout.camera_size],
        cov_points=points,
        sigma0=sigma0,
        residual_px=residual,
        used=used,
        cost=squared,
        iterations=iterations,
        warnings=warnings,
        placed=placed,
        joint=layout.joint,
        cov_joint=joint,
        sighting_residual_px=sighting_residual,
        sighting_used=kept.groups[0],
        redundancy=redundancy,
    )


def _redundancy(network: Network, layout: Layout, kept: Kept) -> int:
    priors = sum(int(np.count_nonzero(normals.prior_weight(p.sigma))) for p in network.lens_priors)
    observations = (
        2 * int(kept.free.sum())
        + sum(
            2 * group.size * int(m.sum())
            for group, m in zip(layout.groups, kept.groups, strict=True)
        )
        + 3 * len(network.known.point)
        + len(network.distances.length_mm)
        + priors
    )
    unknowns = (
        layout.size
        - len(layout.held)
        - 3 * len(kept.loose_joint)
        - POSE * len(kept.loose_photos)
        + 3 * (len(layout.free.point) - len(kept.loose_points))
    )
    if is_free(network):
        unknowns -= 6 if len(network.distances.length_mm) else 7
    return observations - unknowns


def _observation_record(
    unknowns: Unknowns, network: Network, layout: Layout, kept: Kept
) -> tuple[Mask, Array, Array]:
    """Mask of use and residual of the single observations, residual of the sightings, px."""
    used = np.zeros(len(network.seen.photo), np.bool_)
    used[layout.free.order] = kept.free
    used[layout.single_order] = kept.groups[1]
    residual, _ = residuals(unknowns, network.seen, network.lens_of_photo)
    of_targets, _ = residuals(unknowns, layout.groups[0].seen, network.lens_of_photo)
    return used, residual, of_targets.reshape(-1, 4, 2)
