"""Photographs and targets that do not fit the others.

They show in the free network, which holds nothing to the record: a target that was moved half
way through the day has two places (`moved`), a photograph that is blurred, taken at another zoom
or after something moved disagrees with all of its targets.

References
----------
W. Baarda, "A testing procedure for use in geodetic networks" (1968): data snooping, here on
whole targets and whole photographs.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tracker.maths.chance import chi2_above, chi2_median
from tracker.network.build import Assembled, Choice, Material, Values
from tracker.network.fit import score
from tracker.network.moved import Verdict, judged_by_known, suspicious
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    LensPrior,
    Network,
    Solution,
    TargetSightings,
)
from tracker.network.selection import REJECT_PROBABILITY
from tracker.network.solve import solve

WORST_WEIGHT = 0.04
"""A photograph that would count less than this is left out."""
OUTVOTED = 0.25
"""A photograph of which this share of targets was rejected, two at least, does not fit."""
ALONE_SIGMA_MM = 1e-4
LEAST_SCALE = 1.5
"""Photographs that fit less badly than this keep their full weight."""
ZOOM_SHARE = 0.1
"""A focal length of its own must lower a photograph's cost to this to be the explanation."""
LEAST_ZOOM_PERCENT = 0.2
BLUR_SHARE = 0.7
"""Share of the residuals that is scatter within targets, from which blur is the explanation."""
FEW_TARGETS = 2
FEW_SHARE = 0.2
"""Targets, or share of them, that may have moved before the photographs are doubted."""


def bad_photos(
    material: Material, choice: Choice, assembled: Assembled, solution: Solution
) -> tuple[dict[int, str], dict[int, float]]:
    """Photographs to leave out, with the reason, and factors on the sigmas of weak ones.

    A photograph's own scatter (squared, over the network's) decides: its targets are lost where
    they do not fit even by that.
    """
    chi2 = score(assembled, solution).chi2
    photo = np.array([p for p, _ in assembled.sightings])
    share = _redundancy_share(solution, assembled)
    usual = chi2_median(8.0 * share)
    typical = max(1.0, float(np.median(chi2)) / usual)
    largest = chi2_above(REJECT_PROBABILITY, 8) * typical
    out: dict[int, str] = {}
    scale: dict[int, float] = {}
    for p in assembled.photos:
        rows = np.flatnonzero(photo == p)
        own = max(1.0, float(np.median(chi2[rows])) / usual / typical)
        tags = [assembled.sightings[k][1] for k in rows]
        earlier = [t for q, t in sorted(choice.sightings_out) if q == p]
        earlier = [t for t in earlier if t not in choice.targets_out]
        lost = [t for t, value in zip(tags, chi2[rows], strict=True) if value > largest * own]
        total = own * choice.photo_scale.get(p, 1.0) ** 2
        if _does_not_fit(material, tags + earlier, lost + earlier) or total > 1.0 / WORST_WEIGHT:
            out[p] = diagnose(material, assembled, solution, p)
        elif own > max(LEAST_SCALE**2, _chance(material, 8.0 * share * len(rows))):
            scale[p] = float(np.sqrt(own))
    return out, scale


def _chance(material: Material, freedom: float) -> float:
    """Mean of chi^2 over its degrees of freedom that chance hardly exceeds."""
    return chi2_above(material.settings.significance, freedom) / freedom


def _does_not_fit(material: Material, tags: list[int], lost: list[int]) -> bool:
    """Too few targets left, too many lost, half of the known ones lost, or the only one."""
    if len(tags) - len(lost) < 2:
        return True
    known = [t for t in tags if t in material.known]
    known_lost = [t for t in lost if t in material.known]
    outvoted = len(lost) >= 2 and len(lost) >= OUTVOTED * len(tags)
    most_known_lost = len(known_lost) >= 2 and 2 * len(known_lost) >= len(known)
    return outvoted or most_known_lost or 0 < len(known) == len(known_lost)


