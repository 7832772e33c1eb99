"""A plaster cast photographed on its plinth: white, marked with dots and speckle, raking light.

Its frame stands about it or seat targets stand in its seats. The cast's own mesh is the truth.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

from scripts.scene import pointing, truth
from scripts.scene.camera import Station, TrueLens, phone, stations
from scripts.scene.film import Film, save_jpeg
from scripts.scene.forms import FORMS
from scripts.scene.kept import keep_mesh
from scripts.scene.light import LIGHTS, caster_of, lit_scene, merge
from scripts.scene.meshes import STONE, Part, part
from scripts.scene.photograph import Darkroom, Stone
from scripts.scene.record import numbers, write_csv
from scripts.scene.setting import Setting, card_parts
from scripts.scene.survey import PLINTH_DEEP_MM, cast, half_settings, seat_places

Array = NDArray[np.float64]
WHITE = (0.74, 0.73, 0.70)
GRAIN, RELIEF = 0.28, 0.012
"""What plaster has of its own, beside stone's."""


@dataclass(frozen=True, slots=True)
class CastOrder:
    """What is asked for; lengths in mm. `datum` is frame or seats; dots, speckle 0 to 1."""

    form: str
    out: Path
    photos: int
    width: int
    height: int
    seed: int
    datum: str
    pin_mm: float
    step_deg: float
    footprint_mm: float
    light: str
    dots: float
    speckle: float
    film: Film
    truth_only: bool = False
    spacing_mm: float = 0.7
    sample_count: int = 20000


def make_cast(order: CastOrder) -> None:
    """Photographs, the job's tables and the truth, written to a folder."""
    start = time.monotonic()
    form = FORMS[order.form]
    seats = seat_places(form)
    foot = np.array([0.5 * seats[1, 0], 0.33 * seats[1, 0], 0.0])
    aim = foot + [0.0, 0.0, 0.46 * form.height_mm]
    halves = half_settings(order.seed, order.pin_mm, form, seats, foot)
    setting = halves[0 if order.datum == "frame" else 1]
    body = cast(form, foot, seats, order.spacing_mm, 3.0)
    print(f"{time.monotonic() - start:7.1f} s  cast of {len(body.faces)} triangles", flush=True)
    lens = phone(order.width, order.height, np.random.default_rng(order.seed + 7))
    rng = np.random.default_rng(order.seed + 300)
    views = stations(order.photos, order.step_deg, order.footprint_mm * lens.focal_px, aim, rng)
    look = Stone(WHITE, RELIEF, order.seed, np.zeros((0, 7)), GRAIN, order.dots, order.speckle)
    parts = [part(body, STONE, look.rgb), *card_parts(setting.cards), *setting.parts]
    write_tables(order, halves, seats)
    write_truth(order, body, parts, lens, views)
    if order.truth_only:
        return
    folder = order.out / "photos"
    folder.mkdir(parents=True, exist_ok=True)
    lit = lit_scene(parts, LIGHTS[order.light], aim, look.rings, order.seed)
    room = Darkroom(lit, setting.cards, lens, look, order.film)
    taken = datetime(2024, 5, 12, 10, 31, 40)
    for k, view in enumerate(views):
        focus = float(np.linalg.norm(view.centre - aim)) - 0.5 * form.radius_mm
        picture = room.photograph(view, focus, order.seed * 1000 + k)
        when = taken + timedelta(seconds=10 * k)
        save_jpeg(folder / f"IMG_{3601 + k}.jpg", picture, view, lens, order.film, when)
        print(f"{time.monotonic() - start:7.1f} s  photograph {k + 1}", flush=True)


def write_tables(order: CastOrder, halves: list[Setting], seats: Array) -> None:
    """bars.csv, frame.csv (as measured to 0.02 mm, U95) and seats.csv."""
    order.out.mkdir(parents=True, exist_ok=True)
    centre = {c.tag: c.centre for c in halves[0].cards}
    rows = [
        [a, b, f"{np.linalg.norm(centre[a] - centre[b]):.4f}", "0.05"] for a, b, _ in halves[0].bars
    ]
    write_csv(order.out / "bars.csv", "target_a,target_b,length_mm,u95_mm", rows)
    rng = np.random.default_rng(order.seed + 40)
    rows = []
    for c in halves[0].cards:
        if c.role == "frame":
            off = 0.008 * rng.standard_normal(3) + 0.006 * rng.standard_normal((4, 3))
            rows += [[c.tag, k + 1, *numbers(c.corners[k] + off[k]), "0.02"] for k in range(4)]
    write_csv(order.out / "frame.csv", "target,corner,x_mm,y_mm,z_mm,u95_mm", rows)
    rows = [[k + 1, *numbers(seat)] for k, seat in enumerate(seats)]
    write_csv(order.out / "seats.csv", "seat,x_mm,y_mm,z_mm", rows)


def write_truth(
    order: CastOrder, body: trimesh.Trimesh, parts: list[Part], lens: TrueLens, views: list[Station]
) -> None:
    """The cast's mesh, and samples of the figure with the photographs that see each."""
    folder = order.out / "truth"
    folder.mkdir(parents=True, exist_ok=True)
    body.export(folder / "cast.ply")
    keep_mesh(folder / "cast.xz", body, body)
    whole = merge(parts)
    caster = caster_of(whole["vertices"], whole["faces"])
    places, normals = pointing.samples(body, order.sample_count, order.seed + 9)
    figure = places[:, 2] > PLINTH_DEEP_MM + 0.5
    places, normals = places[figure], normals[figure]
    photos = np.zeros(len(places), np.int64)
    for view in views:
        photos += truth.sees(caster, lens, view, places, normals)
    rows = [
        [*numbers(p, 3), *numbers(n, 5), int(k)]
        for p, n, k in zip(places, normals, photos, strict=True)
    ]
    write_csv(folder / "samples.csv", "x_mm,y_mm,z_mm,nx,ny,nz,photos", rows)
