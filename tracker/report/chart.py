"""Stone left over the days: what each stage measured, the line through them, and its band."""

from __future__ import annotations

import io
import re
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from tracker.comparison.uncertainty import coverage_factor
from tracker.progress.progress import Charted, Progress
from tracker.report.colours import INK_RGB
from tracker.report.scale import unit
from tracker.report.words import Words

SIZE_IN, DPI = (7.2, 3.3), 220
FONT = "DejaVu Sans"
INK = "#{:02x}{:02x}{:02x}".format(*INK_RGB)
AHEAD = 3.0
"""A forecast is drawn this many times as far as the stages have come, at the most."""


def chart_png(progress: Progress, words: Words, accent: str) -> bytes:
    """The chart for paper."""
    file = io.BytesIO()
    _draw(progress, words, accent).savefig(file, format="png", dpi=DPI, facecolor="white")
    return file.getvalue()


def chart_svg(progress: Progress, words: Words, accent: str) -> str:
    """The chart for a page: without background, its ink that of the text round about."""
    file = io.StringIO()
    with rc_context({"svg.hashsalt": "stoneleft", "svg.fonttype": "path"}):
        _draw(progress, words, accent).savefig(
            file, format="svg", transparent=True, metadata={"Date": None, "Creator": None}
        )
    text = file.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    return text.replace(INK, "currentColor").replace(accent.lower(), "var(--accent)")


def _draw(progress: Progress, words: Words, accent: str) -> Figure:
    charted = progress.charted
    if charted is None:
        raise ValueError("a chart needs two stages that can be compared")
    figure = Figure(figsize=SIZE_IN)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.085, 0.16, 0.895, 0.76))
    days = np.array(charted.working_days, dtype=np.float64)
    left = np.array([amount.cm3 for amount in charted.amounts])
    u95 = np.array([amount.u95_cm3 for amount in charted.amounts])
    if progress.forecast is None:
        axes.fill_between(days, left - u95, left + u95, color=accent, alpha=0.18, linewidth=0)
        axes.plot(days, left, color=accent, linewidth=1.2)
        end = float(days[-1])
    else:
        end = _line(axes, progress, days, accent)
    axes.errorbar(days, left, yerr=u95, fmt="o", color=INK, markersize=5, capsize=4, linewidth=1.2)
    _frame(axes, words, charted, left, u95, end)
    return figure


def _line(axes: Any, progress: Progress, days: Any, accent: str) -> float:
    """The line, its band of 95 %, and the part that is yet to come, dashed; its last day."""
    found = progress.forecast
    assert found is not None
    last = float(days[-1])
    span = last - float(days[0])
    latest = found.range_days[1]
    ahead = min(latest if np.isfinite(latest) else AHEAD * span, AHEAD * span)
    end = last + max(ahead, 0.05 * span)
    factor = float(coverage_factor(found.line.dof))
    grid = np.linspace(float(days[0]), end, 120)
    middle, sigma = np.array([found.line.at(float(t)) for t in grid]).T / 1000.0
    low, high = middle - factor * sigma, middle + factor * sigma
    axes.fill_between(grid, np.maximum(low, 0.0), np.maximum(high, 0.0), color=accent, alpha=0.18,
                      linewidth=0)  # fmt: skip
    past = grid <= last
    axes.plot(grid[past], middle[past], color=accent, linewidth=1.4)
    coming = (grid >= grid[past][-1]) & (middle >= 0.0)
    axes.plot(grid[coming], middle[coming], color=accent, linewidth=1.4, linestyle=(0, (4, 3)))
    axes.axvline(last, color=INK, linewidth=0.6, alpha=0.35)
    return end


def _frame(axes: Any, words: Words, charted: Charted, left: Any, u95: Any, end: float) -> None:
    first = charted.working_days[0]
    room = 0.04 * max(end - first, 1.0)
    axes.set_xlim(first - room, end + room)
    axes.set_ylim(0.0, 1.12 * max(float((left + u95).max()), 1.0))
    shown = _spread(charted.working_days, 0.1 * max(end - first, 1.0))
    axes.set_xticks([charted.working_days[k] for k in shown])
    labels = [words.short_day(charted.days[k]) for k in shown]
    axes.set_xticklabels(labels, family=FONT, fontsize=8)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: words.number(value, 0)))
    axes.tick_params(axis="both", colors=INK, labelsize=8, length=3)
    for label in axes.get_yticklabels():
        label.set_family(FONT)
    axes.set_title(words.text("Stone left, cm³"), loc="left", fontsize=8.5, family=FONT, color=INK)
    axes.grid(axis="y", color=INK, alpha=0.12, linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(unit(INK_RGB))
    axes.spines["bottom"].set_linewidth(0.8)


def _spread(days: tuple[int, ...], apart: float) -> list[int]:
    """Rows whose labels do not run into each other, the last one among them."""
    kept = [len(days) - 1]
    for k in range(len(days) - 2, -1, -1):
        if days[kept[-1]] - days[k] >= apart:
            kept.append(k)
    return sorted(kept)
