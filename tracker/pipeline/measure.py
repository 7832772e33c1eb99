"""A day's photographs measured against the model: from files to stone left, nothing written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tracker.alignment.align import align
from tracker.alignment.datum import datum_covariance
from tracker.alignment.earlier import check_earlier
from tracker.alignment.result import SET_DOWN_AGAIN, Alignment
from tracker.alignment.unchanged import EarlierStone
from tracker.cloud.patch_views import View
from tracker.cloud.sparse import Cloud, sparse_cloud
from tracker.cloud.ties import tie_points
from tracker.cloud.ties_refine import TiePoints as StoneTies
from tracker.comparison.mass import Density, Mass, mass_of
from tracker.comparison.needle import stack_for
from tracker.comparison.overcuts import OvercutSpot, find_overcuts, name_spots
from tracker.comparison.readings import Readings
from tracker.comparison.states import Bands, Judgement, judge
from tracker.comparison.trend import compare_spots
from tracker.comparison.volume import VolumeLeft, volume_left
from tracker.errors import AlignmentError
from tracker.maths.camera import Array, Lens, Pose
from tracker.network.adjust import add_ties
from tracker.network.outcome import Adjustment
from tracker.network.problem import LensPrior
from tracker.network.record import Bar, KnownTarget, TiePoints
from tracker.network.tie_scatter import point_scatter
from tracker.photos import CameraKey
from tracker.pipeline.day import Clock, Day, Placed, open_day, place_day, quiet_threads
from tracker.pipeline.needles import (
    DayReadings,
    NeedleWork,
    Sight,
    needle_settings,
    read_needles,
)
from tracker.surface import Samples, Surface, sample_surface

DISAGREEING_SHARE = 0.1
"""One in twenty may differ by more than U95 by chance; twice that is out of order."""


@dataclass(frozen=True, slots=True)
class Task:
    """What a day is measured against.

    Attributes
    ----------
    surface : Surface
        The model, frame coordinates.
    known : mapping of target to its record
        The frame's targets and those on lasting faces that an earlier stage has placed.
    bars : tuple of Bar
    lasting : frozenset of int
        Numbers of targets on the block's lasting faces, whether placed before or not.
    points, needles : (n, 3) arrays
        The pointing list.
    names : tuple of str
        Names of the points.
    before : tuple of OvercutSpot
        Over-cut spots of the stage before.
    lenses : mapping of camera to what its calibration says of it
    earlier : tuple of EarlierStone
        Clouds of earlier stages, the latest first.
    frame_stands : bool
        The carver has set the frame down anew: stone that contradicts it is told, not refused.
    """

    surface: Surface
    known: Mapping[int, KnownTarget]
    bars: tuple[Bar, ...]
    lasting: frozenset[int]
    names: tuple[str, ...]
    points: Array
    needles: Array
    bands: Bands
    density: Density
    allowance_mm: float = 50.0
    reach_mm: float = 25.0
    spacing_mm: float = 2.0
    model_tolerance_mm: float = 0.05
    before: tuple[OvercutSpot, ...] = ()
    lenses: Mapping[CameraKey, LensPrior] = field(default_factory=dict)
    earlier: tuple[EarlierStone, ...] = ()
    frame_stands: bool = False


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured day. Places are in frame coordinates as the alignment left them."""

    surface: Surface
    names: tuple[str, ...]
    opened: Day
    placed: Placed
    cloud: Cloud
    alignment: Alignment
    samples: Samples
    sample_readings: Readings
    point_readings: Readings
    point_states: Judgement
    sample_states: Judgement
    overcuts: tuple[OvercutSpot, ...]
    volume: VolumeLeft
    mass: Mass
    roles: Mapping[int, str]
    bars: tuple[Bar, ...]
    warnings: tuple[str, ...]

    @property
    def seen_share(self) -> float:
        """Share of the model's surface that has a figure."""
        return self.volume.seen_mm2 / (self.volume.seen_mm2 + self.volume.not_seen_mm2)

    def pose_in_model(self, pose: Pose) -> Pose:
        """A photograph's pose as the alignment left it."""
        return moved_pose(pose, self.alignment)

    def views(self) -> list[tuple[str, int, Lens, Pose]]:
        """Name, row in the placed day, lens and pose of every photograph used."""
        adjustment = self.placed.adjustment
        return [
            (photo.name, row, adjustment.lenses[photo.lens], self.pose_in_model(photo.pose))
            for row, photo in enumerate(adjustment.photos)
            if photo.used and photo.pose is not None
        ]


