"""Jobs with several stages, made without measuring: stone left is given, place by place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from tests.job_files import cloud, empty_job, points_lines, stage_record, write
from tracker.comparison.mass import mass_of
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.readings import VARIANCE_PARTS, Readings
from tracker.comparison.removed import columns, standing
from tracker.comparison.states import State, judge
from tracker.job import Job, put_model, put_points
from tracker.maths.camera import Array
from tracker.progress.series import vertex_readings
from tracker.records.ply import StoneLeftMap
from tracker.stage import Coverage, PointReading, StageFacts, StageRecord, stage_draft
from tracker.surface import Surface


@dataclass(frozen=True, slots=True)
class Given:
    """A stage as it is to be: stone left at the model's vertices (NaN where not seen)."""

    name: str
    date: str
    left_mm: Array
    u95_mm: float = 0.2
    at_least: Array | None = None
    counts: Mapping[str, int] | None = None
    spots: Sequence[OvercutSpot] = ()


def map_of(surface: Surface, given: Given) -> StoneLeftMap:
    seen = np.isfinite(given.left_mm)
    return StoneLeftMap(
        surface,
        given.left_mm,
        np.where(seen, given.u95_mm, np.nan),
        seen,
        np.full((len(seen), 3), 128, np.uint8),
        np.zeros(len(seen), bool) if given.at_least is None else given.at_least,
    )


def add_given(job: Job, surface: Surface, given: Given, record: StageRecord | None = None) -> None:
    """Puts a stage on record with volume, mass and coverage that belong to its map."""
    record = stage_record(given.name, given.date) if record is None else record
    facts = facts_of(job, surface, given, record.facts)
    points = readings_of(job, surface, given)
    counts = Counter(point.state for point in points)
    if given.counts is None:
        facts = replace(facts, counts={state.label: counts[state.label] for state in State})
    record = replace(record, facts=facts, overcuts=tuple(given.spots), points=points)
    with stage_draft(job, given.name) as draft:
        draft.write(record, cloud(), map_of(surface, given))


def readings_of(job: Job, surface: Surface, given: Given) -> tuple[PointReading, ...]:
    """The job's points with stone left of the nearest corner of the mesh."""
    points = job.points()
    if not len(points):
        return ()
    row = cKDTree(surface.vertices).query(points.xyz)[1]
    left, count = given.left_mm[row], len(points)
    seen = np.isfinite(left)
    bound = np.zeros(count, bool) if given.at_least is None else given.at_least[row]
    variance = np.zeros((count, len(VARIANCE_PARTS)))
    variance[:, 0] = (given.u95_mm / 2.0) ** 2
    readings = Readings(
        points.xyz, points.normals, seen, np.nan_to_num(left), bound & seen, np.nan_to_num(left),
        variance, np.where(seen, 6, 1), np.zeros(count, np.int64),
    )  # fmt: skip
    states = judge(readings, job.settings.state_bands())
    return tuple(
        PointReading(
            name=name,
            xyz=points.xyz[k],
            normal=points.normals[k],
            stone_left_mm=float(left[k]) if seen[k] else None,
            at_least=bool(bound[k] and seen[k]),
            u95_mm=given.u95_mm if seen[k] else None,
            state=State(int(states.state[k])).label,
            sure=bool(states.sure[k]),
            photos=int(readings.photos[k]),
        )
        for k, name in enumerate(points.names)
    )


def facts_of(job: Job, surface: Surface, given: Given, facts: StageFacts) -> StageFacts:
    readings = vertex_readings(map_of(surface, given), facts)
    everywhere = np.ones(len(given.left_mm), bool)
    left = standing(columns(surface, readings), everywhere)
    mass = mass_of(left.mm3, left.u95_mm3, job.settings.stone_density())
    counts = {state.label: 0 for state in State} | dict(given.counts or {"finished": 1})
    return replace(
        facts,
        name=given.name,
        date=given.date,
        counts=counts,
        coverage=Coverage(float(surface.face_areas_mm2.sum()), left.compared_share),
        volume_left_cm3=left.mm3 / 1000.0,
        volume_left_u95_cm3=left.u95_mm3 / 1000.0,
        mass_left_kg=mass.kg,
        mass_left_u95_kg=mass.u95_kg,
    )


def several(folder: Path, surface: Surface, stages: Sequence[Given]) -> Job:
    """A job with a model, points and stages."""
    job = empty_job(folder)
    put_model(job, surface)
    put_points(job, write(folder / "points.csv", points_lines()))
    for given in stages:
        add_given(job, surface, given)
    return job
