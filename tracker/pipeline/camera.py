"""`camera`: calibrate cameras from photographs of the board, and put them on record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from tracker.calibration import FEWEST_PHOTOS, Calibration, calibrate
from tracker.errors import PhotographError
from tracker.job import Job, put_cameras
from tracker.maths.camera import Array
from tracker.photos import CameraKey, Photograph, list_files, read_gray, read_photograph
from tracker.pipeline.day import on_workers, quiet_threads
from tracker.records.cameras import CameraRecord, camera_record
from tracker.targets.board import board_points, find_board
from tracker.targets.sheet_plan import BOARD_SQUARE_MM, BOARD_SQUARES

BOARD = (BOARD_SQUARES[0] - 1, BOARD_SQUARES[1] - 1)
NOT_WHOLE = "the board is not seen whole"


@dataclass(frozen=True, slots=True)
class CalibratedCamera:
    """A camera, its calibration and its record."""

    key: CameraKey
    calibration: Calibration
    record: CameraRecord


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Cameras calibrated from one folder, and the photographs that no camera could use."""

    cameras: tuple[CalibratedCamera, ...]
    left_out: dict[str, str]


@dataclass(frozen=True, slots=True)
class _Seen:
    photograph: Photograph
    pixels: Array | None


def calibrate_cameras(
    job: Job,
    folder: Path,
    *,
    focus_locked: bool = False,
    today: date | None = None,
    progress: Callable[[str, float], None] = lambda words, share: None,
) -> Calibrated:
    """Cameras of a folder of photographs of the board, put on record in the job.

    Parameters
    ----------
    folder : Path
        Photographs of the board from `targets`; they are only read.
    focus_locked : bool
        The lens will not be focused anew between these photographs and the stone's.

    Raises
    ------
    PhotographError
        No photographs, too few that show the board, or the lens is not fixed by them.
    """
    files = list_files(folder)
    done = 0

    def look(path: Path) -> _Seen | tuple[str, str]:
        nonlocal done
        try:
            photograph = read_photograph(path)
            pixels = find_board(read_gray(photograph), BOARD)
        except PhotographError as error:
            return path.name, str(error)
        done += 1
        progress("looking for the board", 0.9 * done / len(files))
        return _Seen(photograph, pixels)

    with quiet_threads():
        looked = on_workers(look, files)
        unreadable = {item[0]: item[1] for item in looked if isinstance(item, tuple)}
        seen = [item for item in looked if isinstance(item, _Seen)]
        day = (today or date.today()).isoformat()
        cameras, left_out = _each(seen, focus_locked, day)
    put_cameras(job, tuple(camera.record for camera in cameras))
    progress("done", 1.0)
    return Calibrated(cameras, {**unreadable, **left_out})


def _each(
    seen: list[_Seen], focus_locked: bool, day: str
) -> tuple[tuple[CalibratedCamera, ...], dict[str, str]]:
    """Every camera on its own; one with too few photographs is left out beside a better one."""
    groups: dict[CameraKey, list[_Seen]] = {}
    for item in seen:
        groups.setdefault(item.photograph.camera, []).append(item)
    most = max(groups.values(), key=_with_board, default=[])
    cameras, left_out = [], {}
    for key, group in groups.items():
        if group is not most and _with_board(group) < FEWEST_PHOTOS:
            reason = f"one of too few photographs of {key.label}"
            left_out.update({item.photograph.name: reason for item in group})
            continue
        calibration = _calibrate(group, key)
        record = camera_record(key, calibration, day, focus_locked)
        cameras.append(CalibratedCamera(key, calibration, record))
    if not cameras:
        raise PhotographError(
            "None of these files is a photograph that can be read.", "Copy them again."
        )
    return tuple(cameras), left_out


def _with_board(group: list[_Seen]) -> int:
    return sum(item.pixels is not None for item in group)


def _calibrate(group: list[_Seen], key: CameraKey) -> Calibration:
    found = [(item.photograph.name, item.pixels) for item in group if item.pixels is not None]
    without = {item.photograph.name: NOT_WHOLE for item in group if item.pixels is None}
    return calibrate(
        [name for name, _ in found],
        [pixels for _, pixels in found],
        board_points(BOARD, BOARD_SQUARE_MM),
        (key.width, key.height),
        without,
    )
