"""The job: one sculpture in one folder, and its settings.

::

    job.toml      settings, with the carver's own comments
    model.ply     the model, mm, frame coordinates
    frame.csv     frame targets
    bars.csv      scale bars
    points.csv    the pointing list
    seats.csv     the three seats, where they were given with the model
    stages/NAME/  one folder per stage (see tracker.stage)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from filelock import FileLock, Timeout

from tracker.errors import JobError
from tracker.records.entries import (
    Bar,
    FrameTarget,
    Points,
    read_bars,
    read_frame,
    read_points,
    read_seats,
    write_bars,
    write_frame,
    write_points,
    write_seats,
)
from tracker.records.settings import BandSettings, Settings, parse_settings, settings_text
from tracker.records.tables import write_failure, write_whole

if TYPE_CHECKING:
    from tracker.maths.camera import Array
    from tracker.network.record import KnownTarget
    from tracker.pointing.propose import Proposal
    from tracker.records.cameras import CameraRecord
    from tracker.records.model_import import ModelImport
    from tracker.surface import Surface

SETTINGS_FILE = "job.toml"

ProgressCallback = Callable[[str, float], None]
"""Called by long work with the step in words and the share of the whole that is done, 0 to 1."""


@dataclass(frozen=True, slots=True)
class Job:
    """A job on disk: its folder and its settings. Tables are read when asked for."""

    folder: Path
    settings: Settings

    @property
    def name(self) -> str:
        """Name of the sculpture."""
        return self.settings.name

    @property
    def settings_path(self) -> Path:
        """``job.toml``."""
        return self.folder / SETTINGS_FILE

    @property
    def model_path(self) -> Path:
        """``model.ply``."""
        return self.folder / "model.ply"

    @property
    def frame_path(self) -> Path:
        """``frame.csv``."""
        return self.folder / "frame.csv"

    @property
    def bars_path(self) -> Path:
        """``bars.csv``."""
        return self.folder / "bars.csv"

    @property
    def points_path(self) -> Path:
        """``points.csv``."""
        return self.folder / "points.csv"

    @property
    def seats_path(self) -> Path:
        """``seats.csv``."""
        return self.folder / "seats.csv"

    @property
    def cameras_path(self) -> Path:
        """``cameras.json``."""
        return self.folder / "cameras.json"

    @property
    def stages_path(self) -> Path:
        """Folder of the stages."""
        return self.folder / "stages"

    def stage_path(self, name: str) -> Path:
        """Folder of a stage."""
        return self.stages_path / name

    def frame(self) -> dict[int, FrameTarget]:
        """Frame targets by number.

        Raises
        ------
        JobError
            None on record.
        """
        if not self.frame_path.is_file():
            raise JobError(
                "The frame of this job is not on record.",
                "Give its targets' coordinates: stoneleft frame import FILE.csv",
            )
        return read_frame(self.frame_path, self.settings.measuring.frame_corner_u95_mm)

    def bars(self) -> tuple[Bar, ...]:
        """Scale bars; none on record is allowed, since the frame gives a scale too."""
        if not self.bars_path.is_file():
            return ()
        return read_bars(self.bars_path, self.settings.measuring.bar_u95_mm)

    def cameras(self) -> tuple[CameraRecord, ...]:
        """Calibrated cameras; none on record is allowed, since a day calibrates itself."""
        from tracker.records.cameras import read_cameras

        return read_cameras(self.cameras_path)

    def points(self) -> Points:
        """The pointing list, empty when none is on record."""
        if not self.points_path.is_file():
            return Points.none()
        return read_points(self.points_path)

    def seats(self) -> Array | None:
        """The three seats in frame coordinates, (3, 3), mm; None where they are not on record."""
        return read_seats(self.seats_path) if self.seats_path.is_file() else None

    def model(self) -> Surface:
        """The model.

        Raises
        ------
        JobError
            None on record.
        """
        from tracker.records.ply import read_surface

        if not self.model_path.is_file():
            raise JobError(
                "The model of this job is not on record.",
                "Give its mesh: stoneleft model import FILE",
            )
        return read_surface(self.model_path)

    def model_u95_mm(self) -> Array | None:
        """U95 of each of the model's corners, (n,), mm; None where it was not measured here."""
        from tracker.records.ply import read_surface_u95

        return read_surface_u95(self.model_path) if self.model_path.is_file() else None

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Keeps other commands from changing the job meanwhile.

        Raises
        ------
        JobError
            Another command is at work on the job, or the folder cannot be written to.
        """
        lock = FileLock(self.folder / ".lock", timeout=0.0)
        try:
            lock.acquire()
        except Timeout as error:
            raise JobError(
                f"Another command is at work on the job in {self.folder}.",
                "Wait until it has finished and try again.",
            ) from error
        except OSError as error:
            raise write_failure(error, self.folder) from error
        try:
            yield
        finally:
            lock.release()


def find_job_folder(start: Path) -> Path:
    """Nearest folder upward from `start` that holds ``job.toml``.

    Raises
    ------
    JobError
        There is none.
    """
    here = start.absolute()
    for folder in (here, *here.parents):
        if (folder / SETTINGS_FILE).is_file():
            return folder
    raise JobError(
        f"There is no job in {here}, nor in any folder above it.",
        "Go into the job's folder, name it with --job DIR, or start one: stoneleft new DIR",
    )


def open_job(folder: Path | None = None) -> Job:
    """The job in a folder, or the nearest one upward from the working folder.

    Raises
    ------
    JobError
        No job there, or settings that cannot be used.
    """
    if folder is None:
        folder = find_job_folder(Path.cwd())
    elif not (folder / SETTINGS_FILE).is_file():
        raise JobError(
            f"There is no job in {folder} (no {SETTINGS_FILE}).",
            f"Start one there: stoneleft new {folder}",
        )
    return Job(folder.absolute(), _read_settings(folder / SETTINGS_FILE))


def create_job(
    folder: Path,
    name: str | None = None,
    stone: str = "marble",
    density_kg_per_m3: float | None = None,
    bands: BandSettings | None = None,
    allowance_mm: float = 50.0,
) -> Job:
    """Starts a job in a new or empty folder, or beside files that are not a job's.

    Parameters
    ----------
    name : str, optional
        Of the sculpture; by default the folder's name.
    stone : str
        Kind of stone, "Carrara marble" as well as "marble".
    density_kg_per_m3 : float, optional
        By default the usual one of the stone.

    Raises
    ------
    JobError
        There is a job already, or the folder cannot be made.
    InputError
        A density, a band or an allowance that cannot be.
    """
    folder = folder.absolute()
    if (folder / SETTINGS_FILE).exists():
        raise JobError(
            f"There is a job in {folder} already.", "Choose another folder for the new one."
        )
    title = (name if name is not None else folder.name).strip()
    text = settings_text(title, stone.strip(), density_kg_per_m3, bands, allowance_mm)
    settings = parse_settings(text, SETTINGS_FILE)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise JobError(f"{folder} is a file.", "Choose another folder for the job.") from error
    except OSError as error:
        raise write_failure(error, folder.parent) from error
    write_whole(folder / SETTINGS_FILE, text.encode("utf-8"))
    return Job(folder, settings)


def put_frame(job: Job, source: Path, *, replace: bool = False) -> dict[int, FrameTarget]:
    """Puts a table of frame targets on record."""
    frame = read_frame(source, job.settings.measuring.frame_corner_u95_mm)
    if job.model_path.is_file():
        from tracker.records.model_fit import check_against_frame

        check_against_frame(job.model(), frame)
    _put(job, job.frame_path, lambda path: write_frame(path, frame), "a frame", replace)
    return frame


def put_surveyed_frame(
    job: Job, targets: Mapping[int, KnownTarget], *, replace: bool = False
) -> dict[int, FrameTarget]:
    """Puts frame targets from a survey on record."""
    frame = {
        tag: FrameTarget(target.corners, 0.5 * np.asarray(target.u95_mm, np.float64))
        for tag, target in sorted(targets.items())
    }
    if job.model_path.is_file():
        from tracker.records.model_fit import check_against_frame

        check_against_frame(job.model(), frame)
    _put(job, job.frame_path, lambda path: write_frame(path, frame), "a frame", replace)
    return frame


def put_bars(job: Job, source: Path, *, replace: bool = False) -> tuple[Bar, ...]:
    """Puts a table of scale bars on record."""
    bars = read_bars(source, job.settings.measuring.bar_u95_mm)
    _put(job, job.bars_path, lambda path: write_bars(path, bars), "scale bars", replace)
    return bars


def put_printed_bars(
    job: Job, drawn: tuple[Bar, ...], printed: tuple[Bar, ...], *, replace: bool = False
) -> tuple[Bar, ...]:
    """Puts the bars of a print on record, beside those that are there; returns the bars kept.

    Parameters and errors are those of `tracker.records.printed_bars.corrected_bars`.
    """
    from tracker.records.printed_bars import corrected_bars

    bars, kept = corrected_bars(job.bars(), drawn, printed, replace)
    _put(job, job.bars_path, lambda path: write_bars(path, bars), "scale bars", True)
    return kept


def put_cameras(job: Job, cameras: tuple[CameraRecord, ...]) -> None:
    """Puts calibrated cameras on record, each in the place of its last calibration."""
    from tracker.records.cameras import write_cameras

    fresh = {camera.key for camera in cameras}
    kept = [camera for camera in job.cameras() if camera.key not in fresh]
    together = (*kept, *cameras)
    _put(job, job.cameras_path, lambda path: write_cameras(path, together), "cameras", True)


def put_points(job: Job, source: Path, *, replace: bool = False) -> Points:
    """Puts a pointing list on record, checked against the model where there is one."""
    points = read_points(source)
    if job.model_path.is_file():
        from tracker.records.pointing_list import check_on_model

        check_on_model(points, job.model())
    _put(job, job.points_path, lambda path: write_points(path, points), "points", replace)
    return points


def add_points(job: Job, source: Path) -> Points:
    """Adds a pointing list to the one on record, whose points stay as they are."""
    more = read_points(source)
    if job.model_path.is_file():
        from tracker.records.pointing_list import check_on_model

        check_on_model(more, job.model())
    with job.locked():
        points = job.points().with_added(more)
        _write(job, job.points_path, lambda path: write_points(path, points), "points", True)
    return points


def propose_points(job: Job, count: int) -> tuple[Points, Proposal]:
    """Adds proposed points to the pointing list; those on record stay as they are.

    Raises
    ------
    JobError
        No model on record.
    InputError
        The model cannot carry so many.
    """
    from tracker.pointing.propose import propose_places
    from tracker.records.pointing_list import with_proposed

    model = job.model()
    with job.locked():
        known = job.points()
        proposal = propose_places(model, count, known.xyz)
        points = with_proposed(known, proposal)
        _write(job, job.points_path, lambda path: write_points(path, points), "points", True)
    return points, proposal


def import_model_into(
    job: Job,
    mesh: Path,
    units: str | None = None,
    seats: Path | None = None,
    scale: str = "1",
    *,
    replace: bool = False,
) -> ModelImport:
    """Reads a mesh file, checks it against the frame on record and puts it on record.

    Parameters and errors are those of `tracker.records.model_import.import_model`; seats is a
    table, scale a text like 3:2.
    """
    from tracker.records.model_import import import_model, parse_scale

    result = import_model(
        mesh,
        units,
        None if seats is None else read_seats(seats),
        parse_scale(scale),
        job.frame() if job.frame_path.is_file() else None,
    )
    put_model(job, result.surface, replace=replace)
    if result.seats is not None:
        put_seats(job, result.seats, replace=replace)
    return result


def put_seats(job: Job, seats: Array, *, replace: bool = False) -> None:
    """Puts the three seats in frame coordinates on record, (3, 3), mm."""
    _put(job, job.seats_path, lambda path: write_seats(path, seats), "seats", replace)


def put_model(job: Job, surface: Surface, *, replace: bool = False) -> None:
    """Puts a model in frame coordinates on record."""
    from tracker.records.ply import write_surface

    _put(job, job.model_path, lambda path: write_surface(path, surface), "a model", replace)


def need_no_model(job: Job, *, replace: bool = False) -> None:
    """Refuses long work whose model could not be put on record.

    Raises
    ------
    JobError
        A model is on record, and it is not to be replaced.
    """
    if job.model_path.exists() and not replace:
        raise JobError(
            f"This job has a model on record already ({job.model_path.name}).",
            "Add --replace to put the new one in its place.",
        )


def put_measured_model(job: Job, surface: Surface, u95_mm: Array, *, replace: bool = False) -> None:
    """Puts a model in frame coordinates on record with the U95 of each of its corners."""
    from tracker.records.ply import write_surface

    if job.frame_path.is_file():
        from tracker.records.model_fit import check_against_frame

        check_against_frame(surface, job.frame())
    _put(job, job.model_path, lambda path: write_surface(path, surface, u95_mm), "a model", replace)


def _put(job: Job, path: Path, write: Callable[[Path], None], what: str, replace: bool) -> None:
    """Writes a file of the job as one; what is on record is only replaced when asked to."""
    with job.locked():
        _write(job, path, write, what, replace)


def _write(job: Job, path: Path, write: Callable[[Path], None], what: str, replace: bool) -> None:
    """Writes a file of a job that is locked."""
    fresh = path.with_name(f".{path.name}.new")
    try:
        write(fresh)
        same = path.is_file() and path.read_bytes() == fresh.read_bytes()
        if path.exists() and not same and not replace:
            raise JobError(
                f"This job has {what} on record already ({path.name}).",
                "Add --replace to put the new file in its place.",
            )
        fresh.replace(path)
    except OSError as error:
        raise write_failure(error, job.folder) from error
    finally:
        fresh.unlink(missing_ok=True)


def _read_settings(path: Path) -> Settings:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise JobError(
            f"{path} cannot be opened ({error.strerror}).", "Check the folder's rights."
        ) from error
    except UnicodeDecodeError as error:
        raise JobError(f"{path} is not written in UTF-8.", "Save it as UTF-8.") from error
    return parse_settings(text, path.name)
