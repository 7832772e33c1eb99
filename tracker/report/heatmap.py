"""The map of stone left: the model from all its sides on one sheet."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.states import Bands
from tracker.comparison.trend import GONE, NOT_SEEN
from tracker.report.colours import INK_RGB, OVERCUT_RGB, PAPER_RGB, shown_mm
from tracker.report.scale import draw_scale, draw_swatches, unit
from tracker.report.views import (
    ABOVE,
    BACK,
    FRONT,
    LEFT,
    RIGHT,
    SLANT_LEFT,
    SLANT_RIGHT,
    Side,
    View,
    draw_view,
    extent_mm,
    in_sight,
)  # fmt: skip
from tracker.surface import Surface

WIDTH_PX, HEIGHT_PX, DPI = 2400, 1700, 150
FONT = "DejaVu Sans"
ROWS = ((FRONT, RIGHT, BACK, LEFT), (SLANT_LEFT, SLANT_RIGHT, ABOVE))
VIEWS_BOX = (90, 155, 1770, 1455)
"""Left, top, width, height of the part of the sheet that the views share, px."""
CAPTION_PX, LEAST_GAP_PX, MOST_GAP_PX = 58, 44.0, 170.0
MOST_SPOTS_LISTED = 8
NOTE_WIDTH = 34


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What is written on the sheet.

    Attributes
    ----------
    job, stage, date : str
    not_seen_share : float
        Of the model's surface, 0..1.
    photos : int
        Photographs used.
    area_shares : dict of str to float
        Share of the seen surface in each state, by the state's label; empty if not known.
    left : str
        Volume and mass left in words, empty if not known.
    """

    job: str
    stage: str
    date: str
    not_seen_share: float
    photos: int
    area_shares: dict[str, float]
    left: str = ""


def draw_heatmap(
    path: Path,
    surface: Surface,
    readings: VertexReadings,
    spots: Sequence[OvercutSpot],
    bands: Bands,
    facts: SheetFacts,
) -> None:
    """Draw the sheet and write it as PNG.

    Parameters
    ----------
    surface : Surface
        The model.
    readings : VertexReadings
        Stone left at its vertices.
    spots : over-cut spots, numbered; those that are gone are not flagged
    """
    figure = Figure(figsize=(WIDTH_PX / DPI, HEIGHT_PX / DPI), dpi=DPI, facecolor=unit(PAPER_RGB))
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, WIDTH_PX)
    axes.set_ylim(HEIGHT_PX, 0)
    axes.axis("off")
    _draw_title(axes, facts)
    flagged = [spot for spot in spots if spot.trend not in (GONE, NOT_SEEN)]
    mm_per_px, heights = _fit_rows(surface)
    free = (VIEWS_BOX[3] - sum(heights) - len(ROWS) * CAPTION_PX) / (len(ROWS) + 1)
    bottom = float(VIEWS_BOX[1])
    for sides, height in zip(ROWS, heights, strict=True):
        bottom += free + height
        _draw_row(axes, surface, readings, flagged, bands, sides, bottom, mm_per_px)
        bottom += CAPTION_PX
    _draw_ruler(axes, 90, HEIGHT_PX - 62, mm_per_px)
    _draw_margin(axes, flagged, bands, facts)
    figure.savefig(path, format="png", dpi=DPI, facecolor=figure.get_facecolor(),
                   pil_kwargs={"compress_level": 3})  # fmt: skip


def _fit_rows(surface: Surface) -> tuple[float, list[float]]:
    """One scale for all views, as large as the sheet allows, and the rows' heights in px."""
    _, _, width, height = VIEWS_BOX
    sizes = [[np.subtract(*extent_mm(surface, side)[::-1]) for side in sides] for sides in ROWS]
    tall = [max(float(size[1]) for size in row) for row in sizes]
    needed = [sum(tall) / (height - len(ROWS) * CAPTION_PX - 20.0)]
    for row in sizes:
        room = width - LEAST_GAP_PX * (len(row) - 1)
        needed.append(sum(float(size[0]) for size in row) / room)
    scale = max(needed)
    return scale, [size / scale for size in tall]


