"""Marks, names and the small legend in a photograph.

A state has its shape as well as its colour: finished a ring, close a diamond, untouched a
square, over-cut a cross, not seen a small open triangle. An unsure state has a question mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import matplotlib as mpl
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tracker.comparison.states import Bands, State
from tracker.report.colours import (
    DEEPEST_MM,
    INK_RGB,
    OVERCUT_HATCH_RGB,
    OVERCUT_RGB,
    PAPER_RGB,
    state_rgb,
    stone_left_rgb,
)

Box = tuple[float, float, float, float]

_CORNERS: dict[State, tuple[tuple[float, float], ...]] = {
    State.CLOSE: ((0.0, -1.25), (1.25, 0.0), (0.0, 1.25), (-1.25, 0.0)),
    State.UNTOUCHED: ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)),
    State.NOT_SEEN: ((0.0, -1.0), (1.0, 0.8), (-1.0, 0.8)),
}


@dataclass(frozen=True, slots=True)
class Mark:
    """A point at (x, y) px of the picture."""

    name: str
    xy: tuple[float, float]
    state: State
    sure: bool
    figure: str


@lru_cache(maxsize=16)
def font(size_px: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """DejaVu Sans as it comes with matplotlib."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(folder / name), size_px)


def draw_marks(picture: Image.Image, marks: Sequence[Mark], bands: Bands) -> None:
    """Draw marks with their names, each name where it covers no other one."""
    pen = ImageDraw.Draw(picture)
    unit = max(max(picture.size) / 1600.0, 0.4)
    radius = 8.0 * unit
    face = font(max(round(19 * unit), 9), bold=True)
    taken: list[Box] = [_around(mark.xy, radius) for mark in marks]
    for mark in marks:
        _draw_shape(pen, mark.xy, radius, mark.state, bands, max(round(2 * unit), 1))
    for mark in marks:
        words = f"{mark.name} {mark.figure}".strip() + ("" if mark.sure else "?")
        for text in (words, mark.name):
            spot = _free_spot(pen, text, face, mark.xy, radius, taken, picture.size)
            if spot is not None:
                taken.append(spot[1])
                pen.text(spot[0], text, font=face, fill=INK_RGB, stroke_fill=PAPER_RGB,
                         stroke_width=max(round(3 * unit), 1))  # fmt: skip
                break


def _around(xy: tuple[float, float], radius: float) -> Box:
    return xy[0] - radius, xy[1] - radius, xy[0] + radius, xy[1] + radius


def _free_spot(
    pen: ImageDraw.ImageDraw, text: str, face: ImageFont.FreeTypeFont, xy: tuple[float, float],
    radius: float, taken: Sequence[Box], size: tuple[int, int],
) -> tuple[tuple[float, float], Box] | None:  # fmt: skip
    left, top, right, bottom = pen.textbbox((0, 0), text, font=face)
    width, height, gap = right - left, bottom - top, 1.5 * radius
    x, y = xy
    for dx, dy in (
        (gap, -height / 2), (-gap - width, -height / 2), (-width / 2, -gap - height),
        (-width / 2, gap), (gap, -gap - height), (gap, gap), (-gap - width, gap),
        (-gap - width, -gap - height),
    ):  # fmt: skip
        box = (x + dx - 2, y + dy - 2, x + dx + width + 2, y + dy + height + 2)
        inside = box[0] >= 0 and box[1] >= 0 and box[2] <= size[0] and box[3] <= size[1]
        if inside and not any(_overlap(box, other) for other in taken):
            return (x + dx - left, y + dy - top), box
    return None


def _overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _draw_shape(
    pen: ImageDraw.ImageDraw, xy: tuple[float, float], r: float, state: State, bands: Bands,
    line: int,
) -> None:  # fmt: skip
    x, y = xy
    fill = state_rgb(state, bands)
    halo = line + 3
    if state is State.FINISHED:
        pen.ellipse(_around(xy, r + line), fill=PAPER_RGB)
        pen.ellipse(_around(xy, r), fill=fill, outline=INK_RGB, width=line)
    elif state is State.OVERCUT:
        arms = [((x - r, y - r), (x + r, y + r)), ((x - r, y + r), (x + r, y - r))]
        for colour, width in ((PAPER_RGB, 2 * halo), (OVERCUT_RGB, 2 * line + 1)):
            for arm in arms:
                pen.line(arm, fill=colour, width=width)
    else:
        corners = _CORNERS[state]
        shape = [(x + r * u, y + r * v) for u, v in corners]
        pen.polygon(shape, fill=fill, outline=PAPER_RGB, width=2 * line)
        pen.polygon(shape, outline=INK_RGB, width=line)


