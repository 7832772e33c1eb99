"""The demo: a whole job of photographs that come with the program."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from tracker.errors import JobError
from tracker.job import (
    SETTINGS_FILE,
    Job,
    create_job,
    open_job,
    put_bars,
    put_frame,
    put_model,
    put_points,
    put_seats,
)
from tracker.records.entries import read_seats
from tracker.records.ply import read_surface
from tracker.stage import stage_names

FIXTURES = Path(__file__).resolve().parents[1] / "fixtures" / "demo"
MARK = ".demo"
"""File that tells a job made here from a carver's own."""
JOB_NAME = "Owl finial"
STONE = "Carrara marble"
STAGES = (("first day", "stage-1"), ("third day", "stage-2"))
"""Names of the stages and the folders of their photographs."""


def prepare_demo(folder: Path) -> Job:
    """The demo's job without its stages, made anew where an earlier demo stands.

    Raises
    ------
    JobError
        The demo's photographs are not there, or the folder holds something else.
    """
    if not (FIXTURES / "model.ply").is_file():
        raise JobError(
            f"The demo's photographs are not in {FIXTURES}.",
            "They come with the project's source: run the demo from there.",
        )
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        if not (folder / MARK).is_file() or not (folder / SETTINGS_FILE).is_file():
            raise JobError(
                f"{folder} is there already and holds something other than the demo.",
                "Name another folder: stoneleft demo DIR",
            )
        job = open_job(folder)
        _remove_stages(job)
    else:
        job = create_job(folder, JOB_NAME, STONE)
        (folder / MARK).touch()
    put_frame(job, FIXTURES / "frame.csv", replace=True)
    put_bars(job, FIXTURES / "bars.csv", replace=True)
    put_model(job, read_surface(FIXTURES / "model.ply"), replace=True)
    put_points(job, FIXTURES / "points.csv", replace=True)
    put_seats(job, read_seats(FIXTURES / "seats.csv"), replace=True)
    return job


def demo_days() -> Iterator[tuple[str, Path]]:
    """Name of each stage and the folder of its photographs."""
    for name, folder in STAGES:
        yield name, FIXTURES / folder


def _remove_stages(job: Job) -> None:
    """Takes away the demo's own stages of an earlier run; others stay."""
    import shutil

    for name, _ in STAGES:
        if name in stage_names(job):
            shutil.rmtree(job.stage_path(name))