def diagnose(material: Material, assembled: Assembled, solution: Solution, photo: int) -> str:
    """Why a photograph does not fit: another zoom, blur, or something moved.

    Its pose alone, then its pose and focal length, are fitted to the targets as the others have
    them; blur scatters the corners within each target, a move shifts whole targets.
    """
    tags = [t for p, t in assembled.sightings if p == photo]
    rows = np.concatenate([assembled.rows_of(t) for t in tags])
    s = assembled.network.sightings
    mine = s.photo == assembled.photos.index(photo)
    lens = solution.lenses[material.cameras[photo]]
    alone = Network(
        lenses=(lens,),
        lens_of_photo=np.zeros(1, np.int64),
        poses=(solution.poses[assembled.photos.index(photo)],),
        points=solution.points[rows],
        seen=ImageObservations.none(),
        known=KnownPoints(
            np.arange(len(rows)), solution.points[rows], np.full(len(rows), ALONE_SIGMA_MM)
        ),
        distances=KnownDistances.none(),
        lens_priors=(LensPrior(lens.vector, np.zeros(8)),),
        sightings=TargetSightings(
            np.zeros(len(tags), np.int64),
            np.arange(len(rows)).reshape(-1, 4),
            s.pixel[mine],
            s.cov_px2[mine],
        ),
    )
    loosely = LensPrior(lens.vector, np.array([np.inf, *np.zeros(7)]))
    fixed = solve(alone, robust=False, covariance=False)
    zoomed = solve(replace(alone, lens_priors=(loosely,)), robust=False, covariance=False)
    rms = float(np.sqrt(np.mean(fixed.sighting_residual_px**2)))
    percent = 100.0 * (zoomed.lenses[0].focal_px / lens.focal_px - 1.0)
    found = f"its targets lie {rms:.2g} px from where the other photographs put them"
    if zoomed.cost < ZOOM_SHARE * fixed.cost and abs(percent) > LEAST_ZOOM_PERCENT:
        return f"{found}: it was taken at another zoom (focal length {percent:+.1f} %)"
    shift = fixed.sighting_residual_px.mean(axis=1, keepdims=True)
    within = float(np.sqrt(np.mean((fixed.sighting_residual_px - shift) ** 2)))
    if within > BLUR_SHARE * rms:
        return f"{found}: it is blurred"
    return f"{found}: something had been moved, or the camera moved while it was taken"


def _redundancy_share(solution: Solution, assembled: Assembled) -> float:
    observations = 8 * len(assembled.sightings) + 2 * len(assembled.network.seen.photo)
    return min(1.0, max(0.2, solution.redundancy / max(observations, 1)))


def screen(
    material: Material, choice: Choice, values: Values, assembled: Assembled, solution: Solution
) -> Choice:
    """What the fit says must be left out beyond what is out already.

    Where few targets explain the misfit they go; where many would have to, the photographs go.
    """
    verdicts = suspicious(material, choice, values, assembled, solution)
    moved = {tag: verdict for tag, verdict in verdicts.items() if verdict.reason}
    if sum(tag in material.known for tag in moved) >= 2:
        by_known = judged_by_known(material, choice, values)
        if by_known is not None:
            return _without(choice, assembled, by_known)
    if moved and len(moved) <= max(FEW_TARGETS, int(FEW_SHARE * len(assembled.tags))):
        return _without(choice, assembled, moved)
    out, scale = bad_photos(material, choice, assembled, solution)
    if out:
        return replace(choice, photos_out={**choice.photos_out, **out})
    if scale:
        combined = {p: choice.photo_scale.get(p, 1.0) * s for p, s in scale.items()}
        return replace(choice, photo_scale={**choice.photo_scale, **combined})
    return _without(choice, assembled, verdicts)


def _without(choice: Choice, assembled: Assembled, verdicts: dict[int, Verdict]) -> Choice:
    """The choice without targets that moved and without the sightings that disagree."""
    reasons = {tag: verdict.reason for tag, verdict in verdicts.items() if verdict.reason}
    lost = {
        (photo, tag)
        for photo, tag in assembled.sightings
        if tag in verdicts and photo not in verdicts[tag].together
    }
    return replace(
        choice,
        targets_out={**choice.targets_out, **reasons},
        sightings_out=choice.sightings_out | lost,
    )
