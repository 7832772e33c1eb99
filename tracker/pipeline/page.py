"""The stage page from a stage's record: at the end of its day, and anew whenever it is asked for.

Only the record is read, never the day's photographs, so an old stage can get a new page.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.readings import Readings
from tracker.comparison.removed_places import removed_between
from tracker.comparison.states import Bands, judge
from tracker.comparison.uncertainty import SURFACE
from tracker.comparison.visibility import CLEARANCE_MM, photos_that_see
from tracker.errors import TrackerError
from tracker.job import Job
from tracker.maths.camera import Array, Lens, Pose
from tracker.records.ply import StoneLeftMap, read_map
from tracker.records.settings import Settings
from tracker.records.stage_facts import PhotoFacts, StageFacts, read_facts
from tracker.report.page import PAGE_FILE, draw_page
from tracker.report.page_form import Form, thinned
from tracker.report.page_pictures import map_picture, pictures_of
from tracker.report.page_sheet import Earlier, Layer, PageSheet
from tracker.stage import (
    MAP_FILE,
    RECORD_FILE,
    StageRecord,
    advice,
    load_stage,
    read_stage,
    stage_names,
)
from tracker.surface import Surface

NO_EARLIER = "This is the first stage: nothing to compare it with yet."


def redraw_page(job: Job, name: str) -> Path:
    """Draws the page of a stage on record anew; the stage itself stays as it is.

    Returns
    -------
    Path
        Of the page.

    Raises
    ------
    JobError
        No such stage, a damaged record, another command at work, or no room to write.
    MeshError
        The stage's map is damaged.
    """
    with job.locked():
        return write_page(job, job.stage_path(load_stage(job, name).name))


def write_page(job: Job, folder: Path) -> Path:
    """Draws the page of a stage into the folder that holds its files, whole or not at all.

    Parameters
    ----------
    job : Job
    folder : Path
        Of the stage; during `stage add` the one in which it comes into being.

    Raises
    ------
    MeshError
        The stage's map is damaged.
    JobError
        A damaged record, or no room to write.
    """
    path = folder / PAGE_FILE
    draw_page(path, gather(job, folder))
    return path


def gather(job: Job, folder: Path) -> PageSheet:
    """What the page of a stage shows, from its record and that of the stage before."""
    record = read_stage(folder)
    bands = stage_bands(job, record.facts)
    stone_left = read_map(folder / MAP_FILE)
    form = thinned(stone_left.surface)
    now = _layer(stone_left, form, bands)
    earlier, note = _earlier(job, record, stone_left, form, now, bands)
    seeing = [photo for photo in record.facts.photos if photo.used and photo.R is not None]
    model = stone_left.surface
    depth = np.where(now.readings.seen, now.readings.stone_left_mm, 0.0)
    return PageSheet(
        job=job.name,
        record=record,
        bands=bands,
        advice=tuple(advice(reading, bands) for reading in record.points),
        form=form,
        now=now,
        earlier=earlier,
        earlier_note=note,
        viewers=tuple(photo.file for photo in seeing),
        seen_by=seen_by(
            model, model.vertices[form.rows], model.vertex_normals[form.rows], depth, seeing
        ),
        flag_normals=_normals_at(model, [spot.place for spot in record.overcuts]),
        pictures=pictures_of(folder, record.facts.photos),
        map_jpeg=map_picture(folder),
    )


def stage_bands(job: Job, facts: StageFacts) -> Bands:
    """The bands of the day; those of the job where the record has none that can be read."""
    try:
        return Settings.model_validate(facts.settings).state_bands()
    except (ValidationError, TrackerError):
        return job.settings.state_bands()


def _layer(stone_left: StoneLeftMap, form: Form, bands: Bands) -> Layer:
    rows = form.rows
    bound = stone_left.at_least
    seen = stone_left.seen[rows]
    readings = VertexReadings(
        stone_left_mm=stone_left.stone_left_mm[rows],
        u95_mm=stone_left.u95_mm[rows],
        seen=seen,
        at_least=np.zeros(len(rows), dtype=bool) if bound is None else seen & bound[rows],
    )
    return Layer(readings, judge(_as_readings(readings), bands))


def _as_readings(readings: VertexReadings) -> Readings:
    """Vertices as the judgement takes them: only seen, figure, bound and U95 count."""
    n = len(readings.seen)
    nowhere = np.zeros((n, 3))
    variance = np.zeros((n, 4))
    variance[:, SURFACE] = (0.5 * readings.u95_mm) ** 2
    return Readings(
        nowhere,
        nowhere,
        readings.seen,
        readings.stone_left_mm,
        readings.at_least,
        readings.stone_left_mm,
        variance,
        np.zeros(n, dtype=np.int64),
        np.zeros(n, dtype=np.int64),
    )


def _earlier(
    job: Job, record: StageRecord, today: StoneLeftMap, form: Form, now: Layer, bands: Bands
) -> tuple[Earlier | None, str]:
    """The stage before, or why there is none to switch to."""
    facts, unread = _facts_before(job, record.facts)
    if facts is None:
        note = f"The record of {', '.join(unread)} cannot be read." if unread else NO_EARLIER
        return None, note
    try:
        before = read_map(job.stage_path(facts.name) / MAP_FILE)
    except TrackerError:
        return None, f"The map of the stage before, {facts.name}, cannot be read."
    same = np.array_equal(before.surface.vertices, today.surface.vertices)
    if not same or not np.array_equal(before.surface.faces, today.surface.faces):
        return None, (
            f"The model was replaced after the stage before, {facts.name}: "
            "the two cannot be laid over each other."
        )
    layer = _layer(before, form, bands)
    removed = removed_between(layer.readings, now.readings)
    return Earlier(facts.name, facts.date, layer, removed), ""


def _facts_before(job: Job, today: StageFacts) -> tuple[StageFacts | None, list[str]]:
    """Facts of the latest stage before today's, and the names of those that cannot be read."""
    found, unread = [], []
    for name in stage_names(job):
        if name == today.name:
            continue
        try:
            facts = read_facts(job.stage_path(name) / RECORD_FILE)
        except TrackerError:
            unread.append(name)
            continue
        if (facts.date, facts.name) < (today.date, today.name):
            found.append(facts)
    return max(found, key=lambda facts: (facts.date, facts.name), default=None), unread


