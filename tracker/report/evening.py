"""Puts sheet and document together from the stages on disk: pictures, words, drawing."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tracker.job import Job
from tracker.progress.progress import progress_of
from tracker.progress.series import Day, read_series
from tracker.progress.tomorrow import Task, tomorrow
from tracker.records.settings import stone_kind
from tracker.records.tables import refuse_existing, write_whole
from tracker.report.contrast import readable_on_paper
from tracker.report.document import Document
from tracker.report.document_html import document_html
from tracker.report.document_pictures import logo, photographs, stage_views, swatch
from tracker.report.document_text import OWN_TEXT, blocks_of, shipped_text, text_of
from tracker.report.document_values import (
    SILICA_STONES,
    document_values,
    side_rows,
    spot_rows,
    state_labels,
    state_rows,
)
from tracker.report.overlays import target_cards
from tracker.report.tomorrow_sheet import SheetTitle, draw_tomorrow
from tracker.report.where import Cut, best_view, cut_out
from tracker.report.words import words_for
from tracker.stage import OVERLAYS_FOLDER, SHEET_FILE
from tracker.surface import Surface

EVERY_POINT = 10**6


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
    cards = _cards(day)
    pictures = [_where(day, task, stage_folder / OVERLAYS_FOLDER, cards) for task in plan.tasks]
    silica = stone_kind(job.settings.stone) in SILICA_STONES
    title = SheetTitle(job.name, day.name, words.day(day.date), silica)
    path = stage_folder / SHEET_FILE
    drawn = draw_tomorrow(title, plan, pictures, job.settings.state_bands(), words, settings.paper)
    write_whole(path, drawn)
    return path


def document_of(job: Job) -> Document:
    """The client's document of a job as it stands.

    Raises
    ------
    JobError
        There is no stage, or none that can be read.
    InputError
        A language without texts, or a fault in the job's own template.
    """
    settings = job.settings.report
    bands = job.settings.state_bands()
    words = words_for(settings.language, job.folder)
    series = read_series(job)
    progress = progress_of(job, series)
    plan = tomorrow(job, series.latest, most=EVERY_POINT)
    values = document_values(job, progress, plan, words)
    template, source = text_of(job.folder)
    pictures, missing = photographs(series.days, settings.photographs, job.folder, words)
    sign = logo(job.folder / settings.logo) if settings.logo else None
    notes = [*missing, *series.notes]
    if settings.logo and sign is None:
        notes.append(
            words.text("The logo %(name)s is not there or is no picture.", name=settings.logo)
        )
    states = tuple(state_rows(progress, words))
    return Document(
        title=job.name,
        author=settings.workshop,
        accent=readable_on_paper(settings.colour),
        paper=settings.paper,
        blocks=tuple(blocks_of(template, source, values, words)),
        photographs=pictures,
        views=stage_views(series.days, bands, words),
        progress=progress,
        states=states,
        sides=tuple(side_rows(progress, words)),
        spots=tuple(spot_rows(progress, words)),
        swatches={label: swatch(state, bands) for state, label in state_labels(words).items()},
        notes=tuple(notes),
        logo=sign,
        words=words,
    )


def write_document(job: Job) -> tuple[Path, Path]:
    """Writes ``report.pdf`` and ``report.html`` into the job's folder.

    Returns
    -------
    tuple of Path
        The two files.
    """
    from tracker.report.document_pdf import document_pdf  # loads much that a sheet does not need

    document = document_of(job)
    paper, page = job.folder / "report.pdf", job.folder / "report.html"
    drawn = document_pdf(document)
    write_whole(page, document_html(document).encode("utf-8"))
    write_whole(paper, drawn)
    return paper, page


def copy_text(job: Job) -> Path:
    """Puts the template of the document's text into the job, to be edited.

    Raises
    ------
    JobError
        There is one already.
    """
    path = job.folder / OWN_TEXT
    refuse_existing(path)
    write_whole(path, shipped_text().encode("utf-8"))
    return path


def _where(day: Day, task: Task, overlays: Path, cards: Surface | None) -> Cut | None:
    on_stone = task.place + task.stone_left_mm * task.outward
    photos = day.record.facts.photos
    seen = best_view(on_stone, task.outward, photos, overlays, day.surface, cards)
    return None if seen is None else cut_out(seen)


def _cards(day: Day) -> Surface | None:
    """The day's target cards as they are on record; None without any."""
    placed = [t.corners_mm for t in day.record.facts.targets if t.used and t.corners_mm is not None]
    return target_cards(np.array(placed, dtype=np.float64)) if placed else None