def measure(folder: Path, task: Task, clock: Clock) -> Measured:
    """Stone left of a day's photographs.

    Parameters
    ----------
    folder : Path
        The photographs; they are only read.
    task : Task
    clock : Clock
        Times the steps and tells how far the work is.

    Raises
    ------
    PhotographError, TargetError, NetworkError, ScaleError, AlignmentError
        Each says what is wrong and what to do.
    """
    surface = task.surface
    with quiet_threads():
        with clock.step("photographs", "looking for targets in the photographs") as share:
            opened = open_day(folder, share)
        with clock.step("targets", "placing the photographs by the targets"):
            outline = _outline(surface)
            placed = place_day(opened, task.known, task.bars, outline, lenses=task.lenses)
        with clock.step("ties", "following the stone's own texture"):
            placed, cloud = _tie(placed, surface, task.allowance_mm)
        with clock.step("alignment", "checking the frame against the stone"):
            alignment = _seat(placed, cloud, task)
        cloud = _moved_cloud(cloud, alignment)
        with clock.step("needles", "setting the needle on the photographs") as share:
            samples = sample_surface(surface, task.spacing_mm)
            work = _needle_work(placed, cloud, alignment, task)
            opened, placed = opened.without_images(), placed.without_images()
            readings = read_needles(work, samples, task.points, task.needles, share)
        with clock.step("comparison", "judging the points"):
            return _compare(task, opened, placed, cloud, alignment, readings)


def moved_pose(pose: Pose, alignment: Alignment) -> Pose:
    """Pose towards the model's coordinates: p_camera = R A^T (p_model - a) + t."""
    R = pose.R @ alignment.R.T
    return Pose(R, pose.t - R @ alignment.t)


def _needle_work(placed: Placed, cloud: Cloud, alignment: Alignment, task: Task) -> NeedleWork:
    adjustment = placed.adjustment
    views = [
        View(
            photo.name,
            placed.day.images[row],
            adjustment.lenses[photo.lens],
            moved_pose(photo.pose, alignment),
        )
        for row, photo in enumerate(adjustment.photos)
        if photo.used and photo.pose is not None
    ]
    settings = needle_settings(task.allowance_mm, task.reach_mm, task.spacing_mm)
    return NeedleWork(
        stack=stack_for(views, task.surface, settings),
        sights=tuple(Sight(v.name, v.gray.shape[::-1], v.lens, v.pose) for v in views),
        settings=settings,
        adjustment=adjustment,
        alignment=alignment,
        cloud=cloud,
        surface=task.surface,
        model_tolerance_mm=task.model_tolerance_mm,
    )


def _compare(
    task: Task,
    opened: Day,
    placed: Placed,
    cloud: Cloud,
    alignment: Alignment,
    readings: DayReadings,
) -> Measured:
    samples, over_surface = readings.samples, readings.over_surface
    states = judge(readings.at_points, task.bands)
    states = replace(states, sure=states.sure & ~readings.doubted)
    limit = task.bands.overcut_below_mm
    spots = find_overcuts(
        samples, readings.together, overcut_below_mm=limit, given=over_surface.seen
    )
    spots = name_spots(spots, task.names, task.points)
    spots = compare_spots(spots, task.before, samples, readings.together, overcut_below_mm=limit)
    volume = volume_left(
        task.surface,
        samples,
        over_surface,
        overcut_below_mm=limit,
        cov_rigid=alignment.covariance,
    )
    return Measured(
        surface=task.surface,
        names=task.names,
        opened=opened,
        placed=placed,
        cloud=cloud,
        alignment=alignment,
        samples=samples,
        sample_readings=over_surface,
        point_readings=readings.at_points,
        point_states=states,
        sample_states=judge(over_surface, task.bands),
        overcuts=spots,
        volume=volume,
        mass=mass_of(volume.left_mm3, volume.left_u95_mm3, task.density),
        roles=_roles(task),
        bars=task.bars,
        warnings=_warnings(placed, alignment, readings, task.names),
    )


def _outline(surface: Surface) -> Array:
    """Corners of the model's box: points round the stone."""
    low, high = surface.box
    pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T.astype(bool)
    return np.where(pick, high, low)


def _tie(placed: Placed, surface: Surface, allowance_mm: float) -> tuple[Placed, Cloud]:
    """The adjustment once more with the stone's own texture, and the cloud of its points."""
    adjustment, day = placed.adjustment, placed.day
    used = [k for k, photo in enumerate(adjustment.photos) if photo.pose is not None and photo.used]
    ties = tie_points(
        [day.images[k] for k in used],
        [adjustment.lenses[adjustment.photos[k].lens] for k in used],
        [photo.pose for photo in adjustment.photos if photo.used and photo.pose is not None],
        surface,
        allowance_mm,
        [[target.corners_px for target in day.detections[k].used] for k in used],
    )
    handed = TiePoints(
        xyz=ties.start,
        photo=np.asarray(used, dtype=np.int64)[ties.photo],
        point=ties.point,
        pixel=ties.pixel,
        cov_px2=ties.cov_px2,
    )
    tied = add_ties(adjustment, handed) if len(ties.start) else adjustment
    points, cov, kept = _kept_ties(tied, ties, used)
    cloud = sparse_cloud(
        ties,
        points,
        cov,
        kept,
        [tied.lenses[tied.photos[k].lens] for k in used],
        [photo.pose for photo in tied.photos if photo.used and photo.pose is not None],
        [day.images[k] for k in used],
        surface,
        allowance_mm,
    )
    return replace(placed, adjustment=tied), cloud


