"""A cast's photographs placed in frame coordinates: by the frame's cards, or by seat targets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tracker.cloud.patch_views import View, ViewStack, stack_views
from tracker.cloud.ties import tie_points
from tracker.errors import JobError, NetworkError, ScaleError, TargetError
from tracker.frame import FrameSurvey, survey
from tracker.job import Job
from tracker.maths.camera import Array, Pose, project
from tracker.maths.triad import Triad
from tracker.network.adjust import add_ties
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget, TiePoints
from tracker.photo_quality import PhotoQuality, clipped_share, unfit
from tracker.pipeline.day import Day, Placed, place_day
from tracker.pipeline.needles import Sight
from tracker.pipeline.survey import FRAME_CARDS, SEAT_TARGETS
from tracker.records.cameras import belief
from tracker.surface import Surface

TIES_ROUND_MM = 6.0
"""Tie points are looked for this far round the coarse surface."""
SEATS_ROUND = 0.25
"""The cast may stand out over the seats by this share of their span."""


@dataclass(frozen=True, slots=True)
class Datum:
    """From the network's coordinates to the frame's, and what that leaves unsure."""

    adjustment: Adjustment
    found: FrameSurvey | None
    """With seat targets; None where the frame itself gave the coordinates."""

    @property
    def triad(self) -> Triad:
        """``p_frame = R @ (p - origin)``; no change where the frame gave the coordinates."""
        if self.found is None:
            return Triad(np.eye(3), np.zeros(3), np.zeros((3, 3)))
        return self.found.triad

    def pose(self, pose: Pose) -> Pose:
        """Pose towards frame coordinates."""
        to = self.triad
        return Pose(pose.R @ to.R.T, pose.t + pose.R @ to.origin)

    def variance_mm2(self, places: Array, normals: Array) -> Array:
        """Variance across the surface by the seats, (n,), mm^2; nought with the frame.

        The frame's own part is in the cameras' covariance.
        """
        if self.found is None:
            return np.zeros(len(places))
        back = places @ self.triad.R + self.triad.origin
        cov = self.triad.covariance(back, self.found.cov_seats)
        return np.asarray(np.einsum("ni,nij,nj->n", normals, cov, normals))


def frame_on_record(job: Job) -> dict[int, KnownTarget]:
    """The frame's cards as on record.

    Raises
    ------
    JobError
        None is, and so something else must give the coordinates.
    """
    if not job.frame_path.is_file():
        raise JobError(
            "The frame of this job is not on record, and no pins of seat targets were given.",
            "Survey the frame first (stoneleft frame survey), or stand the seat targets in the "
            "cast's seats and give the length of their pins: --pin 25.",
        )
    return {
        tag: KnownTarget(target.corners_mm, 2.0 * target.sigma_mm, "frame")
        for tag, target in job.frame().items()
    }


def place_cast(job: Job, day: Day, known: Mapping[int, KnownTarget]) -> Placed:
    """Poses of the photographs by the frame's cards, or by bars and seat targets where none is.

    Raises
    ------
    TargetError, ScaleError, NetworkError
        What gives the coordinates or the scale is not there, or too little of it.
    """
    bars = tuple(Bar(b.target_a, b.target_b, b.length_mm, 2.0 * b.sigma_mm) for b in job.bars())
    if not known and not bars:
        raise ScaleError(
            "The job has no scale bars, and seat targets give no scale.",
            "Measure the bars that lie by the cast and give them: stoneleft bars import FILE.csv",
        )
    seen = {target.tag for detection in day.detections for target in detection.used}
    if known and not seen & set(known):
        hint = "Stand the frame in its seats, or put seat targets there and give --pin."
        raise TargetError("None of the frame's cards is seen in these photographs.", hint)
    if not known and len(seen & set(SEAT_TARGETS)) < 3:
        missing = ", ".join(str(tag) for tag in SEAT_TARGETS if tag not in seen)
        raise TargetError(
            f"Not seen in these photographs: seat target {missing}.",
            "Stand seat targets 1, 2 and 3 in the cast's seats; or, with the frame in the seats, "
            "leave --pin out.",
        )
    lenses = {camera.key: belief(camera) for camera in job.cameras()}
    try:
        return place_day(day, known, bars, lenses=lenses)
    except NetworkError as error:
        if isinstance(error, ScaleError):
            raise
        raise NetworkError(
            error.message,
            "Walk round the cast and take a photograph every 12 to 15 degrees, low and high, "
            "about 28 in all, targets in view.",
        ) from error


def datum_of(adjustment: Adjustment, pin_mm: float | None, pin_u95_mm: float) -> Datum:
    """The frame's datum, or with pins that of the seat targets."""
    if pin_mm is None:
        return Datum(adjustment, None)
    return Datum(adjustment, survey(adjustment, SEAT_TARGETS, (), pin_mm, pin_u95_mm))


