"""Normal equations of the network, reduced to cameras and joint points.

Most points are seen in a few photographs and tied to nothing else, so they can be eliminated one
by one (`eliminate`). Joint points (corners of targets and bars) stay:

    [ S  W ] [ dc ]   [ g ]
    [ W^T V] [ dx ] = [ h ]

where c holds poses, lenses and joint points, x the rest, and V is block diagonal (3 x 3).

References
----------
B. Triggs et al., "Bundle adjustment - a modern synthesis" (2000), section 6.1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.network.eliminate import free_equations
from tracker.network.layout import Group, Layout
from tracker.network.problem import LensPrior, Network, Rows
from tracker.network.residuals import (
    CAMERA,
    LENS,
    NOT_IN_FRONT,
    POSE,
    Unknowns,
    linearise,
    residuals,
)


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights of the observations beyond their own covariance (robust loss, rejection)."""

    free: Array
    groups: tuple[Array, ...]
    loose_columns: Rows
    """Columns of joint points that too few observations hold: they stay where they are."""
    loose_points: Rows
    """Eliminated points of the same kind."""


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal equations at one place; the arrays of the docstring above."""

    S: Array
    g: Array
    V: Array
    h: Array
    W: Array
    """(14, 3, m), one block per observation of an eliminated point."""


def group_residuals(unknowns: Unknowns, group: Group, layout: Layout) -> Array:
    """Whitened residuals of a group, (n, 2c); those not in front of the camera are huge."""
    residual, in_front = residuals(unknowns, group.seen, layout.lens_of_photo)
    rows = residual.reshape(len(group.whitener), 2 * group.size)
    z = np.matmul(group.whitener, rows[:, :, None])[:, :, 0]
    lost = ~in_front.reshape(-1, group.size).all(axis=1)
    z[lost] = NOT_IN_FRONT / np.sqrt(2.0 * group.size)
    return np.asarray(z)


def distance_residuals(unknowns: Unknowns, network: Network) -> tuple[Array, Array]:
    """Whitened residuals (b,) of the bars and derivatives (b, 8, 3) by their corners."""
    bars = network.distances
    a = unknowns.points[bars.corners_a].mean(axis=1)
    b = unknowns.points[bars.corners_b].mean(axis=1)
    length = np.linalg.norm(b - a, axis=1)
    toward = (b - a) / (length * 4.0 * bars.sigma_mm)[:, None]
    z = (bars.length_mm - length) / bars.sigma_mm
    J = np.repeat(np.stack([-toward, toward], axis=1), 4, axis=1)
    return z, J


def normal_equations(
    unknowns: Unknowns, network: Network, layout: Layout, weights: Weights
) -> Normal:
    """Weighted normal equations of all observations, undamped."""
    S = np.zeros((layout.size, layout.size))
    g = np.zeros(layout.size)
    for group, weight in zip(layout.groups, weights.groups, strict=True):
        _add_group(S, g, unknowns, group, layout, weight)
    V, h, W = free_equations(S, g, unknowns, layout, weights.free)
    _add_known(S, g, V, h, unknowns, network, layout)
    _add_distances(S, g, unknowns, network, layout)
    _add_priors(S, g, unknowns, network, layout)
    held = np.concatenate([layout.held, weights.loose_columns])
    S[held, :], S[:, held], g[held] = 0.0, 0.0, 0.0
    S[held, held] = 1.0
    W[POSE:].transpose(0, 2, 1)[layout.held_lens[layout.free.lens].T] = 0.0
    V[weights.loose_points] = np.eye(3)
    h[weights.loose_points] = 0.0
    return Normal(S, g, V, h, W)


def whitened_jacobian(unknowns: Unknowns, group: Group, layout: Layout) -> Array:
    """Derivative of a group's whitened pixels by pose, lens and points, (n, 2c, 14 + 3c)."""
    n, c = len(group.whitener), group.size
    line = linearise(unknowns, group.seen, layout.lens_of_photo)
    J = np.zeros((n, 2 * c, CAMERA + 3 * c))
    J[:, :, :CAMERA] = line.A.reshape(n, 2 * c, CAMERA)
    B = line.B.reshape(n, c, 2, 3)
    for k in range(c):
        J[:, 2 * k : 2 * k + 2, CAMERA + 3 * k : CAMERA + 3 * k + 3] = B[:, k]
    return np.asarray(np.matmul(group.whitener, J))


