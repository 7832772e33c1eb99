"""Least squares adjustment of the whole network.

First with a robust loss; then observations that disagree are taken out and the rest is solved
by plain least squares, until the choice no longer changes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from tracker.maths.camera import Array
from tracker.network import normal as normals
from tracker.network.covariance import covariances
from tracker.network.datum import is_free
from tracker.network.descent import Descent, descend, evaluate
from tracker.network.layout import Layout, lay_out
from tracker.network.problem import KnownDistances, Network, Solution
from tracker.network.residuals import POSE, Unknowns, residuals
from tracker.network.selection import (
    Kept,
    Mask,
    choose,
    keep_all,
    keep_as_before,
    same_choice,
)

REJECTION_ROUNDS = 5


def solve(
    network: Network,
    *,
    robust: bool = True,
    max_iterations: int = 60,
    covariance: bool = True,
    before: Solution | None = None,
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
    before : Solution, optional
        Of the same observations with other weights, from where this network starts: what it
        rejected is rejected to begin with, and the robust loss is not needed.

    Raises
    ------
    NetworkError
        The observations do not fix the unknowns.
    """
    layout = lay_out(network)
    unknowns = Unknowns.of(network)
    with threadpool_limits(limits=1, user_api="blas"):
        return _solve(network, layout, unknowns, robust, max_iterations, covariance, before)


def _solve(
    network: Network,
    layout: Layout,
    unknowns: Unknowns,
    robust: bool,
    max_iterations: int,
    covariance: bool,
    before: Solution | None,
) -> Solution:
    iterations = 0
    if before is not None:
        kept = keep_as_before(network, layout, before.used, before.sighting_used)
    else:
        kept = keep_all(network, layout)
    if robust and before is None:
        descent = _settle(unknowns, network, layout, kept, True, max_iterations)
        unknowns, iterations = descent.unknowns, descent.iterations
        kept = choose(unknowns, network, layout)
    for _ in range(REJECTION_ROUNDS):
        descent = _settle(unknowns, network, layout, kept, False, max_iterations)
        unknowns = descent.unknowns
        iterations += descent.iterations
        if not robust:
            break
        again = choose(unknowns, network, layout)
        if same_choice(kept, again):
            break
        kept = again
    warnings = () if descent.converged else ("the adjustment did not settle",)
    return _record(network, layout, kept, descent, iterations, warnings, covariance)


def _settle(
    unknowns: Unknowns,
    network: Network,
    layout: Layout,
    kept: Kept,
    robust: bool,
    max_iterations: int,
) -> Descent:
    """Descent to the optimum; a free network takes its shape first, then its bars.

    A tight bar in a network that is far from its optimum makes a narrow bent valley along which
    the descent creeps; the shape does not need it, and the scale follows from it at once.
    """
    steps = 0
    if is_free(network) and len(network.distances.length_mm):
        shape = replace(network, distances=KnownDistances.none())
        first = descend(unknowns, shape, layout, kept, robust=robust, max_iterations=max_iterations)
        unknowns, steps = _scaled_to_bars(first.unknowns, network), first.iterations
    last = descend(unknowns, network, layout, kept, robust=robust, max_iterations=max_iterations)
    return replace(last, iterations=steps + last.iterations)


def _scaled_to_bars(unknowns: Unknowns, network: Network) -> Unknowns:
    z, _ = normals.distance_residuals(unknowns, network)
    bars = network.distances
    found = bars.length_mm - z * bars.sigma_mm
    weight = (found / bars.sigma_mm) ** 2
    return unknowns.scaled(float(np.sum(weight * bars.length_mm / found) / np.sum(weight)))


def _record(
    network: Network,
    layout: Layout,
    kept: Kept,
    descent: Descent,
    iterations: int,
    warnings: tuple[str, ...],
    covariance: bool,
) -> Solution:
    unknowns = descent.unknowns
    redundancy = _redundancy(network, layout, kept)
    squared, weights = evaluate(unknowns, network, layout, kept, robust=False)
    in_full, _ = evaluate(unknowns, replace(network, free_worth=1.0), layout, kept, robust=False)
    sigma0 = float(np.sqrt(2.0 * in_full / redundancy)) if redundancy > 0 else 1.0
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
