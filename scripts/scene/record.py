"""The files of a set: what the job is given, and the truth beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import open3d as o3d
import trimesh
from numpy.typing import NDArray

from scripts.scene import pointing, truth
from scripts.scene.camera import Station, TrueLens
from scripts.scene.setting import Setting
from scripts.scene.stone import Carving

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shoot:
    """One stage as photographed: where its truth goes, who looked at what.

    `caster` holds all bodies, stone included.
    """

    folder: Path
    caster: o3d.t.geometry.RaycastingScene
    lens: TrueLens
    names: list[str]
    views: list[Station]
    stone: trimesh.Trimesh
    model: trimesh.Trimesh

    def left_and_seen(self, points: Array, normals: Array) -> tuple[Array, NDArray[np.int64]]:
        """Stone left along each needle, mm, and the number of photographs that see it."""
        left = truth.stone_left(self.stone, points, normals)
        seen = truth.seeing_photos(
            self.caster, self.lens, self.views, self.stone, points, normals, left
        )
        return left, seen


def write_csv(path: Path, header: str, rows: list[list[object]]) -> None:
    """Comma separated, UTF-8, LF."""
    lines = [header, *(",".join(str(v) for v in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def numbers(values: Array, digits: int = 4) -> list[object]:
    """Numbers as written to CSV."""
    return [f"{v:.{digits}f}" for v in values]


def write_seats(out: Path, seats: Array) -> None:
    """seats.csv: where the seats are, as the frame coordinates have them."""
    rows = [[k + 1, *numbers(seat)] for k, seat in enumerate(seats)]
    write_csv(out / "seats.csv", "seat,x_mm,y_mm,z_mm", rows)


def write_job_files(out: Path, setting: Setting, points: Array, normals: Array, seed: int) -> None:
    """frame.csv (measured to 0.02 mm, U95), bars.csv and points.csv."""
    rng = np.random.default_rng(seed + 40)
    rows = []
    for c in setting.cards:
        if c.role == "frame":
            measured = (
                c.corners + 0.008 * rng.standard_normal(3) + 0.006 * rng.standard_normal((4, 3))
            )
            rows += [[c.tag, k + 1, *numbers(measured[k]), "0.02"] for k in range(4)]
    write_csv(out / "frame.csv", "target,corner,x_mm,y_mm,z_mm,u95_mm", rows)
    centre = {c.tag: c.centre for c in setting.cards}
    for name, known in (("bars.csv", True), ("truth/bars_unknown.csv", False)):
        rows = [
            [a, b, f"{np.linalg.norm(centre[a] - centre[b]):.4f}", "0.02"]
            for a, b, told in setting.bars
            if told == known
        ]
        write_csv(out / name, "target_a,target_b,length_mm,u95_mm", rows)
    rows = [
        [f"P{i + 1:02d}", *numbers(points[i]), *numbers(normals[i], 6)] for i in range(len(points))
    ]
    write_csv(out / "points.csv", "name,x_mm,y_mm,z_mm,nx,ny,nz", rows)


def write_cameras(shoot: Shoot) -> None:
    """cameras.json: per photograph K, dist, R, t (world to camera), orientation."""
    record = {
        name: {
            "width": shoot.lens.width,
            "height": shoot.lens.height,
            "K": shoot.lens.K.tolist(),
            "dist": list(shoot.lens.dist),
            "R": view.R.tolist(),
            "t": view.t.tolist(),
            "orientation": view.orientation,
        }
        for name, view in zip(shoot.names, shoot.views, strict=True)
    }
    (shoot.folder / "cameras.json").write_text(json.dumps(record, indent=1) + "\n")


def write_targets(shoot: Shoot, setting: Setting) -> None:
    """targets.json (true corners in frame coordinates, role) and corners.json (px per photo)."""
    record = {
        str(c.tag): {
            "role": c.role,
            "side_mm": c.side_mm,
            "corners_mm": np.round(c.corners, 5).tolist(),
        }
        for c in setting.cards
    }
    (shoot.folder / "targets.json").write_text(json.dumps(record, indent=1) + "\n")
    seen: dict[str, dict[str, object]] = {}
    for name, view in zip(shoot.names, shoot.views, strict=True):
        facts = {
            str(c.tag): truth.card_truth(shoot.caster, shoot.lens, view, c) for c in setting.cards
        }
        seen[name] = {tag: fact for tag, fact in facts.items() if fact}
    (shoot.folder / "corners.json").write_text(json.dumps(seen) + "\n")


STONE_LEFT = "x_mm,y_mm,z_mm,nx,ny,nz,stone_left_mm,photos"


def write_points(shoot: Shoot, points: Array, normals: Array) -> None:
    """points.csv: the pointing list with the true stone left and the photographs that see it."""
    left, seen = shoot.left_and_seen(points, normals)
    rows = [
        [f"P{i + 1:02d}", *numbers(points[i]), *numbers(normals[i], 6), f"{left[i]:.4f}", seen[i]]
        for i in range(len(points))
    ]
    write_csv(shoot.folder / "points.csv", "name," + STONE_LEFT, rows)


def write_samples(shoot: Shoot, count: int, seed: int) -> None:
    """samples.csv: the same for places spread over the whole model."""
    p, n = pointing.samples(shoot.model, count, seed)
    p, n = np.round(p, 3), np.round(n, 5)
    left, seen = shoot.left_and_seen(p, n)
    rows = [[*numbers(p[i], 3), *numbers(n[i], 5), f"{left[i]:.4f}", seen[i]] for i in range(count)]
    write_csv(shoot.folder / "samples.csv", STONE_LEFT, rows)


def write_pits(shoot: Shoot, day: Carving) -> None:
    """pits.csv: places, directions, height of the floor above the model."""
    rows = [[*numbers(p[:3]), *numbers(p[3:6], 6), f"{p[6]:.3f}"] for p in day.pits]
    write_csv(shoot.folder / "pits.csv", "x_mm,y_mm,z_mm,nx,ny,nz,floor_mm", rows)


def write_overcuts(shoot: Shoot, day: Carving, seed: int) -> None:
    """overcuts.csv: measured on the stone's mesh along dense needles round each spot.

    Depth is that of the deepest needle within 35 degrees of the spot's mean direction: on a
    steep edge beside the spot a needle can miss it and run on through the air. Width is that
    of a round spot of the area more than 0.5 mm below the model; `photos` counts those that
    see the deepest place.
    """
    p, n = pointing.samples(shoot.model, 400_000, seed)
    area = shoot.model.area / len(p)
    rows = []
    for i, cut in enumerate(day.overcuts):
        away = np.linalg.norm(p - cut[:3], axis=1)
        facing = n[away < 0.25 * cut[4]].mean(axis=0)
        near = np.flatnonzero(away < 0.5 * cut[4] + 2.0)
        left = np.nan_to_num(truth.stone_left(shoot.stone, p[near], n[near]))
        straight = n[near] @ facing > np.cos(np.radians(35.0)) * np.linalg.norm(facing)
        deepest = near[[int(np.where(straight, left, 0.0).argmin())]]
        depth_left, seen = shoot.left_and_seen(p[deepest], n[deepest])
        covered = float((left < -0.5).sum() * area)
        facts = [-depth_left[0], 2.0 * np.sqrt(covered / np.pi), covered, cut[3], cut[4]]
        rows.append([i + 1, *numbers(p[deepest[0]], 3), *numbers(np.array(facts), 3), seen[0]])
    head = "id,x_mm,y_mm,z_mm,depth_mm,width_mm,area_mm2,cut_depth_mm,cut_width_mm,photos"
    write_csv(shoot.folder / "overcuts.csv", head, rows)


def shipped(model: trimesh.Trimesh, path: Path, triangles: int = 290_000) -> trimesh.Trimesh:
    """The model as handed out: thinned to at most `triangles`, written, read back as written."""
    legacy = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(model.vertices), o3d.utility.Vector3iVector(model.faces)
    )
    if len(model.faces) > triangles:
        legacy = legacy.simplify_quadric_decimation(triangles)
    thin = trimesh.Trimesh(np.asarray(legacy.vertices), np.asarray(legacy.triangles), process=False)
    thin.export(path)
    return trimesh.load_mesh(path, process=False)
