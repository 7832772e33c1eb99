"""The day's drawn-on photographs and the map, small enough to travel within the page."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

from PIL import Image, UnidentifiedImageError

from tracker.records.stage_facts import PhotoFacts
from tracker.report.page_sheet import Picture
from tracker.stage import HEATMAP_FILE, OVERLAYS_FOLDER

LONG_SIDE_PX = 400
MAP_WIDTH_PX = 1500
JPEG_QUALITY = 68
MAP_QUALITY = 80
MOST_BYTES = 2_000_000
"""Of all small pictures together; with more photographs each is made smaller."""


def pictures_of(folder: Path, photos: Sequence[PhotoFacts]) -> tuple[Picture, ...]:
    """The photographs of a stage with their small pictures, from the stage's folder.

    A picture that has been moved away, or cannot be opened, leaves its place empty.
    """
    side = LONG_SIDE_PX
    pictures = tuple(_picture(folder, photo, side) for photo in photos)
    while side > 120 and sum(len(p.thumbnail) for p in pictures) > MOST_BYTES:
        side = int(0.75 * side)
        pictures = tuple(_picture(folder, photo, side) for photo in photos)
    return pictures


def map_picture(folder: Path) -> bytes:
    """The map of all sides as a JPEG for print and for screens that cannot turn the figure."""
    return _reduced(folder / HEATMAP_FILE, MAP_WIDTH_PX, MAP_QUALITY)


def _picture(folder: Path, photo: PhotoFacts, side_px: int) -> Picture:
    if not photo.used:
        return Picture(photo.file, False, photo.reason, "", b"")
    name = f"{Path(photo.file).stem}.jpg"
    small = _reduced(folder / OVERLAYS_FOLDER / name, side_px, JPEG_QUALITY)
    link = f"{OVERLAYS_FOLDER}/{quote(name)}" if small else ""
    return Picture(photo.file, True, photo.reason, link, small)


def _reduced(path: Path, side_px: int, quality: int) -> bytes:
    try:
        with Image.open(path) as image:
            image.draft("RGB", (side_px, side_px))
            small = image.convert("RGB")
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError):
        return b""
    small.thumbnail((side_px, side_px))
    out = io.BytesIO()
    small.save(out, format="JPEG", quality=quality)
    return out.getvalue()
