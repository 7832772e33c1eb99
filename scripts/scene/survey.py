"""A survey of the frame: the frame on the seats, then seat targets in them, photographed at once.

A cast stands on its plinth. Bench targets, bars and tools are the same in both halves; the frame
is there in the first only, the seat targets on their pins in the second.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

from scripts.scene.camera import Station, phone, stations
from scripts.scene.film import Film, save_jpeg
from scripts.scene.forms import FORMS, Form, model_mesh
from scripts.scene.light import LIGHTS, lit_scene
from scripts.scene.meshes import PAINT, STONE, brick, part, rod
from scripts.scene.photograph import Darkroom, Stone
from scripts.scene.record import numbers, write_csv, write_seats
from scripts.scene.setting import (
    STEEL,
    Card,
    Setting,
    bench,
    bench_cards,
    card,
    card_parts,
    clutter,
    frame_cards,
    scale_bars,
)

Array = NDArray[np.float64]
BENCH_BELOW_MM = 30.0
PLINTH_DEEP_MM = 3.0
"""The seats' points lie so far below the plinth's top."""


@dataclass(frozen=True, slots=True)
class SurveyOrder:
    """What is asked for; lengths in mm."""

    form: str
    out: Path
    photos: int
    width: int
    height: int
    seed: int
    pin_mm: float
    footprint_mm: float
    light: str
    film: Film
    truth_only: bool = False


def seat_places(form: Form) -> Array:
    """Seats about the form, in frame coordinates."""
    span = 2.0 * form.radius_mm + 105.0
    return np.array([[0.0, 0.0, 0.0], [span, 0.0, 0.0], [0.47 * span, 0.84 * span, 0.0]])


def seat_cards(seats: Array, pin_mm: float, rng: np.random.Generator) -> list[Card]:
    """Cards whose pins stand in the seats, nearly level, as a hand leaves them."""
    made = []
    for k, seat in enumerate(seats):
        facing = np.array([*rng.normal(0.0, 0.05, 2), 1.0])
        facing /= np.linalg.norm(facing)
        made.append(
            card(k + 1, "seat", seat + pin_mm * facing, facing, rng.uniform(-3.0, 3.0), 48.0)
        )
    return made


def half_settings(
    seed: int, pin_mm: float, form: Form, seats: Array, middle: Array
) -> list[Setting]:
    """What stands about the cast in either half; the bench is the same."""
    ring = form.radius_mm + 118.0
    rng = np.random.default_rng([seed + 21, 0])
    bench_z = -BENCH_BELOW_MM
    lying = bench_cards(middle, bench_z, ring, rng)
    bars, bar_parts, pairs = scale_bars(
        middle, bench_z, ring, np.random.default_rng([seed + 22, 0])
    )
    still = [*bar_parts, *clutter(middle, bench_z, rng), bench(middle, bench_z)]
    standing, wood = frame_cards(
        seats, middle, form.radius_mm, form.height_mm, np.random.default_rng(seed + 20)
    )
    on_seats = seat_cards(seats, pin_mm, np.random.default_rng(seed + 23))
    pins = [
        part(rod(seat, c.centre - 3.0 * c.normal, 1.5), PAINT, STEEL)
        for seat, c in zip(seats, on_seats, strict=True)
    ]
    return [
        Setting([*standing, *lying, *bars], [*wood, *still], pairs),
        Setting([*on_seats, *lying, *bars], [*pins, *still], pairs),
    ]


def cast(
    form: Form, origin: Array, seats: Array, spacing_mm: float = 2.0, cell_mm: float = 6.0
) -> trimesh.Trimesh:
    """The cast on its plinth, whose top leaves the pins' points in the seats."""
    span, deep = float(seats[1, 0]), BENCH_BELOW_MM + PLINTH_DEEP_MM
    middle = np.array([0.5 * span, 0.42 * span, PLINTH_DEEP_MM - 0.5 * deep])
    plinth = brick(middle, np.eye(3), np.array([span + 44.0, 0.84 * span + 44.0, deep]), cell_mm)
    return trimesh.util.concatenate([model_mesh(form, origin, spacing_mm), plinth])


def make_survey(order: SurveyOrder) -> None:
    """Photographs of both halves, the bars, and the truth, written to a folder."""
    start = time.monotonic()
    form = FORMS[order.form]
    seats = seat_places(form)
    middle = np.array([0.5 * seats[1, 0], 0.33 * seats[1, 0], 0.0])
    aim = middle + [0.0, 0.0, 0.4 * form.height_mm]
    halves = half_settings(order.seed, order.pin_mm, form, seats, middle)
    write_truth(order, halves, seats)
    if order.truth_only:
        return
    folder = order.out / "photos"
    folder.mkdir(parents=True, exist_ok=True)
    lens = phone(order.width, order.height, np.random.default_rng(order.seed + 7))
    stone = cast(form, middle, seats)
    look = Stone((0.62, 0.61, 0.58), 0.02, order.seed, np.zeros((0, 7)))
    taken = datetime(2024, 5, 13, 16, 2, 10)
    for half, setting in enumerate(halves):
        rng = np.random.default_rng(order.seed + 100 * (half + 1))
        views = stations(order.photos, 30.0, order.footprint_mm * lens.focal_px, aim, rng)
        parts = [part(stone, STONE, look.rgb), *card_parts(setting.cards), *setting.parts]
        lit = lit_scene(parts, LIGHTS[order.light], aim, look.rings, order.seed)
        room = Darkroom(lit, setting.cards, lens, look, order.film)
        for k, view in enumerate(views):
            number = half * order.photos + k
            save_photograph(order, room, view, aim, folder, number, taken)
            print(f"{time.monotonic() - start:7.1f} s  photograph {number + 1}", flush=True)


def save_photograph(
    order: SurveyOrder,
    room: Darkroom,
    view: Station,
    aim: Array,
    folder: Path,
    number: int,
    taken: datetime,
) -> None:
    """One picture, taken in its turn."""
    focus = float(np.linalg.norm(view.centre - aim)) - 40.0
    picture = room.photograph(view, focus, order.seed * 1000 + number)
    when = taken + timedelta(seconds=11 * number)
    save_jpeg(folder / f"IMG_{3801 + number}.jpg", picture, view, room.lens, order.film, when)


def write_truth(order: SurveyOrder, halves: list[Setting], seats: Array) -> None:
    """bars.csv for the job; true corners of the frame's cards and the seats beside it."""
    folder = order.out / "truth"
    folder.mkdir(parents=True, exist_ok=True)
    centre = {c.tag: c.centre for c in halves[0].cards}
    rows = [
        [a, b, f"{np.linalg.norm(centre[a] - centre[b]):.4f}", "0.05"] for a, b, _ in halves[0].bars
    ]
    write_csv(order.out / "bars.csv", "target_a,target_b,length_mm,u95_mm", rows)
    write_csv(
        folder / "frame.csv",
        "target,corner,x_mm,y_mm,z_mm",
        [
            [c.tag, k + 1, *numbers(c.corners[k])]
            for c in halves[0].cards
            if c.role == "frame"
            for k in range(4)
        ],
    )
    write_seats(order.out, seats)
