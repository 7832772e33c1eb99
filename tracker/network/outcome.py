"""What the adjustment hands on: photographs, targets, bars, lenses, and what was left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array, Lens, Pose
from tracker.network.build import Choice, Material
from tracker.network.problem import Network, Rows, Solution
from tracker.network.shared import shared_covariance


@dataclass(frozen=True, slots=True)
class AdjustedPhoto:
    """One photograph after the adjustment."""

    name: str
    used: bool
    reason: str
    """Why it is left out or counts less; empty when all is well."""
    lens: int
    pose: Pose | None
    rms_px: float
    """Root mean square of its residuals per coordinate, targets and tie points."""
    targets: int
    weight: float = 1.0
    """Below 1 where its residuals were larger than its sigmas allow."""


@dataclass(frozen=True, slots=True)
class AdjustedTarget:
    """One target after the adjustment."""

    tag: int
    role: str
    corners: Array
    """(4, 3) mm, frame coordinates."""
    cov_corners: Array
    """(12, 12) mm^2, joint covariance of the corners."""
    used: bool
    reason: str
    photos: int
    shift_mm: float = 0.0
    """How far it has moved against the record, or between photographs."""
    turn_deg: float = 0.0
    statistic: float = 0.0
    """Test value of its agreement with the record over its critical value (1 is the limit)."""

    @property
    def sigma(self) -> Array:
        """Sigma of each corner, the root of the mean variance of its coordinates, (4,), mm."""
        variance = np.diag(self.cov_corners).reshape(4, 3).mean(axis=1)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


@dataclass(frozen=True, slots=True)
class AdjustedBar:
    """One scale bar after the adjustment."""

    target_a: int
    target_b: int
    given_mm: float
    found_mm: float
    u95_mm: float
    """Of found less given."""
    used: bool
    reason: str

    @property
    def ratio(self) -> float:
        """Found over given."""
        return self.found_mm / self.given_mm


@dataclass(frozen=True, slots=True)
class Seating:
    """How the frame's targets lie against the other known ones (lasting, seat).

    A motion well above its uncertainty while the frame's targets agree among themselves means
    that the frame is not seated.
    """

    shift_mm: float
    turn_deg: float
    u95_shift_mm: float
    statistic: float
    """Test value over its critical value."""
    frame_spread: float
    """The same for the frame's targets among themselves."""


@dataclass(frozen=True, slots=True)
class Adjustment:
    """The network of a day: photographs, targets, bars, lenses, with everything left out."""

    photos: tuple[AdjustedPhoto, ...]
    targets: tuple[AdjustedTarget, ...]
    bars: tuple[AdjustedBar, ...]
    lenses: tuple[Lens, ...]
    solution: Solution
    network: Network
    photo_rows: Rows
    """(n_photos,) row in `network` of each photograph, -1 where left out."""
    tie_rows: Rows
    """(n,) row in `network` of each tie point, -1 where left out."""
    target_rows: Mapping[int, Rows]
    """Rows in `network` of every target's corners that took part."""
    material: Material
    choice: Choice
    seating: Seating | None = None
    warnings: tuple[str, ...] = field(default=())

    def target(self, tag: int) -> AdjustedTarget:
        """Target by number.

        Raises
        ------
        KeyError
            It was not seen.
        """
        for target in self.targets:
            if target.tag == tag:
                return target
        raise KeyError(tag)

    def cov_of_corners(self, points: Rows) -> Array:
        """Joint covariance of some targets' corners, shared errors included, (3 k, 3 k), mm^2.

        Parameters
        ----------
        points : (k,) rows in `network`
        """
        cov = self.solution.cov_of_joint(points)
        for tag, rows in self.target_rows.items():
            own = shared_covariance(self.solution.points[rows], self.choice.shared_mm.get(tag, 0.0))
            for place, row in enumerate(points):
                corner = np.flatnonzero(rows == row)
                if len(corner):
                    k, c = 3 * place, 3 * int(corner[0])
                    cov[k : k + 3, k : k + 3] += own[c : c + 3, c : c + 3]
        return cov

    def length(self, tag_a: int, tag_b: int) -> tuple[float, float]:
        """Distance between two targets' centres and its sigma, shared errors included, mm.

        Raises
        ------
        KeyError
            One of them took no part.
        """
        rows = np.concatenate([self.target_rows[tag_a], self.target_rows[tag_b]])
        a, b = self.solution.points[rows].reshape(2, 4, 3).mean(axis=1)
        length = float(np.linalg.norm(b - a))
        toward = (b - a) / length / 4.0
        j = np.concatenate([np.tile(-toward, 4), np.tile(toward, 4)])
        return length, float(np.sqrt(max(0.0, j @ self.cov_of_corners(rows) @ j)))

    @property
    def free(self) -> bool:
        """The datum is free: the coordinates are those of no frame."""
        return not self.choice.held

    def posed(self) -> NDArray[np.bool_]:
        """Which photographs take part, (n,)."""
        return np.array([photo.used for photo in self.photos])
