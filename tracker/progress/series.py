"""The stages of a job read one after another, with what could not be read and why.

A stage that is damaged, of another version, or without its map does not hide the others: it is
named and left out of what it cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from tracker.comparison.on_vertices import VertexReadings
from tracker.errors import JobError, TrackerError
from tracker.job import Job
from tracker.records.ply import StoneLeftMap, read_map
from tracker.records.settings import MeasuringSettings
from tracker.records.stage_facts import StageFacts
from tracker.stage import MAP_FILE, StageRecord, load_stage, stage_names
from tracker.surface import Surface


@dataclass(frozen=True, slots=True)
class Day:
    """A stage with its map.

    Attributes
    ----------
    record : StageRecord
    date : date
    surface : Surface or None
        The model as it was measured against; None where the map cannot be read.
    readings : VertexReadings or None
        Stone left at its vertices.
    """

    record: StageRecord
    date: date
    surface: Surface | None
    readings: VertexReadings | None

    @property
    def name(self) -> str:
        """Name of the stage."""
        return self.record.name


@dataclass(frozen=True, slots=True)
class Series:
    """Stages in the order in which they were photographed, and what is wrong with any."""

    days: tuple[Day, ...]
    notes: tuple[str, ...]

    @property
    def latest(self) -> Day:
        """The last stage."""
        return self.days[-1]


def read_series(job: Job) -> Series:
    """All stages of a job, oldest first.

    Raises
    ------
    JobError
        There is no stage, or none that can be read.
    """
    names = stage_names(job)
    if not names:
        raise JobError(
            "There is no stage on record.",
            "Photograph the stone and add one: stoneleft stage add PHOTOS",
        )
    days, notes = [], []
    for name in names:
        try:
            record = load_stage(job, name)
            stood = day_of(record.facts)
        except TrackerError as error:
            notes.append(f"Stage {name} is left out. {error}")
            continue
        surface, readings, note = _map(job, record)
        days.append(Day(record, stood, surface, readings))
        notes += [note] if note else []
    if not days:
        raise JobError(f"No stage of this job can be read. {notes[0]}")
    days.sort(key=lambda day: (day.record.facts.date, day.name))
    return Series(tuple(days), tuple(notes))


def one_day(job: Job, name: str) -> Day:
    """One stage with its map, as far as that can be read.

    Raises
    ------
    JobError
        There is no such stage, or its record cannot be read.
    """
    record = load_stage(job, name)
    surface, readings, _ = _map(job, record)
    return Day(record, day_of(record.facts), surface, readings)


def chosen_day(job: Job, name: str | None) -> Day:
    """The stage of that name, or the latest.

    Raises
    ------
    JobError
        There is no such stage, or none at all.
    """
    return read_series(job).latest if name is None else one_day(job, name)


def day_of(facts: StageFacts) -> date:
    """The day of a stage.

    Raises
    ------
    JobError
        Its record holds no date.
    """
    try:
        return datetime.fromisoformat(facts.date).date()
    except ValueError as error:
        raise JobError(
            f"The record of stage {facts.name} has no date but '{facts.date}'.",
            "Restore stage.json from a copy.",
        ) from error


def vertex_readings(stone_left: StoneLeftMap, facts: StageFacts) -> VertexReadings:
    """Readings of a map; in old records a figure at the reach or beyond is a bound."""
    bound = stone_left.at_least
    if bound is None:
        measuring = facts.settings.get("measuring", {})
        reach = measuring.get("reach_mm", MeasuringSettings().reach_mm)
        bound = np.nan_to_num(stone_left.stone_left_mm) >= float(reach) - 1e-3
    seen = stone_left.seen & np.isfinite(stone_left.stone_left_mm) & np.isfinite(stone_left.u95_mm)
    return VertexReadings(
        np.where(seen, stone_left.stone_left_mm, np.nan),
        np.where(seen, stone_left.u95_mm, np.nan),
        seen,
        seen & bound,
    )


def _map(job: Job, record: StageRecord) -> tuple[Surface | None, VertexReadings | None, str]:
    path = job.stage_path(record.name) / MAP_FILE
    if not path.is_file():
        gone = f"The map of stage {record.name} is missing ({MAP_FILE}): restore it from a copy."
        return None, None, f"{gone} What went before and after it cannot be compared."
    try:
        found = read_map(path)
    except TrackerError as error:
        return None, None, f"Stage {record.name}: {error}"
    return found.surface, vertex_readings(found, record.facts), ""


def same_model(one: Day, other: Day) -> bool:
    """Whether two stages were measured against one and the same model."""
    if one.surface is None or other.surface is None:
        return False
    a, b = one.surface, other.surface
    return (
        a.vertices.shape == b.vertices.shape
        and a.faces.shape == b.faces.shape
        and bool(np.allclose(a.vertices, b.vertices, rtol=0.0, atol=1e-3))
        and bool(np.array_equal(a.faces, b.faces))
    )
