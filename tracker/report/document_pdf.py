"""The document on paper: the same blocks, set with reportlab."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color, HexColor, white
from reportlab.lib.enums import TA_CENTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from tracker.report import document_text as text
from tracker.report.chart import SIZE_IN, chart_png
from tracker.report.colours import INK_RGB
from tracker.report.document import Document
from tracker.report.document_pictures import Picture
from tracker.report.signs import colour
from tracker.report.tomorrow_sheet import PAPERS
from tracker.report.type_family import BODY, STRONG, fitted, use_family, width_pt

MARGIN = 22 * mm
SOFT, RULE = Color(0.36, 0.38, 0.42), Color(0.82, 0.81, 0.78)
GAP = 4 * mm


def document_pdf(document: Document) -> bytes:
    """The document as PDF."""
    use_family()
    file = io.BytesIO()
    width, height = PAPERS[document.paper]
    paper = BaseDocTemplate(
        file,
        pagesize=(width, height),
        title=document.title,
        author=document.author,
        lang=str(document.words.locale).replace("_", "-"),
        invariant=1,
    )
    frame = Frame(MARGIN, MARGIN, width - 2 * MARGIN, height - 2 * MARGIN, 0, 0, 0, 0)
    paper.addPageTemplates(
        PageTemplate(frames=[frame], onPage=lambda canvas, _: _foot(canvas, document, width))
    )
    paper.build(_story(document, width - 2 * MARGIN))
    return file.getvalue()


def _styles(accent: str) -> dict[str, ParagraphStyle]:
    body = ParagraphStyle(
        "body", fontName=BODY, fontSize=10, leading=15, textColor=colour(INK_RGB), spaceAfter=6,
        splitLongWords=1,
    )  # fmt: skip
    return {
        "body": body,
        "lead": ParagraphStyle("lead", body, keepWithNext=1),
        "item": ParagraphStyle("item", body, leftIndent=12, bulletIndent=0, spaceAfter=3),
        "small": ParagraphStyle("small", body, fontSize=8, leading=11, textColor=SOFT),
        "centred": ParagraphStyle(
            "centred", body, fontSize=8, leading=11, textColor=SOFT, alignment=TA_CENTER
        ),
        "h1": ParagraphStyle(
            "h1",
            body,
            fontName=STRONG,
            fontSize=27,
            leading=32,
            textColor=HexColor(accent),
            spaceAfter=8,
        ),
        "h2": ParagraphStyle(
            "h2",
            body,
            fontName=STRONG,
            fontSize=14,
            leading=18,
            spaceBefore=16,
            spaceAfter=6,
            keepWithNext=1,
        ),
    }


def _said(words: str, style: ParagraphStyle) -> Paragraph:
    """A paragraph of plain text: reportlab's own marks in it are only characters."""
    return Paragraph(escape(words), style)


def _story(document: Document, room: float) -> list[Flowable]:
    styles = _styles(document.accent)
    story: list[Flowable] = []
    if document.logo is not None:
        story += [_image(document.logo, 45 * mm, 20 * mm), Spacer(1, 8 * mm)]
    for block, follower in zip(document.blocks, (*document.blocks[1:], None), strict=True):
        if isinstance(block, text.Heading):
            if block.level == 2:
                story.append(CondPageBreak(45 * mm))
            story.append(_said(block.text, styles[f"h{block.level}"]))
        elif isinstance(block, text.Paragraph):
            drawn = isinstance(follower, text.Drawn) and follower.name not in {"notes", "stages"}
            story.append(_said(block.text, styles["lead" if drawn else "body"]))
        elif isinstance(block, text.Bullets):
            story += [
                Paragraph(escape(item), styles["item"], bulletText="–") for item in block.items
            ]
        else:
            story += _drawn(block.name, document, room, styles)
    return story


def _drawn(
    name: str, document: Document, room: float, styles: dict[str, ParagraphStyle]
) -> list[Flowable]:
    if name == "photographs":
        return _photographs(document.photographs, room, styles)
    if name == "stages":
        return _stages(document, room, styles)
    if name == "chart" and document.progress.charted is not None:
        data = chart_png(document.progress, document.words, document.accent)
        return [Image(io.BytesIO(data), room, room * SIZE_IN[1] / SIZE_IN[0]), Spacer(1, GAP)]
    if name == "states":
        rows = [(row.label, str(row.count), row.percent) for row in document.states]
        return _table(document.state_heads, rows, room, styles)
    if name == "sides":
        return _table(document.side_heads, document.sides, room, styles)
    if name == "spots":
        return _table(document.spot_heads, document.spots, room, styles)
    if name == "notes":
        return [_said(note, styles["small"]) for note in document.notes]
    return []


