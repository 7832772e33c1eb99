"""Does the model go into the block, where is it tightest, and where do the seats come on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tracker.comparison.placing import (
    Placing,
    SmallMove,
    StoneOver,
    as_it_stands,
    best_of_all,
    best_small_move,
    best_upright,
)
from tracker.errors import InputError
from tracker.maths.camera import Array
from tracker.records.entries import Points
from tracker.records.ply import StoneLeftMap
from tracker.surface import Surface

FACES = (("left", "right"), ("front", "back"), ("bottom", "top"))
WORTH_TILTING_MM = 0.5
"""Stone that a tilted placing must gain before it is taken instead of the upright one."""
MOST_SHIFT_MM, MOST_TURN_DEG = 40.0, 6.0
"""How far a model may be set elsewhere in a photographed block before it must be measured anew."""
SMALLEST_BLOCK_MM, LARGEST_BLOCK_MM = 10.0, 20000.0


@dataclass(frozen=True, slots=True)
class BlockFit:
    """The model in a block with square faces.

    Attributes
    ----------
    block_mm : (3,) array
        From left to right, front to back, bottom to top.
    allowance_mm : float
        Stone wanted everywhere over the model.
    standing, upright, any_way : Placing
        As it stands in frame coordinates; turned about the upright; turned any way.
    chosen : Placing
    seats_mm : (3, 3) array or None
        In block coordinates, from the left, front and bottom faces.
    tightest : (3,) array, mm
        Place of the model with the least stone over it, frame coordinates.
    face : str
        The face it is nearest to.
    """

    block_mm: Array
    allowance_mm: float
    standing: Placing
    upright: Placing
    any_way: Placing
    chosen: Placing
    seats_mm: Array | None
    tightest: Array
    face: str

    @property
    def goes_in(self) -> bool:
        """Whether the allowance is there everywhere."""
        return self.chosen.least_mm >= self.allowance_mm


def fit_into_block(
    model: Surface, block_mm: Array, allowance_mm: float, seats: Array | None
) -> BlockFit:
    """Best placing of a model in a block with square faces.

    Raises
    ------
    InputError
        A block or an allowance that cannot be.
    """
    if not (np.all(block_mm >= SMALLEST_BLOCK_MM) and np.all(block_mm <= LARGEST_BLOCK_MM)):
        shown = " x ".join(f"{side:g}" for side in block_mm)
        raise InputError(
            f"A block of {shown} mm is impossible.",
            "Give its three sides in millimetres: left to right, front to back, bottom to top.",
        )
    if not 0.0 <= allowance_mm < 0.5 * float(block_mm.min()):
        raise InputError(
            f"An allowance of {allowance_mm:g} mm is impossible in this block.",
            "Give the stone that must be over the model everywhere, in millimetres.",
        )
    standing = as_it_stands(model.vertices, block_mm)
    upright = best_upright(model.vertices, block_mm)
    any_way = best_of_all(model.vertices, block_mm)
    enough = upright.least_mm >= allowance_mm
    chosen = (
        upright if enough or upright.least_mm > any_way.least_mm - WORTH_TILTING_MM else any_way
    )
    axis, end = np.unravel_index(int(np.argmin(chosen.spare_mm)), (3, 2))
    return BlockFit(
        block_mm, allowance_mm, standing, upright, any_way, chosen,
        None if seats is None else seats @ chosen.R.T + chosen.t,
        chosen.touching[axis, end], FACES[int(axis)][int(end)],
    )  # fmt: skip


def fit_words(fit: BlockFit, points: Points) -> tuple[str, ...]:
    """The fit in the carver's words."""
    size = " x ".join(f"{side:g}" for side in fit.block_mm)
    tilted = fit.chosen is fit.any_way
    how = "laid over" if tilted else "upright"
    least = fit.chosen.least_mm
    if fit.goes_in:
        first = (
            f"The model goes into the block of {size} mm, {how}, with {least:.1f} mm of stone or "
            f"more over it everywhere ({fit.allowance_mm:g} mm wanted)."
        )
    elif least >= 0.0:
        first = (
            f"The model goes into the block of {size} mm only with {least:.1f} mm of stone at the "
            f"tightest place, {how}; {fit.allowance_mm:g} mm are wanted."
        )
    else:
        first = (
            f"The model does not go into the block of {size} mm: at best, {how}, it stands out of "
            f"it by {-least:.1f} mm on two sides. Take a larger block or a smaller scale."
        )
    beside = ", ".join(f"{round(float(v), 1) + 0.0:.1f}" for v in fit.tightest)
    said = [
        first,
        f"Tightest place: {beside} mm (x, y, z){_near(fit.tightest, points)}, {least:.1f} mm from "
        f"the {fit.face} face.",
        f"Least stone as the model stands {fit.standing.least_mm:.1f} mm, turned about the upright "
        f"{fit.upright.least_mm:.1f} mm, turned any way {fit.any_way.least_mm:.1f} mm.",
    ]
    said += _seat_words(fit)
    return tuple(said)


def _near(place: Array, points: Points) -> str:
    if not len(points):
        return ""
    away = np.linalg.norm(points.xyz - place, axis=1)
    nearest = int(np.argmin(away))
    return f", {away[nearest]:.0f} mm from point {points.names[nearest]}"


