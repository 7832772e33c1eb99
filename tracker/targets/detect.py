"""Targets of one photograph: corners with covariance, and what was left out and why."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array, Lens
from tracker.targets.candidates import Candidate, find_candidates
from tracker.targets.fit import TagFit, fit_tag
from tracker.targets.observation import Detection, RejectedTarget, TargetObservation

FOCAL_OF_LONGER_SIDE = 0.8
"""Focal length assumed while the lens is unknown; only the curvature within a target uses it."""
K1_SIGMA = 0.15
MIN_SIDE_PX = 20.0
MIN_TILT_COSINE = 0.17
MIN_MODULE_PX = 2.3
MIN_CONTRAST = 20.0
MAX_WRONG_MODULES = 0
MAX_RESIDUAL_PX = 0.20
MIN_SUPPORT = 0.80
MIN_SIDE_SUPPORT = 0.45
EDGE_PX = 3.0
LOCAL_RESIDUAL_PX = 0.045
"""A residual above this is tried again with black and white taken near each edge."""


def detect_targets(gray: NDArray[np.uint8]) -> Detection:
    """Find and measure the targets of a photograph whose lens is not known yet.

    Parameters
    ----------
    gray : (h, w) array
        Stored pixels, unturned.

    Returns
    -------
    Detection
        Corners are where they appear in the stored picture (lens distortion included).
    """
    lens = unknown_lens(gray.shape)
    return _measure(gray, find_candidates(gray), lens, K1_SIGMA)


def refine_targets(gray: NDArray[np.uint8], detection: Detection, lens: Lens) -> Detection:
    """Measure once more when the lens is known: it bends straight edges within a target.

    Parameters
    ----------
    gray : (h, w) array
        The photograph that `detection` comes from.
    detection : Detection
    lens : Lens
    """
    candidates = [Candidate(t.tag, t.corners_px) for t in detection.used]
    again = _measure(gray, candidates, lens, 0.0)
    rejected = sorted(detection.rejected + again.rejected, key=lambda r: r.tag)
    return Detection(again.used, tuple(rejected))


def unknown_lens(shape: tuple[int, ...]) -> Lens:
    """An undistorted lens for a picture (height, width) px."""
    height, width = shape[:2]
    focal_px = FOCAL_OF_LONGER_SIDE * max(height, width)
    return Lens(focal_px, (width - 1) / 2.0, (height - 1) / 2.0)


def _measure(
    gray: NDArray[np.uint8], candidates: list[Candidate], lens: Lens, k1_sigma: float
) -> Detection:
    sightings = Counter(c.tag for c in candidates)
    rejected: list[RejectedTarget] = []
    used: list[TargetObservation] = []
    for candidate in candidates:
        fit: TagFit | None = None
        if sightings[candidate.tag] > 1:
            reason = f"number {candidate.tag} is seen {sightings[candidate.tag]} times"
        else:
            fit, reason = _fit_one(gray, candidate, lens, k1_sigma)
        if fit is None:
            rejected.append(RejectedTarget(candidate.tag, candidate.corners_px, reason))
        else:
            used.append(_observation(candidate.tag, fit))
    return Detection(tuple(used), tuple(rejected))


def _fit_one(
    gray: NDArray[np.uint8], candidate: Candidate, lens: Lens, k1_sigma: float
) -> tuple[TagFit | None, str]:
    """The fit, or None and the reason."""
    reason = _outside(candidate.corners_px, gray.shape)
    if reason:
        return None, reason
    fit = fit_tag(gray, candidate.tag, candidate.corners_px, lens, k1_sigma)
    if fit is None or _doubt(candidate.tag, fit, gray.shape) or fit.residual_px > LOCAL_RESIDUAL_PX:
        near = fit_tag(gray, candidate.tag, candidate.corners_px, lens, k1_sigma, local_levels=True)
        if near is not None and (fit is None or near.residual_px < 0.9 * fit.residual_px):
            fit = near
    if fit is None:
        return None, "its edges cannot be followed"
    reason = _doubt(candidate.tag, fit, gray.shape)
    return (None, reason) if reason else (fit, "")


def _outside(corners_px: Array, shape: tuple[int, ...]) -> str:
    height, width = shape[:2]
    low = corners_px.min()
    high = (np.array([width, height]) - 1.0 - corners_px).min()
    return "cut by the photograph's edge" if min(low, high) < EDGE_PX else ""


def _doubt(tag: int, fit: TagFit, shape: tuple[int, ...]) -> str:
    """Why a target may not be used; empty if it may."""
    if reason := _outside(fit.corners_px, shape):
        return reason
    if fit.shortest_side_px < MIN_SIDE_PX or fit.module_px < MIN_MODULE_PX:
        return f"too small: shortest side {fit.shortest_side_px:.0f} px"
    if fit.tilt_cosine < MIN_TILT_COSINE:
        return "seen too much from the side"
    if fit.contrast < MIN_CONTRAST:
        return f"too little contrast: {fit.contrast:.0f} of 255 grey values"
    if fit.wrong_modules > MAX_WRONG_MODULES:
        return f"{fit.wrong_modules} of its 64 squares do not belong to number {tag}"
    if fit.support < MIN_SUPPORT or fit.weakest_side < MIN_SIDE_SUPPORT:
        return "partly covered"
    if fit.residual_px > MAX_RESIDUAL_PX:
        return f"edges do not fit a flat target ({fit.residual_px:.2f} px): shadow, bent or blurred"
    return ""


def _observation(tag: int, fit: TagFit) -> TargetObservation:
    return TargetObservation(
        tag=tag,
        corners_px=fit.corners_px,
        cov_px2=fit.cov_px2,
        edge_shift_px=fit.edge_shift_px,
        residual_px=fit.residual_px,
        shortest_side_px=fit.shortest_side_px,
        tilt_cosine=fit.tilt_cosine,
    )