def _draw_title(axes: Any, facts: SheetFacts) -> None:
    ink = unit(INK_RGB)
    axes.text(90, 78, facts.job, fontsize=23, fontweight="bold", color=ink, va="baseline",
              family=FONT)  # fmt: skip
    axes.text(90, 122, f"Stone left   ·   stage {facts.stage}   ·   {facts.date}", fontsize=13.5,
              color=ink, alpha=0.8, va="baseline", family=FONT)  # fmt: skip
    axes.plot([90, WIDTH_PX - 90], [147, 147], color=ink, linewidth=0.8, alpha=0.5)


def _draw_row(
    axes: Any, surface: Surface, readings: VertexReadings, spots: Sequence[OvercutSpot],
    bands: Bands, sides: Sequence[Side], bottom: float, mm_per_px: float,
) -> None:  # fmt: skip
    shown = shown_mm(readings.stone_left_mm, readings.u95_mm, bands)
    views = [draw_view(surface, shown, readings.seen, side, bands, mm_per_px) for side in sides]
    left, _, width, _ = VIEWS_BOX
    spare = width - sum(view.picture.shape[1] for view in views)
    gap = min(spare / max(len(views), 1), MOST_GAP_PX)
    x = left + 0.5 * (spare - gap * (len(views) - 1))
    for view in views:
        rows, columns = view.picture.shape[:2]
        x, y = round(x), round(bottom) - rows
        axes.imshow(view.picture, extent=(x, x + columns, y + rows, y), interpolation="none",
                    zorder=1, aspect="auto")  # fmt: skip
        axes.text(x + columns / 2, bottom + 28, view.side.name, fontsize=11.5, ha="center",
                  va="center", color=unit(INK_RGB), family=FONT)  # fmt: skip
        _flag_spots(axes, view, surface, spots, x, y)
        x += columns + gap
    axes.set_xlim(0, WIDTH_PX)
    axes.set_ylim(HEIGHT_PX, 0)


def _flag_spots(
    axes: Any, view: View, surface: Surface, spots: Sequence[OvercutSpot], x: float, y: float
) -> None:
    taken: list[tuple[float, float]] = []
    for spot in spots:
        if not in_sight(surface, view.side, spot.place):
            continue
        px, py = view.pixel(spot.place)
        flag = _free_place(x + px, y + py, taken)
        taken.append(flag)
        axes.plot([x + px, flag[0]], [y + py, flag[1]], color=unit(INK_RGB), linewidth=0.9,
                  zorder=3)  # fmt: skip
        axes.add_patch(Circle(flag, 15, facecolor="white", edgecolor=unit(OVERCUT_RGB),
                              linewidth=1.8, zorder=4))  # fmt: skip
        axes.text(*flag, str(spot.identity), fontsize=9, fontweight="bold", ha="center",
                  va="center_baseline", color=unit(INK_RGB), zorder=5, family=FONT)  # fmt: skip


