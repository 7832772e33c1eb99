"""Levenberg and Marquardt's descent on the network's cost.

References
----------
K. Madsen, H. B. Nielsen, O. Tingleff, "Methods for non-linear least squares problems" (2004),
section 3.2 (damping).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from tracker.errors import NetworkError
from tracker.maths.camera import Array
from tracker.maths.chance import chi2_above
from tracker.maths.robust import Loss, huber, squares
from tracker.network import normal as normals
from tracker.network.datum import inner_constraints, is_free, open_motions
from tracker.network.eliminate import back_substitute, eliminate, free_residuals
from tracker.network.layout import Layout
from tracker.network.normal import Normal, Weights
from tracker.network.problem import Network, Rows
from tracker.network.residuals import LENS, POSE, Unknowns
from tracker.network.selection import Kept, loose_columns

HUBER_SHARE = 0.8214
"""Share of good observations that Huber's loss treats as squares (1.345 in one dimension)."""
FIRST_DAMPING = 1e-4
ROBUST_TOLERANCE = 1e-4
TOLERANCE = 1e-11
"""Relative fall of the cost that counts as converged; under the robust loss, which only serves to
find what disagrees, far sooner: it would creep on for three times as many steps."""


@dataclass(frozen=True, slots=True)
class Descent:
    """Where the descent ended."""

    unknowns: Unknowns
    cost: float
    iterations: int
    converged: bool


def _losses(robust: bool, layout: Layout) -> tuple[Loss, tuple[Loss, ...]]:
    if not robust:
        return squares(), tuple(squares() for _ in layout.groups)

    def of(dimension: int) -> Loss:
        return huber(float(np.sqrt(chi2_above(1.0 - HUBER_SHARE, dimension))))

    return of(2), tuple(of(2 * group.size) for group in layout.groups)


def evaluate(
    unknowns: Unknowns, network: Network, layout: Layout, kept: Kept, *, robust: bool
) -> tuple[float, Weights]:
    """Cost of the unknowns and the weights that the loss gives."""
    free_loss, group_losses = _losses(robust, layout)
    z = normals.length(free_residuals(unknowns, layout))
    cost = network.free_worth * float(free_loss.rho(z)[kept.free].sum())
    free = network.free_worth * free_loss.weight(z) * kept.free
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
        off = prior.vector - unknowns.lens[row]
        cost += 0.5 * float(off @ normals.prior_information(prior) @ off)
    loose = loose_columns(layout, kept)
    return cost, Weights(free, tuple(groups), loose, kept.loose_points)


def descend(
    unknowns: Unknowns,
    network: Network,
    layout: Layout,
    kept: Kept,
    *,
    robust: bool,
    max_iterations: int,
) -> Descent:
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
                return Descent(unknowns, cost, iteration, True)
            damping *= max(1.0 / 9.0, 1.0 - (2.0 * gain - 1.0) ** 3)
            growth = 2.0
            normal = normals.normal_equations(unknowns, network, layout, weights)
        elif settled:
            return Descent(unknowns, cost, iteration, True)
        else:
            damping *= growth
            growth *= 2.0
    return Descent(unknowns, cost, max_iterations, False)


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
