"""What stands round the stone: pointing frame, target cards, bench, scale bars, clutter."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scripts.scene.meshes import BENCH, CARD, PAINT, WOOD, Part, brick, part, rod, sheet
from scripts.scene.tags import MODULES

Array = NDArray[np.float64]
PINE, OAK, STEEL, PAPER = (
    (0.50, 0.33, 0.17),
    (0.36, 0.22, 0.12),
    (0.16, 0.16, 0.17),
    (0.8, 0.8, 0.8),
)


@dataclass(frozen=True, slots=True)
class Card:
    """A target: number, role (frame, bench, bar, spare), centre and axes in frame coordinates.

    `right` and `up` are the directions of the upright print; `side_mm` its black square.
    """

    tag: int
    role: str
    centre: Array
    right: Array
    up: Array
    side_mm: float

    @property
    def corners(self) -> Array:
        """Outer corners of the black square: top left, top right, bottom right, bottom left."""
        h = 0.5 * self.side_mm
        signs = np.array([[-h, h], [h, h], [h, -h], [-h, -h]])
        return self.centre + signs[:, :1] * self.right + signs[:, 1:] * self.up

    @property
    def normal(self) -> Array:
        """Direction the print faces."""
        return np.cross(self.right, self.up)


@dataclass(frozen=True, slots=True)
class Setting:
    """Cards and the bodies that carry them; `bars` are (tag, tag, known to the job)."""

    cards: list[Card]
    parts: list[Part]
    bars: list[tuple[int, int, bool]]


def unit(v: Array) -> Array:
    """Direction of v."""
    return np.asarray(v / np.linalg.norm(v))


def card(
    tag: int, role: str, centre: Array, facing: Array, spin_rad: float, side_mm: float
) -> Card:
    """Card at `centre` that faces `facing`, its print turned by `spin_rad` from upright."""
    n = unit(facing)
    right = np.cross([0.0, 0.0, 1.0], n)
    right = unit(right) if np.linalg.norm(right) > 1e-6 else np.array([1.0, 0.0, 0.0])
    up = np.cross(n, right)
    c, s = np.cos(spin_rad), np.sin(spin_rad)
    return Card(
        tag, role, np.asarray(centre, float), c * right + s * up, c * up - s * right, side_mm
    )


def knocked(which: Card, shift_mm: float, turn_deg: float) -> Card:
    """The card after a knock: moved along its own plane's diagonal and turned about its up."""
    a = np.radians(turn_deg)
    right = np.cos(a) * which.right + np.sin(a) * which.normal
    move = unit(which.right + 0.6 * which.up + 0.5 * which.normal)
    return replace(which, centre=which.centre + shift_mm * move, right=right)


def card_parts(cards: list[Card]) -> list[Part]:
    """Paper faces (numbered by row) on thin boards."""
    made = []
    for row, c in enumerate(cards):
        wide = c.side_mm * (MODULES + 2.4) / MODULES
        start = c.centre - 0.5 * wide * (c.right + c.up)
        made.append(part(sheet(start, wide * c.right, wide * c.up, 2.5), CARD, PAPER, row))
        axes = np.stack([c.right, c.up, c.normal])
        board = brick(c.centre - 1.6 * c.normal, axes, np.array([wide, wide, 2.8]), 8.0)
        made.append(part(board, WOOD, OAK))
    return made