def _free_place(x: float, y: float, taken: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """A place for a flag beside a spot that covers no other flag."""
    for radius in (40.0, 62.0, 84.0):
        for turn in np.radians([-45.0, -135.0, 45.0, 135.0, -90.0, 90.0, 0.0, 180.0]):
            at = (float(x + radius * np.cos(turn)), float(y + radius * np.sin(turn)))
            if all(np.hypot(at[0] - u, at[1] - v) > 36.0 for u, v in taken):
                return at
    return x + 40.0, y - 40.0


def _draw_ruler(axes: Any, x: float, y: float, mm_per_px: float) -> None:
    """A bar of millimetres that holds for every view on the sheet."""
    step = min((5, 10, 20, 50, 100), key=lambda mm: abs(mm / mm_per_px - 75.0))
    for k in range(4):
        axes.add_patch(
            Rectangle((x + k * step / mm_per_px, y - 5), step / mm_per_px, 10,
                      facecolor=unit(INK_RGB) if k % 2 == 0 else "white",
                      edgecolor=unit(INK_RGB), linewidth=0.8)
        )  # fmt: skip
    for k in range(5):
        axes.text(x + k * step / mm_per_px, y + 26, f"{k * step}", fontsize=9.5, ha="center",
                  va="center", color=unit(INK_RGB), family=FONT)  # fmt: skip
    axes.text(x + 4 * step / mm_per_px + 24, y + 26, "mm, all views", fontsize=9.5, ha="left",
              va="center", color=unit(INK_RGB), family=FONT)  # fmt: skip
    axes.text(x + 4 * step / mm_per_px + 190, y + 26, "front: seats 1 and 2 towards you",
              fontsize=9.5, ha="left", va="center", color=unit(INK_RGB), alpha=0.7,
              family=FONT)  # fmt: skip


def _draw_margin(axes: Any, spots: Sequence[OvercutSpot], bands: Bands, facts: SheetFacts) -> None:
    x, ink = 1950, unit(INK_RGB)
    axes.text(x, 215, "Stone left, mm", fontsize=13, fontweight="bold", color=ink, family=FONT)
    draw_scale(axes, (x, 250, 46, 560), bands)
    draw_swatches(axes, (x, 850), bands, facts.not_seen_share)
    y = 1000.0
    if facts.area_shares:
        axes.text(x, y, "Of the surface seen", fontsize=12, fontweight="bold", color=ink,
                  family=FONT)  # fmt: skip
        for label, share in facts.area_shares.items():
            y += 36
            axes.text(x, y, label, fontsize=11, color=ink, family=FONT)
            axes.text(x + 300, y, _percent(share), fontsize=11, color=ink, ha="right",
                      family=FONT)  # fmt: skip
        y += 62
    axes.text(x, y, "Over-cut", fontsize=12, fontweight="bold", color=ink, family=FONT)
    y = _list_spots(axes, x, y, spots)
    notes = [facts.left] if facts.left else []
    notes.append(f"{facts.photos} photographs")
    for note in notes:
        y += 14
        for line in textwrap.wrap(note, NOTE_WIDTH):
            y += 32
            axes.text(x, y, line, fontsize=10.5, color=ink, alpha=0.85, family=FONT)


def _list_spots(axes: Any, x: float, y: float, spots: Sequence[OvercutSpot]) -> float:
    ink = unit(INK_RGB)
    if not spots:
        axes.text(x, y + 36, "none found on what is seen", fontsize=11, color=ink, family=FONT)
        return y + 36
    for spot in spots[:MOST_SPOTS_LISTED]:
        y += 40
        bound = "≥ " if spot.at_least else ""
        near = f"  near {spot.nearest_point}" if spot.nearest_point else ""
        axes.add_patch(Circle((x + 14, y - 8), 15, facecolor="white",
                              edgecolor=unit(OVERCUT_RGB), linewidth=1.8))  # fmt: skip
        axes.text(x + 14, y - 8, str(spot.identity), fontsize=9, fontweight="bold", ha="center",
                  va="center_baseline", color=ink, family=FONT)  # fmt: skip
        axes.text(x + 42, y, f"{bound}{spot.depth_mm:.1f} mm{near}, {spot.trend}", fontsize=10.5,
                  color=ink, family=FONT)  # fmt: skip
    if len(spots) > MOST_SPOTS_LISTED:
        y += 40
        axes.text(x, y, f"and {len(spots) - MOST_SPOTS_LISTED} more in the list", fontsize=10.5,
                  color=ink, family=FONT)  # fmt: skip
    return y


def _percent(share: float) -> str:
    return "under 1 %" if 0.0 < share < 0.01 else f"{100.0 * share:.0f} %"
