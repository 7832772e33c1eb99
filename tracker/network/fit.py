"""How well each sighting of a target fits the network."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.network.build import Assembled
from tracker.network.problem import Solution

MIN_PHOTOS = 3
"""Photographs that a network must have."""


@dataclass(frozen=True, slots=True)
class Scores:
    """How well each sighting fits, in the order of `Assembled.sightings`."""

    chi2: Array
    """(n,) squared length of the whitened residual, 8 degrees of freedom."""
    rms_px: Array
    """(n,) root mean square of its coordinates' residuals."""


def score(assembled: Assembled, solution: Solution) -> Scores:
    """Fit of every sighting, rejected ones included."""
    s = assembled.network.sightings
    rows = solution.sighting_residual_px.reshape(-1, 8)
    chi2 = np.einsum("ni,ni->n", rows, np.linalg.solve(s.cov_px2, rows[:, :, None])[:, :, 0])
    return Scores(chi2, np.sqrt(np.mean(rows**2, axis=1)))
