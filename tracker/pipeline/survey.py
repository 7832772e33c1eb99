"""`frame survey`: the frame's cards in frame coordinates, from photographs alone.

One folder holds two halves. In the first the frame stands in the seats; in the second it is
lifted off and the seat targets stand there instead. The bench targets lie still through both and
tie them, so one adjustment places frame cards and seats together; bars give the scale.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tracker.errors import NetworkError, PhotographError, ScaleError, TargetError
from tracker.frame import FrameSurvey, narrowest_angle_deg, survey
from tracker.job import Job, put_surveyed_frame
from tracker.maths.camera import Array
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar
from tracker.pipeline.day import Day, open_day, place_day, quiet_threads
from tracker.records.cameras import belief
from tracker.seats import TriangleCheck, compare_triangles
from tracker.targets.observation import Detection
from tracker.targets.sheet_plan import FIRST_TAG, ROOM, Role

SEAT_TARGETS = tuple(range(FIRST_TAG[Role.SEAT], FIRST_TAG[Role.SEAT] + ROOM[Role.SEAT]))
FRAME_CARDS = frozenset(range(FIRST_TAG[Role.FRAME], FIRST_TAG[Role.FRAME] + ROOM[Role.FRAME]))
FEWEST_PER_HALF = 3
FEWEST_TIES = 3
"""Bench targets that must lie still through both halves."""
TOO_UNSURE_MM = 0.25
"""Half of the band of finished stone: beyond it the seats' part is told."""
NARROW_DEG = 20.0


@dataclass(frozen=True, slots=True)
class Halves:
    """Rows of the photographs by what they show."""

    frame: tuple[int, ...]
    seats: tuple[int, ...]
    both: tuple[int, ...]
    """Frame cards and seat targets together: one of them does not stand in the seats."""


@dataclass(frozen=True, slots=True)
class SurveyedFrame:
    """What a survey found.

    Attributes
    ----------
    survey : FrameSurvey
    photos : (frame standing, seat targets, all used)
    left_out : mapping of photograph or target to reason
    far_u95_mm : float
        What the seats alone leave unsure at the farthest point of the model.
    far_mm : float
        How far that point is from the seats' middle.
    triangle : TriangleCheck, optional
        Against the seats on record or given.
    warnings : tuple of str
    """

    survey: FrameSurvey
    photos: tuple[int, int, int]
    left_out: Mapping[str, str]
    far_u95_mm: float
    far_mm: float
    triangle: TriangleCheck | None
    warnings: tuple[str, ...]


def survey_frame(
    job: Job,
    folder: Path,
    *,
    pin_mm: float,
    pin_u95_mm: float = 0.1,
    against: Array | None = None,
    scale: float = 1.0,
    replace_record: bool = False,
    progress: Callable[[str, float], None] = lambda words, share: None,
) -> SurveyedFrame:
    """Survey of the frame from one folder, put on record in the job.

    Parameters
    ----------
    folder : Path
        The photographs of both halves; they are only read.
    pin_mm : float
        From the print of a seat target down to the point of its pin.
    pin_u95_mm : float
        How true the pins are, per coordinate.
    against : (3, 3) array, mm, optional
        The seats measured elsewhere; else those on record in the job, if any.
    scale : float
        These seats over those of `against`.

    Raises
    ------
    PhotographError
        One of the halves is missing or too small.
    TargetError
        Bench targets moved between the halves, seat targets are missing or in the wrong order.
    NetworkError, ScaleError, InputError
        See `tracker.network.adjust.adjust` and `tracker.frame.survey`.
    """
    with quiet_threads():
        opened = open_day(folder, lambda share: progress("looking for targets", 0.6 * share))
        halves = split_halves(opened.detections)
        need_halves(halves, opened)
        day, reasons = without_doubles(opened, halves)
        progress("placing the photographs", 0.6)
        adjustment, left_out = _adjusted(job, day)
    found = survey_of(adjustment, pin_mm, pin_u95_mm)
    result = _judged(job, found, adjustment, against, scale, {**reasons, **left_out})
    put_surveyed_frame(job, found.targets, replace=replace_record)
    progress("done", 1.0)
    return result


