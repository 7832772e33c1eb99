"""The smallest small motion of the figure that meets linear demands: one linear programme.

Symbols: x = (w, t) a turn (rad) about the figure's middle and a shift (mm), on top of the motion
so far; g_i . x + s_i >= 0 the demands; D_j how far corner j of the figure's box has come. With z
the worst breach and e the largest displacement of a corner,

    minimise  e + P z + q sum v
    subject to  g_i . x + s_i + z >= 0,   u . (D_j + t + w x r_j) <= e  for all directions u,
                -v <= x_0 + x <= v,

z >= 0, x_0 the turn and shift so far. P is large, so demands come first; q is small and settles
which of several equally small motions is taken: the one with the least turn and shift. The
Euclidean norm is replaced by the largest of its projections on 162 directions evenly spread, which
is at most two per cent smaller.

References
----------
S. Boyd, L. Vandenberghe, "Convex Optimization" (2004), 4.3.1 (Chebyshev centre, norms in linear
programmes), 11.4 (phase I).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import trimesh
from scipy.optimize import linprog

from tracker.maths.camera import Array
from tracker.maths.rotation import hat

PENALTY = 1e3
PLAINNESS = 0.02


@dataclass(frozen=True, slots=True)
class Bounds:
    """How far the figure may go.

    Attributes
    ----------
    shift_mm, turn_rad : float
        Of its middle, in all.
    step_mm : float
        Of any corner in this step, per axis.
    """

    shift_mm: float
    turn_rad: float
    step_mm: float


@cache
def directions() -> Array:
    """Unit vectors evenly spread over the sphere, the axes among them, (162, 3)."""
    return np.array(trimesh.creation.icosphere(subdivisions=2).vertices, dtype=np.float64)


def smallest_step(
    gradient: Array, slack: Array, arms: Array, come: Array, so_far: Array, bounds: Bounds
) -> Array:
    """Turn and shift (6,) that best meet the demands with the smallest displacement in all.

    Parameters
    ----------
    gradient : (m, 6) array
        Of each demand by (w, t).
    slack : (m,) array
        What each demand has to spare now, negative where it is broken; mm.
    arms : (k, 3) array
        Corners of the figure's box as seen from its middle, after the motion so far.
    come : (k, 3) array
        Their displacement so far.
    so_far : (6,) array
        Rotation vector and shift of the middle so far.
    """
    u = directions()
    radius = float(np.linalg.norm(arms, axis=1).max())
    most = np.repeat([bounds.step_mm / radius, bounds.step_mm], 3)
    # a demand that no step within the bounds can break takes no part
    near = slack <= np.abs(gradient) @ most
    gradient, slack = gradient[near], slack[near]
    # columns: w, t, e, z, v
    demands = _columns(-gradient, e=0.0, z=-1.0)
    turned = np.einsum("ua,kab->kub", u, -hat(arms)).reshape(-1, 3)  # u . (w x r) = u . (-r x) w
    shifted = np.tile(u, (len(arms), 1))
    sizes = _columns(np.concatenate([turned, shifted], axis=1), e=-1.0, z=0.0)
    none = np.zeros_like(u)
    turn_limit = _columns(np.concatenate([u, none], axis=1), e=0.0, z=0.0)
    shift_limit = _columns(np.concatenate([none, u], axis=1), e=0.0, z=0.0)
    plain = np.concatenate([_columns(sign * np.eye(6), e=0.0, z=0.0) for sign in (1.0, -1.0)])
    plain[:, 8:] = -np.tile(np.eye(6), (2, 1))
    solved = linprog(
        np.concatenate([np.zeros(6), [1.0, PENALTY], PLAINNESS * plain_weights(arms)]),
        A_ub=np.concatenate([demands, sizes, turn_limit, shift_limit, plain]),
        b_ub=np.concatenate(
            [
                slack,
                -(come @ u.T).ravel(),
                np.maximum(bounds.turn_rad - u @ so_far[:3], 0.0),
                np.maximum(bounds.shift_mm - u @ so_far[3:], 0.0),
                -so_far,
                so_far,
            ]
        ),
        bounds=[*((-m, m) for m in most), *[(0.0, None)] * 8],
        method="highs",
    )
    return np.zeros(6) if solved.x is None else np.asarray(solved.x[:6])


def plain_weights(arms: Array) -> Array:
    """Millimetres that each component of turn and shift stands for, (6,)."""
    return np.repeat([float(np.linalg.norm(arms, axis=1).max()), 1.0], 3)


def _columns(motion: Array, *, e: float, z: float) -> Array:
    """Rows of the programme from their part for turn and shift."""
    rows = np.zeros((len(motion), 14))
    rows[:, :6], rows[:, 6], rows[:, 7] = motion, e, z
    return rows