def bounds(datum: Datum) -> tuple[Array, list[Array]]:
    """Places that bound the cast sideways, and the corners of all targets; frame coordinates."""
    to, targets = datum.triad, [t for t in datum.adjustment.targets if t.used]
    cards = [to.apply(t.corners) for t in targets]
    if datum.found is None:
        return np.concatenate(carried(datum)), cards
    seats = datum.found.seats
    span = SEATS_ROUND * float(np.ptp(seats, axis=0).max())
    return np.concatenate([seats - span, seats + span]), cards


def carried(datum: Datum) -> list[Array]:
    """Corners of the cards that the frame carries, where it stands about the cast."""
    if datum.found is not None:
        return []
    targets = datum.adjustment.targets
    return [t.corners for t in targets if t.used and t.tag in FRAME_CARDS]


def views_of(placed: Placed, datum: Datum) -> list[View]:
    """The photographs that take part, with their cameras in frame coordinates."""
    adjustment = placed.adjustment
    return [
        View(p.name, placed.day.images[k], adjustment.lenses[p.lens], datum.pose(p.pose))
        for k, p in enumerate(adjustment.photos)
        if p.used and p.pose is not None
    ]


def over_exposed(placed: Placed, datum: Datum, points: Array) -> dict[int, str]:
    """Photographs in which too much of the cast is burnt out to white, by row, and the words.

    Parameters
    ----------
    points : (n, 3) array, mm, frame coordinates, places of the cast
    """
    qualities = []
    for row, photo in enumerate(placed.adjustment.photos):
        share = 0.0
        if photo.used and photo.pose is not None:
            lens = placed.adjustment.lenses[photo.lens]
            pixels, depth = project(lens, datum.pose(photo.pose), points)
            if np.all(depth > 0.0):
                share = clipped_share(placed.day.images[row], pixels)
        qualities.append(PhotoQuality(0.0, share))
    return unfit(qualities)


def made_ready(
    placed: Placed, datum: Datum, room: tuple[Array, Array]
) -> tuple[ViewStack, list[Sight]]:
    """The photographs' parts that show the room, and their cameras without pixels."""
    views = views_of(placed, datum)
    sights = [Sight(v.name, v.gray.shape[::-1], v.lens, v.pose) for v in views]
    return stack_views(views, room), sights


def tied(placed: Placed, datum: Datum, surface: Surface) -> Placed:
    """The adjustment once more with the plaster's own marks."""
    adjustment, day = placed.adjustment, placed.day
    used = [k for k, p in enumerate(adjustment.photos) if p.used and p.pose is not None]
    views = views_of(placed, datum)
    ties = tie_points(
        [v.gray for v in views],
        [v.lens for v in views],
        [v.pose for v in views],
        surface,
        TIES_ROUND_MM,
        [[target.corners_px for target in day.detections[k].used] for k in used],
    )
    if not len(ties.start):
        return placed
    to = datum.triad
    handed = TiePoints(
        xyz=ties.start @ to.R + to.origin,
        photo=np.asarray(used, dtype=np.int64)[ties.photo],
        point=ties.point,
        pixel=ties.pixel,
        cov_px2=ties.cov_px2,
    )
    return replace(placed, adjustment=add_ties(adjustment, handed))
