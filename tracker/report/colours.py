"""The colours of stone left: pale where finished, darker the more stone is left.

One sequential scale, built in the OKLab space so that equal steps look equal and lightness alone
tells the order (black-and-white print, colour-blind eyes): ivory for the finished band, then
through blue to ink, with a step at each band's limit and the square root of the depth between
them. Stone below the model has one hue that occurs nowhere else; what was not seen is grey.

References
----------
B. Ottosson, "A perceptual color space for image processing" (2020), the OKLab matrices.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.states import Bands, State
from tracker.maths.camera import Array

Colours = NDArray[np.uint8]

GUARD_OF_U95 = 1.645 / 2.0
DEEPEST_MM = 25.0
"""Stone left from which the scale stays at its darkest."""
# lightness, a, b in OKLab at t = 0, 1/4, 1/2, 3/4, 1
_RAMP = np.array(
    [
        [0.965, 0.001, 0.018],
        [0.830, -0.024, -0.036],
        [0.660, -0.026, -0.088],
        [0.460, -0.008, -0.110],
        [0.245, 0.014, -0.072],
    ]
)
_FINISHED_T, _CLOSE_T, _UNTOUCHED_T = (0.0, 0.0), (0.17, 0.52), (0.63, 1.0)

OVERCUT_RGB = (214, 84, 32)
OVERCUT_HATCH_RGB = (92, 26, 6)
NOT_SEEN_RGB = (200, 200, 197)
NOT_SEEN_DOT_RGB = (136, 136, 133)
PAPER_RGB = (252, 251, 248)
INK_RGB = (34, 37, 43)


def _rgb_of_oklab(lab: Array) -> Array:
    """Linear OKLab to sRGB in 0..1, (..., 3)."""
    lightness, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    long = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    middle = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    linear = np.stack(
        [
            4.0767416621 * long - 3.3077115913 * middle + 0.2309699292 * short,
            -1.2684380046 * long + 2.6097574011 * middle - 0.3413193965 * short,
            -0.0041960863 * long - 0.7034186147 * middle + 1.7076147010 * short,
        ],
        axis=-1,
    ).clip(0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def _ramp_table(entries: int) -> Array:
    knots, t = np.linspace(0.0, 1.0, len(_RAMP)), np.linspace(0.0, 1.0, entries)
    return _rgb_of_oklab(np.stack([np.interp(t, knots, _RAMP[:, k]) for k in range(3)], axis=-1))


_TABLE = _ramp_table(2049)


def ramp(t: Array) -> Array:
    """The scale's colour at t in 0..1 (pale to dark), sRGB in 0..1, (..., 3)."""
    return _TABLE[np.rint(np.clip(t, 0.0, 1.0) * (len(_TABLE) - 1)).astype(np.int64)]


def scale_position(stone_left_mm: Array, bands: Bands) -> Array:
    """Place t in 0..1 of stone left on the scale: flat when finished, a step at each limit."""
    close, far = bands.finished_below_mm, bands.close_below_mm
    root = np.sqrt(np.clip(stone_left_mm, 0.0, None))
    deepest = max(DEEPEST_MM, far + 1.0)
    in_close = np.interp(root, np.sqrt([close, far]), _CLOSE_T)
    in_untouched = np.interp(root, np.sqrt([far, deepest]), _UNTOUCHED_T)
    t = np.where(stone_left_mm <= close, _FINISHED_T[0], in_close)
    return np.where(stone_left_mm > far, in_untouched, t)


def stone_left_rgb(stone_left_mm: Array, bands: Bands) -> Array:
    """Colour of stone left, sRGB in 0..1, (..., 3); over-cut in its own hue."""
    colour = ramp(scale_position(stone_left_mm, bands))
    colour[stone_left_mm < bands.overcut_below_mm] = np.array(OVERCUT_RGB) / 255.0
    return colour


def shown_mm(stone_left_mm: Array, u95_mm: Array, bands: Bands) -> Array:
    """Stone left as it is painted: below the model only where that is proved (one-sided 95 %).

    A single figure that noise has carried over the limit is painted as finished; the list of
    over-cut spots, which weighs neighbours together, is what counts.
    """
    limit = bands.overcut_below_mm
    guard = GUARD_OF_U95 * np.nan_to_num(u95_mm, nan=np.inf)
    doubtful = (stone_left_mm < limit) & (stone_left_mm + guard > limit)
    return np.where(doubtful, limit, stone_left_mm)


def vertex_colours(stone_left_mm: Array, seen: NDArray[np.bool_], bands: Bands) -> Colours:
    """Colours for a mesh's vertices, (n, 3) uint8; grey where not seen."""
    colour = 255.0 * stone_left_rgb(np.where(seen, stone_left_mm, 0.0), bands)
    colour[~seen] = NOT_SEEN_RGB
    return np.asarray(np.round(colour), dtype=np.uint8)


def state_rgb(state: State, bands: Bands) -> tuple[int, int, int]:
    """Colour that stands for a state."""
    if state is State.NOT_SEEN:
        return NOT_SEEN_RGB
    typical = {
        State.OVERCUT: bands.overcut_below_mm - 1.0,
        State.FINISHED: 0.0,
        State.CLOSE: 0.4 * bands.finished_below_mm + 0.6 * bands.close_below_mm,
        State.UNTOUCHED: bands.close_below_mm + 12.0,
    }[state]
    red, green, blue = np.round(255.0 * stone_left_rgb(np.array([typical]), bands)[0])
    return int(red), int(green), int(blue)