def draw_legend(picture: Image.Image, bands: Bands, title: str, caption: str) -> None:
    """A panel in the lower left corner: title, the scale in mm, the shapes."""
    unit = max(max(picture.size) / 1600.0, 0.4)
    small, large = font(max(round(15 * unit), 8)), font(max(round(18 * unit), 9), bold=True)
    pad, width, height = round(16 * unit), round(470 * unit), round(176 * unit)
    top = picture.height - height
    panel = Image.new("RGB", (width, height), PAPER_RGB)
    under = picture.crop((0, top, width, picture.height))
    picture.paste(Image.blend(under, panel.crop((0, 0, *under.size)), 0.86), (0, top))
    pen = ImageDraw.Draw(picture)
    pen.text((pad, top + pad * 0.8), _cut(pen, title, large, width - 2 * pad), font=large,
             fill=INK_RGB)  # fmt: skip
    pen.text((pad, top + pad * 0.8 + 26 * unit), _cut(pen, caption, small, width - 2 * pad),
             font=small, fill=INK_RGB)  # fmt: skip
    bar = (pad, round(top + 74 * unit), width - 2 * pad, round(20 * unit))
    _draw_bar(picture, bar, bands, small, unit)
    x, y = pad + 8 * unit, top + height - 24 * unit
    for state in (State.OVERCUT, State.FINISHED, State.CLOSE, State.UNTOUCHED, State.NOT_SEEN):
        _draw_shape(pen, (x, y), 6.0 * unit, state, bands, max(round(1.5 * unit), 1))
        pen.text((x + 12 * unit, y), state.label, font=small, fill=INK_RGB, anchor="lm")
        x += 30 * unit + pen.textlength(state.label, font=small)


def _cut(pen: ImageDraw.ImageDraw, text: str, face: ImageFont.FreeTypeFont, width: float) -> str:
    """The text, shortened where it is too long for a line."""
    if pen.textlength(text, font=face) <= width:
        return text
    while text and pen.textlength(text + "…", font=face) > width:
        text = text[:-1]
    return text + "…"


def _draw_bar(
    picture: Image.Image, box: tuple[int, int, int, int], bands: Bands,
    face: ImageFont.FreeTypeFont, unit: float,
) -> None:  # fmt: skip
    x, y, width, height = box
    over = round(46 * unit)
    pen = ImageDraw.Draw(picture)
    pen.rectangle((x, y, x + over - 6 * unit, y + height), fill=OVERCUT_RGB)
    for k in range(0, over, max(round(7 * unit), 3)):
        end = min(k + height, over - 6 * unit)
        pen.line((x + k, y + height, x + end, y + height - (end - k)), fill=OVERCUT_HATCH_RGB,
                 width=max(round(2 * unit), 1))  # fmt: skip
    start, length = x + over, width - over
    depth = DEEPEST_MM * ((np.arange(length) + 0.5) / length) ** 2
    column = np.round(255.0 * stone_left_rgb(depth, bands)).astype(np.uint8)
    picture.paste(Image.fromarray(np.tile(column, (height, 1, 1))), (start, y))
    pen.rectangle((start, y, start + length, y + height), outline=INK_RGB)
    for tick in (0.0, bands.finished_below_mm, bands.light_tools_below_mm, bands.close_below_mm,
                 DEEPEST_MM):  # fmt: skip
        at = start + length * (min(tick, DEEPEST_MM) / DEEPEST_MM) ** 0.5
        pen.line((at, y + height, at, y + height + 5 * unit), fill=INK_RGB)
        text = f"{tick:g} mm" if tick == DEEPEST_MM else f"{tick:g}"
        anchor = "ra" if tick == DEEPEST_MM else "ma"
        pen.text((at, y + height + 7 * unit), text, font=face, fill=INK_RGB, anchor=anchor)
