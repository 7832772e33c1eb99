"""Tomorrow's sheet: the next places in order, to be pinned over the banker.

A place a row: a box to tick, where it is on the block as photographed, stone left with its U95,
and the heaviest tool it allows. Everything reads in a grey print.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from tracker.comparison.states import Bands, State
from tracker.comparison.tools import Tool
from tracker.progress.tomorrow import Kind, Task, Tomorrow
from tracker.report.colours import INK_RGB, OVERCUT_HATCH_RGB
from tracker.report.signs import colour, draw_state, draw_tool
from tracker.report.type_family import BODY, STRONG, fitted, use_family, width_pt, wrapped
from tracker.report.where import Cut
from tracker.report.words import Words

PAPERS = {"A4": A4, "Letter": LETTER}
MARGIN, HEAD, FOOT = 15 * mm, 24 * mm, 16 * mm
ROW, PICTURE, NEXT = 28.5 * mm, 25.5 * mm, 4.2 * mm
GREY = 0.45


@dataclass(frozen=True, slots=True)
class SheetTitle:
    """What stands at the head of every page.

    Attributes
    ----------
    silica : bool
        The stone is one whose dust is known for its silica: the foot then says so.
    """

    job: str
    stage: str
    day: str
    silica: bool = False


def draw_tomorrow(
    title: SheetTitle,
    plan: Tomorrow,
    pictures: Sequence[Cut | None],
    bands: Bands,
    words: Words,
    paper: str,
) -> bytes:
    """The sheet as PDF.

    Parameters
    ----------
    pictures : of each task where it is on the block, None where no photograph shows it
    paper : A4 or Letter
    """
    use_family()
    width, height = PAPERS[paper]
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(width, height), invariant=1)
    canvas.setTitle(f"{words.text('Tomorrow')} · {title.job} · {title.stage}")
    room = height - 2 * MARGIN - HEAD - FOOT
    rows = int(room // ROW)
    tasks = list(zip(plan.tasks, pictures, strict=True))
    pages = [tasks[k : k + rows] for k in range(0, len(tasks), rows)] or [[]]
    unknown = _unknown(plan, width, words)
    if len(pages[-1]) * ROW + NEXT * (len(unknown) + 2) > room:
        pages.append([])
    number = 0
    for page, part in enumerate(pages):
        _head(canvas, width, height, title, plan, words)
        top = height - MARGIN - HEAD
        if not tasks:
            _text(canvas, MARGIN, top - 8 * mm, _nothing(plan, words), 11)
            top -= 12 * mm
        for task, picture in part:
            number += 1
            _row(canvas, width, top, number, task, picture, words)
            top -= ROW
        if page == len(pages) - 1:
            for k, line in enumerate(unknown):
                _text(canvas, MARGIN, top - (k + 2) * NEXT, line, 8.5, STRONG if k == 0 else BODY)
        _foot(canvas, width, bands, words, f"{page + 1} / {len(pages)}", title.silica)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _text(
    canvas: Any, x: float, y: float, text: str, size: float, font: str = BODY, grey: float = 0.0
) -> None:
    canvas.setFont(font, size)
    canvas.setFillColor(colour(INK_RGB) if grey == 0.0 else colour((round(255 * grey),) * 3))
    canvas.drawString(x, y, text)


def _head(
    canvas: Any, width: float, height: float, title: SheetTitle, plan: Tomorrow, words: Words
) -> None:
    room = width - 2 * MARGIN
    top = height - MARGIN
    name = words.text("Tomorrow")
    _text(canvas, MARGIN, top - 7 * mm, name, 20, STRONG)
    after = words.text("after stage %(stage)s", stage=title.stage)
    under = f"{title.job}  ·  {after}"
    _text(canvas, MARGIN, top - 13.5 * mm, fitted(f"{under}  ·  {title.day}", room, 10), 10)
    parts = [
        words.count("%(number)d place", "%(number)d places", len(plan.tasks)),
        words.count("%(number)d point finished", "%(number)d points finished", plan.finished),
    ]
    if plan.left_over:
        parts.append(
            words.count("%(number)d more to come", "%(number)d more to come", plan.left_over)
        )
    _text(canvas, MARGIN, top - 18.5 * mm, "  ·  ".join(parts), 8.5, BODY, GREY)
    canvas.setStrokeColor(colour(INK_RGB))
    canvas.setLineWidth(0.8)
    canvas.line(MARGIN, top - 22 * mm, width - MARGIN, top - 22 * mm)


def _row(
    canvas: Any, width: float, top: float, number: int, task: Task, picture: Cut | None,
    words: Words,
) -> None:  # fmt: skip
    danger = task.kind is not Kind.TAKE
    middle = top - ROW / 2
    if danger:
        canvas.setFillColor(colour(OVERCUT_HATCH_RGB))
        canvas.rect(MARGIN - 3.5 * mm, top - ROW + 1.5 * mm, 1.2 * mm, ROW - 3 * mm, 0, 1)
    canvas.setStrokeColor(colour(INK_RGB))
    canvas.setLineWidth(1.2)
    canvas.rect(MARGIN, middle - 3 * mm, 6 * mm, 6 * mm, stroke=1, fill=0)
    label = str(number)
    _text(canvas, MARGIN + 14 * mm - width_pt(label, 9), middle - 1.1 * mm, label, 9, BODY, GREY)
    left = MARGIN + 18 * mm
    _picture(canvas, left, top - (ROW + PICTURE) / 2, picture, words)
    text_left = left + PICTURE + 6 * mm
    sign = 4.2 * mm
    state = State.OVERCUT if danger else task.state
    draw_state(canvas, text_left, top - 9.6 * mm, sign, state, task.kind is Kind.OVERCUT)
    room = width - MARGIN - text_left - sign - 3 * mm
    at = text_left + sign + 3 * mm
    figure = _figure(task, words)
    figure_width = width_pt(figure, 15, STRONG)
    _text(canvas, at, top - 9.6 * mm, fitted(_name(task, words), room - figure_width - 14, 13,
          STRONG), 13, STRONG)  # fmt: skip
    _text(canvas, width - MARGIN - figure_width, top - 9.6 * mm, figure, 15, STRONG)
    draw_tool(canvas, at, top - 16.2 * mm, task.tool)
    _text(canvas, at + 11 * mm, top - 15.8 * mm, tool_words(task, words), 10)
    for k, line in enumerate(wrapped(_advice(task, words), room, 8.5)[:2]):
        _text(canvas, at, top - (20.8 + 4 * k) * mm, line, 8.5, BODY, GREY)
    canvas.setStrokeColor(colour((200, 200, 200)))
    canvas.setLineWidth(0.4)
    canvas.line(MARGIN, top - ROW, width - MARGIN, top - ROW)


def _picture(canvas: Any, x: float, y: float, cut: Cut | None, words: Words) -> None:
    canvas.setStrokeColor(colour(INK_RGB))
    canvas.setLineWidth(0.5)
    if cut is None:
        canvas.setDash(1.5, 1.5)
        canvas.rect(x, y, PICTURE, PICTURE, stroke=1, fill=0)
        canvas.setDash()
        lines = wrapped(words.text("no photograph shows it"), PICTURE - 4 * mm, 7)
        for k, line in enumerate(lines):
            _text(canvas, x + 2 * mm, y + PICTURE / 2 + (1 - 3 * k) * mm, line, 7, BODY, GREY)
        return
    canvas.drawImage(ImageReader(cut.jpeg()), x, y, PICTURE, PICTURE)
    canvas.rect(x, y, PICTURE, PICTURE, stroke=1, fill=0)
    at = (x + cut.xy[0] * PICTURE, y + (1.0 - cut.xy[1]) * PICTURE)
    for width, shade in ((2.6, 255), (1.1, 0)):
        canvas.setLineWidth(width)
        canvas.setStrokeColor(colour((shade,) * 3))
        canvas.circle(*at, 2.6 * mm, stroke=1, fill=0)
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            canvas.line(
                at[0] + dx * 2.6 * mm, at[1] + dy * 2.6 * mm,
                at[0] + dx * 4.4 * mm, at[1] + dy * 4.4 * mm,
            )  # fmt: skip


def _name(task: Task, words: Words) -> str:
    if task.spot is None:
        return task.name
    if not task.name:
        return words.text("Over-cut spot %(number)d", number=task.spot)
    return words.text("Over-cut spot %(number)d near %(point)s", number=task.spot, point=task.name)


def _figure(task: Task, words: Words) -> str:
    bound = ("≥ " if task.stone_left_mm >= 0.0 else "≤ ") if task.at_least else ""
    if task.at_least and task.spot is not None:
        # a spot's bound stands alone: its uncertainty is taken off already
        return f"{bound}{words.number(task.stone_left_mm, 1)} mm"
    return f"{bound}{words.uncertain(task.stone_left_mm, task.u95_mm)} mm"


def tool_words(task: Task, words: Words) -> str:
    """The heaviest tool that the place allows, in words."""
    return {
        Tool.NONE: words.text("no tool: leave it"),
        Tool.NEEDLE: words.text("needle first, no tool before"),
        Tool.LIGHT: words.text("light tools only"),
        Tool.CLAW: words.text("claw and lighter: put the heavy chisels away"),
        Tool.HEAVY: words.text("heavy tools allowed"),
    }[task.tool]


def _advice(task: Task, words: Words) -> str:
    trend = {
        "new": words.text("new since the stage before"),
        "growing": words.text("it has grown since the stage before"),
        "steady": words.text("as at the stage before"),
        "not seen": words.text("not seen this time, as it was before"),
    }.get(task.trend, "")
    if task.kind is Kind.OVERCUT:
        told = words.text("Too deep. Do not strike here; think before you go on round about.")
        return f"{told} ({trend})" if trend else told
    if task.kind is Kind.NEARLY_OVERCUT:
        return words.text("May be too deep already, within its uncertainty.")
    notes = [] if task.sure else [words.text("not sure: check with the needle")]
    if task.at_least:
        notes.append(words.text("more than can be told"))
    return "; ".join(notes)


def _nothing(plan: Tomorrow, words: Words) -> str:
    if plan.finished or plan.not_seen:
        return words.text("No point that was seen has stone to take.")
    return words.text("There are no points on the list.")


def _unknown(plan: Tomorrow, width: float, words: Words) -> list[str]:
    """Points that nobody has seen, in lines, with a line above them."""
    if not plan.not_seen:
        return []
    names = ", ".join(plan.not_seen)
    said = words.text("Not seen: take these with the needle before you strike")
    return [said, *wrapped(names, width - 2 * MARGIN, 8.5)]


def _foot(canvas: Any, width: float, bands: Bands, words: Words, page: str, silica: bool) -> None:
    y = MARGIN + 11 * mm
    room = width - 2 * MARGIN
    x = MARGIN
    signs = (
        (State.OVERCUT, True, words.text("over-cut")),
        (State.OVERCUT, False, words.text("may be over-cut")),
        (State.UNTOUCHED, True, words.text("untouched")),
        (State.CLOSE, True, words.text("close")),
        (State.FINISHED, True, words.text("finished")),
    )
    for state, sure, label in signs:
        draw_state(canvas, x, y - 1 * mm, 3 * mm, state, sure)
        _text(canvas, x + 4.2 * mm, y - 0.8 * mm, label, 7.5)
        x += 4.2 * mm + width_pt(label, 7.5) + 5 * mm
    light, heavy = bands.light_tools_below_mm, bands.close_below_mm
    told = words.text(
        "± is U95: true within it in 95 of 100 cases. Light tools only below %(light)s mm; heavy "
        "chisels away below %(heavy)s mm.",
        light=words.number(light, 1), heavy=words.number(heavy, 1),
    )  # fmt: skip
    care = words.text(
        "Dust: work wet or with extraction and wear a fitted respirator. Goggles when you strike. "
        "The needle has the last word."
    )
    if silica:
        care = f"{silica_words(words)} {care}"
    lines = [*wrapped(told, room, 7.5), *wrapped(care, room, 7.5)]
    for k, line in enumerate(lines):
        _text(canvas, MARGIN, y - (5.2 + 3.4 * k) * mm, line, 7.5, BODY, GREY)
    _text(canvas, width - MARGIN - width_pt(page, 7.5), MARGIN - 6 * mm, page, 7.5, BODY, GREY)


def silica_words(words: Words) -> str:
    """The caution for sandstone and granite."""
    return words.text(
        "The dust of sandstone and granite holds crystalline silica, which destroys lungs."
    )
