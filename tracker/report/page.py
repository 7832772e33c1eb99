"""The stage page: one file that needs no network, with the figure to turn and all lists.

Whatever a person has typed goes through the template's escaping or into the data block, where
no character can end the block; besides, the page forbids itself every script but its own two.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tracker.comparison.states import State
from tracker.comparison.trend import GONE, NOT_SEEN
from tracker.records.tables import fixed, write_whole
from tracker.report.colours import state_rgb
from tracker.report.page_pack import packed_form, packed_layer, packed_removed, packed_viewers
from tracker.report.page_sheet import PageSheet
from tracker.report.page_views import View, css, views_of
from tracker.report.page_words import (
    day_in_words,
    left_in_words,
    next_steps,
    point_shares,
    seen_in_words,
    spot_in_words,
)
from tracker.report.views import ABOVE, BACK, FRONT, LEFT, RIGHT

PAGE_FILE = "page.html"
TEMPLATES = Path(__file__).resolve().parent / "templates"
SCRIPTS = ("page_data.js", "page_figure.js", "page_marks.js", "page_lists.js", "page.js")


def draw_page(path: Path, sheet: PageSheet) -> None:
    """Writes the page, whole or not at all.

    Raises
    ------
    JobError
        The folder cannot be written to, or the disk is full.
    """
    write_whole(path, page_text(sheet).encode("utf-8"))


def page_text(sheet: PageSheet) -> str:
    """The page as HTML."""
    views = views_of(sheet)
    facts = sheet.record.facts
    library, own = plotting_library(), _own_script()
    return (
        _templates()
        .get_template("page.html")
        .render(
            sheet=sheet,
            facts=facts,
            date=day_in_words(facts.date),
            earlier_date=day_in_words(sheet.earlier.date) if sheet.earlier else "",
            views=views,
            steps=next_steps(sheet.record.points, sheet.record.overcuts, sheet.bands),
            shares=point_shares(sheet.record.points),
            left=left_in_words(facts),
            seen=seen_in_words(facts),
            states=_states(sheet),
            spots=[(spot, spot_in_words(spot)) for spot in sheet.record.overcuts],
            points=list(zip(sheet.record.points, sheet.advice, strict=True)),
            pictures=[(p, _data_url(p.thumbnail)) for p in sheet.pictures],
            map_url=_data_url(sheet.map_jpeg),
            style=Markup((TEMPLATES / "page.css").read_text(encoding="utf-8")),
            data=_json(_data(sheet, views)),
            library=Markup(library),
            own=Markup(own),
            script_digests=" ".join(_digest(script) for script in (library, own)),
            gradient=_gradient,
            tenths=lambda value: fixed(value, 1),
        )
    )


@cache
def plotting_library() -> str:
    """The drawing library as it is put into the page, without anything that would end the block."""
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs()).replace("</script", "<\\/script")


@cache
def _own_script() -> str:
    parts = [(TEMPLATES / name).read_text(encoding="utf-8") for name in SCRIPTS]
    return "\n" + "\n".join(parts)


@cache
def _templates() -> Environment:
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _digest(script: str) -> str:
    """A script's digest as a content security policy names it."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"


def _json(document: Any) -> Markup:
    """JSON in which no character can end the block that it stands in."""
    text = json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for character in "<>&'":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)


def _data_url(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}" if jpeg else ""


def _gradient(view: View) -> str:
    """A view's scale as a style: hard steps stay hard, since every shade has its own width."""
    step = 100.0 / max(len(view.ramp), 1)
    parts = [
        f"{colour} {k * step:.2f}% {(k + 1) * step:.2f}%" for k, (_, colour) in enumerate(view.ramp)
    ]
    return f"linear-gradient(90deg,{','.join(parts)})"


def _states(sheet: PageSheet) -> list[dict[str, Any]]:
    """The states as the table filters them, from most stone down."""
    order = (State.UNTOUCHED, State.CLOSE, State.FINISHED, State.OVERCUT, State.NOT_SEEN)
    return [
        {
            "name": state.label,
            "key": state.label.replace(" ", "-"),
            "colour": css(state_rgb(state, sheet.bands)),
        }
        for state in order
    ]


def _data(sheet: PageSheet, views: Sequence[View]) -> dict[str, Any]:
    layers: dict[str, Any] = {"now": packed_layer(sheet.now, sheet.bands)}
    if sheet.earlier is not None:
        layers["before"] = packed_layer(sheet.earlier.layer, sheet.bands)
        layers["removed"] = packed_removed(sheet.earlier.removed)
    return {
        "form": packed_form(sheet.form.surface),
        "layers": layers,
        "viewers": list(sheet.viewers),
        "seenBy": packed_viewers(sheet.seen_by),
        "states": [state.label for state in State],
        "earlier": sheet.earlier.name if sheet.earlier else "",
        "views": {
            view.key: {
                "layer": view.layer,
                "figure": view.figure,
                "low": view.low,
                "high": view.high,
                "stops": view.stops,
                "greys": view.greys,
            }
            for view in views
        },
        "sides": {
            side.name: np.round(side.axes[2], 6).tolist()
            for side in (FRONT, RIGHT, BACK, LEFT, ABOVE)
        },
        "flags": _flags(sheet),
        "points": _points(sheet),
    }


def _flags(sheet: PageSheet) -> list[dict[str, Any]]:
    return [
        {
            "id": spot.identity,
            "at": np.round(spot.place, 3).tolist(),
            "toward": np.round(normal, 4).tolist(),
            "open": spot.trend not in (GONE, NOT_SEEN),
            "hidden": spot.trend == GONE,
        }
        for spot, normal in zip(sheet.record.overcuts, sheet.flag_normals, strict=True)
    ]


def _points(sheet: PageSheet) -> list[dict[str, Any]]:
    return [
        {
            "name": point.name,
            "at": np.round(point.xyz, 3).tolist(),
            "toward": np.round(point.normal, 4).tolist(),
            "state": point.state,
        }
        for point in sheet.record.points
    ]
