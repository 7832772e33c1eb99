"""What tie points are worth to the poses, as the targets judge it.

The residuals of tie points show each observation's own scatter. What many of them share they do
not show: light that moves with the camera, curved stone under a flat patch, one reference
photograph for a whole neighbourhood. The poses give way to it. But the targets know the poses too.

Let x_a, C_a be poses and lenses by the targets alone and x_b, C_b with the tie points. If both
kinds are what they claim, the pull d = x_b - x_a has the covariance C_a - C_b (an efficient
estimate is uncorrelated with what another one differs from it). Along the eigenvectors of C_a - C_b
against C_a the tie points hold shares s_i of what is known, and with variance factors alpha of the
targets and kappa of the tie points

    E[d_i^2] / s_i = alpha s_i + kappa (1 - s_i),   d_i in units of C_a's sigma.

alpha comes from the targets' own residuals; kappa is the likeliest, every direction counting by its
share s_i, so that the smooth directions which matter for the poses outweigh the many in which the
tie points have nothing to say. The tie points then count alpha / kappa of what they claim: the two
kinds are weighed as they proved, at the level of the targets' claim. Where targets are few, s_i is
near 1 whatever the tie points' weight, and they hold the photographs as before.

References
----------
J. A. Hausman, "Specification tests in econometrics", Econometrica 46 (1978), lemma 2.1.
K.-R. Koch, "Parameter estimation and hypothesis testing in linear models" (1999), section 3.6
(estimation of variance components).
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize_scalar

from tracker.maths import rotation
from tracker.maths.camera import Array
from tracker.network.problem import Rows, Solution
from tracker.network.residuals import LENS, POSE

LEAST_SHARE = 1e-4
"""Directions in which the tie points say less than this are rounding."""
LARGEST_FACTOR = 1e4
FLAT = 1e-12
"""Directions of the targets' covariance, in correlations, that are held and not known."""


def tie_worth(alone: Solution, tied: Solution, alone_rows: Rows, tied_rows: Rows) -> float:
    """Share of their claimed information that tie points are worth to the poses, in (0, 1].

    Parameters
    ----------
    alone, tied : Solution
        Targets alone; the same with tie points at the weight that their own scatter allows.
    alone_rows, tied_rows : (k,) rows of the same photographs in either
    """
    alpha = min(1.0, alone.sigma0**2)
    share, pull2 = _directions(alone, tied, alone_rows, tied_rows)
    if len(share) == 0:
        return 1.0
    return alpha / max(1.0, tie_variance(share, pull2, alpha))


def tie_variance(share: Array, pull2: Array, alpha: float) -> float:
    """Likeliest variance factor kappa of the tie points.

    Parameters
    ----------
    share : (n,) array
        s_i, in (0, 1).
    pull2 : (n,) array
        d_i^2 / s_i.
    alpha : float
        Variance factor of the targets.
    """

    def misfit(log_kappa: float) -> float:
        variance = alpha * share + np.exp(log_kappa) * (1.0 - share)
        return float(np.sum(share * (np.log(variance) + pull2 / variance)))

    widest = np.log(LARGEST_FACTOR)
    found = minimize_scalar(misfit, bounds=(-widest, widest), method="bounded")
    return float(np.exp(found.x))


def _directions(
    alone: Solution, tied: Solution, alone_rows: Rows, tied_rows: Rows
) -> tuple[Array, Array]:
    """Shares s_i and d_i^2 / s_i along the common eigenvectors."""
    before, after = _covariance(alone, alone_rows), _covariance(tied, tied_rows)
    sigma = np.sqrt(np.diag(before))
    free = sigma > 0.0
    unit = sigma[free, None] * sigma[free]
    values, vectors = np.linalg.eigh(before[np.ix_(free, free)] / unit)
    known = values > FLAT * values[-1]
    whiten = vectors[:, known] / np.sqrt(values[known])
    brought = (before - after)[np.ix_(free, free)] / unit
    share, turn = np.linalg.eigh(whiten.T @ brought @ whiten)
    pull = _pull(alone, tied, alone_rows, tied_rows)[free] / sigma[free]
    along = turn.T @ (whiten.T @ pull)
    told = (share > LEAST_SHARE) & (share < 1.0)
    return share[told], along[told] ** 2 / share[told]


def _covariance(solution: Solution, rows: Rows) -> Array:
    """Claimed covariance of some poses and of all lenses, without the factor sigma0^2."""
    lenses = POSE * len(solution.poses) + np.arange(LENS * len(solution.lenses))
    columns = np.concatenate([(POSE * rows[:, None] + np.arange(POSE)).ravel(), lenses])
    part = solution.cov_cameras[np.ix_(columns, columns)]
    return np.asarray(part / max(1.0, solution.sigma0) ** 2)


def _pull(alone: Solution, tied: Solution, alone_rows: Rows, tied_rows: Rows) -> Array:
    """Change of the poses (w, dt) and lenses from one solution to the other."""
    before = [alone.poses[row] for row in alone_rows]
    after = [tied.poses[row] for row in tied_rows]
    turn = rotation.log(
        np.array([b.R @ a.R.T for a, b in zip(before, after, strict=True)]).reshape(-1, 3, 3)
    )
    shift = np.array([b.t - a.t for a, b in zip(before, after, strict=True)]).reshape(-1, 3)
    lens = [b.vector - a.vector for a, b in zip(alone.lenses, tied.lenses, strict=True)]
    return np.concatenate([np.concatenate([turn, shift], axis=1).ravel(), *lens])
