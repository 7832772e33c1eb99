"""The pointing list on paper, to carry to the cast: the form from its sides with the points on it.

A filled ring is a point picked by hand, an open ring a proposed one, a crossed one a place that no
needle gets to. Names stand beside their places, never on another name; one that finds
no room in a side is left to the other sides and the table.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from tracker.errors import JobError
from tracker.job import Job
from tracker.maths.camera import Array
from tracker.records.tables import refuse_existing, write_whole
from tracker.report.form_views import draw_form
from tracker.report.type_family import BODY, STRONG, fitted, use_family, width_pt
from tracker.report.views import ABOVE, BACK, FRONT, LEFT, RIGHT, Side, View, extent_mm, in_sight
from tracker.stage import pointing_list
from tracker.surface import Surface
from tracker.targets.sheet_plan import Paper, paper_named

PT = 72.0 / 25.4
MARGIN_MM, HEAD_MM, FOOT_MM, CAPTION_MM, GAP_MM = 12.0, 16.0, 12.0, 8.0, 10.0
PAGES: tuple[tuple[Side, ...], ...] = ((FRONT, RIGHT), (BACK, LEFT), (ABOVE,))
PX_A_MM = 6.0
"""Of paper."""
RING_PT, NAME_PT = 2.6, 7.5
FACING = 0.15
"""A point is drawn in a side when its surface faces the eye by more than this (a cosine)."""
LINE_MM = 5.2
COLUMNS = (("point", 0.0), ("x", 32.0), ("y", 47.0), ("z mm", 62.0), ("needle", 67.0))
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class SheetPoint:
    """A point as the sheet shows it: name, place and needle (mm, unit), filled, reached."""

    name: str
    xyz: Array
    needle: Array
    filled: bool
    reached: bool


def write_points_sheet(job: Job, path: Path, paper_name: str = "A4") -> int:
    """Writes the sheet of a job's pointing list, high points first.

    Returns
    -------
    int
        How many points.

    Raises
    ------
    JobError
        No model or no points on record, a file in the way, or a place that cannot be written to.
    InputError
        A paper that is not known.
    """
    paper = paper_named(paper_name)
    refuse_existing(path)
    model, listed = job.model(), pointing_list(job)
    if not listed:
        raise JobError(
            "There are no points on record.",
            "Give them: stoneleft points import FILE.csv, or stoneleft points propose N",
        )
    shown = [SheetPoint(p.name, p.xyz, p.normal, p.rank is None, not p.barred) for p in listed]
    write_whole(path, draw_points_sheet(model, shown, job.name, paper))
    return len(shown)


def draw_points_sheet(
    surface: Surface, points: Sequence[SheetPoint], job: str, paper: Paper
) -> bytes:
    """The sheet as PDF, on paper laid sideways."""
    use_family()
    width, height = paper.height_mm, paper.width_mm
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(width * PT, height * PT), invariant=1)
    canvas.setTitle(f"Points · {job}")
    rows = int((height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM) // LINE_MM) - 1
    tables = [points[k : k + 2 * rows] for k in range(0, len(points), 2 * rows)]
    count = len(PAGES) + len(tables)
    scale = min(_scale(surface, sides, width, height) for sides in PAGES)
    for page, sides in enumerate(PAGES):
        _head(canvas, width, height, job, f"{len(points)} points", f"{page + 1} / {count}")
        _draw_sides(canvas, surface, points, sides, (width, height), scale)
        _foot(canvas, scale)
        canvas.showPage()
    for page, part in enumerate(tables, start=len(PAGES)):
        _head(canvas, width, height, job, "frame coordinates", f"{page + 1} / {count}")
        for k in range(0, len(part), rows):
            left = MARGIN_MM + (0.0 if k == 0 else 0.5 * (width - 2 * MARGIN_MM) + 3.0)
            _table(canvas, part[k : k + rows], left, height - MARGIN_MM - HEAD_MM)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _scale(surface: Surface, sides: Sequence[Side], width: float, height: float) -> float:
    """Paper over form, as large as a page allows."""
    sizes = [np.subtract(*extent_mm(surface, side)[::-1]) for side in sides]
    across = width - 2 * MARGIN_MM - GAP_MM * (len(sides) - 1)
    down = height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM - CAPTION_MM
    return float(min(across / sum(size[0] for size in sizes), down / max(s[1] for s in sizes)))


def _draw_sides(
    canvas: Any, surface: Surface, points: Sequence[SheetPoint], sides: Sequence[Side],
    page: tuple[float, float], scale: float,
) -> None:  # fmt: skip
    views = [draw_form(surface, side, 1.0 / (scale * PX_A_MM)) for side in sides]
    wide = [view.picture.shape[1] / PX_A_MM for view in views]
    left = 0.5 * (page[0] - sum(wide) - GAP_MM * (len(wide) - 1))
    for view, across in zip(views, wide, strict=True):
        down = view.picture.shape[0] / PX_A_MM
        bottom = MARGIN_MM + FOOT_MM + CAPTION_MM
        canvas.drawImage(
            ImageReader(Image.fromarray(view.picture)), left * PT, bottom * PT, across * PT,
            down * PT,
        )  # fmt: skip
        _text(canvas, left + 0.5 * across, bottom - 5.0, view.side.name, 9, align="centre")
        shown = [p for p in points if p.needle @ view.side.axes[2] > FACING]
        shown = [p for p in shown if in_sight(surface, view.side, p.xyz)]
        _mark(canvas, view, shown, (left, bottom + down))
        left += across + GAP_MM


def _mark(
    canvas: Any, view: View, shown: Sequence[SheetPoint], corner: tuple[float, float]
) -> None:
    """Rings at the places, then each name where it covers no ring and no other name."""
    spots = []
    for point in shown:
        px, py = view.pixel(point.xyz)
        spots.append(((corner[0] + px / PX_A_MM) * PT, (corner[1] - py / PX_A_MM) * PT))
    taken: list[Box] = [(x - 3.2, y - 3.2, x + 3.2, y + 3.2) for x, y in spots]
    for point, (x, y) in zip(shown, spots, strict=True):
        _ring(canvas, x, y, point)
    for point, (x, y) in zip(shown, spots, strict=True):
        wide = width_pt(point.name, NAME_PT, STRONG)
        box = _free(x, y, wide, taken)
        if box is None:
            continue
        taken.append(box)
        canvas.setStrokeGray(0.0)
        canvas.setLineWidth(0.35)
        near = (min(max(x, box[0]), box[2]), min(max(y, box[1]), box[3]))
        if np.hypot(near[0] - x, near[1] - y) > 2.0 * RING_PT:
            canvas.line(x, y, *near)
        canvas.setFillGray(1.0, 0.75)
        canvas.rect(box[0], box[1], box[2] - box[0], box[3] - box[1], stroke=0, fill=1)
        canvas.setFillGray(0.0, 1.0)
        canvas.setFont(STRONG, NAME_PT)
        canvas.drawString(box[0] + 1.0, box[1] + 1.6, point.name)


def _free(x: float, y: float, wide: float, taken: Sequence[Box]) -> Box | None:
    """Room for a name beside a place, the nearest first."""
    half, tall = 0.5 * wide + 1.0, NAME_PT + 0.6
    for away in (0.0, 6.0, 12.0, 19.0, 27.0):
        for turn in np.radians([0, 180, 90, 270, 40, 140, 220, 320]):
            cx = x + np.cos(turn) * (half + RING_PT + 1.5 + away)
            cy = y + np.sin(turn) * (0.5 * tall + RING_PT + 1.5 + away)
            box = (cx - half, cy - 0.5 * tall, cx + half, cy + 0.5 * tall)
            if not any(
                box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in taken
            ):
                return box
    return None


def _ring(canvas: Any, x: float, y: float, point: SheetPoint) -> None:
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.9)
    canvas.setFillGray(0.0 if point.filled and point.reached else 1.0)
    canvas.circle(x, y, RING_PT, stroke=1, fill=1)
    if not point.reached:
        arm = 0.71 * RING_PT
        canvas.line(x - arm, y - arm, x + arm, y + arm)
        canvas.line(x - arm, y + arm, x + arm, y - arm)


def _table(canvas: Any, part: Sequence[SheetPoint], left: float, top: float) -> None:
    for name, at in COLUMNS:
        _text(canvas, left + at, top - 4.0, name, 8, STRONG, _align(name))
    for k, point in enumerate(part, start=1):
        y = top - 4.0 - k * LINE_MM
        words = needle_words(point.needle) if point.reached else "no needle gets there"
        fields = (fitted(point.name, 19.0 * PT, 8), *(f"{v:.1f}" for v in point.xyz), words)
        for (name, at), field in zip(COLUMNS, fields, strict=True):
            _text(canvas, left + at, y, field, 8, align=_align(name))


def _align(column: str) -> str:
    return "left" if column in ("point", "needle") else "right"


def needle_words(needle: Array) -> str:
    """Where a needle comes from, in words a person at the cast can follow."""
    right, back, up = (float(v) for v in needle)
    level = float(np.hypot(right, back))
    climb = round(float(np.degrees(np.arctan2(up, level))))
    if abs(climb) > 75:
        return "from straight above" if climb > 0 else "from straight below"
    sides = ("right", "back right", "back", "back left", "left", "front left", "front",
             "front right")  # fmt: skip
    side = sides[round(float(np.arctan2(back, right)) / (np.pi / 4.0)) % 8]
    if abs(climb) < 8:
        return f"from the {side}, level"
    return f"from the {side}, {abs(climb)} deg {'above' if climb > 0 else 'below'} level"


def _head(canvas: Any, width: float, height: float, job: str, right: str, page: str) -> None:
    top = height - MARGIN_MM
    _text(canvas, MARGIN_MM, top - 6.0, fitted(f"Points  ·  {job}", 150.0 * PT, 15, STRONG), 15,
          STRONG)  # fmt: skip
    _text(canvas, width - MARGIN_MM, top - 6.0, f"{right}  ·  {page}", 9, align="right")
    canvas.setLineWidth(0.6)
    canvas.setStrokeGray(0.0)
    canvas.line(MARGIN_MM * PT, (top - 9.5) * PT, (width - MARGIN_MM) * PT, (top - 9.5) * PT)


def _foot(canvas: Any, scale: float) -> None:
    """The scale of the pictures, and what the rings mean."""
    step = min((5, 10, 20, 50, 100, 200), key=lambda mm: abs(mm * scale - 30.0))
    x, y = MARGIN_MM, MARGIN_MM + 2.0
    canvas.setLineWidth(0.8)
    canvas.setStrokeGray(0.0)
    canvas.line(x * PT, y * PT, (x + step * scale) * PT, y * PT)
    for end in (x, x + step * scale):
        canvas.line(end * PT, (y - 1.2) * PT, end * PT, (y + 1.2) * PT)
    _text(canvas, x + step * scale + 2.0, y - 1.0, f"{step} mm on the form", 8)
    meanings = (
        (SheetPoint("", np.zeros(3), np.zeros(3), True, True), "picked by hand"),
        (SheetPoint("", np.zeros(3), np.zeros(3), False, True), "proposed"),
        (SheetPoint("", np.zeros(3), np.zeros(3), False, False), "no needle gets there"),
    )
    x = 95.0
    for point, words in meanings:
        _ring(canvas, x * PT, y * PT, point)
        _text(canvas, x + 2.5, y - 1.0, words, 8)
        x += 8.0 + width_pt(words, 8) / PT


def _text(
    canvas: Any, x: float, y: float, words: str, size: float, font: str = BODY,
    align: str = "left",
) -> None:  # fmt: skip
    canvas.setFillGray(0.0, 1.0)
    canvas.setFont(font, size)
    draw = {"left": canvas.drawString, "right": canvas.drawRightString,
            "centre": canvas.drawCentredString}[align]  # fmt: skip
    draw(x * PT, y * PT, words)