def split_halves(detections: Sequence[Detection]) -> Halves:
    """Photographs by whether they show frame cards or seat targets."""
    frame, seats, both = [], [], []
    for row, detection in enumerate(detections):
        tags = {target.tag for target in detection.used}
        shows = (bool(tags & FRAME_CARDS), bool(tags & set(SEAT_TARGETS)))
        if shows == (True, True):
            both.append(row)
        elif shows[0]:
            frame.append(row)
        elif shows[1]:
            seats.append(row)
    return Halves(tuple(frame), tuple(seats), tuple(both))


def need_halves(halves: Halves, day: Day) -> None:
    """Refuses photographs that lack one of the halves.

    Raises
    ------
    PhotographError
    """
    if len(halves.both) > max(len(halves.frame), len(halves.seats)):
        name = day.photographs[halves.both[0]].name
        raise PhotographError(
            f"{len(halves.both)} photographs show frame cards and seat targets together "
            f"({name} first); either the frame stands in the seats or the seat targets do.",
            "Keep the seat targets out of view in the first half and the frame in the second.",
        )
    first, last = min(FRAME_CARDS), max(FRAME_CARDS)
    for rows, what, todo in (
        (
            halves.frame,
            f"the frame standing in the seats (cards {first} to {last})",
            "Stand the frame in the seats and photograph it from all sides, eight times or more, "
            "bench targets and bars in view.",
        ),
        (
            halves.seats,
            "the seat targets (1, 2, 3) in the seats",
            "Lift the frame off, stand the seat targets in the seats, and photograph them from all "
            "sides, eight times or more. Touch nothing on the bench between.",
        ),
    ):
        if len(rows) < FEWEST_PER_HALF:
            count = f"Only {len(rows)}" if rows else "None"
            raise PhotographError(
                f"{count} of the {len(day.photographs)} photographs show {what}; at least "
                f"{FEWEST_PER_HALF} are needed.",
                todo,
            )


def without_doubles(day: Day, halves: Halves) -> tuple[Day, dict[str, str]]:
    """The day without photographs that show frame cards and seat targets together."""
    words = "shows frame cards and seat targets together"
    return day.without(halves.both), {day.photographs[k].name: words for k in halves.both}


def survey_of(adjustment: Adjustment, pin_mm: float, pin_u95_mm: float) -> FrameSurvey:
    """Frame coordinates of the cards from an adjustment of both halves.

    Raises
    ------
    TargetError
        The halves are not tied, or seat targets are missing or in the wrong order.
    """
    need_ties(adjustment)
    seen = {t.tag for d in adjustment.material.detections for t in d.used}
    found = survey(
        adjustment, SEAT_TARGETS, sorted(seen & FRAME_CARDS), pin_mm, height_u95_mm=pin_u95_mm
    )
    reasons = {t.tag: t.reason for t in adjustment.targets if t.reason}
    told = {tag: reasons.get(tag, reason) for tag, reason in found.left_out.items()}
    return replace(found, left_out=told)


def need_ties(adjustment: Adjustment) -> None:
    """Refuses halves that too few resting bench targets tie together.

    Raises
    ------
    TargetError
        Bench targets moved between the halves, or are seen in one only.
    """
    detections = adjustment.material.detections
    halves = split_halves(detections)
    used = [
        {tag for photo, tag in _used_sightings(adjustment) if photo in half}
        for half in (halves.frame, halves.seats)
    ]
    ties = (used[0] & used[1]) - FRAME_CARDS - set(SEAT_TARGETS)
    lost = [
        sum(not adjustment.photos[row].used for row in half)
        for half in (halves.frame, halves.seats)
    ]
    whole = all(
        2 * out < len(half) for out, half in zip(lost, (halves.frame, halves.seats), strict=True)
    )
    if len(ties) >= FEWEST_TIES and whole:
        return
    seen = [
        {t.tag for row in half for t in detections[row].used}
        for half in (halves.frame, halves.seats)
    ]
    common = (seen[0] & seen[1]) - FRAME_CARDS - set(SEAT_TARGETS)
    if len(common) < FEWEST_TIES:
        raise TargetError(
            f"Only {len(common)} bench targets are seen in both halves; {FEWEST_TIES} are needed.",
            "Lay six or more about the block, and take both halves without touching them.",
        )
    names = ", ".join(str(tag) for tag in sorted(common - ties))
    raise TargetError(
        f"The bench targets have moved between the two halves ({names or 'all of them'}); "
        f"{FEWEST_TIES} at least must lie still.",
        "Fix them to the bench, or work more gently, and take both halves again.",
    )