def frame_cards(
    seats: Array, middle: Array, radius: float, height: float, rng: np.random.Generator
) -> tuple[list[Card], list[Part]]:
    """The frame: three pointed legs in the seats, a low ring outside, two masts, its cards."""
    made, cards, tag = [], [], 10
    ring_z, ring_r = 14.0, radius + 118.0
    angles = np.arange(9) * (2 * np.pi / 9) + 0.2
    knots = np.stack(
        [
            middle[0] + ring_r * np.cos(angles),
            middle[1] + ring_r * np.sin(angles),
            np.full(9, ring_z),
        ],
        1,
    )
    for i in range(9):
        made.append(part(rod(knots[i], knots[(i + 1) % 9], 6.0), WOOD, PINE))
        out = np.array([np.cos(angles[i]), np.sin(angles[i]), 0.0])
        yaw = angles[i] + rng.uniform(-0.3, 0.3)
        tilt = np.radians(rng.uniform(28.0, 58.0))
        facing = np.array([np.cos(yaw) * np.cos(tilt), np.sin(yaw) * np.cos(tilt), np.sin(tilt)])
        lift = [8.0, 26.0, 44.0][i % 3]
        centre = knots[i] + 6.0 * out + [0.0, 0.0, lift]
        cards.append(
            card(
                tag,
                "frame",
                centre,
                facing,
                rng.uniform(-0.3, 0.3),
                [56.0, 48.0, 44.0][(i * 2) % 3],
            )
        )
        made.append(part(rod(knots[i], centre - 3.0 * unit(facing), 4.0), WOOD, PINE))
        tag += 1
    for i, share in enumerate((0.42, 0.68, 0.95)):
        out = unit(np.array([seats[i, 0] - middle[0], seats[i, 1] - middle[1], 0.0]))
        top = seats[i] + [0.0, 0.0, share * height]
        made.append(part(rod(seats[i] - [0.0, 0.0, 3.0], top, 6.0, tip_mm=12.0), WOOD, PINE))
        near = knots[np.argmin(np.linalg.norm(knots[:, :2] - (seats[i] + 60 * out)[:2], axis=1))]
        made.append(part(rod(seats[i] + [0.0, 0.0, ring_z], near, 5.0), WOOD, PINE))
        side = np.array([-out[1], out[0], 0.0])
        facing = out + rng.uniform(-0.5, 0.5) * side + [0.0, 0.0, rng.uniform(0.15, 0.5)]
        cards.append(card(tag, "frame", top + 9.0 * out, facing, rng.uniform(-0.4, 0.4), 40.0))
        tag += 1
    for knot, share in ((1, 0.55), (5, 0.8)):
        foot = knots[knot] + 0.45 * (knots[(knot + 1) % 9] - knots[knot])
        out = unit(np.array([foot[0] - middle[0], foot[1] - middle[1], 0.0]))
        top = foot + [0.0, 0.0, share * height]
        made.append(part(rod(foot, top, 4.5), WOOD, PINE))
        facing = out + [0.0, 0.0, 0.35]
        cards.append(card(tag, "frame", top + 8.0 * out, facing, rng.uniform(-0.4, 0.4), 42.0))
        tag += 1
    return cards, made


def bench_cards(
    middle: Array, bench_z: float, ring_r: float, rng: np.random.Generator
) -> list[Card]:
    """Eight cards on the bench, half of them flat, half on wedges."""
    cards = []
    for i in range(8):
        angle = 2 * np.pi * (i + 0.35) / 8 + rng.uniform(-0.15, 0.15)
        out = np.array([np.cos(angle), np.sin(angle), 0.0])
        if i % 2:
            centre = middle * [1, 1, 0] + (ring_r + 42.0 + 20.0 * rng.uniform()) * out
            centre[2] = bench_z + 26.0
            facing = out * np.cos(0.8) + np.array([0.0, 0.0, np.sin(0.8)])
        else:
            centre = middle * [1, 1, 0] + (ring_r + 62.0 + 20.0 * rng.uniform()) * out
            centre[2] = bench_z + 3.2
            facing = np.array([0.0, 0.0, 1.0])
        cards.append(
            card(30 + i, "bench", centre, facing, rng.uniform(-3.0, 3.0), [60.0, 52.0][i % 2])
        )
    return cards


def scale_bars(
    middle: Array, bench_z: float, ring_r: float, rng: np.random.Generator
) -> tuple[list[Card], list[Part], list[tuple[int, int, bool]]]:
    """Three bars lying about the frame: the first is the known one."""
    cards, made, pairs = [], [], []
    layout = (
        (-1.65, 330.0, 0.10, "bar"),
        (0.15, 300.0, 0.16, "spare"),
        (1.9, 340.0, 0.30, "spare"),
    )
    for i, (angle, length, rise, role) in enumerate(layout):
        angle += rng.uniform(-0.1, 0.1)
        length += rng.uniform(-4.0, 4.0)
        out = np.array([np.cos(angle), np.sin(angle), 0.0])
        along = unit(np.array([-out[1], out[0], rise]))
        centre = middle * [1, 1, 0] + (ring_r + 118.0) * out
        centre[2] = bench_z + 24.0 + 0.5 * rise * length
        facing = unit(np.cross(along, np.cross([0.25 * out[0], 0.25 * out[1], 1.0], along)))
        across = np.cross(facing, along)
        beam = brick(
            centre - 6.0 * facing,
            np.stack([along, across, facing]),
            np.array([length + 70.0, 60.0, 6.0]),
            8.0,
        )
        made.append(part(beam, PAINT, STEEL))
        for k, sign in enumerate((-1.0, 1.0)):
            at = centre + 0.5 * sign * length * along
            cards.append(card(50 + 2 * i + k, role, at, facing, rng.uniform(-3.0, 3.0), 46.0))
        foot = centre + 0.45 * length * along - 9.0 * facing
        made.append(part(rod(np.array([foot[0], foot[1], bench_z]), foot, 9.0), WOOD, OAK))
        pairs.append((50 + 2 * i, 51 + 2 * i, role == "bar"))
    return cards, made, pairs


