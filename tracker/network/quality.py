"""How well the photographs hold the network: redundancy, weak photographs, weak directions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tracker.maths.camera import Array
from tracker.network.build import Assembled, Choice, Material
from tracker.network.covariance import free_share
from tracker.network.descent import evaluate
from tracker.network.layout import lay_out
from tracker.network.normal import normal_equations, whitened_jacobian
from tracker.network.problem import Network, Solution
from tracker.network.residuals import LENS, POSE, Unknowns
from tracker.network.selection import choose, keep_all

WEAK_CAMERA_MM = 1.0
"""Sigma of a station from which the carver is told that it is weak."""
WEAK_FOCAL = 1e-3
"""Relative sigma of the focal length from which the lens counts as badly known."""
POOR_RECORD = 3.0
"""Factor on the record's sigmas from which it is named as inexact."""


@dataclass(frozen=True, slots=True)
class Weakness:
    """Where a photograph's station is held worst."""

    photo: int
    """Row of the photograph."""
    sigma_mm: float
    direction_frame: Array
    """(3,) unit."""


def redundancy_numbers(network: Network, solution: Solution) -> tuple[Array, Array]:
    """Share of each observation that the others check, r = trace(I - J C J^T P).

    Returns
    -------
    of_singles : (m,) array, each in [0, 2]
    of_sightings : (n,) array, each in [0, 8]
        With those of records, bars and priors they sum to the redundancy. Rejected
        observations have zero.

    References
    ----------
    T. Luhmann et al., "Close-range photogrammetry and 3D imaging", reliability of the network.
    """
    layout = lay_out(network)
    unknowns = Unknowns.of(
        replace(network, lenses=solution.lenses, poses=solution.poses, points=solution.points)
    )
    kept = choose(unknowns, network, layout) if not solution_uses_all(solution) else None
    kept = keep_all(network, layout) if kept is None else kept
    C = solution.cov_joint / max(1.0, solution.sigma0) ** 2
    singles = np.zeros(len(network.seen.photo))
    of_groups = []
    for group, mask in zip(layout.groups, kept.groups, strict=True):
        J = whitened_jacobian(unknowns, group, layout)
        block = C[group.columns[:, :, None], group.columns[:, None, :]]
        taken = np.einsum("nij,njk,nik->n", J, block, J, optimize=True)
        of_groups.append(np.where(mask, 2.0 * group.size - taken, 0.0))
    singles[layout.single_order] = of_groups[1]
    if len(layout.free.order):
        _, weights = evaluate(unknowns, network, layout, kept, robust=False)
        normal = normal_equations(unknowns, network, layout, weights)
        taken = free_share(unknowns, normal, C, layout)
        singles[layout.free.order] = np.where(kept.free, 2.0 - taken, 0.0)
    return singles, of_groups[0]


def solution_uses_all(solution: Solution) -> bool:
    """Whether nothing was rejected."""
    return bool(solution.used.all() and solution.sighting_used.all())


def weak_stations(solution: Solution) -> tuple[Weakness, ...]:
    """Largest axis of every station's error ellipsoid."""
    out = []
    for k, pose in enumerate(solution.poses):
        block = solution.cov_cameras[POSE * k : POSE * k + POSE, POSE * k : POSE * k + POSE]
        cov = centre_covariance(pose.R, pose.t, block)
        values, vectors = np.linalg.eigh(cov)
        out.append(Weakness(k, float(np.sqrt(max(values[-1], 0.0))), vectors[:, -1]))
    return tuple(out)


def centre_covariance(R: Array, t: Array, cov_pose: Array) -> Array:
    """Covariance (3, 3), mm^2, of a projection centre from that of (w, dt).

    The centre is -R^T t; with R <- exp([w]x) R its change is -R^T (t x w + dt).
    """
    cross = np.array([[0.0, -t[2], t[1]], [t[2], 0.0, -t[0]], [-t[1], t[0], 0.0]])
    J = -R.T @ np.concatenate([cross, np.eye(3)], axis=1)
    return np.asarray(J @ cov_pose @ J.T)


def warnings_of(
    material: Material, choice: Choice, assembled: Assembled, solution: Solution
) -> tuple[str, ...]:
    """What is weak about the network and what to do about it, in the carver's words."""
    out = []
    lens_column = POSE * len(solution.poses)
    for row, lens in enumerate(solution.lenses):
        if row not in {material.cameras[p] for p in assembled.photos}:
            continue
        variance = solution.cov_cameras[lens_column + LENS * row, lens_column + LENS * row]
        share = float(np.sqrt(max(variance, 0.0))) / lens.focal_px
        if share > WEAK_FOCAL:
            out.append(
                f"The lens is known only to {100.0 * share:.2g} %. Take more photographs, from "
                "near and far, and some with the camera turned by a quarter."
            )
    weak = [w for w in weak_stations(solution) if w.sigma_mm > WEAK_CAMERA_MM]
    if weak:
        names = ", ".join(material.names[assembled.photos[w.photo]] for w in weak)
        worst = max(w.sigma_mm for w in weak)
        out.append(
            f"{names}: where it was taken is known only to {worst:.1f} mm. "
            "Stand where more targets are in view."
        )
    if choice.record_scale > POOR_RECORD:
        out.append(
            "The frame's record and the photographs agree only to about "
            f"{choice.record_scale * material.settings.record_sigma_mm:.2f} mm. "
            "Survey the frame again."
        )
    return tuple(out)