def _kept_ties(
    adjustment: Adjustment, ties: StoneTies, used: list[int]
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Adjusted tie points, their covariance, and which observations the adjustment kept.

    The covariance counts how well each point's own rays meet. A tie point that the adjustment left
    out stands where it began, with no observation.
    """
    points, cov = ties.start.copy(), np.zeros((len(ties.start), 3, 3))
    if len(adjustment.tie_rows) != len(ties.start):
        return points, cov, np.zeros(len(ties.photo), dtype=bool)
    rows = adjustment.tie_rows
    placed = rows >= 0
    points[placed] = adjustment.solution.points[rows[placed]]
    scatter = point_scatter(adjustment.network, adjustment.solution)
    cov[placed] = (adjustment.solution.cov_points * scatter[:, None, None])[rows[placed]]
    seen, count = adjustment.network.seen, len(adjustment.solution.points)
    good = adjustment.solution.used
    key = adjustment.photo_rows[np.asarray(used)][ties.photo] * count + rows[ties.point]
    kept = np.isin(key, seen.photo[good] * count + seen.point[good]) & placed[ties.point]
    return points, cov, kept


def _seat(placed: Placed, cloud: Cloud, task: Task) -> Alignment:
    """Frame coordinates checked against lasting targets, finished stone and earlier stages."""
    seating = placed.adjustment.seating
    if seating is not None and seating.statistic > 1.0 >= seating.frame_spread:
        raise AlignmentError(
            f"The frame stands {seating.shift_mm:.1f} mm and {seating.turn_deg:.1f} degrees off "
            "the targets on the block, though its own cards agree with each other.",
            SET_DOWN_AGAIN,
        )
    sigma = {
        tag: 0.5 * target.u95_mm for tag, target in task.known.items() if target.u95_mm is not None
    }
    found = align(
        cloud.points,
        cloud.normals,
        cloud.sigma_mm,
        task.surface,
        datum_covariance(placed.adjustment, sigma),
        band_mm=task.bands.finished_below_mm,
        frame_stands=task.frame_stands,
    )
    return check_earlier(
        found,
        found.apply(cloud.points),
        cloud.normals @ found.R.T,
        cloud.sigma_mm,
        task.earlier,
        frame_stands=task.frame_stands,
    )


def _moved_cloud(cloud: Cloud, alignment: Alignment) -> Cloud:
    if not alignment.moved:
        return cloud
    R = alignment.R
    return replace(
        cloud,
        points=alignment.apply(cloud.points),
        normals=cloud.normals @ R.T,
        cov=R @ cloud.cov @ R.T,
    )


def _roles(task: Task) -> dict[int, str]:
    bars = {tag: "bar" for bar in task.bars for tag in (bar.target_a, bar.target_b)}
    lasting = dict.fromkeys(task.lasting, "lasting")
    return {**bars, **lasting, **{tag: target.role for tag, target in task.known.items()}}


def _warnings(
    placed: Placed, alignment: Alignment, readings: DayReadings, names: tuple[str, ...]
) -> tuple[str, ...]:
    """What the carver should know, in the order of the work."""
    adjustment = placed.adjustment
    words = [f"{name} left out: {reason}" for name, reason in sorted(placed.left_out.items())]
    words += [
        f"{photo.name} left out: {photo.reason}" for photo in adjustment.photos if not photo.used
    ]
    words += [
        f"target {target.tag} left out: {target.reason}"
        for target in adjustment.targets
        if not target.used and target.reason
    ]
    words += [
        f"bar {bar.target_a}-{bar.target_b} left out: {bar.reason}"
        for bar in adjustment.bars
        if not bar.used
    ]
    words += [*placed.notes, *adjustment.warnings]
    if alignment.moved:
        words.append(alignment.reason)
    if alignment.doubt:
        words.append(alignment.doubt)
    doubted = [name for name, doubt in zip(names, readings.doubted, strict=True) if doubt]
    if doubted:
        words.append(
            "needle and cloud disagree at "
            + ", ".join(doubted)
            + ": check with the needle before you strike"
        )
    if readings.disagreeing > DISAGREEING_SHARE * max(readings.compared, 1):
        words.append(
            f"needle and cloud disagree at {readings.disagreeing} of {readings.compared} places of "
            "the surface: trust the map less than usual"
        )
    return tuple(dict.fromkeys(words))
