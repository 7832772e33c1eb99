"""Signs for states and tools that are told by shape and hatching, so that a grey print keeps them.

Over-cut is a triangle standing on its point, hatched; may be over-cut the same, empty; untouched
a full square, close a half one, finished an empty one; not seen a ring. Tools are bars, the more
the heavier; a needle is a line with a drop; nothing at all is a cross.
"""

from __future__ import annotations

from typing import Any

from reportlab.lib.colors import Color

from tracker.comparison.states import State
from tracker.comparison.tools import Tool
from tracker.report.colours import INK_RGB, OVERCUT_HATCH_RGB, OVERCUT_RGB

HATCH_PT = 2.6


def colour(rgb: tuple[int, int, int]) -> Color:
    """A colour as reportlab takes it."""
    return Color(*(value / 255.0 for value in rgb))


def draw_state(canvas: Any, x: float, y: float, size: float, state: State, sure: bool) -> None:
    """The sign of a state in a square of `size` points whose lower left corner is (x, y)."""
    canvas.saveState()
    canvas.setStrokeColor(colour(INK_RGB))
    canvas.setFillColor(colour(INK_RGB))
    canvas.setLineWidth(1.1)
    if state is State.OVERCUT:
        _overcut(canvas, x, y, size, sure)
    elif state is State.NOT_SEEN:
        canvas.setDash(1.5, 1.5)
        canvas.circle(x + size / 2, y + size / 2, size / 2, stroke=1, fill=0)
    else:
        canvas.rect(x, y, size, size, stroke=1, fill=int(state is State.UNTOUCHED))
        if state is State.CLOSE:
            canvas.rect(x, y, size, size / 2, stroke=0, fill=1)
    canvas.restoreState()


def _overcut(canvas: Any, x: float, y: float, size: float, sure: bool) -> None:
    path = canvas.beginPath()
    path.moveTo(x, y + size)
    path.lineTo(x + size, y + size)
    path.lineTo(x + size / 2, y)
    path.close()
    if sure:
        canvas.saveState()
        canvas.clipPath(path, stroke=0, fill=0)
        canvas.setFillColor(colour(OVERCUT_RGB))
        canvas.rect(x, y, size, size, stroke=0, fill=1)
        canvas.setStrokeColor(colour(OVERCUT_HATCH_RGB))
        canvas.setLineWidth(0.9)
        step = -size
        while step < size:
            canvas.line(x + step, y, x + step + size, y + size)
            step += HATCH_PT
        canvas.restoreState()
    path = canvas.beginPath()
    path.moveTo(x, y + size)
    path.lineTo(x + size, y + size)
    path.lineTo(x + size / 2, y)
    path.close()
    canvas.setStrokeColor(colour(OVERCUT_HATCH_RGB))
    canvas.drawPath(path, stroke=1, fill=0)


def draw_tool(canvas: Any, x: float, y: float, tool: Tool) -> None:
    """The sign of a tool, 24 points wide and 9 high, lower left corner at (x, y)."""
    canvas.saveState()
    canvas.setStrokeColor(colour(INK_RGB))
    canvas.setFillColor(colour(INK_RGB))
    canvas.setLineWidth(0.9)
    if tool is Tool.NONE:
        canvas.setLineWidth(1.6)
        canvas.line(x + 3, y, x + 12, y + 9)
        canvas.line(x + 3, y + 9, x + 12, y)
    elif tool is Tool.NEEDLE:
        canvas.line(x + 2, y + 4.5, x + 17, y + 4.5)
        canvas.circle(x + 19, y + 4.5, 2.6, stroke=1, fill=1)
    else:
        for bar in range(3):
            canvas.rect(x + 8 * bar, y, 6, 9, stroke=1, fill=int(bar <= tool - Tool.LIGHT))
    canvas.restoreState()
