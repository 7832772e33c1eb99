"""The error that all photographs of one target share, told by the target's own shape.

Light that falls unevenly on a card, paper that bends, ink that spreads: they move a target's
edges alike in every photograph, so the photographs agree on corners that are all a little wrong,
and no residual between photographs shows it. But the print is a flat square. Of the eight
coordinates of its corners in its plane, place, turn and size take four; the other four must
vanish, and their squares sum to tau^2 chi^2(4) where each coordinate carries an error of
variance tau^2 of its own.

Few targets in a day are much worse than the others (a shadow's edge, a curled corner), so each
is judged by its own shape first and by the others' second: with the others' tau_0^2 taken as
worth two degrees of freedom, the mean of what is then believed of tau^2 is

    tau^2 = (2 tau_0^2 + sum of squares) / (2 + 4 - 2).

A sheet printed longer than wide passes for such an error too: the claim is then too cautious.

References
----------
A. Gelman et al., "Bayesian data analysis", 3rd ed. (2013), section 2.6 (variance of a normal
distribution, scaled inverse chi^2).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.chance import chi2_median

FREEDOM = 4
"""Coordinates of a square's corners in its plane beyond place, turn and size."""
OTHERS_WORTH = 2
"""Degrees of freedom that the other targets' usual error is worth."""
SQUARE = np.array([-1 - 1j, 1 - 1j, 1 + 1j, -1 + 1j])


def shared_sigmas(corners: Mapping[int, Array]) -> dict[int, float]:
    """Sigma of each target's shared error, per corner and coordinate in its plane, mm.

    Parameters
    ----------
    corners : mapping of target to its (4, 3) corners as all photographs together have them, mm
    """
    squares = {tag: out_of_square_mm2(xyz) for tag, xyz in sorted(corners.items())}
    if not squares:
        return {}
    usual = float(np.median(list(squares.values()))) / chi2_median(FREEDOM)
    worth = OTHERS_WORTH + FREEDOM - 2
    return {
        tag: float(np.sqrt((OTHERS_WORTH * usual + own) / worth)) for tag, own in squares.items()
    }


def out_of_square_mm2(corners: Array) -> float:
    """Sum of squared distances in the plane from the best square, mm^2.

    Parameters
    ----------
    corners : (4, 3) array, mm
    """
    along, across, _ = _axes(corners)
    off = corners - corners.mean(axis=0)
    plane = off @ along + 1j * (off @ across)
    size_and_turn = np.vdot(SQUARE, plane) / np.vdot(SQUARE, SQUARE)
    return float(np.sum(np.abs(plane - size_and_turn * SQUARE) ** 2))


def shared_covariance(corners: Array, sigma_mm: float) -> Array:
    """Covariance (12, 12) of the corners from the shared error: in the target's plane, mm^2."""
    _, _, normal = _axes(corners)
    return np.asarray(sigma_mm**2 * np.kron(np.eye(4), np.eye(3) - np.outer(normal, normal)))


def _axes(corners: Array) -> tuple[Array, Array, Array]:
    """Unit vectors along the top edge, down the sides and along the normal."""
    down, up = corners[2] - corners[0], corners[3] - corners[1]
    normal = np.cross(down, up)
    normal /= np.linalg.norm(normal)
    along = (down - up) / np.linalg.norm(down - up)
    return along, np.cross(normal, along), normal
