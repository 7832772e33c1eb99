"""A job with two stages made of the demo's truth, without measuring: what the page is drawn from.

Stone left, over-cut spots, points and cameras are those of `fixtures/demo/truth`; a place counts
as seen where the truth says that three photographs look at it. The photographs are small plain
pictures, so that making the job takes a moment.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw
from scipy.spatial import cKDTree

from tests.job_files import cloud
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.readings import Readings
from tracker.comparison.states import Judgement, State, judge
from tracker.job import Job, create_job, open_job
from tracker.maths.camera import Array
from tracker.pipeline.page import write_page
from tracker.records.ply import StoneLeftMap, read_surface
from tracker.report.colours import vertex_colours
from tracker.report.page_form import thinned
from tracker.stage import (
    HEATMAP_FILE,
    OVERLAYS_FOLDER,
    AlignmentFacts,
    Coverage,
    PhotoFacts,
    PointReading,
    StageFacts,
    StageRecord,
    stage_draft,
)
from tracker.surface import Surface

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
COARSE_MM = 5.0
DAYS = {
    "first day": ("stage-1", "2026-05-04T16:40:00"),
    "third day": ("stage-2", "2026-05-06T17:05:00"),
}


HOSTILE = (
    "</script><script>window.broken=1</script>\"'><img src=x onerror=window.broken=2>&amp;<!--"
)


def carved_job(folder: Path, spacing_mm: float = COARSE_MM, days: int = 2) -> Job:
    """The demo's job with its first stages on record, each with its page."""
    job = create_job(folder, "Owl finial", "Carrara marble")
    model = read_surface(DEMO / "model.ply")
    model = thinned(model, spacing_mm).surface if spacing_mm > 1.2 else model
    for name in list(DAYS)[:days]:
        add_day(job, model, name)
    return job


def add_day(
    job: Job,
    model: Surface,
    day: str,
    change: Callable[[StageRecord], StageRecord] = lambda record: record,
) -> StageRecord:
    """Puts one of the demo's days on record, changed as asked."""
    source, date = DAYS[day]
    record, stone_left = truth_of(job, model, day, DEMO / "truth" / source, date)
    record = change(record)
    with stage_draft(job, record.facts.name) as draft:
        draft.write(record, cloud(), stone_left)
        put_pictures(draft.folder, record)
        write_page(job, draft.folder)
    return record


def truth_of(
    job: Job, model: Surface, name: str, truth: Path, date: str
) -> tuple[StageRecord, StoneLeftMap]:
    bands = job.settings.state_bands()
    samples, points = table(truth / "samples.csv"), table(truth / "points.csv")
    _, near = cKDTree(columns(samples, "x_mm", "y_mm", "z_mm")).query(model.vertices)
    left = figures(samples, "stone_left_mm")[near]
    seen = figures(samples, "photos")[near] >= 3.0
    left, bound = np.minimum(left, 25.0), left > 25.0
    u95 = np.where(seen, 0.15 + 0.01 * np.abs(left), np.nan)
    left = np.where(seen, left, np.nan)
    readings, states = judged(points, bands)
    listed = tuple(
        PointReading(
            row["name"], readings.points[k], readings.needles[k],
            float(readings.stone_left_mm[k]) if readings.seen[k] else None,
            bool(readings.seen[k] and readings.at_least[k]),
            float(readings.u95_mm[k]) if readings.seen[k] else None,
            State(int(states.state[k])).label, bool(states.sure[k]), int(readings.photos[k]),
        )
        for k, row in enumerate(points)
    )  # fmt: skip
    facts = StageFacts(
        name=name,
        date=date,
        software="stoneleft 0",
        settings=job.settings.document(),
        photos=photos_of(truth),
        targets=(),
        scale_bars=(),
        alignment=AlignmentFacts(
            "frame", np.eye(3), np.zeros(3), 0.0, 0.0, np.diag([1e-9] * 3 + [1e-4] * 3),
            "The frame's pose stands as it is.",
        ),
        coverage=Coverage(143_600.0, float(seen.mean())),
        counts={s.label: int((states.state == s).sum()) for s in State},
        volume_left_cm3=412.0,
        volume_left_u95_cm3=9.0,
        mass_left_kg=1.12,
        mass_left_u95_kg=0.03,
    )  # fmt: skip
    stone_left = StoneLeftMap(
        model, left, u95, seen, vertex_colours(left, seen, bands), bound & seen
    )
    return StageRecord(facts, listed, spots_of(truth, name)), stone_left


