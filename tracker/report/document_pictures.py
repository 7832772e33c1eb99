"""The pictures of the document: photographs, stages side by side from one viewpoint, swatches."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps

from tracker.comparison.states import Bands, State
from tracker.progress.series import Day, same_model
from tracker.records.stage_facts import PhotoFacts
from tracker.report.colours import PAPER_RGB, shown_mm, state_rgb
from tracker.report.scale import not_seen_patch, over_cut_patch
from tracker.report.views import BACK, FRONT, Side, draw_view, extent_mm
from tracker.report.words import Words
from tracker.stage import OVERLAYS_FOLDER

PHOTO_PX, PHOTO_QUALITY, MOST_PHOTOS = 1100, 82, 3
MOST_STAGES, VIEW_PX = 4, 560
SIDES = (FRONT, BACK)
PHOTO_ENDINGS = {".jpg", ".jpeg", ".png", ".webp"}
AROUND = np.radians([-90.0, 30.0, 150.0])
"""Directions of the photographs that are chosen: from the front, and a third of a turn on."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as a file.

    Attributes
    ----------
    kind : str
        image/jpeg or image/png.
    caption : str
        What it shows.
    """

    data: bytes
    kind: str
    width: int
    height: int
    caption: str


@dataclass(frozen=True, slots=True)
class StageViews:
    """Stages side by side: a row for each viewpoint, a column for each stage."""

    rows: tuple[tuple[Picture, ...], ...]
    columns: tuple[str, ...]
    under: tuple[str, ...]


def stage_views(days: Sequence[Day], bands: Bands, words: Words) -> StageViews | None:
    """First, last and what lies evenly between, each from the front and from the back.

    None where no stage has its map.
    """
    latest = next((day for day in reversed(days) if day.surface is not None), None)
    if latest is None or latest.surface is None:
        return None
    shown = _evenly([day for day in days if same_model(day, latest)])
    scale = max(
        float((high - low).max()) / VIEW_PX
        for low, high in (extent_mm(latest.surface, side) for side in SIDES)
    )
    rows = tuple(tuple(_view(day, side, bands, scale, words) for day in shown) for side in SIDES)
    under = tuple(
        words.text(
            "%(share)s not seen", share=words.percent(1.0 - day.record.facts.coverage.seen_share)
        )
        for day in shown
    )
    return StageViews(rows, tuple(f"{day.name}, {words.day(day.date)}" for day in shown), under)


def photographs(
    days: Sequence[Day], wanted: Sequence[str], job_folder: Path, words: Words
) -> tuple[tuple[Picture, ...], tuple[str, ...]]:
    """The photographs that were chosen, else three from round about, and those that are missing."""
    day = days[-1]
    folder = job_folder / "stages" / day.name / OVERLAYS_FOLDER
    if not wanted:
        chosen = [folder / f"{Path(photo.file).stem}.jpg" for photo in _around(day, folder)]
        if not chosen:
            missing = words.text("The photographs of stage %(stage)s are not there.",
                                 stage=day.name)  # fmt: skip
            return (), (missing,)
        found = [(path, _photograph(path, _of_day(path.stem, day, words))) for path in chosen]
    else:
        found = [(Path(name), _wanted(name, days, job_folder, words)) for name in wanted]
    pictures = tuple(picture for _, picture in found if picture is not None)
    notes = tuple(
        words.text("The photograph %(name)s is not there or is no picture.", name=path.name)
        for path, picture in found
        if picture is None
    )
    return pictures, notes


def logo(path: Path) -> Picture | None:
    """The workshop's own sign; None where it cannot be read."""
    try:
        with Image.open(path) as opened:
            picture = ImageOps.exif_transpose(opened).convert("RGBA")
    except (OSError, ValueError, Image.DecompressionBombError):
        return None
    picture.thumbnail((900, 400))
    return _png(picture, path.name)


