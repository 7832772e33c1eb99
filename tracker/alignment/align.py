"""The frame gives the pose; finished stone may refine it a little, or doubt it aloud.

The frame's pose is a weighted observation with covariance F, the stone's pose x_s one with
covariance S. Their weighted mean is x = F (F + S)^-1 x_s (Gauss-Markov), and it is capped so that
x' F^-1 x <= 2^2: no place of the model then moves by more than twice its own frame sigma.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tracker.alignment.finished import Regions, finished_stone
from tracker.alignment.refine import StoneFit, fit_stone
from tracker.alignment.result import SET_DOWN_AGAIN, Alignment, rigid, shown, unmoved
from tracker.alignment.seating import Seating, check_seating
from tracker.errors import AlignmentError
from tracker.maths.camera import Array
from tracker.surface import Surface

FEWEST_REGIONS = 15
CAP_SIGMAS = 2.0
WEAKEST_MM = 1.0
"""Stone that leaves some direction looser than this, at the rim of the model, is poorly spread."""
WORTH = 0.05
"""Stone that lowers no variance by this share adds nothing."""
FLOOR_RAD, FLOOR_MM = 1e-7, 1e-4
"""No frame is better than this; keeps the arithmetic sound."""


def align(
    points: Array,
    normals: Array,
    sigma_mm: Array,
    surface: Surface,
    frame_covariance: Array,
    *,
    band_mm: float = 0.5,
    frame_stands: bool = False,
) -> Alignment:
    """Refine the frame's pose by finished stone, within what the frame allows.

    Parameters
    ----------
    points, normals : (n, 3) arrays, frame coordinates
        Measured stone, mm, and its outward unit normals.
    sigma_mm : (n,) array
    surface : Surface
        The model.
    frame_covariance : (6, 6) array
        Of (w, dt): how far the frame coordinates may be turned (rad, about their origin) and
        shifted (mm) as a whole.
    band_mm : float
        Half width of the finished band.
    frame_stands : bool
        The carver has set the frame down anew: a contradiction becomes a doubt.

    Returns
    -------
    Alignment
        With the reason, also when nothing moved.

    Raises
    ------
    AlignmentError
        The stone clearly contradicts the frame: it may not be seated.
    """
    F = frame_covariance + np.diag([FLOOR_RAD**2] * 3 + [FLOOR_MM**2] * 3)
    seating = check_seating(points, normals, sigma_mm, surface, F, band_mm)
    if not frame_stands:
        _refuse_unseated(seating)
    found = _refined(points, normals, sigma_mm, surface, frame_covariance, F, band_mm)
    return replace(found, doubt=_doubt(seating), reason=found.reason + _tells(seating.noticed_mm))


def _refined(
    points: Array,
    normals: Array,
    sigma_mm: Array,
    surface: Surface,
    frame_covariance: Array,
    F: Array,
    band_mm: float,
) -> Alignment:
    """The frame's pose refined by finished stone, or as it is, with the reason."""
    regions = finished_stone(points, normals, sigma_mm, surface, F, band_mm)
    if regions.count < FEWEST_REGIONS:
        return unmoved(
            frame_covariance,
            f"too little finished stone to check the frame by ({regions.count} regions, "
            f"{FEWEST_REGIONS} needed); the frame's pose stands",
            regions.count,
        )
    fit = fit_stone(regions, surface, band_mm / np.sqrt(3.0))
    weakest = _weakest_mm(fit.covariance, regions)
    if weakest > WEAKEST_MM:
        return unmoved(
            frame_covariance,
            f"the finished stone is poorly spread: it would leave the pose loose by "
            f"{weakest:.1f} mm in one direction; the frame's pose stands",
            regions.count,
            fit.proud_mm,
        )
    return _combine(fit, regions, surface, frame_covariance, F)


def _combine(
    fit: StoneFit, regions: Regions, surface: Surface, frame_covariance: Array, F: Array
) -> Alignment:
    """Weighted mean of the frame's and the stone's pose, capped."""
    gain = np.linalg.solve(F + fit.covariance, F).T
    motion = gain @ fit.motion
    worth = float(np.max(np.linalg.eigvals(gain).real))
    if worth < WORTH:
        return unmoved(
            frame_covariance,
            "the frame is better known than finished stone could tell; its pose stands and "
            f"{regions.count} regions of finished stone agree with it",
            regions.count,
            fit.proud_mm,
        )
    size = float(np.sqrt(motion @ np.linalg.solve(F, motion)))
    capped = size > CAP_SIGMAS
    if capped:
        motion = motion * (CAP_SIGMAS / size)
    covariance = frame_covariance if capped else F - gain @ F
    R, t = rigid(motion)
    middle = np.mean(surface.box, axis=0)
    shift = float(np.linalg.norm(R @ middle + t - middle))
    reason = f"{regions.count} regions of finished stone moved the model by {shift:.2f} mm"
    if capped:
        reason += ", held at twice the frame's own sigma"
    return Alignment(
        method="frame and finished stone",
        R=R,
        t=t,
        shift_mm=shift,
        turn_deg=float(np.rad2deg(np.linalg.norm(motion[:3]))),
        covariance=0.5 * (covariance + covariance.T),
        reason=reason,
        moved=True,
        regions=regions.count,
        proud_mm=fit.proud_mm,
    )


def _weakest_mm(covariance: Array, regions: Regions) -> float:
    """Largest sigma of any place's shift or of the rim's turning, mm."""
    middle = regions.points.mean(axis=0)
    radius = float(np.sqrt(np.mean(np.sum((regions.points - middle) ** 2, axis=1))))
    x, y, z = middle
    w_cross_middle = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
    to_middle = np.block([[radius * np.eye(3), np.zeros((3, 3))], [w_cross_middle, np.eye(3)]])
    return float(np.sqrt(np.linalg.eigvalsh(to_middle @ covariance @ to_middle.T)[-1]))


def _doubt(seating: Seating) -> str:
    if not (seating.doubtful or seating.contradicted):
        return ""
    return (
        f"the stone seen would lie better on the model if everything were moved, the farthest "
        f"place by {seating.most_mm:.1f} mm: either whole sides of it stand proud, or the frame "
        "is not seated; lift it and set it down again, and check some finished places with the "
        "needle"
    )


def _tells(noticed_mm: Array) -> str:
    """What finished stone could say of the frame, in words."""
    if not np.isfinite(noticed_mm).all():
        return ""
    return f"; by finished stone alone a frame off its seats would show from {shown(noticed_mm)}"


def _refuse_unseated(seating: Seating) -> None:
    if seating.contradicted:
        raise AlignmentError(
            f"The frame contradicts the stone: {seating.inside_before} of {seating.regions} "
            f"regions of stone would lie inside the model, and moving everything, the farthest "
            f"place by {seating.most_mm:.1f} mm, would leave {seating.inside_after} of them.",
            f"{SET_DOWN_AGAIN} If the stone says so again it is over-cut: add the photographs with "
            "--frame-stands.",
        )
