"""A small job on disk, made from nothing: sphere, frame of four cards, two points, one stage."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import trimesh

from tracker.comparison.overcuts import OvercutSpot
from tracker.job import Job, create_job
from tracker.records.entries import FrameTarget
from tracker.records.ply import CloudPoints, StoneLeftMap
from tracker.stage import (
    AlignmentFacts,
    BarFacts,
    Coverage,
    PhotoFacts,
    PointReading,
    StageFacts,
    StageRecord,
    TargetFacts,
    stage_draft,
)
from tracker.surface import Surface

CENTRE = np.array([150.0, 120.0, -60.0])
RADIUS_MM = 100.0
SQUARE = np.array([[-20.0, 20, 0], [20, 20, 0], [20, -20, 0], [-20, -20, 0]])
CARD_CENTRES = np.array([[0.0, 0, 60], [300, 0, 60], [0, 240, 60], [300, 240, 60]])
SEATS_FRAME = np.array([[0.0, 0, 0], [300, 0, 0], [0, 240, 0]])


def ball() -> trimesh.Trimesh:
    """The model: a ball between the frame's cards, closed, outside out."""
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=RADIUS_MM)
    mesh.apply_translation(CENTRE)
    return mesh


def ball_surface() -> Surface:
    mesh = ball()
    return Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64))


def frame() -> dict[int, FrameTarget]:
    return {
        10 + k: FrameTarget(SQUARE + centre, np.full(4, 0.02))
        for k, centre in enumerate(CARD_CENTRES)
    }


def frame_lines(decimals: int = 3) -> list[str]:
    lines = ["target,corner,x_mm,y_mm,z_mm,u95_mm"]
    for tag, target in frame().items():
        for corner, xyz in enumerate(target.corners_mm, start=1):
            figures = ",".join(f"{v:.{decimals}f}" for v in xyz)
            lines.append(f"{tag},{corner},{figures},0.040")
    return lines


def points_lines() -> list[str]:
    east, top = CENTRE + [RADIUS_MM, 0, 0], CENTRE + [0, 0, RADIUS_MM]
    return [
        "name,x_mm,y_mm,z_mm,nx,ny,nz",
        f"beak,{east[0]},{east[1]},{east[2]},1,0,0",
        f"crown,{top[0]},{top[1]},{top[2]},0,0,1",
    ]


def write(path: Path, lines: Iterable[str]) -> Path:
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8", newline="")
    return path


def empty_job(folder: Path) -> Job:
    return create_job(folder / "owl", "Owl finial", "Carrara marble")


def stage_record(name: str = "first day", date: str = "2025-05-03") -> StageRecord:
    facts = StageFacts(
        name=name,
        date=date,
        software="0",
        settings={},
        photos=(
            PhotoFacts(
                file="IMG_1.jpg",
                used=True,
                K=np.diag([3000.123456, 3000.123456, 1.0]),
                dist=np.array([0.1, -0.2, 0.0, 0.001, 0.03]),
                R=np.eye(3),
                t=np.array([0.0, 0.0, 800.12345]),
                reprojection_rms_px=0.0812,
            ),
            PhotoFacts(file="IMG_2.jpg", used=False, reason="blurred: edges are 6 px wide"),
        ),
        targets=(
            TargetFacts(10, "frame", True, "", SQUARE, np.full(4, 0.012), 9),
            TargetFacts(31, "bench", False, "seen in one photograph only"),
            TargetFacts(70, "lasting", True, "", SQUARE + 5.0, np.full(4, 0.03), 5),
        ),
        scale_bars=(BarFacts(50, 51, 230.0, 0.1, 229.98, 0.05),),
        alignment=AlignmentFacts(
            "frame", np.eye(3), np.zeros(3), 0.0, 0.0, np.diag([1e-9] * 3 + [1e-4] * 3),
            "the frame's pose stands as it is",
        ),
        coverage=Coverage(125000.0, 0.62),
        counts={"finished": 1, "not seen": 1},
        volume_left_cm3=812.3,
        volume_left_u95_cm3=9.1,
        mass_left_kg=2.19,
        mass_left_u95_kg=0.04,
        timings_s={"targets": 3.21},
        peak_memory_mb=512.0,
        warnings=(
            "target 31 left out: seen in one photograph only",
            "Bar 52-53 was seen in two photographs only.",
        ),
    )  # fmt: skip
    points = (
        PointReading("beak", CENTRE, np.array([1.0, 0, 0]), 0.12, False, 0.1, "finished", True, 5),
        PointReading(
            "crown", CENTRE, np.array([0, 0, 1.0]), None, False, None, "not seen", False, 1
        ),
    )
    spot = OvercutSpot(1, CENTRE, 1.52, True, 0.2, 96.4, "beak", "growing")
    return StageRecord(facts, points, (spot,))


def cloud() -> CloudPoints:
    rng = np.random.default_rng(1)
    normals = rng.normal(size=(7, 3))
    return CloudPoints(
        points=rng.normal(size=(7, 3)) * 100.0,
        normals=normals / np.linalg.norm(normals, axis=1, keepdims=True),
        colours=rng.integers(0, 256, (7, 3), dtype=np.uint8),
        sigma_mm=rng.random(7),
        photos=rng.integers(3, 9, 7),
    )


def stone_left_map() -> StoneLeftMap:
    surface = ball_surface()
    n = len(surface.vertices)
    seen = np.arange(n) % 3 > 0
    left = np.where(seen, np.linspace(-1.0, 20.0, n), np.nan)
    return StoneLeftMap(
        surface, left, np.where(seen, 0.2, np.nan), seen, np.full((n, 3), 128, np.uint8)
    )


def add_stage(job: Job, name: str = "first day", date: str = "2025-05-03") -> StageRecord:
    record = stage_record(name, date)
    with stage_draft(job, name) as draft:
        record = replace(record, facts=replace(record.facts, name=draft.name))
        draft.write(record, cloud(), stone_left_map())
    return record


def contents(folder: Path) -> dict[str, bytes]:
    """All files below a folder, to tell whether anything changed; the lock aside."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".lock"
    }
