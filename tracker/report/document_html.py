"""The document as one page that needs nothing else: pictures and style travel in it, no script."""

from __future__ import annotations

import base64

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from tracker.report.chart import chart_svg
from tracker.report.document import Document
from tracker.report.document_pictures import Picture
from tracker.report.document_text import Bullets, Drawn, Heading, Paragraph


def document_html(document: Document) -> str:
    """The page."""
    world = Environment(
        loader=PackageLoader("tracker.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    world.filters["embedded"] = _embedded
    kinds = {Heading: "heading", Paragraph: "paragraph", Bullets: "bullets", Drawn: "drawn"}
    chart = None
    if document.progress.charted is not None:
        # drawn here from figures alone; nothing typed gets into it
        chart = Markup(chart_svg(document.progress, document.words, document.accent))
    return world.get_template("document.html").render(
        document=document,
        blocks=[(kinds[type(block)], block) for block in document.blocks],
        chart=chart,
        chart_name=document.words.text("Stone left, cm³"),
        language=str(document.words.locale).replace("_", "-"),
        text=document.words.text,
    )


def _embedded(picture: Picture) -> str:
    return f"data:{picture.kind};base64,{base64.b64encode(picture.data).decode('ascii')}"