def judged(points: list[dict[str, str]], bands: Any) -> tuple[Readings, Judgement]:
    left, photos = figures(points, "stone_left_mm"), figures(points, "photos").astype(np.int64)
    seen = photos >= 3
    bound = left > 25.0
    sigma = 0.5 * (0.15 + 0.01 * np.abs(left))
    variance = np.zeros((len(left), 4))
    variance[:, 0] = sigma**2
    readings = Readings(
        columns(points, "x_mm", "y_mm", "z_mm"), columns(points, "nx", "ny", "nz"), seen,
        np.minimum(left, 25.0), bound, left, variance, photos, np.zeros(len(left), dtype=np.int64),
    )  # fmt: skip
    return readings, judge(readings, bands)


def photos_of(truth: Path) -> tuple[PhotoFacts, ...]:
    cameras = json.loads((truth / "cameras.json").read_text("utf-8"))
    used = [
        PhotoFacts(
            file=name,
            used=True,
            K=np.array(camera["K"]),
            dist=np.array(camera["dist"]),
            R=np.array(camera["R"]),
            t=np.array(camera["t"]).ravel(),
            reprojection_rms_px=0.08,
            size_px=(camera["width"], camera["height"]),
        )
        for name, camera in sorted(cameras.items())
    ]
    return (*used, PhotoFacts("IMG_9001.jpg", False, "blurred: edges are 6 px wide"))


def spots_of(truth: Path, name: str) -> tuple[OvercutSpot, ...]:
    rows = table(truth / "overcuts.csv")
    return tuple(
        OvercutSpot(
            k + 1, place, float(rows[k]["depth_mm"]), k == 1, 0.2, float(rows[k]["area_mm2"]),
            f"P{k + 3:02d}", "new" if name == "first day" else ("growing", "steady", "gone")[k % 3],
        )
        for k, place in enumerate(columns(rows, "x_mm", "y_mm", "z_mm"))
    )  # fmt: skip


def put_pictures(folder: Path, record: StageRecord) -> None:
    (folder / OVERLAYS_FOLDER).mkdir()
    for k, photo in enumerate(p for p in record.facts.photos if p.used):
        plain = Image.new("RGB", (480, 320), (150 + 4 * (k % 9), 148, 140))
        ImageDraw.Draw(plain).ellipse((160, 40, 320, 280), fill=(222, 220, 212))
        plain.save(folder / OVERLAYS_FOLDER / f"{Path(photo.file).stem}.jpg")
    sheet = Image.new("RGB", (1200, 850), (252, 251, 248))
    ImageDraw.Draw(sheet).rectangle((100, 100, 1100, 700), fill=(120, 150, 200))
    sheet.save(folder / HEATMAP_FILE)


def hostile_job(folder: Path) -> tuple[Job, str]:
    """A stage in which everything that a person can type tries to break out."""
    job = carved_job(folder / "job", days=0)
    text = job.settings_path.read_text(encoding="utf-8")
    quoted = json.dumps(HOSTILE)
    job.settings_path.write_text(text.replace('"Owl finial"', quoted), encoding="utf-8")
    job = open_job(job.folder)
    name = "Käthe's 1. Tag"

    def break_out(record: StageRecord) -> StageRecord:
        photos = (replace(record.facts.photos[0], file=HOSTILE, reason=HOSTILE),)
        facts = replace(record.facts, name=name, warnings=(HOSTILE,), photos=photos)
        points = (replace(record.points[0], name=HOSTILE), *record.points[1:4])
        spots = (replace(record.overcuts[0], nearest_point=HOSTILE), *record.overcuts[1:])
        return replace(record, facts=facts, points=points, overcuts=spots)

    add_day(job, thinned(read_surface(DEMO / "model.ply"), 8.0).surface, "first day", break_out)
    return job, name


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def figures(rows: list[dict[str, str]], column: str) -> Array:
    return np.array([float(row[column] or "nan") for row in rows])


def columns(rows: list[dict[str, str]], *names: str) -> Array:
    return np.stack([figures(rows, name) for name in names], axis=1)
