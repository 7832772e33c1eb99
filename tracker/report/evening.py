"""Puts the carver's sheet together from a stage on disk: pictures, words, drawing."""

from __future__ import annotations

from pathlib import Path

from tracker.job import Job
from tracker.progress.series import Day
from tracker.progress.tomorrow import Task, tomorrow
from tracker.records.tables import write_whole
from tracker.report.tomorrow_sheet import SheetTitle, draw_tomorrow
from tracker.report.where import Cut, best_view, cut_out
from tracker.report.words import words_for
from tracker.stage import OVERLAYS_FOLDER, SHEET_FILE


def write_sheet(job: Job, day: Day, folder: Path | None = None) -> Path:
    """Writes tomorrow's sheet into a stage's folder, whole or not at all.

    Parameters
    ----------
    folder : Path, optional
        The folder that the stage is being written into; by default where it stands.

    Returns
    -------
    Path
        The sheet.

    Raises
    ------
    InputError
        A language without texts.
    """
    settings = job.settings.report
    words = words_for(settings.language, job.folder)
    stage_folder = job.stage_path(day.name) if folder is None else folder
    plan = tomorrow(job, day)
    pictures = [_where(day, task, stage_folder / OVERLAYS_FOLDER) for task in plan.tasks]
    title = SheetTitle(job.name, day.name, words.day(day.date))
    path = stage_folder / SHEET_FILE
    drawn = draw_tomorrow(title, plan, pictures, job.settings.state_bands(), words, settings.paper)
    write_whole(path, drawn)
    return path


def _where(day: Day, task: Task, overlays: Path) -> Cut | None:
    on_stone = task.place + task.stone_left_mm * task.outward
    seen = best_view(on_stone, task.outward, day.record.facts.photos, overlays, day.surface)
    return None if seen is None else cut_out(seen)
