"""What a tie point's own residuals say of its covariance.

The adjustment gives each point the covariance that its observations claim. A point whose rays miss
each other by more than they claim is worth less, and its few residuals tell so: with n observations
and chi^2 the sum of their squared whitened residuals, the variance factor

    (nu + chi^2) / (nu + 2 n - 3)

is the claim, worth nu degrees of freedom, and the residuals together. It is never less than 1: rays
that happen to meet well are no surer than they claim.

References
----------
K.-R. Koch, "Introduction to Bayesian statistics" (2007), section 4.2.3 (variance factor with an
informative prior).
"""

from __future__ import annotations

import numpy as np

from tracker.maths.camera import Array
from tracker.network.problem import Network, Solution
from tracker.network.residuals import whitener

CLAIM_FREEDOM = 2.0
"""nu: on days other than the demo, 2 to 8 told the worst points equally well, none worse."""


def point_scatter(network: Network, solution: Solution) -> Array:
    """Factor on the variance of each point from its own single observations, (n_points,), >= 1."""
    seen, count = network.seen, len(solution.points)
    if len(seen.photo) == 0:
        return np.ones(count)
    z = np.matmul(whitener(seen.cov_px2), solution.residual_px[:, :, None])[:, :, 0]
    used = solution.used.astype(np.float64)
    chi2 = np.bincount(seen.point, used * np.sum(z * z, axis=1), minlength=count)
    freedom = 2.0 * np.bincount(seen.point, used, minlength=count) - 3.0
    factor = (CLAIM_FREEDOM + chi2) / (CLAIM_FREEDOM + np.maximum(freedom, 0.0))
    return np.asarray(np.maximum(factor, 1.0))
