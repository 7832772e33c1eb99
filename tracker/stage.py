"""Stages on disk: one photographed day each, written once and kept.

::

    with stage_draft(job, name) as draft:   # the name is refused here, before the work
        ...                                 # pictures may be put into draft.folder
        draft.write(record, cloud, stone_left_map)

The stage appears when the block ends, whole; any failure within it leaves the job as it was.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tracker.errors import JobError
from tracker.maths.camera import Array
from tracker.records.stage_facts import (
    AlignmentFacts,
    BarFacts,
    Coverage,
    PhotoFacts,
    StageFacts,
    TargetFacts,
    facts_document,
    facts_text,
    read_facts,
)
from tracker.records.stage_names import check_stage_name, same_stage_name
from tracker.records.stage_tables import (
    OVERCUT_COLUMNS,
    POINT_COLUMNS,
    STATES,
    PointReading,
    advice,
    overcut_rows,
    point_rows,
    read_overcuts,
    read_point_readings,
    write_overcuts,
    write_point_readings,
)
from tracker.records.tables import refuse_existing, write_whole
from tracker.records.whole_folder import remove_unfinished, whole_folder

if TYPE_CHECKING:
    from tracker.comparison.overcuts import OvercutSpot
    from tracker.comparison.states import Bands
    from tracker.job import Job
    from tracker.records.ply import CloudPoints, StoneLeftMap

RECORD_FILE = "stage.json"
POINTS_FILE = "points.csv"
OVERCUTS_FILE = "overcuts.csv"
CLOUD_FILE = "cloud.ply"
MAP_FILE = "stone_left.ply"
HEATMAP_FILE = "heatmap.png"
OVERLAYS_FOLDER = "overlays"
SHEET_FILE = "tomorrow.pdf"

__all__ = [
    "STATES",
    "AlignmentFacts",
    "BarFacts",
    "Coverage",
    "ListedPoint",
    "PhotoFacts",
    "PointReading",
    "StageDraft",
    "StageFacts",
    "StageRecord",
    "TargetFacts",
    "advice",
    "check_stage_name",
    "list_stages",
    "load_stage",
    "pointing_list",
    "points_in_order",
    "read_stage",
    "stage_document",
    "stage_draft",
    "typed_row",
]


@dataclass(frozen=True, slots=True)
class StageRecord:
    """A stage without its cloud, map and pictures."""

    facts: StageFacts
    points: tuple[PointReading, ...]
    overcuts: tuple[OvercutSpot, ...]

    @property
    def name(self) -> str:
        """Name of the stage."""
        return self.facts.name


@dataclass(frozen=True, slots=True)
class ListedPoint:
    """A point of the pointing list with what is known of it.

    Attributes
    ----------
    xyz, normal : (3,) arrays
        mm, frame coordinates; unit, outward.
    hollow_mm : float or None
        Way along the needle up to the model's convex hull: zero for a high point.
    reading : PointReading or None
        Of the latest stage.
    rank : int or None
        Of a proposed point; None for one picked by hand.
    barred : bool
        Whether no needle gets there.
    """

    name: str
    xyz: Array
    normal: Array
    hollow_mm: float | None
    reading: PointReading | None
    rank: int | None = None
    barred: bool = False


@dataclass(slots=True)
class StageDraft:
    """A stage being written.

    Attributes
    ----------
    folder : Path
        Temporary folder; pictures go here (HEATMAP_FILE, OVERLAYS_FOLDER).
    final : Path
        Where the stage will stand.
    name : str
    written : bool
        Whether the record is in it.
    """

    folder: Path
    final: Path
    name: str
    written: bool = False

    def write(self, record: StageRecord, cloud: CloudPoints, stone_left: StoneLeftMap) -> None:
        """Writes record, tables, cloud and map."""
        from tracker.records.ply import write_cloud, write_map

        write_point_readings(self.folder / POINTS_FILE, record.points)
        write_overcuts(self.folder / OVERCUTS_FILE, record.overcuts)
        write_cloud(self.folder / CLOUD_FILE, cloud)
        write_map(self.folder / MAP_FILE, stone_left)
        write_whole(self.folder / RECORD_FILE, facts_text(record.facts).encode("utf-8"))
        self.written = True


@contextmanager
def stage_draft(job: Job, name: str) -> Iterator[StageDraft]:
    """Prepares a stage and puts it in place at the end, whole or not at all.

    Raises
    ------
    JobError
        The name is taken, another command is at work on the job, the folder cannot be written
        to, or the disk is full.
    InputError
        A name that a file system cannot hold.
    """
    name = check_stage_name(name)
    with job.locked():
        refuse_taken(job, name)
        remove_unfinished(job.stages_path)
        with whole_folder(job.stage_path(name)) as folder:
            draft = StageDraft(folder, job.stage_path(name), name)
            yield draft
            if not draft.written:
                raise RuntimeError("a stage was to be closed without its record")


def refuse_taken(job: Job, name: str) -> None:
    """Refuses a stage name that is on record, whatever its capitals.

    Raises
    ------
    JobError
        It is taken.
    """
    for taken in stage_names(job):
        if same_stage_name(taken, name):
            raise JobError(
                f"There is a stage {taken} already; stages are kept as they are.",
                "Give the new one another name: --name NAME",
            )


def stage_names(job: Job) -> tuple[str, ...]:
    """Names of the stages on record, in alphabetical order."""
    if not job.stages_path.is_dir():
        return ()
    return tuple(
        sorted(
            path.name
            for path in job.stages_path.iterdir()
            if path.is_dir() and not path.name.startswith(".")
        )
    )


def list_stages(job: Job) -> tuple[StageFacts, ...]:
    """Facts of all stages, oldest first.

    Raises
    ------
    JobError
        A record is damaged.
    """
    found = [read_facts(job.stage_path(name) / RECORD_FILE) for name in stage_names(job)]
    return tuple(sorted(found, key=lambda facts: (facts.date, facts.name)))


def load_stage(job: Job, name: str) -> StageRecord:
    """A stage on record.

    Raises
    ------
    JobError
        There is no such stage, or its record is damaged.
    """
    known = stage_names(job)
    found = next((known_name for known_name in known if same_stage_name(known_name, name)), None)
    if found is None:
        raise JobError(
            f"There is no stage {name}.",
            f"On record: {', '.join(known)}." if known else "Add one: stoneleft stage add PHOTOS",
        )
    return read_stage(job.stage_path(found))


def read_stage(folder: Path) -> StageRecord:
    """The record in a stage's folder, wherever it stands.

    Raises
    ------
    JobError, TableError
        It is damaged.
    """
    return StageRecord(
        facts=read_facts(folder / RECORD_FILE),
        points=read_point_readings(folder / POINTS_FILE),
        overcuts=read_overcuts(folder / OVERCUTS_FILE),
    )


def points_in_order(job: Job) -> tuple[ListedPoint, ...]:
    """The points in the order in which they are taken, without readings.

    High points first where the model is on record, else as in ``points.csv``.
    """
    from tracker.records.pointing_list import depth_below_hull_mm, high_points_first

    points = job.points()
    order, hollow = list(range(len(points))), _no_depths(len(points))
    if job.model_path.is_file() and len(points):
        model = job.model()
        order = [int(k) for k in high_points_first(points, model)]
        hollow = [float(d) for d in depth_below_hull_mm(points, model)]
    return tuple(
        ListedPoint(
            points.names[k], points.xyz[k], points.normals[k], hollow[k], None, points.rank(k),
            points.names[k] in points.barred,
        )
        for k in order
    )  # fmt: skip


def pointing_list(job: Job) -> tuple[ListedPoint, ...]:
    """The points in the order in which they are taken, with what the latest stage says of them."""
    stages = list_stages(job)
    readings: dict[str, PointReading] = {}
    if stages:
        latest = load_stage(job, stages[-1].name)
        readings = {reading.name: reading for reading in latest.points}
    return tuple(replace(point, reading=readings.get(point.name)) for point in points_in_order(job))


def _unread(point: ListedPoint) -> PointReading:
    return PointReading(
        name=point.name,
        xyz=point.xyz,
        normal=point.normal,
        stone_left_mm=None,
        at_least=False,
        u95_mm=None,
        state=STATES[0],
        sure=False,
        photos=0,
    )


def _no_depths(count: int) -> list[float | None]:
    return [None] * count


def export_points(job: Job, path: Path) -> int:
    """Writes the pointing list as `pointing_list` orders it, with the columns of a stage's.

    Returns
    -------
    int
        How many points.

    Raises
    ------
    JobError
        No points on record, a file in the way, or a place that cannot be written to.
    """
    refuse_existing(path)
    listed = pointing_list(job)
    if not listed:
        raise JobError(
            "There are no points on record.", "Give them: stoneleft points import FILE.csv"
        )
    write_point_readings(path, [point.reading or _unread(point) for point in listed])
    return len(listed)


def listed_document(point: ListedPoint, bands: Bands) -> dict[str, Any]:
    """A point of the pointing list as plain texts and figures."""
    reading = point.reading
    document = typed_row(POINT_COLUMNS, point_rows([reading or _unread(point)])[0])
    hollow = None if point.hollow_mm is None else round(point.hollow_mm, 1)
    said = ["" if reading is None else advice(reading, bands)]
    said.append("no needle gets there" if point.barred else "")
    return {
        **document,
        "state": "" if reading is None else reading.state,
        "hollow_mm": hollow,
        "rank": point.rank,
        "needle_reaches": not point.barred,
        "advice": ", ".join(filter(None, said)),
    }


def summary_document(facts: StageFacts) -> dict[str, Any]:
    """A stage in one line of plain texts and figures."""
    document = facts_document(facts)
    kept = ("name", "date", "software", "counts", "volume_left_cm3", "volume_left_u95_cm3")
    return {
        **{key: document[key] for key in (*kept, "mass_left_kg", "mass_left_u95_kg")},
        "photos": len(facts.photos),
        "photos_used": sum(photo.used for photo in facts.photos),
        "seen_share": document["coverage"]["seen_share"],
    }


def stage_document(record: StageRecord) -> dict[str, Any]:
    """Facts, points and over-cuts as plain lists, texts and figures, for JSON."""
    points = [typed_row(POINT_COLUMNS, row) for row in point_rows(record.points)]
    overcuts = [typed_row(OVERCUT_COLUMNS, row) for row in overcut_rows(record.overcuts)]
    return {**facts_document(record.facts), "points": points, "overcuts": overcuts}


_TEXT_COLUMNS = frozenset({"name", "bound", "state", "nearest_point", "trend"})


def typed_row(columns: Sequence[str], row: Sequence[str | int]) -> dict[str, Any]:
    """A table's line with figures as numbers, yes and no as truth, and null for none."""
    typed: dict[str, Any] = {}
    for column, value in zip(columns, row, strict=True):
        if column == "sure":
            typed[column] = value == "yes"
        elif column in _TEXT_COLUMNS:
            typed[column] = value
        else:
            typed[column] = None if value == "" else float(value)
            if isinstance(value, int):
                typed[column] = value
    return typed
