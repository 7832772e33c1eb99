"""`stage add`: measure a day, draw its pictures, and put it on record whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np

from tracker.alignment.unchanged import EarlierStone
from tracker.comparison.on_vertices import VertexReadings, spread_to_vertices
from tracker.comparison.overcuts import OvercutSpot
from tracker.errors import PhotographError, TrackerError
from tracker.job import Job
from tracker.network.record import Bar, KnownTarget
from tracker.photos import list_files, read_photograph
from tracker.pipeline.day import Clock, quiet_threads
from tracker.pipeline.measure import Measured, Task, measure
from tracker.pipeline.page import write_page
from tracker.pipeline.pictures import draw_pictures
from tracker.pipeline.record import stage_record
from tracker.progress.series import Day, day_of
from tracker.records.cameras import belief
from tracker.records.ply import CloudPoints, StoneLeftMap, read_cloud
from tracker.report.colours import vertex_colours
from tracker.report.evening import write_sheet
from tracker.report.words import words_for
from tracker.stage import CLOUD_FILE, StageRecord, list_stages, load_stage, stage_draft

Progress = Callable[[str, float], None]

LAST_SHARE = 0.98
EARLIER_STAGES = 3
"""So many are asked whether uncarved stone lies where it lay."""


def add_stage(
    job: Job,
    folder: Path,
    name: str | None = None,
    *,
    progress: Progress = lambda words, share: None,
    now: datetime | None = None,
    frame_stands: bool = False,
) -> StageRecord:
    """A day's photographs become a stage of the job.

    Parameters
    ----------
    job : Job
    folder : Path
        The photographs; they are only read.
    name : str, optional
        Of the stage; the day on which the photographs were taken when left out.
    progress : function of (words, share of the whole done)
    now : datetime, optional
        The present, where the photographs do not say when they were taken.
    frame_stands : bool
        The frame was set down anew and stands: what the stone has against it is told, and the day
        is put on record all the same.

    Raises
    ------
    TrackerError
        Each child says what is wrong and what to do; the job is then as it was.
    """
    words_for(job.settings.report.language, job.folder)  # refused now, not after the work
    task = task_of(job)
    taken = taken_at(folder)
    moment = taken or now or datetime.now()
    task = replace(task, earlier=_earlier_stone(job, moment), frame_stands=frame_stands)
    name = name if name is not None else moment.date().isoformat()
    clock = Clock(progress)
    with stage_draft(job, name) as draft:
        measured = measure(folder, task, clock)
        vertices = spread_to_vertices(task.surface, measured.samples, measured.sample_readings)
        with (
            quiet_threads(),
            clock.step("pictures", "drawing the map and the photographs") as share,
        ):
            draw_pictures(job, draft, measured, vertices, moment, share)
        record = stage_record(job, draft.name, moment.isoformat(), measured, clock)
        draft.write(record, cloud_points(measured), stone_left_map(job, task, vertices))
        progress("drawing the page", LAST_SHARE)
        write_page(job, draft.folder)
        day = Day(record, day_of(record.facts), task.surface, vertices)
        write_sheet(job, day, draft.folder)
    progress("done", 1.0)
    return record


def task_of(job: Job) -> Task:
    """What the job says a day is measured against.

    Raises
    ------
    JobError
        Model or frame are not on record.
    TableError
        A table of the job cannot be read.
    """
    settings = job.settings.measuring
    points = job.points()
    known = {
        tag: KnownTarget(target.corners_mm, 2.0 * target.sigma_mm, "frame")
        for tag, target in job.frame().items()
    }
    lasting = frozenset(job.settings.targets.lasting)
    known.update(_lasting_on_record(job, lasting - set(known)))
    return Task(
        surface=job.model(),
        known=known,
        bars=tuple(
            Bar(bar.target_a, bar.target_b, bar.length_mm, 2.0 * bar.sigma_mm) for bar in job.bars()
        ),
        lasting=lasting,
        names=points.names,
        points=points.xyz,
        needles=points.normals,
        bands=job.settings.state_bands(),
        density=job.settings.stone_density(),
        allowance_mm=settings.allowance_mm,
        reach_mm=settings.reach_mm,
        spacing_mm=settings.spacing_mm,
        model_tolerance_mm=settings.model_tolerance_mm,
        before=_spots_before(job),
        lenses={camera.key: belief(camera) for camera in job.cameras()},
    )


def taken_at(folder: Path) -> datetime | None:
    """When the first of a folder's photographs was taken, if they say so."""
    moments = []
    for path in list_files(folder):
        try:
            moment = read_photograph(path).taken_at
        except PhotographError:
            continue
        if moment is not None:
            moments.append(moment)
    return min(moments, default=None)


def cloud_points(measured: Measured) -> CloudPoints:
    """The cloud as it is written."""
    cloud = measured.cloud
    return CloudPoints(cloud.points, cloud.normals, cloud.colour, cloud.sigma_mm, cloud.photos)


def stone_left_map(job: Job, task: Task, vertices: VertexReadings) -> StoneLeftMap:
    """The model's mesh with stone left at its corners, as it is written."""
    bands = job.settings.state_bands()
    colours = vertex_colours(vertices.stone_left_mm, vertices.seen, bands)
    return StoneLeftMap(
        task.surface,
        vertices.stone_left_mm,
        vertices.u95_mm,
        vertices.seen,
        colours,
        vertices.at_least,
    )


def _lasting_on_record(job: Job, lasting: frozenset[int] | set[int]) -> dict[int, KnownTarget]:
    """Lasting targets as the first stage that used them has placed them, so that nothing drifts."""
    known: dict[int, KnownTarget] = {}
    for facts in list_stages(job):
        for target in facts.targets:
            placed = target.used and target.corners_mm is not None
            if target.id in lasting and placed and target.id not in known:
                known[target.id] = KnownTarget(
                    np.asarray(target.corners_mm), 2.0 * np.asarray(target.sigma_mm), "lasting"
                )
    return known


def _earlier_stone(job: Job, moment: datetime) -> tuple[EarlierStone, ...]:
    """Clouds of the last stages before this moment, the latest first.

    One that cannot be read is passed over: the day can be measured without.
    """
    stones = []
    before = [facts for facts in list_stages(job) if facts.date < moment.isoformat()]
    for facts in reversed(before[-EARLIER_STAGES:]):
        try:
            cloud = read_cloud(job.stage_path(facts.name) / CLOUD_FILE)
        except (TrackerError, OSError):
            continue
        if len(cloud.points):
            covariance = np.asarray(facts.alignment.covariance)
            stones.append(
                EarlierStone(facts.name, cloud.points, cloud.normals, cloud.sigma_mm, covariance)
            )
    return tuple(stones)


def _spots_before(job: Job) -> tuple[OvercutSpot, ...]:
    """Over-cut spots of the latest stage."""
    stages = list_stages(job)
    return load_stage(job, stages[-1].name).overcuts if stages else ()
