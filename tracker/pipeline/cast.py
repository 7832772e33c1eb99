"""`model from-photos`: a cast on its frame's or seat targets becomes the job's model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_views import View, ViewStack, stack_views
from tracker.cloud.ties import tie_points
from tracker.comparison.uncertainty import COVERAGE_FACTOR, network_variance_mm2
from tracker.comparison.visibility import photos_that_see
from tracker.errors import JobError, NetworkError, ScaleError, TargetError
from tracker.frame import FrameSurvey, survey
from tracker.job import Job, need_no_model, put_measured_model, put_seats
from tracker.maths.camera import Array, Pose, project
from tracker.maths.triad import Triad
from tracker.network.adjust import add_ties
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget, TiePoints
from tracker.photo_quality import PhotoQuality, clipped_share, unfit
from tracker.pipeline.cast_surface import (
    CastSurface,
    cast_room,
    cast_surface,
    coarse_cast,
    coarse_surface,
    pixel_mm,
)
from tracker.pipeline.day import Day, Placed, open_day, peak_memory_mb, place_day, quiet_threads
from tracker.pipeline.needles import Sight
from tracker.pipeline.survey import FRAME_CARDS, SEAT_TARGETS
from tracker.records.cameras import belief
from tracker.records.mesh_holes import Hole, holes_of
from tracker.surface import Surface, sample_surface

TIES_ROUND_MM = 6.0
"""Tie points are looked for this far round the coarse surface."""
SPACING_PX = 4.0
SPACING_MM = (1.0, 2.0)
"""Spacing of the measured places: so many pixels, within these limits."""
NETWORK_SPACING_MM = 12.0
MOST_MISSING = 0.5
"""Share not seen above which the rest is doubted aloud."""
SEATS_ROUND = 0.25
"""The cast may stand out over the seats by this share of their span."""
LEAST_HOLE_MM = 4.0
"""Smaller openings are not listed."""
BASE_MM = 6.0
"""An opening whose rim lies within this of the cut is the base, not a hole."""

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class CastModel:
    """The model that photographs of a cast gave.

    Attributes
    ----------
    surface : Surface
        Frame coordinates, mm; open where it was not seen.
    u95_mm : (n,) array
        Of each corner across the surface, frame and scale included.
    datum : str
        frame or seats: what gave the frame coordinates.
    seats : (3, 3) array, mm, or None
        Measured seats in frame coordinates, with seat targets.
    photos : (used, all)
    pixel_mm : float
        Size of a photograph's pixel on the cast.
    not_seen_mm2 : float
        Roughly the area of what is missing, as the smoothest surface over it would have it.
    holes : tuple of Hole
        The largest first; the cut at the base is none.
    left_out : mapping of photograph, target or bar to reason
    warnings : tuple of str
    peak_memory_mb : float
    """

    surface: Surface
    u95_mm: Array
    datum: str
    seats: Array | None
    photos: tuple[int, int]
    pixel_mm: float
    not_seen_mm2: float
    holes: tuple[Hole, ...]
    left_out: Mapping[str, str]
    warnings: tuple[str, ...]
    peak_memory_mb: float

    @property
    def seen_mm2(self) -> float:
        """Area of the surface."""
        return float(self.surface.face_areas_mm2.sum())

    @property
    def u95_median_mm(self) -> float:
        """Half of the corners are better."""
        return float(np.median(self.u95_mm))

    @property
    def u95_most_mm(self) -> float:
        """19 of 20 corners are better."""
        return float(np.quantile(self.u95_mm, 0.95))


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


def model_from_photos(
    job: Job,
    folder: Path,
    *,
    pin_mm: float | None = None,
    pin_u95_mm: float = 0.1,
    above_mm: float = 5.0,
    replace_record: bool = False,
    progress: Progress = lambda words, share: None,
) -> CastModel:
    """The model from photographs of a cast, put on record in the job.

    Parameters
    ----------
    folder : Path
        The photographs; they are only read.
    pin_mm : float, optional
        From the print of a seat target down to its pin's point: seat targets stand in the seats
        and give the coordinates. Without it the frame does, whose cards are on record.
    pin_u95_mm : float
        How true the pins are, per coordinate.
    above_mm : float
        What lies lower than this above the plane of the seats is left out: bench and base.

    Raises
    ------
    JobError
        A model is on record already, or no frame is.
    PhotographError, TargetError, NetworkError, ScaleError
        See `tracker.pipeline.day.place_day` and `tracker.pipeline.cast_surface`.
    """
    need_no_model(job, replace=replace_record)
    known = {} if pin_mm is not None else _frame_on_record(job)
    with quiet_threads():
        day = open_day(folder, lambda share: progress("looking for targets", 0.08 * share))
        progress("placing the photographs", 0.08)
        placed = place_cast(job, day, known)
        datum = _datum(placed.adjustment, pin_mm, pin_u95_mm)
        progress("finding the cast", 0.1)
        within, cards = _bounds(datum)
        points, normals = coarse_cast(
            _views(placed, datum), cards, within, above_mm, _carried(datum)
        )
        burnt = over_exposed(placed, datum, points)
        if burnt:
            kept = place_cast(job, placed.day.without(list(burnt)), known)
            names = {placed.day.photographs[k].name: words for k, words in burnt.items()}
            placed = replace(kept, left_out={**placed.left_out, **kept.left_out, **names})
            datum = _datum(placed.adjustment, pin_mm, pin_u95_mm)
        progress("following the plaster's own marks", 0.2)
        placed = _tied(placed, datum, coarse_surface(points, normals))
        datum = _datum(placed.adjustment, pin_mm, pin_u95_mm)
        stack, sights = _made_ready(placed, datum, cast_room(points, above_mm))
        placed = placed.without_images()
        del day
        pixel = pixel_mm(stack, points.mean(axis=0))
        found = cast_surface(
            stack,
            _bounds(datum)[1],
            points,
            above_mm,
            float(np.clip(SPACING_PX * pixel, *SPACING_MM)),
            lambda share: progress("measuring the surface", 0.25 + 0.7 * share),
        )
        progress("judging the surface", 0.96)
        u95 = _u95_mm(datum, found, sights)
    result = _result(datum, placed, found, u95, pixel, above_mm)
    put_measured_model(job, result.surface, u95, replace=replace_record)
    if result.seats is not None and (replace_record or job.seats() is None):
        put_seats(job, result.seats, replace=True)
    progress("done", 1.0)
    return result


def _frame_on_record(job: Job) -> dict[int, KnownTarget]:
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


def _datum(adjustment: Adjustment, pin_mm: float | None, pin_u95_mm: float) -> Datum:
    if pin_mm is None:
        return Datum(adjustment, None)
    return Datum(adjustment, survey(adjustment, SEAT_TARGETS, (), pin_mm, pin_u95_mm))


def _bounds(datum: Datum) -> tuple[Array, list[Array]]:
    """Places that bound the cast sideways, and the corners of all targets; frame coordinates."""
    to, targets = datum.triad, [t for t in datum.adjustment.targets if t.used]
    cards = [to.apply(t.corners) for t in targets]
    if datum.found is None:
        return np.concatenate(_carried(datum)), cards
    seats = datum.found.seats
    span = SEATS_ROUND * float(np.ptp(seats, axis=0).max())
    return np.concatenate([seats - span, seats + span]), cards


def _carried(datum: Datum) -> list[Array]:
    """Corners of the cards that the frame carries, where it stands about the cast."""
    if datum.found is not None:
        return []
    targets = datum.adjustment.targets
    return [t.corners for t in targets if t.used and t.tag in FRAME_CARDS]


def _views(placed: Placed, datum: Datum) -> list[View]:
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


def _made_ready(
    placed: Placed, datum: Datum, room: tuple[Array, Array]
) -> tuple[ViewStack, list[Sight]]:
    """The photographs' parts that show the room, and their cameras without pixels."""
    views = _views(placed, datum)
    sights = [Sight(v.name, v.gray.shape[::-1], v.lens, v.pose) for v in views]
    return stack_views(views, room), sights


