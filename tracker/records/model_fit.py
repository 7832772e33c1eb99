"""Whether a model and a frame can belong together: units, place, order of the seats."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np

from tracker.errors import MeshError
from tracker.maths.camera import Array
from tracker.maths.triad import triad
from tracker.records.entries import FrameTarget
from tracker.surface import Surface

UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
"""Millimetres in each unit (the inch is 25.4 mm exactly)."""
SIZE_RATIO = 5.0
"""A model may be this much smaller or larger than the box of the frame's targets."""
WITHIN_MODEL_MM = 10.0
"""Deeper than this within a closed model no target of the frame can stand."""
POSSIBLE_SIZE_MM = (20.0, 20000.0)
"""Diagonal of a model that can be carved, where no frame is there to compare with."""


def check_against_frame(surface: Surface, frame: Mapping[int, FrameTarget]) -> None:
    """Checks that a model on record and a frame can belong together.

    Raises
    ------
    MeshError
        Their sizes or places exclude each other.
    """
    check_size("The model", surface.vertices, "mm", False, frame)
    check_place("The model", surface.vertices, surface.vertices, None, 1.0, frame)


def _frame_box(frame: Mapping[int, FrameTarget]) -> tuple[Array, Array]:
    corners = np.concatenate([target.corners_mm for target in frame.values()])
    return corners.min(axis=0), corners.max(axis=0)


def check_size(
    name: str,
    vertices: Array,
    unit: str,
    chosen: bool,
    frame: Mapping[int, FrameTarget] | None,
) -> None:
    """Refuses a size that cannot be, and names the unit that would make it right.

    Raises
    ------
    MeshError
        Too small or too large beside the frame, or for any carving without a frame.
    """
    size = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    if frame:
        low, high = _frame_box(frame)
        frame_size = float(np.linalg.norm(high - low))
        lowest, highest = frame_size / SIZE_RATIO, frame_size * SIZE_RATIO
        beside = f"beside a frame of {frame_size:.0f} mm"
    else:
        lowest, highest = POSSIBLE_SIZE_MM
        frame_size = 400.0
        beside = "for a carving"
    if lowest <= size <= highest:
        return
    misfit = {
        other: abs(np.log(size * factor / UNITS_MM[unit] / frame_size))
        for other, factor in UNITS_MM.items()
        if lowest <= size * factor / UNITS_MM[unit] <= highest
    }
    hint = "Check the units of its export and give --units mm, cm, m or inch."
    if misfit:
        best = min(misfit, key=lambda other: float(misfit[other]))
        hint = f"It was exported in {_UNIT_WORDS[best]}, it seems: import it with --units {best}."
    read_as = f"with --units {unit}" if chosen else f"read in {_UNIT_WORDS[unit]}"
    raise MeshError(f"{name}, {read_as}, is {_shown_mm(size)} large; impossible {beside}.", hint)


def _shown_mm(size_mm: float) -> str:
    if size_mm >= 10000.0:
        return f"{size_mm / 1000.0:.0f} m"
    return f"{size_mm:.0f} mm" if size_mm >= 10.0 else f"{size_mm:.2g} mm"


_UNIT_WORDS = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "inch": "inches"}


def check_place(
    name: str,
    vertices: Array,
    raw: Array,
    seats: Array | None,
    factor: float,
    frame: Mapping[int, FrameTarget] | None,
) -> None:
    """Refuses a model that does not stand within the frame.

    Raises
    ------
    MeshError
        It stands far off; with seats, the order that would bring it in is named.
    """
    if not frame:
        return
    low, high = _frame_box(frame)
    reach = 0.25 * float(np.linalg.norm(high - low))
    away = _gap(vertices, low, high)
    if away <= reach:
        return
    if seats is None:
        raise MeshError(
            f"{name} lies {away:.0f} mm away from the frame: it is not in frame coordinates.",
            "Give the three seats in the mesh's own coordinates with --seats.",
        )
    for order in itertools.permutations(range(3)):
        moved = triad(seats[list(order)] * factor).apply(raw * factor)
        if _gap(moved, low, high) <= reach:
            said = ", ".join(str(k + 1) for k in order)
            raise MeshError(
                f"With these seats {name} lies {away:.0f} mm away from the frame; it would stand "
                f"in it with the seats in the order {said}.",
                "Seen from the frame's side the seats 1, 2, 3 run against the clock; correct the "
                "table, or the mesh is a mirror image.",
            )
    raise MeshError(
        f"With these seats {name} lies {away:.0f} mm away from the frame.",
        "Check the seats' coordinates: they must be in the mesh's own coordinates and units.",
    )


def check_targets_outside(
    name: str, surface: Surface, frame: Mapping[int, FrameTarget] | None
) -> None:
    """Refuses a closed model within which targets of the frame would stand.

    Raises
    ------
    MeshError
        A target's corner lies deep inside.
    """
    if not frame:
        return
    tags = list(frame)
    corners = np.concatenate([frame[tag].corners_mm for tag in tags])
    depth = -surface.signed_distance_mm(corners).reshape(-1, 4).min(axis=1)
    inside = [str(tag) for tag, d in zip(tags, depth, strict=True) if d > WITHIN_MODEL_MM]
    if inside:
        raise MeshError(
            f"With this placing the frame's targets {', '.join(inside)} would stand up to "
            f"{depth.max():.0f} mm inside {name}.",
            "Check that mesh and frame are in the same coordinates, the seats and their order; "
            "a mirrored mesh does this too.",
        )


def _gap(vertices: Array, low: Array, high: Array) -> float:
    """Distance between the boxes of the model and of the frame's targets, mm."""
    apart = np.maximum(vertices.min(axis=0) - high, low - vertices.max(axis=0))
    return float(np.linalg.norm(np.maximum(apart, 0.0)))