def swatch(state: State, bands: Bands) -> Picture:
    """A patch that stands for a state, with its pattern."""
    height, width = 48, 72
    if state is State.OVERCUT:
        patch = over_cut_patch(height, width, 16.0)
    elif state is State.NOT_SEEN:
        patch = not_seen_patch(height, width, 12.0)
    else:
        patch = np.tile(np.array(state_rgb(state, bands)) / 255.0, (height, width, 1))
    return _png(Image.fromarray(np.round(255.0 * patch).astype(np.uint8)), state.label)


def _evenly(days: Sequence[Day]) -> list[Day]:
    if len(days) <= MOST_STAGES:
        return list(days)
    rows = np.round(np.linspace(0, len(days) - 1, MOST_STAGES)).astype(int)
    return [days[k] for k in rows]


def _view(day: Day, side: Side, bands: Bands, mm_per_px: float, words: Words) -> Picture:
    assert day.surface is not None
    assert day.readings is not None
    readings = day.readings
    left = shown_mm(readings.stone_left_mm, readings.u95_mm, bands)
    view = draw_view(day.surface, left, readings.seen, side, bands, mm_per_px)
    side_name = {"front": words.text("front"), "back": words.text("back")}[side.name]
    ground = np.all(view.picture == np.array(PAPER_RGB, dtype=np.uint8), axis=2)
    clear = np.where(ground, 0, 255).astype(np.uint8)
    picture = Image.fromarray(np.dstack([view.picture, clear]))
    return _png(picture, f"{side_name}, {day.name}")


def _around(day: Day, folder: Path) -> list[PhotoFacts]:
    """Photographs from round about the figure whose overlays are there."""
    there = [
        photo
        for photo in day.record.facts.photos
        if photo.used
        and photo.R is not None
        and (folder / f"{Path(photo.file).stem}.jpg").is_file()
    ]
    if not there:
        return []
    eyes = np.array([-np.asarray(p.R).T @ np.asarray(p.t) for p in there])
    middle = eyes.mean(axis=0)
    if day.surface is not None:
        low, high = day.surface.box
        middle = 0.5 * (low + high)
    way = eyes - middle
    turn = np.arctan2(way[:, 1], way[:, 0])
    rise = np.arctan2(np.abs(way[:, 2]), np.hypot(way[:, 0], way[:, 1]))
    chosen: list[int] = []
    for wanted in AROUND[:MOST_PHOTOS]:
        off = np.abs(np.angle(np.exp(1j * (turn - wanted)))) + 0.5 * rise
        off[chosen] = np.inf
        best = int(np.argmin(off))
        if np.isfinite(off[best]):
            chosen.append(best)
    return [there[k] for k in chosen]


def _wanted(name: str, days: Sequence[Day], job_folder: Path, words: Words) -> Picture | None:
    """A photograph by its name: of the latest stage that has it, else a file in the job."""
    stem = Path(name).stem
    for day in reversed(days):
        path = job_folder / "stages" / day.name / OVERLAYS_FOLDER / f"{stem}.jpg"
        if Path(name).name == name and path.is_file():
            return _photograph(path, _of_day(stem, day, words))
    path = (job_folder / name).resolve()
    inside = path.is_relative_to(job_folder.resolve()) and path.suffix.lower() in PHOTO_ENDINGS
    return _photograph(path, stem) if inside and path.is_file() else None


def _of_day(stem: str, day: Day, words: Words) -> str:
    return f"{stem}, {words.day(day.date)}"


def _photograph(path: Path, caption: str) -> Picture | None:
    try:
        with Image.open(path) as opened:
            picture = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, Image.DecompressionBombError):
        return None
    picture.thumbnail((PHOTO_PX, PHOTO_PX))
    file = io.BytesIO()
    picture.save(file, format="JPEG", quality=PHOTO_QUALITY)
    return Picture(file.getvalue(), "image/jpeg", *picture.size, caption)


def _png(picture: Image.Image, caption: str) -> Picture:
    file = io.BytesIO()
    picture.save(file, format="PNG", optimize=True)
    return Picture(file.getvalue(), "image/png", *picture.size, caption)
