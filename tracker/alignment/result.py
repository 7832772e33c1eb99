"""What the alignment did, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tracker.maths.camera import Array

SET_DOWN_AGAIN = (
    "The frame may not be seated: lift it, clean the seats, set it down again and take the "
    "photographs anew."
)
TELLING_MM = 3.0
"""A direction in which stone would show no smaller shift is one that it says nothing of."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """Rigid correction from frame coordinates to the model: ``p_model = R @ p_frame + t``.

    Attributes
    ----------
    method : str
        "frame" where the frame's pose stands as it is, "frame and finished stone" where finished
        stone has refined it.
    R, t : (3, 3) and (3,) arrays, mm
        Identity and zero when nothing moved.
    shift_mm : float
        Distance by which the middle of the model moved.
    turn_deg : float
    covariance : (6, 6) array
        Of (w, dt): turning about the frame's origin in rad, then shift in mm.
    reason : str
        In the carver's words, why it moved or why not.
    moved : bool
    regions : int
        Regions of finished stone that were used.
    proud_mm : float
        Even amount by which the finished stone stands off the model, beside the shift.
    doubt : str
        What the carver should look into though the frame's pose stands; else empty.
    """

    method: str
    R: Array
    t: Array
    shift_mm: float
    turn_deg: float
    covariance: Array
    reason: str
    moved: bool
    regions: int
    proud_mm: float
    doubt: str = ""

    def apply(self, points: Array) -> Array:
        """Points in the model's coordinates, (n, 3), mm."""
        return np.asarray(points @ self.R.T + self.t)


def unmoved(covariance: Array, reason: str, regions: int, proud_mm: float = 0.0) -> Alignment:
    """The frame's pose as it is."""
    return Alignment(
        method="frame",
        R=np.eye(3),
        t=np.zeros(3),
        shift_mm=0.0,
        turn_deg=0.0,
        covariance=covariance.copy(),
        reason=reason,
        moved=False,
        regions=regions,
        proud_mm=proud_mm,
    )


def rigid(motion: NDArray[np.float64]) -> tuple[Array, Array]:
    """Rotation and shift of a motion (w, dt), (6,), rad and mm, about the origin."""
    return np.asarray(Rotation.from_rotvec(motion[:3]).as_matrix()), np.array(motion[3:])


def shown(noticed_mm: NDArray[np.float64]) -> str:
    """Smallest shifts along X, Y and Z that would show, in words."""
    return ", ".join(
        f"{mm:.1f} mm along {axis}" if mm <= TELLING_MM else f"not along {axis}"
        for axis, mm in zip("XYZ", noticed_mm[:3], strict=True)
    )