def _tied(placed: Placed, datum: Datum, surface: Surface) -> Placed:
    """The adjustment once more with the plaster's own marks."""
    adjustment, day = placed.adjustment, placed.day
    used = [k for k, p in enumerate(adjustment.photos) if p.used and p.pose is not None]
    views = _views(placed, datum)
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


def _u95_mm(datum: Datum, found: CastSurface, views: list[Sight]) -> Array:
    """Expanded uncertainty of each corner: patches, cameras, seats, (n,), mm."""
    surface = found.surface
    variance = found.sigma_mm**2 + datum.variance_mm2(surface.vertices, surface.vertex_normals)
    samples = sample_surface(surface, NETWORK_SPACING_MM)
    across = _network_mm2(datum, surface, samples.points, samples.normals, views)
    sound = np.isfinite(across)
    if sound.any():
        variance = variance + _nearest(samples.points[sound], across[sound], surface.vertices)
    return np.asarray(COVERAGE_FACTOR * np.sqrt(variance))


def _network_mm2(
    datum: Datum, surface: Surface, places: Array, normals: Array, views: list[Sight]
) -> Array:
    """Variance across the surface by cameras and lenses, (n,), mm^2.

    The covariance belongs to the network's own coordinates, so everything is turned back there.
    """
    adjustment, to = datum.adjustment, datum.triad
    order = np.argsort([adjustment.photo_rows[k] for k in _used(adjustment)], kind="stable")
    rows = [_used(adjustment)[k] for k in order]
    views = [views[k] for k in order]
    seen = photos_that_see(
        places, normals, [v.lens for v in views], [v.pose for v in views],
        [v.size_px for v in views], [surface],
    ).seen  # fmt: skip
    own = normals @ to.R
    photos = [adjustment.photos[k] for k in rows]
    return network_variance_mm2(
        places @ to.R + to.origin,
        own,
        own,
        seen,
        adjustment.solution.lenses,
        np.array([p.lens for p in photos], dtype=np.int64),
        [p.pose for p in photos if p.pose is not None],
        adjustment.solution.cov_cameras,
    )


