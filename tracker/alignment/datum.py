"""How well the frame coordinates of a day are known as a whole.

Each target on record holds the datum with an error of its own that all four of its corners share
(a card is printed true and glued askew). A motion (w, dt) of the whole moves a centre p by
w x p + dt, so the cards together leave it the covariance (sum J^T J / s^2)^-1, J = [-[p]x, I].
"""

from __future__ import annotations

import numpy as np

from tracker.errors import NetworkError
from tracker.maths.camera import Array
from tracker.network.outcome import Adjustment

FEWEST_CARDS = 3
"""With fewer, a card's corners have to hold the turning by themselves."""


def datum_covariance(adjustment: Adjustment, record_sigma_mm: dict[int, Array]) -> Array:
    """Covariance of (w, dt) of the day's frame coordinates, (6, 6), rad and mm.

    Parameters
    ----------
    adjustment : Adjustment
    record_sigma_mm : mapping of target to (4,) array, mm
        One standard deviation of each corner on record.

    Raises
    ------
    NetworkError
        No target on record takes part.
    """
    held = [t for t in adjustment.targets if t.used and t.tag in record_sigma_mm]
    if not held:
        raise NetworkError(
            "No target on the frame takes part in the solution.",
            "Photograph the frame standing in its seats with its cards in view.",
        )
    information = np.zeros((6, 6))
    for target in held:
        variance = record_sigma_mm[target.tag] ** 2 + target.sigma**2
        if len(held) >= FEWEST_CARDS:
            information += _information(target.corners.mean(axis=0), float(variance.mean()))
        else:
            for corner, corner_variance in zip(target.corners, variance, strict=True):
                information += _information(corner, float(corner_variance))
    return np.asarray(np.linalg.inv(information))


def _information(place: Array, variance_mm2: float) -> Array:
    x, y, z = place
    turning = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
    J = np.concatenate([turning, np.eye(3)], axis=1)
    return np.asarray(J.T @ J / variance_mm2)
