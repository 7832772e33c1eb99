"""The legend: the scale of stone left with its bands, over-cut, and not seen."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.patches import Rectangle

from tracker.comparison.states import Bands
from tracker.report.colours import (
    DEEPEST_MM,
    INK_RGB,
    NOT_SEEN_DOT_RGB,
    NOT_SEEN_RGB,
    OVERCUT_HATCH_RGB,
    OVERCUT_RGB,
    stone_left_rgb,
)
from tracker.report.painting import Pixels, dots, hatch

FONT = "DejaVu Sans"


def unit(rgb: tuple[int, int, int]) -> tuple[float, float, float]:
    """Colour in 0..1 as matplotlib takes it."""
    return rgb[0] / 255.0, rgb[1] / 255.0, rgb[2] / 255.0


def _pixels(height: int, width: int) -> tuple[Pixels, Pixels]:
    rows, columns = np.indices((height, width))
    return rows, columns


def over_cut_patch(height: int, width: int, period_px: float = 10.0) -> np.ndarray:
    """A hatched swatch, (h, w, 3) in 0..1."""
    patch = np.tile(np.array(OVERCUT_RGB) / 255.0, (height, width, 1))
    patch[hatch(*_pixels(height, width), period_px)] = np.array(OVERCUT_HATCH_RGB) / 255.0
    return patch


def not_seen_patch(height: int, width: int, period_px: float = 8.0) -> np.ndarray:
    """A dotted swatch, (h, w, 3) in 0..1."""
    patch = np.tile(np.array(NOT_SEEN_RGB) / 255.0, (height, width, 1))
    patch[dots(*_pixels(height, width), period_px)] = np.array(NOT_SEEN_DOT_RGB) / 255.0
    return patch


def depth_ticks(bands: Bands) -> list[float]:
    """Depths that are written beside the scale, mm."""
    inner = [bands.light_tools_below_mm, 0.5 * (bands.close_below_mm + DEEPEST_MM)]
    ticks = {bands.finished_below_mm, bands.close_below_mm, DEEPEST_MM}
    ticks |= {round(tick) for tick in inner if tick > bands.finished_below_mm}
    return sorted(tick for tick in ticks if tick <= DEEPEST_MM)


def draw_scale(axes: Any, box: tuple[float, float, float, float], bands: Bands) -> None:
    """The scale, most stone on top, with the bands' names beside it."""
    x, y, width, height = box
    ink = unit(INK_RGB)
    top = DEEPEST_MM

    def place(depth_mm: float) -> float:
        # the same square root as the colours, so that the colours run evenly
        return y + height * (1.0 - float(np.sqrt(max(depth_mm, 0.0) / top)))

    depth = top * (1.0 - (np.arange(600) + 0.5) / 600.0) ** 2
    column = stone_left_rgb(np.asarray(depth), bands)[:, None, :]
    axes.imshow(column, extent=(x, x + width, y + height, y), aspect="auto", zorder=2,
                interpolation="nearest")  # fmt: skip
    axes.add_patch(Rectangle((x, y), width, height, fill=False, edgecolor=ink, linewidth=0.8,
                             zorder=3))  # fmt: skip
    for tick in depth_ticks(bands):
        at = place(tick)
        axes.plot([x + width, x + width + 10], [at, at], color=ink, linewidth=0.8)
        text = f"{tick:g} and more" if tick == DEEPEST_MM else f"{tick:g}"
        axes.text(x + width + 18, at, text, fontsize=11, va="center", color=ink, family=FONT)
    for limit in (bands.finished_below_mm, bands.close_below_mm):
        axes.plot([x, x + width + 10], [place(limit)] * 2, color=ink, linewidth=1.4, zorder=4)
    light = min(bands.light_tools_below_mm, bands.close_below_mm)
    names = (
        ("untouched", bands.close_below_mm, top),
        ("close", max(light, bands.finished_below_mm), bands.close_below_mm),
        ("finished", 0.0, bands.finished_below_mm),
    )
    for name, low, high in names:
        middle = 0.5 * (place(low) + place(high))
        axes.text(x + width + 120, middle, name, fontsize=11.5, va="center", color=ink,
                  fontweight="bold", family=FONT)  # fmt: skip
    if light > bands.finished_below_mm:
        axes.text(x + width + 62, place(light), "light tools only below", fontsize=9.5,
                  va="center", color=ink, alpha=0.75, family=FONT)  # fmt: skip


def draw_swatches(
    axes: Any, corner: tuple[float, float], bands: Bands, not_seen_share: float
) -> None:
    """Over-cut and not seen, each with its pattern."""
    x, y = corner
    ink = unit(INK_RGB)
    share = f"not seen, {100.0 * not_seen_share:.0f} % of the surface"
    over = f"over-cut by more than {-bands.overcut_below_mm:g} mm"
    for row, (patch, text) in enumerate(
        ((over_cut_patch(30, 46), over), (not_seen_patch(30, 46), share))
    ):
        top = y + 48 * row
        axes.imshow(patch, extent=(x, x + 46, top + 30, top), aspect="auto", zorder=2,
                    interpolation="nearest")  # fmt: skip
        axes.add_patch(Rectangle((x, top), 46, 30, fill=False, edgecolor=ink, linewidth=0.8,
                                 zorder=3))  # fmt: skip
        axes.text(x + 62, top + 15, text, fontsize=10.5, va="center", color=ink, family=FONT)
