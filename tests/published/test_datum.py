"""Datum of a free network: rank defects and what does not depend on the datum.

B. Triggs et al. (2000), section 9, and T. Luhmann et al. (free net adjustment), from memory:
photographs alone leave 7 degrees of freedom open, with one distance 6; the uncertainty of a
distance is the same in every datum; the mean point sigma is least under inner constraints at
the points.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.simulated_network import detect, make_world, network_of
from tracker.maths.camera import Array
from tracker.network.datum import inner_constraints, open_motions
from tracker.network.descent import evaluate
from tracker.network.layout import Layout, lay_out
from tracker.network.normal import normal_equations
from tracker.network.problem import LensPrior, Network, Solution
from tracker.network.residuals import Unknowns
from tracker.network.selection import keep_all
from tracker.network.solve import solve


@cache
def free_network(bars: int) -> tuple[Network, Solution]:
    world = make_world(12)
    network, _ = network_of(world, detect(world), datum=False, bars=bars)
    solution = solve(network, robust=False)
    return (
        replace(network, lenses=solution.lenses, poses=solution.poses, points=solution.points),
        solution,
    )


def normal_matrix(network: Network) -> tuple[Array, Layout, Unknowns]:
    layout = lay_out(network)
    unknowns = Unknowns.of(network)
    _, weights = evaluate(unknowns, network, layout, keep_all(network, layout), robust=False)
    return normal_equations(unknowns, network, layout, weights).S, layout, unknowns


def null_dimension(S: Array) -> int:
    scale = 1.0 / np.sqrt(np.diag(S))
    values = np.linalg.eigvalsh(S * scale[:, None] * scale[None, :])
    return int(np.sum(values < 1e-10 * values[-1]))


@pytest.mark.parametrize(("bars", "defect"), [(0, 7), (1, 6)])
def test_rank_defect(bars: int, defect: int) -> None:
    network, _ = free_network(bars)
    S, layout, unknowns = normal_matrix(network)
    assert null_dimension(S) == defect
    N = open_motions(unknowns, network, layout, np.zeros(0, np.int64))
    assert N.shape[1] == defect
    scale = np.sqrt(np.diag(S))
    assert np.abs(S @ N).max() <= 1e-8 * np.abs(np.outer(scale, scale) @ np.abs(N)).max()


def in_datum(S: Array, N: Array, H: Array) -> Array:
    """Covariance under H^T dx = 0."""
    k = float(np.median(np.diag(S)))
    HN = H.T @ N
    return np.asarray(np.linalg.inv(S + k * H @ H.T) - N @ np.linalg.inv(k * HN.T @ HN) @ N.T)


def test_distances_do_not_depend_on_the_datum_and_points_do() -> None:
    network, solution = free_network(1)
    S, layout, unknowns = normal_matrix(network)
    N = open_motions(unknowns, network, layout, np.zeros(0, np.int64))
    at_points = in_datum(S, N, inner_constraints(N, layout))
    ours = solution.cov_joint / max(1.0, solution.sigma0) ** 2
    assert np.abs(at_points - ours).max() <= 1e-6 * np.abs(ours).max()
    H = np.zeros_like(N)  # the first camera and one direction of the second hold still
    H[np.arange(6), np.arange(6)] = 1.0
    at_camera = in_datum(S, N, H)
    first = layout.camera_size
    for a, b in ((0, 17), (5, 60), (33, 90)):
        between = network.points[layout.joint[b]] - network.points[layout.joint[a]]
        j = np.zeros(layout.size)
        j[first + 3 * a : first + 3 * a + 3] = -between / np.linalg.norm(between)
        j[first + 3 * b : first + 3 * b + 3] = between / np.linalg.norm(between)
        assert j @ at_points @ j == pytest.approx(j @ at_camera @ j, rel=1e-6)
    mean_points = np.trace(at_points[first:, first:])
    assert mean_points < 0.5 * np.trace(at_camera[first:, first:])


def test_sigma_of_the_bar_goes_into_every_length() -> None:
    """With one bar of .01 mm in 250 mm a length of 500 mm is at least .02 mm uncertain."""
    network, solution = free_network(1)
    first = len(solution.cov_cameras)
    j = np.zeros(len(solution.cov_joint))
    a, b = 0, 4 * 5
    between = solution.points[solution.joint[b]] - solution.points[solution.joint[a]]
    length = np.linalg.norm(between)
    j[first + 3 * a : first + 3 * a + 3] = -between / length
    j[first + 3 * b : first + 3 * b + 3] = between / length
    sigma = np.sqrt(j @ solution.cov_joint @ j)
    bar = network.distances
    assert sigma >= 0.99 * length * bar.sigma_mm[0] / bar.length_mm[0]


def test_held_lens_parameters_keep_their_value_and_have_no_variance() -> None:
    network, _ = free_network(1)
    prior = network.lens_priors[0]
    held = LensPrior(prior.vector, np.where(np.arange(8) >= 5, 0.0, prior.sigma))
    start = replace(network, lens_priors=(held,))
    solution = solve(start, robust=False)
    assert solution.lenses[0].vector[5:] == pytest.approx(start.lenses[0].vector[5:], abs=0.0)
    column = 6 * len(network.poses)
    assert np.abs(solution.cov_joint[column + 5 : column + 8]).max() == 0.0
    assert solution.cov_joint[column, column] > 0.0
