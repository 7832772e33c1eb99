"""What to take next: over-cut and nearly over-cut places, then the list, high points first."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from tracker.comparison.states import Bands, State
from tracker.comparison.tools import Tool, may_be_overcut, tool_for
from tracker.comparison.trend import GONE
from tracker.job import Job
from tracker.maths.camera import Array
from tracker.progress.series import Day
from tracker.records.stage_tables import PointReading
from tracker.stage import points_in_order


class Kind(IntEnum):
    """Why a place stands on the sheet, in the order of the sheet."""

    OVERCUT = 0
    NEARLY_OVERCUT = 1
    TAKE = 2


@dataclass(frozen=True, slots=True)
class Task:
    """A place on tomorrow's sheet.

    Attributes
    ----------
    name : str
        Of the point; of the spot's nearest point, with its number in `spot`.
    spot : int or None
        Number of the over-cut spot; None for a point.
    place, outward : (3,) arrays
        Of the model, mm, frame coordinates; unit.
    stone_left_mm, u95_mm : float
    trend : str
        Of a spot, else empty.
    """

    kind: Kind
    name: str
    spot: int | None
    place: Array
    outward: Array
    stone_left_mm: float
    u95_mm: float
    at_least: bool
    state: State
    sure: bool
    tool: Tool
    trend: str


@dataclass(frozen=True, slots=True)
class Tomorrow:
    """The next places in order.

    Attributes
    ----------
    tasks : tuple of Task
    left_over : int
        Points with stone to take that did not find room.
    not_seen : tuple of str
        Points whose stone nobody knows: the needle first.
    finished : int
        Points that are done for sure.
    """

    tasks: tuple[Task, ...]
    left_over: int
    not_seen: tuple[str, ...]
    finished: int


def tomorrow(job: Job, day: Day, most: int = 24) -> Tomorrow:
    """The next places after a stage.

    Parameters
    ----------
    most : int
        Points to take at the most; over-cut places are always all there.
    """
    bands = job.settings.state_bands()
    order = {point.name: k for k, point in enumerate(points_in_order(job))}
    readings = sorted(day.record.points, key=lambda reading: order.get(reading.name, len(order)))
    tasks = [task for reading in readings if (task := _task(reading, bands)) is not None]
    to_take = [task for task in tasks if task.kind is Kind.TAKE]
    danger = [task for task in tasks if task.kind is not Kind.TAKE] + _spots(day)
    danger.sort(key=lambda task: (task.kind, task.stone_left_mm))
    return Tomorrow(
        tasks=(*danger, *to_take[:most]),
        left_over=max(len(to_take) - most, 0),
        not_seen=tuple(r.name for r in readings if r.stone_left_mm is None),
        finished=sum(r.state == State.FINISHED.label and r.sure for r in readings),
    )


def _task(reading: PointReading, bands: Bands) -> Task | None:
    left, u95 = reading.stone_left_mm, reading.u95_mm
    if left is None or u95 is None:
        return None
    state = next(state for state in State if state.label == reading.state)
    tool = tool_for(left, u95, at_least=reading.at_least, bands=bands)
    if state is State.OVERCUT:
        kind = Kind.OVERCUT
    elif may_be_overcut(left, u95, at_least=reading.at_least, bands=bands):
        kind = Kind.NEARLY_OVERCUT
    elif tool is Tool.NONE:
        return None
    else:
        kind = Kind.TAKE
    return Task(
        kind, reading.name, None, reading.xyz, reading.normal, left, u95, reading.at_least, state,
        reading.sure, tool, "",
    )  # fmt: skip


def _spots(day: Day) -> list[Task]:
    spots = [spot for spot in day.record.overcuts if spot.trend != GONE]
    if not spots:
        return []
    outward = np.zeros((len(spots), 3))
    if day.surface is not None:
        _, face = day.surface.nearest(np.array([spot.place for spot in spots]))
        outward = day.surface.face_normals[face]
    return [
        Task(
            kind=Kind.OVERCUT,
            name=spot.nearest_point,
            spot=spot.identity,
            place=spot.place,
            outward=direction,
            stone_left_mm=-spot.depth_mm,
            u95_mm=spot.u95_mm,
            at_least=spot.at_least,
            state=State.OVERCUT,
            sure=True,
            tool=Tool.NONE,
            trend=spot.trend,
        )
        for spot, direction in zip(spots, outward, strict=True)
    ]
