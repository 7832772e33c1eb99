"""Both halves of a survey of the frame by formula: what detection would hand on, with truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.simulated_network import HEIGHT, LENS, WIDTH, World, detect, look_at, square
from tracker.maths import rotation
from tracker.maths.camera import Array, Pose
from tracker.network.adjust import adjust
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar
from tracker.targets.observation import Detection

SEATS = np.array([[0.0, 0.0, 0.0], [240.0, 0.0, 0.0], [110.0, 200.0, 0.0]])
PIN_MM = 25.0
MIDDLE = np.array([120.0, 80.0, 120.0])
FAR_MM = 300.0
"""Height of the figure's top over the seats."""
CARDS = tuple(range(10, 22))
BENCH = tuple(range(30, 38))
PHOTOS = 8
NAMES = [f"IMG_{k:04d}.jpg" for k in range(2 * PHOTOS)]


@dataclass(frozen=True, slots=True)
class Scene:
    """True corners by number: what lies still, the frame's cards, the seat targets."""

    still: dict[int, Array]
    frame: dict[int, Array]
    seats: dict[int, Array]
    bars: tuple[Bar, ...]


def scene(seed: int = 1, seats: Array = SEATS) -> Scene:
    """Frame cards low and high about the figure, bench targets and two bars, seat targets."""
    rng = np.random.default_rng(seed)
    foot = MIDDLE * [1, 1, 0]
    frame = {}
    for k, tag in enumerate(CARDS):
        angle = 2.0 * np.pi * k / len(CARDS)
        out = np.array([np.cos(angle), np.sin(angle), 0.0])
        place = foot + 190.0 * out + [0.0, 0.0, (20.0, 160.0, FAR_MM)[k % 3]]
        frame[tag] = square(place, out + [0, 0, rng.uniform(0.2, 0.8)], rng.uniform(-0.4, 0.4))
    still = {}
    for k, tag in enumerate(BENCH):
        angle = 2.0 * np.pi * (k + 0.4) / len(BENCH)
        place = foot + rng.uniform(250, 330) * np.array([np.cos(angle), np.sin(angle), 0.0])
        place[2] = -30.0 + 25.0 * (k % 2)
        still[tag] = square(place, np.array([*rng.normal(0, 0.2, 2), 1.0]), rng.uniform(-3, 3))
    bars = []
    for k, angle in enumerate((0.4, 2.5)):
        along = np.array([-np.sin(angle), np.cos(angle), 0.2])
        middle = foot + 330.0 * np.array([np.cos(angle), np.sin(angle), 0.0])
        a, b = 50 + 2 * k, 51 + 2 * k
        up = np.array([0.2 * np.cos(angle), 0.2 * np.sin(angle), 1.0])
        still[a], still[b] = (
            square(middle - 150.0 * along, up, 0.3),
            square(middle + 150.0 * along, up, -0.2),
        )
        length = float(np.linalg.norm(still[a].mean(axis=0) - still[b].mean(axis=0)))
        bars.append(Bar(a, b, length, 0.05))
    on_seats = {}
    for k, seat in enumerate(seats):
        up = np.array([*rng.normal(0.0, 0.05, 2), 1.0])
        up /= np.linalg.norm(up)
        on_seats[k + 1] = square(seat + PIN_MM * up, up, rng.uniform(-3, 3), 48.0)
    return Scene(still, frame, on_seats, tuple(bars))


def stations(half: int) -> tuple[Pose, ...]:
    """A ring of stations at two heights, other ones in either half."""
    rng = np.random.default_rng([7, half])
    poses = []
    for k in range(PHOTOS):
        angle = 2.0 * np.pi * (k + 0.5 * half) / PHOTOS + rng.normal(0, 0.05)
        eye = MIDDLE + [760 * np.cos(angle), 760 * np.sin(angle), (330.0, 560.0)[k % 2]]
        spin = (0.0, np.pi / 2)[k % 3 == 2] + rng.normal(0, 0.05)
        poses.append(look_at(eye, MIDDLE + rng.normal(0, 15.0, 3), spin))
    return tuple(poses)


def seen(world: Scene, seed: int = 2, later: dict[int, Array] | None = None) -> list[Detection]:
    """Detections of both halves; `later` replaces what lies still in the second."""
    first = World({**world.still, **world.frame}, stations(0), LENS, ())
    second = World({**world.still, **(later or {}), **world.seats}, stations(1), LENS, ())
    return [*detect(first, seed=seed), *detect(second, seed=seed + 1000)]


def swapped(world: Scene, a: int, b: int) -> Scene:
    """Two seat targets in each other's seats."""
    seats = {**world.seats, a: world.seats[b], b: world.seats[a]}
    return replace(world, seats=seats)


def moved(corners: Array, shift_mm: float, seed: int) -> Array:
    """A target pushed aside and turned."""
    rng = np.random.default_rng(seed)
    middle = corners.mean(axis=0)
    turn = rotation.exp(np.array([0.0, 0.0, rng.uniform(0.05, 0.2)]))
    way = rng.normal(size=3) * [1, 1, 0]
    return (corners - middle) @ turn.T + middle + shift_mm * way / np.linalg.norm(way)


def adjusted(world: Scene, detections: list[Detection]) -> Adjustment:
    """One adjustment of both halves."""
    return adjust(
        detections,
        names=NAMES[: len(detections)],
        cameras=[0] * len(detections),
        sizes=[(WIDTH, HEIGHT)],
        focal_guess_px=[LENS.focal_px * 1.03],
        focal_known=[True],
        known={},
        bars=world.bars,
    )