def _used_sightings(adjustment: Adjustment) -> list[tuple[int, int]]:
    """(photograph, target) of every sighting that the solution kept."""
    row_of = {int(row): k for k, row in enumerate(adjustment.photo_rows) if row >= 0}
    tag_of = {int(rows[0]): tag for tag, rows in adjustment.target_rows.items()}
    sightings, kept = adjustment.network.sightings, adjustment.solution.sighting_used
    return [
        (row_of[int(photo)], tag_of[int(corners[0])])
        for photo, corners, good in zip(sightings.photo, sightings.corners, kept, strict=True)
        if good
    ]


def _adjusted(job: Job, day: Day) -> tuple[Adjustment, dict[str, str]]:
    bars = tuple(Bar(b.target_a, b.target_b, b.length_mm, 2.0 * b.sigma_mm) for b in job.bars())
    if not bars:
        raise ScaleError(
            "The job has no scale bars, and a survey has no other scale.",
            "Measure the bars that lie on the bench and give them: stoneleft bars import FILE.csv",
        )
    lenses = {camera.key: belief(camera) for camera in job.cameras()}
    try:
        placed = place_day(day, {}, bars, lenses=lenses)
    except NetworkError as error:
        if isinstance(error, ScaleError):
            raise
        raise NetworkError(
            error.message,
            "Take eight photographs or more of each half, with bench targets on all sides in view.",
        ) from error
    out = dict(placed.left_out)
    out.update({p.name: p.reason for p in placed.adjustment.photos if not p.used})
    return placed.adjustment, out


def _judged(
    job: Job,
    found: FrameSurvey,
    adjustment: Adjustment,
    against: Array | None,
    scale: float,
    left_out: dict[str, str],
) -> SurveyedFrame:
    far, far_mm = _farthest(job, found)
    unsure = float(found.u95_of_seats(far[None, :])[0])
    if against is None:
        against, scale = job.seats(), 1.0
    triangle = None
    if against is not None:
        triangle = compare_triangles(found.seats, _cov_in_frame(found), against, scale)
    halves = split_halves(adjustment.material.detections)
    used = [sum(adjustment.photos[k].used for k in rows) for rows in (halves.frame, halves.seats)]
    left_out.update({f"target {tag}": reason for tag, reason in found.left_out.items()})
    left_out.update(
        {
            f"bar {bar.target_a}-{bar.target_b}": bar.reason
            for bar in adjustment.bars
            if not bar.used
        }
    )
    warnings = [*_weak_seats(found, unsure, far_mm), *adjustment.warnings]
    if triangle is not None and not triangle.same:
        warnings.append(f"The seats are not the triangle that is on record: {triangle.verdict}.")
    return SurveyedFrame(
        found,
        (used[0], used[1], int(adjustment.posed().sum())),
        left_out,
        unsure,
        far_mm,
        triangle,
        tuple(warnings),
    )


def _farthest(job: Job, found: FrameSurvey) -> tuple[Array, float]:
    """Place of the model, or without one of the frame's cards, that the seats leave most unsure."""
    if job.model_path.is_file():
        low, high = job.model().box
        pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T.astype(bool)
        places = np.where(pick, high, low)
    else:
        places = np.concatenate([t.corners for t in found.targets.values()])
    worst = places[int(np.argmax(found.u95_of_seats(places)))]
    return worst, float(np.linalg.norm(worst - found.seats.mean(axis=0)))


def _weak_seats(found: FrameSurvey, unsure_mm: float, far_mm: float) -> list[str]:
    if unsure_mm <= TOO_UNSURE_MM:
        return []
    narrowest = narrowest_angle_deg(found.seats)
    why = (
        f"they lie nearly in line (narrowest angle {narrowest:.0f} degrees)"
        if narrowest < NARROW_DEG
        else "they are close together for a figure of that size, or their pins not true enough"
    )
    return [
        f"The seats define the frame only to {unsure_mm:.2f} mm {far_mm:.0f} mm off: {why}. "
        "Move a seat outward, or make the pins truer (--pin-u95)."
    ]


def _cov_in_frame(found: FrameSurvey) -> Array:
    """Covariance of the seats with the axes of the frame, (9, 9), mm^2."""
    turn = np.kron(np.eye(3), found.triad.R)
    return np.asarray(turn @ found.cov_seats @ turn.T)