def _used(adjustment: Adjustment) -> list[int]:
    return [k for k, p in enumerate(adjustment.photos) if p.used and p.pose is not None]


def _nearest(places: Array, values: Array, asked: Array) -> NDArray[np.float64]:
    """Largest of the values at the three nearest places."""
    from scipy.spatial import cKDTree

    _, near = cKDTree(places).query(asked, k=min(3, len(places)))
    return np.asarray(values[near].reshape(len(asked), -1).max(axis=1))


def _result(
    datum: Datum, placed: Placed, found: CastSurface, u95: Array, pixel: float, above_mm: float
) -> CastModel:
    adjustment = placed.adjustment
    left_out = dict(placed.left_out)
    left_out.update({p.name: p.reason for p in adjustment.photos if not p.used})
    left_out.update({f"target {t.tag}": t.reason for t in adjustment.targets
                     if not t.used and t.reason})  # fmt: skip
    left_out.update(
        {f"bar {b.target_a}-{b.target_b}": b.reason for b in adjustment.bars if not b.used}
    )
    holes = tuple(
        hole for hole in holes_of(found.surface)
        if hole.across_mm >= LEAST_HOLE_MM and hole.middle[2] > above_mm + BASE_MM
    )  # fmt: skip
    return CastModel(
        surface=found.surface,
        u95_mm=u95,
        datum="frame" if datum.found is None else "seats",
        seats=None if datum.found is None else datum.found.seats,
        photos=(int(adjustment.posed().sum()), len(adjustment.photos) + len(placed.left_out)),
        pixel_mm=pixel,
        not_seen_mm2=found.bridged_mm2,
        holes=holes,
        left_out=left_out,
        warnings=(*placed.notes, *adjustment.warnings, *_too_little(found)),
        peak_memory_mb=peak_memory_mb(),
    )


def _too_little(found: CastSurface) -> list[str]:
    """What to say of a cast of which most is missing."""
    seen = float(found.surface.face_areas_mm2.sum())
    if found.bridged_mm2 <= MOST_MISSING * (seen + found.bridged_mm2):
        return []
    return [
        "More than half of the cast was not seen: too few marks on the plaster, or too few "
        "photographs. What is there may be less sure than its U95 says; mark it, and take more."
    ]