def _photographs(
    pictures: Sequence[Picture], room: float, styles: dict[str, ParagraphStyle]
) -> list[Flowable]:
    """The first one large, the others side by side below it."""
    if not pictures:
        return []
    first, *others = pictures
    story: list[Flowable] = [
        Spacer(1, 2 * mm),
        KeepTogether([_image(first, room, 88 * mm), _said(first.caption, styles["small"])]),
    ]
    for start in range(0, len(others), 2):
        pair = others[start : start + 2]
        half = (room - GAP) / 2
        cells = [
            [_image(picture, half, 52 * mm), _said(picture.caption, styles["small"])]
            for picture in pair
        ]
        cells += [[] for _ in range(2 - len(pair))]
        table = Table([cells], colWidths=[half + GAP / 2] * 2)
        table.setStyle(TableStyle([*_PLAIN, ("RIGHTPADDING", (0, 0), (0, -1), GAP / 2)]))
        story += [Spacer(1, 2 * mm), table]
    return story


_PLAIN = [
    ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]  # fmt: skip


def _stages(document: Document, room: float, styles: dict[str, ParagraphStyle]) -> list[Flowable]:
    views = document.views
    if views is None:
        return []
    count = len(views.columns)
    wide = min((room - GAP * (count - 1)) / count, 70 * mm)
    tall = 64 * mm
    cells: list[list[Any]] = [[_said(column, styles["centred"]) for column in views.columns]]
    cells += [[_image(picture, wide, tall) for picture in row] for row in views.rows]
    cells.append([_said(line, styles["centred"]) for line in views.under])
    table = Table(cells, colWidths=[wide + GAP] * count, hAlign="CENTER")
    table.setStyle(TableStyle([*_PLAIN, ("ALIGN", (0, 0), (-1, -1), "CENTER"),
                               ("BOTTOMPADDING", (0, 0), (-1, -1), 4)]))  # fmt: skip
    return [table, Spacer(1, 2 * mm), _key(document, room, styles), Spacer(1, GAP)]


def _key(document: Document, room: float, styles: dict[str, ParagraphStyle]) -> Flowable:
    """The states' swatches in one line, each with its label."""
    cells: list[Any] = []
    widths: list[float] = []
    style = ParagraphStyle("key", styles["small"], spaceAfter=0)
    for label, picture in document.swatches.items():
        cells += [_image(picture, 8 * mm, 5 * mm), _said(label, style)]
        widths += [10 * mm, width_pt(label, 8) + 4 * mm]
    if sum(widths) > room:
        widths = [width * room / sum(widths) for width in widths]
    table = Table([cells], colWidths=widths, hAlign="CENTER")
    boxes = [("BOX", (2 * k, 0), (2 * k, 0), 0, white) for k in range(len(document.swatches))]
    table.setStyle(TableStyle([*_PLAIN, *boxes, ("VALIGN", (0, 0), (-1, -1), "MIDDLE")]))
    return table


def _table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], room: float,
    styles: dict[str, ParagraphStyle],
) -> list[Flowable]:  # fmt: skip
    if not rows:
        return []
    cell = ParagraphStyle("cell", styles["body"], spaceAfter=0, leading=13)
    head = ParagraphStyle("head", styles["small"], spaceAfter=0)
    cells = [[_said(name, head) for name in heads]]
    cells += [[_said(value, cell) for value in row] for row in rows]
    wide = min(room / len(heads), 45 * mm)
    table = Table(cells, colWidths=[wide] * len(heads), repeatRows=1, hAlign="LEFT")
    table.setStyle(
        TableStyle(
            [*_PLAIN, ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE), ("TOPPADDING", (0, 0), (-1, -1),
              3), ("BOTTOMPADDING", (0, 0), (-1, -1), 3)]
        )
    )  # fmt: skip
    return [table, Spacer(1, GAP)]


def _image(picture: Picture, widest: float, tallest: float) -> Image:
    scale = min(widest / picture.width, tallest / picture.height)
    return Image(io.BytesIO(picture.data), picture.width * scale, picture.height * scale)


def _foot(canvas: Any, document: Document, width: float) -> None:
    canvas.saveState()
    canvas.setFont(BODY, 7.5)
    canvas.setFillColor(SOFT)
    page = str(canvas.getPageNumber())
    room = width - 2 * MARGIN - 20 * mm
    canvas.drawString(MARGIN, 12 * mm, fitted(document.title, room, 7.5))
    canvas.drawString(width - MARGIN - width_pt(page, 7.5), 12 * mm, page)
    canvas.restoreState()
