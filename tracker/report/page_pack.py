"""The figures of the page as the browser unpacks them: small whole numbers, base64.

Places are counted in 65 535ths of a cube round the model (6 micrometres for 400 mm), depths in
hundredths of a millimetre. Only for showing; the record has the figures themselves.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.removed_places import Removed
from tracker.comparison.states import Bands
from tracker.maths.camera import Array
from tracker.report.colours import shown_mm
from tracker.report.page_sheet import Flags, Layer
from tracker.surface import Surface

NOTHING = -32768
PER_MM = 100.0
SURE, AT_LEAST, DOUBTFUL = 8, 16, 32
"""Bits beside the state's number; DOUBTFUL: below the model, but not proved to be."""


def packed(values: NDArray[Any]) -> str:
    """Array as base64 of its little-endian bytes."""
    little = np.ascontiguousarray(values).astype(values.dtype.newbyteorder("<"))
    return base64.b64encode(little.tobytes()).decode("ascii")


def packed_form(surface: Surface) -> dict[str, Any]:
    """Form: its cube (middle and side, mm), places and triangles, each column by column."""
    low, high = surface.box
    middle, side = 0.5 * (low + high), float(np.max(high - low))
    unit = (surface.vertices - middle) / side + 0.5
    places = np.clip(np.round(unit * 65535.0), 0, 65535).astype(np.uint16)
    return {
        "count": len(places),
        "cube": [*(round(float(c), 4) for c in middle), round(side, 4)],
        "places": packed(places.T),
        "faces": packed(surface.faces.T.astype(np.uint32)),
    }


def packed_layer(layer: Layer, bands: Bands) -> dict[str, str]:
    """One stage's figures, U95 and states."""
    r, states = layer.readings, layer.states
    shown = shown_mm(r.stone_left_mm, r.u95_mm, bands)
    code = states.state.astype(np.uint8)
    code |= np.where(states.sure, SURE, 0).astype(np.uint8)
    code |= np.where(r.at_least, AT_LEAST, 0).astype(np.uint8)
    code |= np.where(r.seen & (shown != r.stone_left_mm), DOUBTFUL, 0).astype(np.uint8)
    return {
        "mm": packed(_hundredths(r.stone_left_mm, r.seen)),
        "u95": packed(_hundredths(r.u95_mm, r.seen)),
        "code": packed(code),
    }


def packed_removed(removed: Removed) -> dict[str, str]:
    """What was removed, with its U95."""
    return {
        "mm": packed(_hundredths(removed.removed_mm, removed.told)),
        "u95": packed(_hundredths(removed.u95_mm, removed.told)),
        "code": packed(np.where(removed.at_least, AT_LEAST, 0).astype(np.uint8)),
    }


def packed_viewers(seen_by: Flags) -> dict[str, Any]:
    """Photographs that look at each vertex: one bit each, the lowest first, so many bytes a row."""
    bits = np.packbits(seen_by, axis=1, bitorder="little")
    return {"bytes": int(bits.shape[1]), "bits": packed(bits)}


def _hundredths(value_mm: Array, known: Flags) -> NDArray[np.int16]:
    known = known & np.isfinite(value_mm)
    whole = np.round(PER_MM * np.where(known, value_mm, 0.0))
    return np.where(known, np.clip(whole, -32767, 32767), NOTHING).astype(np.int16)
