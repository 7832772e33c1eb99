"""What the adjustment is told beforehand besides the photographs."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.maths.camera import Array
from tracker.network.problem import Rows


@dataclass(frozen=True, slots=True)
class KnownTarget:
    """A target whose frame coordinates are on record."""

    corners: Array
    """(4, 3) mm, frame coordinates."""
    u95_mm: Array | None = None
    """(4,) expanded uncertainty of each corner per coordinate, mm; None where not on record."""
    role: str = "frame"
    """frame, lasting or seat."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A known distance between two targets' centres."""

    target_a: int
    target_b: int
    length_mm: float
    u95_mm: float | None = None

    @property
    def name(self) -> str:
        """How the carver knows it."""
        return f"{self.target_a}-{self.target_b}"


@dataclass(frozen=True, slots=True)
class TiePoints:
    """Places of the stone found in several photographs, and where they were seen."""

    xyz: Array
    """(n, 3) mm, frame coordinates, roughly."""
    photo: Rows
    """(m,) row of the photograph in the list handed to `adjust`."""
    point: Rows
    """(m,) row of xyz."""
    pixel: Array
    """(m, 2) px."""
    cov_px2: Array
    """(m, 2, 2) px^2."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the adjustment believes where the job does not say."""

    record_sigma_mm: float = 0.02
    """Frame corner, per coordinate, without u95."""
    bar_sigma_mm: float = 0.02
    """Bar without u95."""
    bar_limit: float = 3.0
    """Largest difference of a bar from its length, in sigmas."""
    focal_share: float = 0.2
    """Sigma of the first focal length, as a share of it."""
    centre_share: float = 0.05
    """Sigma of the principal point about the middle, as a share of the width."""
    radial_sigma: float = 0.5
    tangential_sigma: float = 0.02
    significance: float = 1e-4
    """Chance that a target, bar or photograph in order is called out of order."""
    least_frame_share: float = 0.5
    """Share of the frame's targets that must agree with the record."""
