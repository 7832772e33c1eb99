"""Tests of whether each known target lies where its record says, and of each bar.

For a held target with record x, estimate y, covariances S (record) and C (estimate), the
discrepancy of the record from what everything else says is d = S (S - C)^-1 (x - y), and
T = (x - y)^T (S - C)^-1 (x - y) is chi^2 with as many degrees of freedom as S - C has rank; for
a target that is not held d = x - y and T = d^T (S + C)^-1 d.

References
----------
W. Baarda, "A testing procedure for use in geodetic networks" (1968); W. Forstner, B. Wrobel,
"Photogrammetric computer vision" (2016), section 4.6 (groups of observations).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.chance import chi2_above, chi2_median
from tracker.maths.rigid import fit_rigid, motion_jacobian
from tracker.maths.rotation import angle_rad
from tracker.network.build import Assembled, Choice, Material, bar_sigma, known_sigma
from tracker.network.outcome import AdjustedBar, Seating
from tracker.network.problem import Rows, Solution

LEAST_SHARE = 1e-3
"""Directions in which the rest says less than this about a held target are not tested."""


@dataclass(frozen=True, slots=True)
class TargetTest:
    """A known target against its record."""

    tag: int
    shift_mm: float
    turn_deg: float
    value: float
    """T over its critical value; above 1 the target does not lie where its record says."""
    scale: float
    """T over its median when all is well: squared factor by which sigmas are too small."""


def test_known(
    material: Material, choice: Choice, assembled: Assembled, solution: Solution
) -> dict[int, TargetTest]:
    """Test of every known target that takes part."""
    return {
        tag: _test_target(material, choice, assembled, solution, tag)
        for tag in assembled.tags
        if tag in material.known
    }


def _test_target(
    material: Material, choice: Choice, assembled: Assembled, solution: Solution, tag: int
) -> TargetTest:
    rows = assembled.rows_of(tag)
    record = material.known[tag].corners
    S = np.diag(np.repeat(known_sigma(material, choice, tag) ** 2, 3))
    C = solution.cov_of_joint(rows)
    off = (record - solution.points[rows]).ravel()
    if tag in choice.held:
        # in units of the record's sigma the eigenvalues say how much the rest knows (0..1)
        root = np.sqrt(np.diag(S))
        values, vectors = np.linalg.eigh(np.eye(12) - C / np.outer(root, root))
        good = values > LEAST_SHARE
        u = vectors[:, good].T @ (off / root)
        T, dof = float(np.sum(u * u / values[good])), int(good.sum())
        d = root * (vectors[:, good] @ (u / values[good]))
    else:
        T, dof, d = float(off @ np.linalg.solve(S + C, off)), 12, off
    if dof == 0:
        return TargetTest(tag, 0.0, 0.0, 0.0, 1.0)
    found = record - d.reshape(4, 3)
    motion = fit_rigid(record, found)
    shift = float(np.linalg.norm(found.mean(axis=0) - record.mean(axis=0)))
    limit = chi2_above(material.settings.significance, dof)
    median = chi2_median(dof)
    return TargetTest(tag, shift, float(np.degrees(angle_rad(motion.R))), T / limit, T / median)


def seating(
    material: Material,
    choice: Choice,
    assembled: Assembled,
    solution: Solution,
    tests: dict[int, TargetTest],
) -> Seating | None:
    """Motion that the frame's record would need to agree with the other known targets."""
    others = [t for t in assembled.tags if t in material.known and t not in choice.held]
    others = [t for t in others if material.known[t].role != "frame"]
    if not others or not choice.held:
        return None
    rows = np.concatenate([assembled.rows_of(tag) for tag in others])
    record = np.concatenate([material.known[tag].corners for tag in others])
    middle = record.mean(axis=0)
    off = (solution.points[rows] - record).ravel()
    cov = solution.cov_of_joint(rows)
    sigma = np.concatenate([known_sigma(material, choice, tag) for tag in others])
    cov = cov + np.diag(np.repeat(sigma, 3) ** 2)
    J = motion_jacobian(record - middle).reshape(-1, 6)
    weighted = np.linalg.solve(cov, J)
    cov_motion = np.linalg.inv(J.T @ weighted)
    motion = cov_motion @ (weighted.T @ off)
    T = float(motion @ np.linalg.solve(cov_motion, motion))
    limit = chi2_above(material.settings.significance, 6)
    frame = [t.value for t in tests.values() if t.tag in choice.held]
    return Seating(
        shift_mm=float(np.linalg.norm(motion[3:])),
        turn_deg=float(np.degrees(np.linalg.norm(motion[:3]))),
        u95_shift_mm=2.0 * float(np.sqrt(np.trace(cov_motion[3:, 3:]))),
        statistic=T / limit,
        frame_spread=float(np.median(frame)) if frame else 0.0,
    )


def length_between(solution: Solution, rows_a: Rows, rows_b: Rows) -> tuple[float, float]:
    """Distance between two targets' centres and its sigma, mm."""
    rows = np.concatenate([rows_a, rows_b])
    between = solution.points[rows_b].mean(axis=0) - solution.points[rows_a].mean(axis=0)
    length = float(np.linalg.norm(between))
    toward = between / length / 4.0
    j = np.concatenate([np.tile(-toward, 4), np.tile(toward, 4)])
    return length, float(np.sqrt(max(0.0, j @ solution.cov_of_joint(rows) @ j)))


def measure_bars(
    material: Material, choice: Choice, assembled: Assembled, solution: Solution
) -> dict[int, AdjustedBar]:
    """Every bar as the network has it; `u95_mm` is that of found less given."""
    out = {}
    for k, bar in enumerate(material.bars):
        if bar.target_a not in assembled.tags or bar.target_b not in assembled.tags:
            continue
        found, sigma = length_between(
            solution, assembled.rows_of(bar.target_a), assembled.rows_of(bar.target_b)
        )
        u95 = 2.0 * float(np.hypot(sigma, bar_sigma(material, choice, k)))
        out[k] = AdjustedBar(
            bar.target_a, bar.target_b, bar.length_mm, found, u95, k in assembled.bars, ""
        )
    return out