def _seat_words(fit: BlockFit) -> list[str]:
    if fit.seats_mm is None:
        return [
            "The seats are not on record, so their places on the block cannot be told: import the "
            "model with --seats."
        ]
    said = ["Mark the seats on the block, in millimetres from its left, front and bottom faces:"]
    for k, (x, y, z) in enumerate(fit.seats_mm, start=1):
        said.append(
            f"  seat {k}: {x:.1f} from the left, {y:.1f} from the front, {z:.1f} from the bottom"
            f"{_depth_words(np.array([x, y, z]), fit.block_mm)}"
        )
    return said


def _depth_words(seat: Array, block_mm: Array) -> str:
    """How far a seat lies off the block's surface."""
    gaps = np.stack([seat, block_mm - seat], axis=1)
    if gaps.min() < 0.0:
        outside = float(np.linalg.norm(np.minimum(gaps, 0.0)))
        return f" ({outside:.1f} mm outside of the block)"
    axis, end = np.unravel_index(int(np.argmin(gaps)), (3, 2))
    return f" ({gaps[axis, end]:.1f} mm inside of the {FACES[int(axis)][int(end)]} face)"


def fit_document(fit: BlockFit, points: Points) -> dict[str, Any]:
    """The fit as plain texts and figures, for JSON."""
    return {
        "block_mm": [float(v) for v in fit.block_mm],
        "allowance_mm": fit.allowance_mm,
        "goes_in": fit.goes_in,
        "least_mm": round(fit.chosen.least_mm, 3),
        "as_it_stands_mm": round(fit.standing.least_mm, 3),
        "upright_mm": round(fit.upright.least_mm, 3),
        "any_way_mm": round(fit.any_way.least_mm, 3),
        "R": [[round(float(v), 9) for v in row] for row in fit.chosen.R],
        "t": [round(float(v), 4) for v in fit.chosen.t],
        "tightest": {"place_mm": [round(float(v), 3) for v in fit.tightest], "face": fit.face},
        "seats_mm": None
        if fit.seats_mm is None
        else [[round(float(v), 3) for v in seat] for seat in fit.seats_mm],
        "said": list(fit_words(fit, points)),
    }


@dataclass(frozen=True, slots=True)
class StageFit:
    """The model in a photographed block, along its needles.

    Attributes
    ----------
    before_mm : float
        Least stone over any place that was seen, as the frame stands.
    move : SmallMove
        The small move that leaves most, to first order.
    seats_move_mm : (3, 3) array or None
        How each seat goes with it.
    tightest : (3,) array, mm
    unseen_share : float
        Of the model's vertices: nothing is known there.
    """

    before_mm: float
    move: SmallMove
    seats_move_mm: Array | None
    tightest: Array
    unseen_share: float


def fit_into_stage(stone: StoneLeftMap, seats: Array | None) -> StageFit:
    """Where the model had best stand in a block that was photographed.

    Raises
    ------
    InputError
        Nothing was seen.
    """
    seen = stone.seen & np.isfinite(stone.stone_left_mm)
    over = StoneOver(
        stone.surface.vertices[seen],
        stone.surface.vertex_normals[seen],
        stone.stone_left_mm[seen],
    )
    move = best_small_move(over, MOST_SHIFT_MM, float(np.radians(MOST_TURN_DEG)))
    moved = None
    if seats is not None:
        moved = move.shift_mm + np.cross(move.turn_rad, seats - move.about)
    first = int(move.tightest[0]) if len(move.tightest) else int(np.argmin(over.stone_mm))
    return StageFit(
        float(over.stone_mm.min()), move, moved, over.places[first], float(1.0 - seen.mean())
    )


def stage_fit_words(fit: StageFit, allowance_mm: float, points: Points) -> tuple[str, ...]:
    """The fit in a photographed block in the carver's words."""
    least = fit.move.least_mm
    beside = ", ".join(f"{round(float(v), 1) + 0.0:.1f}" for v in fit.tightest)
    verdict = "enough" if least >= allowance_mm else "too little"
    said = [
        f"As the frame stands, the least stone over the places seen is {fit.before_mm:.1f} mm; "
        f"set elsewhere it could be {least:.1f} mm, {verdict} for {allowance_mm:g} mm.",
        f"Tightest place then: {beside} mm (x, y, z){_near(fit.tightest, points)}.",
    ]
    if fit.seats_move_mm is not None:
        said.append("For that the seats would go, in the frame's x, y and z:")
        said += [
            f"  seat {k}: " + ", ".join(f"{v:+.1f}" for v in way) + " mm"
            for k, way in enumerate(fit.seats_move_mm, start=1)
        ]
    said.append(
        f"{100.0 * fit.unseen_share:.0f} % of the model was not seen: nothing is known there. The "
        "figures hold for small moves; set the frame, photograph it again and look once more."
    )
    return tuple(said)


def stage_fit_document(fit: StageFit, allowance_mm: float, points: Points) -> dict[str, Any]:
    """The fit in a photographed block as plain texts and figures, for JSON."""
    move = fit.move
    return {
        "allowance_mm": allowance_mm,
        "before_mm": round(fit.before_mm, 3),
        "least_mm": round(move.least_mm, 3),
        "goes_in": move.least_mm >= allowance_mm,
        "shift_mm": [round(float(v), 3) for v in move.shift_mm],
        "turn_rad": [round(float(v), 6) for v in move.turn_rad],
        "about_mm": [round(float(v), 3) for v in move.about],
        "tightest_mm": [round(float(v), 3) for v in fit.tightest],
        "seats_move_mm": None
        if fit.seats_move_mm is None
        else [[round(float(v), 3) for v in way] for way in fit.seats_move_mm],
        "unseen_share": round(fit.unseen_share, 3),
        "said": list(stage_fit_words(fit, allowance_mm, points)),
    }
