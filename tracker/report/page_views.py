"""The views that the page can switch to: which figures, in which colours, with which scale.

Every colour comes from `tracker.report.colours`. Figures run along the scale by their square
root, as on the map, so that the last millimetres have room.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.comparison.states import Bands
from tracker.maths.camera import Array
from tracker.report.colours import (
    DEEPEST_MM,
    NOT_SEEN_DOT_RGB,
    NOT_SEEN_RGB,
    OVERCUT_RGB,
    PAPER_RGB,
    ramp,
    stone_left_rgb,
)
from tracker.report.page_sheet import PageSheet
from tracker.report.scale import depth_ticks

SHADES = 256
"""As many as the drawing library keeps of a scale."""
U95_TOP_MM = 1.0
REMOVED_TOPS_MM = (2.0, 5.0, 10.0, 25.0)
MOST_REMOVED = 98.0
"""Percentile of the stone removed that the scale has to reach."""
FEW_LOOK_RGB = NOT_SEEN_DOT_RGB

Stop = tuple[float, str]


@dataclass(frozen=True, slots=True)
class Tick:
    """A figure beside the scale, at so many per cent of its length."""

    percent: float
    text: str
    limit: bool = False


@dataclass(frozen=True, slots=True)
class Name:
    """A band's name between two places of the scale, per cent."""

    text: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Swatch:
    """A colour that stands beside the scale, with its pattern: hatched, dotted or plain."""

    colour: str
    pattern: str
    text: str


@dataclass(frozen=True, slots=True)
class View:
    """One view of the figure.

    Attributes
    ----------
    key, label : str
    layer : str
        Whose figures are shown: now, before or removed.
    figure : str
        left, removed, u95 or none.
    low, high : float
        Ends of the scale, square root of mm with the sign of the figure.
    stops : colours along low..high, at 0..1
    greys : two colours of what has no figure: fewer than three photographs look at it, or more
    says : str
        What is shown, in a sentence.
    ramp : stops of the printed scale from 0 mm on, at 0..1; empty for no scale
    ticks, names, swatches : what is written beside it
    """

    key: str
    label: str
    layer: str
    figure: str
    low: float
    high: float
    stops: tuple[Stop, ...]
    greys: tuple[str, str]
    says: str
    ramp: tuple[Stop, ...]
    ticks: tuple[Tick, ...]
    names: tuple[Name, ...]
    swatches: tuple[Swatch, ...]


def css(rgb: tuple[int, int, int]) -> str:
    """A colour as browsers take it."""
    return f"rgb({rgb[0]},{rgb[1]},{rgb[2]})"


def views_of(sheet: PageSheet) -> tuple[View, ...]:
    """The views in the order of their switches; those of the stage before only if there is one."""
    share = 1.0 - sheet.record.facts.coverage.seen_share
    unseen = Swatch(css(NOT_SEEN_RGB), "dotted", f"not seen, {100.0 * share:.0f} %")
    says = "Stone left along the needle, in millimetres."
    views = [_left_view("left", "Stone left", "now", says, sheet.bands, (unseen,))]
    if sheet.earlier is not None:
        grey = Swatch(css(NOT_SEEN_RGB), "dotted", "not seen then")
        says = f"Stone left at the stage before, {sheet.earlier.name}."
        views.append(_left_view("before", "Stage before", "before", says, sheet.bands, (grey,)))
        views.append(_removed_view(sheet.earlier.name, sheet.earlier.removed.removed_mm))
    return (*views, _u95_view(unseen), _unseen_view(share))


