"""Whole sets: model, stone, setting, photographs and truth, written to a folder."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

from scripts.scene import pointing
from scripts.scene.camera import phone, stations
from scripts.scene.film import Film, save_jpeg
from scripts.scene.forms import FORMS, model_mesh
from scripts.scene.kept import keep_mesh
from scripts.scene.light import LIGHTS, caster_of, lit_scene, merge
from scripts.scene.meshes import STONE, part
from scripts.scene.photograph import Darkroom, Stone
from scripts.scene.record import (
    Shoot,
    shipped,
    write_cameras,
    write_job_files,
    write_overcuts,
    write_pits,
    write_points,
    write_samples,
    write_seats,
    write_targets,
)
from scripts.scene.setting import Setting, card_parts, knocked, make_setting
from scripts.scene.stone import Block, Carving, carve

Array = NDArray[np.float64]
BENCH_BELOW_MM = 30.0
TONES = {
    "pale": ((0.66, 0.645, 0.60), 0.045),
    "warm": ((0.62, 0.55, 0.45), 0.04),
    "grey": ((0.50, 0.51, 0.52), 0.05),
}
"""Linear RGB of the stone and the fine relief of its grain."""


@dataclass(frozen=True, slots=True)
class Order:
    """What is asked for; lengths in mm."""

    form: str
    out: Path
    photos: int
    width: int
    height: int
    seed: int
    step_deg: float
    footprint_mm: float
    light: str
    tone: str
    stages: int
    film: Film
    knock_card: int | None = None
    truth_only: bool = False
    model_spacing_mm: float = 0.8
    stone_spacing_mm: float = 0.8
    sample_count: int = 12000


def log(start: float, text: str) -> None:
    """One line of progress with the seconds since the start."""
    print(f"{time.monotonic() - start:7.1f} s  {text}", flush=True)


def make_block(order: Order) -> Block:
    """The block round the form, and its seats in frame coordinates."""
    form, rng = FORMS[order.form], np.random.default_rng(order.seed)
    span = 2.0 * form.radius_mm + 105.0
    seats = np.array([[0.0, 0.0, 0.0], [span, 0.0, 0.0], [0.47 * span, 0.84 * span, 0.0]])
    half = np.full(2, form.radius_mm + 10.0) + rng.uniform(0.0, 4.0, 2)
    sides = np.array([-22.0, span + 22.0, -22.0, 0.84 * span + 22.0, -BENCH_BELOW_MM, 0.0])
    turn = 0.5 * np.pi + rng.uniform(-0.7, 0.7)
    origin = np.array([0.5 * span, 0.33 * span, 0.0])
    return Block(form, origin, half, form.height_mm + 13.0, sides, seats, float(turn), order.seed)


def overcut_spots(
    model: trimesh.Trimesh, block: Block, limit: float, widths: Array, seed: int
) -> Array:
    """Centres of over-cut spots to come, on stone finished from the first day, (n, 3).

    Each where the form is one smooth surface as wide as the spot; the widest is placed first.
    """
    places, normals = pointing.samples(model, 12000, seed)
    order = pointing.order_of_carving(block, places)
    keep = (order < limit - 0.08) & (places[:, 2] > 20.0) & (normals[:, 2] > -0.3)
    places, normals = places[keep], normals[keep]
    keep = pointing.clear_of_the_form(model, places, normals)
    places, normals = places[keep], normals[keep]
    chosen = np.zeros((len(widths), 3))
    done: list[int] = []
    for i in np.argsort(-widths):
        flat = pointing.flat_spots(model, places, normals, 0.45 * float(widths[i]))
        apart = np.full(len(places), 1e6)
        for j in done:
            gap = np.linalg.norm(places - chosen[j], axis=1) - 0.5 * (widths[i] + widths[j]) - 4.0
            apart = np.minimum(apart, gap)
        fit = np.where(flat & (apart > 0.0), np.minimum(apart, 40.0), -1.0)
        if fit.max() < 0.0:
            raise SystemExit(f"no smooth finished place for an over-cut of {widths[i]} mm")
        chosen[i] = places[int(fit.argmax())]
        done.append(int(i))
    return chosen


def carvings(
    order: Order, block: Block, model: trimesh.Trimesh, points: Array, normals: Array
) -> list[Carving]:
    """The days: how much is finished, where pits are drilled, where the chisel went too deep."""
    rng = np.random.default_rng(order.seed + 1)
    spots, _ = pointing.samples(model, 4000, order.seed + 2)
    ranks = pointing.order_of_carving(block, spots[spots[:, 2] > 4.0])
    shares = [(0.24, 0.58), (0.40, 0.75)] if order.stages == 2 else [(0.40, 0.75)]
    at = pointing.order_of_carving(block, points)
    first_close = np.quantile(ranks, shares[0][0])
    rows = np.flatnonzero(at > first_close)
    rows = rows[np.argsort(at[rows])][:: max(1, len(rows) // 13)][:13]
    pits = np.column_stack([points[rows], normals[rows], rng.uniform(1.0, 2.2, len(rows))])
    depth = np.array([1.4, 1.1, 2.1, 1.7, 2.8, 1.3])
    width = np.array([15.0, 11.0, 15.0, 17.0, 19.0, 13.0])
    centres = overcut_spots(model, block, float(first_close), width, order.seed + 3)
    days = []
    for day, (f, c) in enumerate(shares):
        last = day == len(shares) - 1
        n = 6 if last else 4
        d, w = depth[:n].copy(), width[:n].copy()
        if last and len(shares) == 2:
            d[0], w[0] = 2.6, 17.0
        cuts = np.column_stack([centres[:n], d, w])
        limits = np.quantile(ranks, [f, c])
        days.append(Carving(float(limits[0]), float(limits[1]), pits, cuts))
    return days


def stage_setting(order: Order, block: Block, stage: int) -> tuple[Setting, Setting]:
    """The setting as recorded and as it stood: a knocked card differs.

    Between stages the bench is cleared and laid again; the frame is the same.
    """
    form = block.form
    setting = make_setting(
        block.seats,
        block.origin,
        form.radius_mm,
        form.height_mm,
        -BENCH_BELOW_MM,
        order.seed,
        stage,
    )
    if order.knock_card is None:
        return setting, setting
    cards = [knocked(c, 4.0, 3.0) if c.tag == order.knock_card else c for c in setting.cards]
    return setting, replace(setting, cards=cards)


@dataclass(frozen=True, slots=True)
class Plan:
    """What all stages of a set share."""

    order: Order
    block: Block
    model: trimesh.Trimesh
    points: Array
    normals: Array
    days: list[Carving]
    start: float

    @property
    def middle(self) -> Array:
        """Where the photographs look, mm."""
        return self.block.origin + [0.0, 0.0, 0.46 * self.block.form.height_mm]


def make_stage(plan: Plan, stage: int) -> None:
    """Stone, truth and photographs of one stage."""
    order, name = plan.order, f"stage-{stage + 1}"
    single = order.stages == 1
    photos = order.out / ("photos" if single else name)
    folder = order.out / "truth" if single else order.out / "truth" / name
    photos.mkdir(parents=True, exist_ok=True)
    folder.mkdir(parents=True, exist_ok=True)
    day = plan.days[stage]
    stone = carve(plan.block, plan.days[: stage + 1], order.stone_spacing_mm)
    stone.export(order.out / "truth" / f"stone_{name}.ply")
    keep_mesh(order.out / "truth" / f"stone_{name}.xz", stone, plan.model)
    log(plan.start, f"{name}: stone of {len(stone.faces)} triangles")
    rng = np.random.default_rng(order.seed + 100 * (stage + 1))
    lens = phone(order.width, order.height, np.random.default_rng(order.seed + 7))
    reach = order.footprint_mm * lens.focal_px
    views = stations(order.photos, order.step_deg, reach, plan.middle, rng)
    recorded, stood = stage_setting(order, plan.block, stage)
    rings = np.column_stack([day.pits[:, :6], np.full(len(day.pits), 5.0)])
    look = Stone(*TONES[order.tone], order.seed, rings)
    parts = [part(stone, STONE, look.rgb), *card_parts(stood.cards), *stood.parts]
    names = [f"IMG_{4021 + 100 * stage + i}.jpg" for i in range(len(views))]
    bodies = merge(parts)
    caster = caster_of(bodies["vertices"], bodies["faces"])
    shoot = Shoot(folder, caster, lens, names, views, stone, plan.model)
    if stage == 0:
        write_job_files(order.out, recorded, plan.points, plan.normals, order.seed)
        write_seats(order.out, plan.block.seats)
    write_truth(plan, shoot, stood, day)
    if order.truth_only:
        return
    lit = lit_scene(parts, LIGHTS[order.light], plan.middle, rings, order.seed)
    log(plan.start, f"{name}: light")
    take_photographs(plan, shoot, Darkroom(lit, stood.cards, lens, look, order.film), photos, stage)


def write_truth(plan: Plan, shoot: Shoot, stood: Setting, day: Carving) -> None:
    """All truth files of a stage."""
    write_cameras(shoot)
    write_targets(shoot, stood)
    write_points(shoot, plan.points, plan.normals)
    write_samples(shoot, plan.order.sample_count, plan.order.seed + 9)
    write_pits(shoot, day)
    write_overcuts(shoot, day, plan.order.seed + 10)
    log(plan.start, "truth")


def take_photographs(plan: Plan, shoot: Shoot, room: Darkroom, folder: Path, stage: int) -> None:
    """The JPEG files of a stage, two days after the stage before."""
    order = plan.order
    taken = datetime(2024, 5, 14, 9, 12, 5) + timedelta(days=2 * stage)
    for i, (name, view) in enumerate(zip(shoot.names, shoot.views, strict=True)):
        focus = float(np.linalg.norm(view.centre - plan.middle))
        focus -= 0.5 * plan.block.form.radius_mm
        picture = room.photograph(view, focus, order.seed * 1000 + 100 * stage + i)
        when = taken + timedelta(seconds=9 * i)
        save_jpeg(folder / name, picture, view, shoot.lens, order.film, when)
        log(plan.start, name)


def make_set(order: Order) -> None:
    """Everything of an order, written to its folder."""
    start = time.monotonic()
    (order.out / "truth").mkdir(parents=True, exist_ok=True)
    block = make_block(order)
    model = model_mesh(block.form, block.origin, order.model_spacing_mm)
    log(start, f"model of {len(model.faces)} triangles")
    model = shipped(model, order.out / "model.ply")
    points, normals = pointing.pointing_list(model, 60, order.seed + 5)
    days = carvings(order, block, model, points, normals)
    plan = Plan(order, block, model, points, normals, days, start)
    for stage in range(order.stages):
        make_stage(plan, stage)
    log(start, "done")
