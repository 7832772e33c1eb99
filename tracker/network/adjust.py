"""The adjustment of a day: from detections and records to poses, targets and their uncertainty.

1. First poses and corners (`start`).
2. Free network of the targets: nothing is held to the record, so targets that moved between
   photographs and photographs that do not fit show by themselves and are left out.
3. The record is laid over it; the targets that agree become the datum, each is tested, and bars
   are tested against them (or, without a frame, against each other).
4. Everything once more, tie points included, each class of observations weighted by the scatter
   that it showed, the tie points also by how they agree with the targets (`tie_worth`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracker.errors import NetworkError
from tracker.maths.chance import chi2_median
from tracker.maths.robust import median_sigma
from tracker.network.build import Assembled, Choice, Material, Values, assemble
from tracker.network.datum_choice import choose_bars, lay_record, settle_record
from tracker.network.fit import MIN_PHOTOS, score
from tracker.network.outcome import Adjustment
from tracker.network.problem import LensPrior, Solution
from tracker.network.record import Bar, KnownTarget, Settings, TiePoints
from tracker.network.resection import flat_targets, resect
from tracker.network.residuals import whitener
from tracker.network.screening import screen
from tracker.network.shared import shared_sigmas
from tracker.network.solve import solve
from tracker.network.start import Start, scale_to, start_network
from tracker.network.summary import summarise
from tracker.network.tie_worth import tie_worth
from tracker.targets.observation import Detection

ROUNDS = 6
SCATTER_ROUNDS = 3
SETTLED = 1.02
"""Factor on sigmas from which another round is worth its time."""


def adjust(
    detections: Sequence[Detection],
    *,
    names: Sequence[str],
    cameras: Sequence[int],
    sizes: Sequence[tuple[int, int]],
    focal_guess_px: Sequence[float],
    focal_known: Sequence[bool] | None = None,
    known: Mapping[int, KnownTarget] | None = None,
    bars: Sequence[Bar] = (),
    side_mm: float | Mapping[int, float] = 40.0,
    settings: Settings | None = None,
    lens_priors: Mapping[int, LensPrior] | None = None,
    before: Adjustment | None = None,
) -> Adjustment:
    """Adjustment of the targets alone.

    Parameters
    ----------
    detections, names, cameras : one per photograph
        What was detected, the file's name, and the row of its camera.
    sizes, focal_guess_px, focal_known : one per camera
        (width, height) in px, first focal length in px, whether EXIF vouches for it.
    known : mapping of target to its record (frame, lasting, seat); none for a free network
    bars : scale bars
    side_mm : printed side of the targets' black square, roughly; one for all or by number
    lens_priors : what calibrations say of the lens, by row of the camera
    before : an adjustment of the same photographs, to start from
        Its lenses alone where it left anything out: that is looked at afresh.

    Raises
    ------
    TargetError
        No target, none of the frame's, or too many that disagree with the record.
    NetworkError
        Fewer than three photographs with a pose.
    ScaleError
        Nothing gives the scale, or the bars contradict the frame or each other.
    """
    material = Material(
        tuple(detections),
        tuple(names),
        tuple(int(c) for c in cameras),
        tuple(sizes),
        tuple(focal_guess_px),
        dict(known or {}),
        tuple(bars),
        settings or Settings(),
        lens_priors=dict(lens_priors or {}),
    )
    record = {tag: target.corners for tag, target in material.known.items()}
    start = _start_from(before) or start_network(
        detections, cameras, sizes, focal_guess_px, record, focal_known=focal_known,
        side_mm=side_mm, lenses=None if before is None else before.lenses,
    )  # fmt: skip
    stand = _free_network(material, start)
    taking_part = assemble(material, stand.choice, stand.values).tags
    shared = shared_sigmas({tag: stand.values.corners[tag] for tag in taking_part})
    stand = replace(stand, choice=replace(stand.choice, shared_mm=shared))
    if material.known:
        choice, values = lay_record(material, stand.choice, stand.values)
        choice, values = settle_record(material, choice, values)
        stand = replace(stand, choice=choice, values=values)
    choice, values = choose_bars(material, stand.choice, stand.values)
    return _finish(material, replace(stand, choice=choice, values=values))


def add_ties(previous: Adjustment, ties: TiePoints) -> Adjustment:
    """The same day once more with tie points; targets, photographs and bars stay as chosen.

    Raises
    ------
    NetworkError
        The observations do not fix the unknowns.
    """
    material = replace(previous.material, ties=ties)
    values = Values(
        {i: photo.pose for i, photo in enumerate(previous.photos) if photo.pose is not None},
        {target.tag: target.corners for target in previous.targets if target.photos > 0},
        previous.lenses,
    )
    return _finish(material, Stand(previous.choice, values), previous)


def _start_from(before: Adjustment | None) -> Start | None:
    """Where an adjustment stands that found nothing amiss; None where it left something out."""
    if before is None or before.choice.photos_out or before.choice.targets_out:
        return None
    poses = {row: photo.pose for row, photo in enumerate(before.photos) if photo.pose is not None}
    if len(poses) < len(before.photos):
        return None
    corners = {target.tag: target.corners for target in before.targets if target.photos > 0}
    return Start(poses, corners, before.lenses, (), free=False, misfit_px=0.0)


@dataclass(frozen=True, slots=True)
class Stand:
    """Choice and values that one step hands to the next."""

    choice: Choice
    values: Values


def _free_network(material: Material, start: Start) -> Stand:
    """Targets alone with nothing held, until photographs and targets agree."""
    lengths = [(bar.target_a, bar.target_b, bar.length_mm) for bar in material.bars]
    scale = scale_to(start.corners, lengths) if start.free else 1.0
    values = Values(
        {i: replace(pose, t=pose.t * scale) for i, pose in start.poses.items()},
        {tag: corners * scale for tag, corners in start.corners.items()},
        start.lenses,
    )
    remedies = {e.photo: f"{e.reason}. {e.remedy}" for e in start.excluded}
    choice = Choice()
    for _ in range(ROUNDS):
        assembled = assemble(material, choice, values)
        _need_photos(material, assembled)
        solution = solve(assembled.network, covariance=False)
        values = values.updated(assembled.values(solution))
        values = _pose_the_rest(material, choice, values)
        again = screen(material, choice, values, assembled, solution)
        late = set(values.poses) - set(choice.photos_out) - set(assembled.photos)
        if again == choice and not late:
            break
        choice = again
    out = {p: why for p, why in remedies.items() if p not in values.poses}
    return Stand(replace(choice, photos_out={**out, **choice.photos_out}), values)


def _pose_the_rest(material: Material, choice: Choice, values: Values) -> Values:
    """Photographs that could not be posed with the first lens, tried with the better one."""
    poses = dict(values.poses)
    for photo, detection in enumerate(material.detections):
        if photo in poses or photo in choice.photos_out:
            continue
        lens = values.lenses[material.cameras[photo]]
        found = resect(flat_targets(lens, detection.used), values.corners)
        if found is not None:
            poses[photo] = found.pose
    return replace(values, poses=poses)


def _need_photos(material: Material, assembled: Assembled) -> None:
    if len(assembled.photos) < MIN_PHOTOS:
        raise NetworkError(
            f"Only {len(assembled.photos)} of {len(material.names)} photographs can be placed; "
            f"at least {MIN_PHOTOS} are needed.",
            "Take more photographs, each with two frame cards or more in view.",
        )


def _finish(material: Material, stand: Stand, alone: Adjustment | None = None) -> Adjustment:
    """Last solution, each class of observations weighted by the scatter that it showed.

    The targets show theirs alone; tie points that claim too much would spoil it for them, so
    they are weighted beside the targets until their own scatter is what they claim, and then by
    what the solution of the targets alone says of them.
    """
    choice = stand.choice
    assembled = assemble(material, choice, stand.values)
    _need_photos(material, assembled)
    solution = solve(assembled.network)
    for _ in range(SCATTER_ROUNDS):
        again = _weighted_by_scatter(choice, assembled, solution)
        if again == choice:
            break
        choice = again
        assembled, solution = _once_more(material, choice, stand, assembled, solution)
    if alone is not None:
        choice = replace(choice, tie_worth=_worth(alone, assembled, solution))
        assembled, solution = _once_more(material, choice, stand, assembled, solution)
    return summarise(material, choice, stand.values, assembled, solution)


def _once_more(
    material: Material, choice: Choice, stand: Stand, assembled: Assembled, solution: Solution
) -> tuple[Assembled, Solution]:
    """The network with another choice, solved from where the last solution stands."""
    ties = material.ties
    if ties is not None:
        rows = np.maximum(assembled.tie_rows, 0)
        placed = (assembled.tie_rows >= 0) & solution.placed[rows]
        xyz = np.where(placed[:, None], solution.points[rows], ties.xyz)
        material = replace(material, ties=replace(ties, xyz=xyz))
    values = stand.values.updated(assembled.values(solution))
    again = assemble(material, choice, values)
    same = again.sightings == assembled.sightings and np.array_equal(
        again.tie_rows, assembled.tie_rows
    )
    return again, solve(again.network, before=solution if same else None)


def _worth(alone: Adjustment, assembled: Assembled, solution: Solution) -> float:
    """What the tie points are worth beside the targets, by the photographs that both place."""
    before = alone.photo_rows[np.array(assembled.photos, np.int64)]
    both = np.flatnonzero(before >= 0)
    return tie_worth(alone.solution, solution, before[both], both)


def _weighted_by_scatter(choice: Choice, assembled: Assembled, solution: Solution) -> Choice:
    """The choice with the scale of what shows a larger scatter than it claims."""
    if len(assembled.network.seen.photo):
        factor = _tie_scatter(assembled, solution)
        return replace(choice, tie_scale=choice.tie_scale * factor) if factor > SETTLED else choice
    factor = _target_scatter(assembled, solution)
    if factor > SETTLED:
        return replace(choice, target_scale=choice.target_scale * factor)
    return choice


def _target_scatter(assembled: Assembled, solution: Solution) -> float:
    """Factor by which the corners' sigmas are too small, at least 1."""
    z2 = score(assembled, solution).chi2
    share = min(1.0, solution.redundancy / max(1, _observations(assembled)))
    typical = float(np.median(z2)) / chi2_median(8.0 * max(share, 0.1))
    return max(1.0, float(np.sqrt(typical)))


def _tie_scatter(assembled: Assembled, solution: Solution) -> float:
    seen = assembled.network.seen
    if len(seen.photo) == 0:
        return 1.0
    rows = np.matmul(whitener(seen.cov_px2), solution.residual_px[:, :, None])[:, :, 0]
    points = len(np.unique(seen.point))
    share = 1.0 - 3.0 * points / (2.0 * len(rows))
    z = np.linalg.norm(rows, axis=1) / np.sqrt(max(share, 0.05))
    return max(1.0, median_sigma(z, 2))


def _observations(assembled: Assembled) -> int:
    return 8 * len(assembled.sightings) + 2 * len(assembled.network.seen.photo)