def _left_view(
    key: str, label: str, layer: str, says: str, bands: Bands, swatches: tuple[Swatch, ...]
) -> View:
    high = float(np.sqrt(DEEPEST_MM))
    low = -max(2.0 * float(np.sqrt(abs(bands.overcut_below_mm))), 1.0)
    root = np.linspace(low, high, SHADES)
    over = f"over-cut by more than {abs(bands.overcut_below_mm):g} mm"
    deep = Swatch(css(OVERCUT_RGB), "hatched", over)
    ticks = tuple(
        Tick(
            _percent(mm, DEEPEST_MM),
            f"≥ {mm:g}" if mm == DEEPEST_MM else f"{mm:g}",
            mm in (bands.finished_below_mm, bands.close_below_mm),
        )
        for mm in depth_ticks(bands)
    )
    limits = (0.0, bands.finished_below_mm, bands.close_below_mm, DEEPEST_MM)
    names = tuple(
        Name(text, _percent(a, DEEPEST_MM), _percent(b, DEEPEST_MM))
        for text, a, b in zip(
            ("finished", "close", "untouched"), limits[:-1], limits[1:], strict=True
        )
    )
    grey = css(NOT_SEEN_RGB)
    return View(
        key, label, layer, "left", low, high,
        _stops(stone_left_rgb(np.sign(root) * root**2, bands)), (grey, grey), says,
        _stops(stone_left_rgb(np.linspace(0.0, high, SHADES) ** 2, bands)),
        ticks, names, (deep, *swatches),
    )  # fmt: skip


def _removed_view(name: str, removed_mm: Array) -> View:
    told = removed_mm[np.isfinite(removed_mm)]
    most = float(np.percentile(told, MOST_REMOVED)) if len(told) else 0.0
    top = next((mm for mm in REMOVED_TOPS_MM if mm >= most), REMOVED_TOPS_MM[-1])
    grey = css(NOT_SEEN_RGB)
    swatches = (Swatch(grey, "dotted", "cannot be told: not seen on one of the two days"),)
    says = f"Stone removed since the stage before, {name}; palest where no change can be told."
    ticks = tuple(Tick(_percent(mm, top), _tick(mm, top)) for mm in _even_ticks(top))
    return View(
        "removed", "Removed", "removed", "removed", 0.0, float(np.sqrt(top)),
        _plain_ramp(), (grey, grey), says, _plain_ramp(), ticks, (), swatches,
    )  # fmt: skip


def _u95_view(unseen: Swatch) -> View:
    grey = css(NOT_SEEN_RGB)
    ticks = tuple(Tick(_percent(mm, U95_TOP_MM), _tick(mm, U95_TOP_MM)) for mm in (0.1, 0.3, 1.0))
    says = "U95: how far the true value may lie from the figure in 95 of 100 cases, mm."
    return View(
        "u95", "U95", "now", "u95", 0.0, float(np.sqrt(U95_TOP_MM)),
        _plain_ramp(), (grey, grey), says, _plain_ramp(), ticks, (), (unseen,),
    )  # fmt: skip


def _unseen_view(share: float) -> View:
    pale, light, dark = css(PAPER_RGB), css(NOT_SEEN_RGB), css(FEW_LOOK_RGB)
    swatches = (
        Swatch(pale, "plain", "has a figure"),
        Swatch(dark, "plain", "fewer than three photographs look at it: photograph it"),
        Swatch(light, "plain", "looked at, but not settled: take it with the needle"),
    )
    says = f"What was not seen: {100.0 * share:.0f} % of the model's surface."
    return View(
        "unseen", "Not seen", "now", "none", 0.0, 1.0,
        ((0.0, pale), (1.0, pale)), (dark, light), says, (), (), (), swatches,
    )  # fmt: skip


def _plain_ramp() -> tuple[Stop, ...]:
    return _stops(ramp(np.linspace(0.0, 1.0, SHADES)))


def _stops(rgb: Array) -> tuple[Stop, ...]:
    values = np.round(255.0 * rgb).astype(int).tolist()
    last = len(values) - 1
    return tuple((round(k / last, 6), css(tuple(value))) for k, value in enumerate(values))


def _percent(mm: float, top_mm: float) -> float:
    return round(100.0 * float(np.sqrt(np.clip(mm / top_mm, 0.0, 1.0))), 2)


def _even_ticks(top_mm: float) -> tuple[float, ...]:
    return tuple(mm for mm in (0.5, 1.0, 2.0, 5.0, 10.0, 25.0) if mm <= top_mm)


def _tick(mm: float, top_mm: float) -> str:
    return f"≥ {mm:g}" if mm == top_mm else f"{mm:g}"