def paint(brightness: float, rng: np.random.Generator) -> tuple[float, float, float]:
    """A dull colour, linear RGB."""
    r, g, b = brightness * rng.uniform([0.8, 0.65, 0.5], [1.0, 0.95, 0.9])
    return float(r), float(g), float(b)


def clutter(middle: Array, bench_z: float, rng: np.random.Generator) -> list[Part]:
    """Tools and offcuts on the bench (low, well outside the frame) and things farther off."""
    made = []
    for _ in range(16):
        angle, reach = rng.uniform(0, 2 * np.pi), rng.uniform(430.0, 640.0)
        at = middle * [1, 1, 0] + reach * np.array([np.cos(angle), np.sin(angle), 0.0])
        way = unit(np.array([*rng.uniform(-1, 1, 2), 0.0]))
        colour = paint(rng.uniform(0.05, 0.28), rng)
        if rng.uniform() < 0.5:
            r = rng.uniform(5.0, 11.0)
            at[2] = bench_z + r
            made.append(part(rod(at - 80 * way, at + 80 * way, r), PAINT, colour))
        else:
            size = rng.uniform([40, 30, 20], [120, 90, 70])
            at[2] = bench_z + 0.5 * size[2]
            axes = np.stack([way, np.cross([0, 0, 1.0], way), [0.0, 0.0, 1.0]])
            made.append(part(brick(at, axes, size, 12.0), PAINT, colour))
    for _ in range(14):
        angle, reach = rng.uniform(0, 2 * np.pi), rng.uniform(1300.0, 2400.0)
        at = middle * [1, 1, 0] + reach * np.array([np.cos(angle), np.sin(angle), 0.0])
        at[2] = bench_z + rng.uniform(-700.0, 100.0)
        way = unit(np.array([*rng.uniform(-1, 1, 2), 0.0]))
        axes = np.stack([way, np.cross([0, 0, 1.0], way), [0.0, 0.0, 1.0]])
        colour = paint(rng.uniform(0.02, 0.14), rng)
        made.append(part(brick(at, axes, rng.uniform(250, 700, 3), 200.0), PAINT, colour))
    return made


def bench(middle: Array, bench_z: float) -> Part:
    """The bench top, finely divided where shadows fall."""
    low = np.array([middle[0] - 760.0, middle[1] - 700.0, bench_z])
    top = sheet(low, np.array([1520.0, 0.0, 0.0]), np.array([0.0, 1400.0, 0.0]), 6.0)
    return part(top, BENCH, (0.20, 0.135, 0.08))


def make_setting(
    seats: Array, middle: Array, radius: float, height: float, bench_z: float, seed: int, stage: int
) -> Setting:
    """Everything round the stone of a form of the given radius and height.

    The frame depends on the seed alone; what lies on the bench on the stage too.
    """
    ring_r = radius + 118.0
    cards, parts = frame_cards(seats, middle, radius, height, np.random.default_rng(seed + 20))
    rng = np.random.default_rng([seed + 21, stage])
    cards += bench_cards(middle, bench_z, ring_r, rng)
    bar_cards, bar_parts, pairs = scale_bars(
        middle, bench_z, ring_r, np.random.default_rng([seed + 22, 0])
    )
    cards += bar_cards
    parts += bar_parts + clutter(middle, bench_z, rng) + [bench(middle, bench_z)]
    return Setting(cards, parts, pairs)