def _add_group(
    S: Array, g: Array, unknowns: Unknowns, group: Group, layout: Layout, weight: Array
) -> None:
    if len(group.whitener) == 0:
        return
    J = whitened_jacobian(unknowns, group, layout) * np.sqrt(weight)[:, None, None]
    z = (group_residuals(unknowns, group, layout) * np.sqrt(weight)[:, None])[:, :, None]
    Jt = J.transpose(0, 2, 1)
    flat = group.columns[:, :, None] * layout.size + group.columns[:, None, :]
    summed = np.bincount(flat.ravel(), np.matmul(Jt, J).ravel(), minlength=S.size)
    S += summed.reshape(S.shape)
    g += np.bincount(group.columns.ravel(), np.matmul(Jt, z).ravel(), minlength=len(g))


def _add_known(
    S: Array, g: Array, V: Array, h: Array, unknowns: Unknowns, network: Network, layout: Layout
) -> None:
    known = network.known
    if len(known.point) == 0:
        return
    weight = 1.0 / known.sigma_mm**2
    pull = (known.xyz - unknowns.points[known.point]) * weight[:, None]
    first = layout.column_of_point[known.point]
    joint = first >= 0
    columns = first[joint][:, None] + np.arange(3)
    np.add.at(S, (columns, columns), weight[joint][:, None])
    np.add.at(g, columns, pull[joint])
    rows = layout.free_of_point[known.point]
    free = rows >= 0
    np.add.at(V, rows[free], weight[free][:, None, None] * np.eye(3))
    np.add.at(h, rows[free], pull[free])


def _add_distances(
    S: Array, g: Array, unknowns: Unknowns, network: Network, layout: Layout
) -> None:
    if len(network.distances.length_mm) == 0:
        return
    z, J = distance_residuals(unknowns, network)
    rows = np.concatenate([network.distances.corners_a, network.distances.corners_b], axis=1)
    for k in range(len(z)):
        columns = (layout.column_of_point[rows[k]][:, None] + np.arange(3)).ravel()
        j = J[k].ravel()
        S[np.ix_(columns, columns)] += np.outer(j, j)
        g[columns] += j * z[k]


def _add_priors(S: Array, g: Array, unknowns: Unknowns, network: Network, layout: Layout) -> None:
    for row, prior in enumerate(network.lens_priors):
        weight = prior_information(prior)
        columns = layout.lens_column + LENS * row + np.arange(LENS)
        S[np.ix_(columns, columns)] += weight
        g[columns] += weight @ (prior.vector - unknowns.lens[row])


def prior_information(prior: LensPrior) -> Array:
    """Weight matrix of a lens's prior, (8, 8)."""
    if prior.cov is None:
        return np.diag(prior_weight(prior.sigma))
    scale = 1.0 / np.sqrt(np.diag(prior.cov))
    return np.asarray(np.linalg.inv(prior.cov * np.outer(scale, scale)) * np.outer(scale, scale))


def prior_weight(sigma: Array) -> Array:
    """Weights of a lens's prior, (8,): zero where nothing is known or the parameter is held."""
    usable = np.isfinite(sigma) & (sigma > 0.0)
    return np.asarray(np.where(usable, 1.0 / np.where(usable, sigma, 1.0) ** 2, 0.0))


def length(z: Array) -> Array:
    """Length of whitened residuals, (n,)."""
    return np.asarray(np.sqrt(np.sum(z * z, axis=1)))
