"""The rescue of a job: whether the figure can be had elsewhere in the block as it now is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.removed import vertex_samples
from tracker.comparison.rescue import Demand, Patches, Rescue, rescue
from tracker.comparison.rescue_stone import measured_stone, without_odd_ones
from tracker.comparison.sides import Side, side_of
from tracker.comparison.trend import GONE
from tracker.errors import JobError
from tracker.job import Job
from tracker.maths.camera import Array
from tracker.progress.series import Day, read_series
from tracker.stage import StageRecord
from tracker.surface import Surface


@dataclass(frozen=True, slots=True)
class SeatMove:
    """Where a seat goes.

    Attributes
    ----------
    seat : int
        1, 2 or 3.
    from_mm, to_mm : (3,) arrays
        Frame coordinates of the frame as it stands.
    """

    seat: int
    from_mm: Array
    to_mm: Array

    @property
    def move_mm(self) -> Array:
        """The way, (3,): to the right, to the back, up."""
        return self.to_mm - self.from_mm


@dataclass(frozen=True, slots=True)
class RescuePlan:
    """A rescue in the job's own terms.

    Attributes
    ----------
    stage : str
    needed : bool
        Some place lacks stone as the figure stands.
    rescue : Rescue
    demand : Demand
    seats : tuple of SeatMove
        Empty where the seats are not on record.
    not_seen_share : float
        Of the model's surface: it promises nothing.
    odd_share : float
        Of the surface: low readings that their neighbours do not bear out, left aside.
    tightest_point, tightest_side : str
        Nearest point of the list, empty without one, and the side of the figure.
    notes : tuple of str
        Stages that could not be read.
    """

    stage: str
    needed: bool
    rescue: Rescue
    demand: Demand
    seats: tuple[SeatMove, ...]
    not_seen_share: float
    odd_share: float
    tightest_point: str
    tightest_side: str
    notes: tuple[str, ...]


def job_rescue(job: Job) -> RescuePlan:
    """The smallest motion of the figure that leaves every place what it must keep.

    Raises
    ------
    JobError
        No stage, or none whose map can be read.
    """
    series = read_series(job)
    day = series.latest
    surface, readings = day.surface, day.readings
    if surface is None or readings is None or not _any_triangle(surface, readings):
        raise JobError(
            f"The latest stage {day.name} has no map that shows stone; nothing can be said of a "
            "rescue.",
            "Restore stone_left.ply from a copy, or photograph the stone again.",
        )
    kept, odd = without_odd_ones(surface, readings)
    demand = demand_of(job)
    mesh = _on_mesh(surface, kept)
    found = rescue(
        measured_stone(surface, kept), mesh, _singles(day.record, surface), surface.box, demand
    )
    area = vertex_samples(surface).area_mm2
    return RescuePlan(
        stage=day.name,
        needed=found.broken_before > 0,
        rescue=found,
        demand=demand,
        seats=seat_moves(job, found),
        not_seen_share=float(area[~readings.seen].sum() / area.sum()),
        odd_share=float(area[odd].sum() / area.sum()),
        tightest_point=_nearest_point(day, found.tightest_place),
        tightest_side=Side(int(side_of(found.tightest_place[None], surface.box)[0])).label,
        notes=series.notes,
    )


def demand_of(job: Job) -> Demand:
    """What a rescue has to reach, from the settings; else no place may be over-cut."""
    settings = job.settings.rescue
    least = settings.least_left_mm
    if least is None:
        least = job.settings.bands.over_cut_below_mm
    return Demand(least, settings.most_shift_mm, float(np.radians(settings.most_turn_deg)))


def seat_moves(job: Job, found: Rescue) -> tuple[SeatMove, ...]:
    """The seats under the figure's motion: where new ones go so that the frame stands with it."""
    seats = job.seats()
    if seats is None:
        return ()
    moved = seats @ found.R.T + found.t
    return tuple(SeatMove(k + 1, seats[k], moved[k]) for k in range(3))


def _any_triangle(surface: Surface, readings: VertexReadings) -> bool:
    return bool(readings.seen[surface.faces].all(axis=1).any())


def _on_mesh(surface: Surface, readings: VertexReadings) -> Patches:
    """Places of the mesh that were seen and belong to a triangle of seen stone."""
    whole = readings.seen[surface.faces].all(axis=1)
    rows = np.unique(surface.faces[whole])
    left = readings.stone_left_mm[rows]
    return Patches(
        surface.vertices[rows],
        surface.vertex_normals[rows],
        left,
        readings.u95_mm[rows],
        readings.at_least[rows] & (left < 0.0),
    )


def _singles(record: StageRecord, surface: Surface) -> Patches:
    """The list's points that were seen, and the over-cut spots that are still there."""
    points = [
        (point.xyz, point.normal, point.stone_left_mm, point.u95_mm, point.at_least)
        for point in record.points
        if point.stone_left_mm is not None and point.u95_mm is not None
    ]
    spots = [spot for spot in record.overcuts if spot.trend != GONE]
    if not points and not spots:
        return Patches.none()
    places = np.array([place for place, *_ in points] + [spot.place for spot in spots])
    _, face = surface.nearest(places)
    normals = surface.face_normals[face]
    normals[: len(points)] = np.array([normal for _, normal, *_ in points]).reshape(-1, 3)
    left = np.array([mm for _, _, mm, *_ in points] + [-spot.depth_mm for spot in spots])
    bound = np.array([b for *_, b in points] + [spot.at_least for spot in spots], dtype=bool)
    return Patches(
        places,
        normals,
        left,
        np.array([u95 for *_, u95, _ in points] + [spot.u95_mm for spot in spots]),
        bound & (left < 0.0),
    )


def _nearest_point(day: Day, place: Array) -> str:
    points = day.record.points
    if not points:
        return ""
    away = [float(np.linalg.norm(point.xyz - place)) for point in points]
    return points[int(np.argmin(away))].name