def seen_by(
    model: Surface, places: Array, normals: Array, depth_mm: Array, photos: Sequence[PhotoFacts]
) -> NDArray[np.bool_]:
    """Photographs on record that look at places of the stone, (n, photographs).

    Parameters
    ----------
    model : Surface
        What may stand in the way.
    places, normals : (n, 3) arrays
        Of the model, mm, frame coordinates; unit, outward.
    depth_mm : (n,) array
        How far out along the normal the stone stands there.
    """
    lenses, poses, sizes = [], [], []
    for photo in photos:
        K, dist = np.asarray(photo.K), np.asarray(photo.dist)
        lenses.append(Lens(float(K[0, 0]), float(K[0, 2]), float(K[1, 2]), *map(float, dist)))
        poses.append(Pose(np.asarray(photo.R), np.asarray(photo.t)))
        # records of before the size was kept: the lens looks at the middle of the picture
        middle = (round(2.0 * K[0, 2] + 1.0), round(2.0 * K[1, 2] + 1.0))
        sizes.append(photo.size_px or middle)
    stone = places + depth_mm[:, None] * normals
    # in a pit the line of sight starts above the model, which is what stands in the way
    clearance = CLEARANCE_MM + 2.0 * np.maximum(-depth_mm, 0.0)
    return photos_that_see(
        stone, normals, lenses, poses, sizes, [model], clearance_mm=clearance
    ).seen


def _normals_at(model: Surface, places: Sequence[Array]) -> Array:
    if not places:
        return np.zeros((0, 3))
    return np.asarray(model.face_normals[model.nearest(np.stack(places))[1]])
