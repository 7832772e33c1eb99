"""`stage add` on a day of 28 photographs of 12 megapixels against the floor.

The floor is what no measurement can do without, in plain OpenCV: decode every photograph, look
for targets at half size, find features on the stone's crop at half size. Both are seconds of
processor, summed over cores; what the two workers gain in wall time is printed beside.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from scripts.ratios.line import Line
from tracker.job import Job, create_job, open_job, put_bars, put_frame, put_model, put_points
from tracker.records.ply import read_surface
from tracker.surface import Surface, sample_surface

ROOT = Path(__file__).resolve().parents[2]
PHOTOS, WIDTH, HEIGHT = 28, 4000, 3000
ORDER = {
    "--form": "owl",
    "--stages": "1",
    "--photos": str(PHOTOS),
    "--width": str(WIDTH),
    "--height": str(HEIGHT),
    "--footprint": "0.24",
    "--seed": "5",
}
SAMPLES = 90_000
DENSEST_MM = 0.5


@dataclass(frozen=True, slots=True)
class Run:
    """One `stage add`."""

    wall_s: float
    processor_s: float
    peak_mb: float
    steps_s: dict[str, float]
    steps_mb: dict[str, float]


def compare(folder: Path, made: Path | None = None) -> list[Line]:
    """Floor and `stage add`, measured in this run on the same photographs.

    Parameters
    ----------
    folder : Path
        Where the set is kept when it has to be rendered.
    made : Path, optional
        A set made beforehand; it is only read.
    """
    day = made or make_day(folder)
    model = read_surface(day / "model.ply")
    photos = len(cameras_of(day))
    with tempfile.TemporaryDirectory() as place:
        # the dense one first: it may have to compile, the one that is compared has not
        dense = make_job(Path(place) / "dense", day, model, spacing_mm(model))
        search = add_stage(dense, day / "photos", "dense")
        run = add_stage(make_job(Path(place) / "usual", day, model), day / "photos", "usual")
    floor_s = floor(day, model)
    print(f"floor: {floor_s:.1f} s of processor")
    print(f"stage add: {run.processor_s:.1f} s of processor, {run.wall_s:.1f} s by the clock")
    print(f"with {SAMPLES} samples: {search.processor_s:.1f} s, {search.wall_s:.1f} s")
    print("steps, s: " + ", ".join(f"{name} {s:.1f}" for name, s in run.steps_s.items()))
    print("peak by step, MB: " + ", ".join(f"{n} {mb:.0f}" for n, mb in run.steps_mb.items()))
    return [
        Line("stage add over the floor, processor", run.processor_s / floor_s, "x", 6.0),
        Line(
            f"needle search, {SAMPLES} samples of {photos} photographs",
            search.steps_s["needles"],
            "s",
            60.0,
        ),
        Line("peak memory of stage add", run.peak_mb, "MB", 1536.0),
    ]


def make_day(folder: Path) -> Path:
    """The photographs, rendered once and kept beside the order they were made by."""
    out, stamp = folder / "day", folder / "day" / "order.json"
    if not stamp.is_file() or json.loads(stamp.read_text()) != ORDER:
        print(f"rendering {PHOTOS} photographs of {WIDTH} x {HEIGHT} into {out} (once)")
        words = [part for pair in ORDER.items() for part in pair]
        subprocess.run(
            [sys.executable, ROOT / "scripts" / "make_demo", "--out", out, *words], check=True
        )
        stamp.write_text(json.dumps(ORDER))
    return out


def make_job(place: Path, day: Path, model: Surface, spacing: float | None = None) -> Job:
    """A new job on the set's records, samples as dense as wanted."""
    job = create_job(place, "bench", "marble")
    put_frame(job, day / "frame.csv")
    put_bars(job, day / "bars.csv")
    put_model(job, model)
    put_points(job, day / "points.csv")
    if spacing is None:
        return job
    text = job.settings_path.read_text(encoding="utf-8")
    changed = text.replace("spacing_mm = 2.0", f"spacing_mm = {spacing:.4f}")
    if changed == text:
        raise SystemExit("job.toml has no spacing_mm = 2.0 to change")
    job.settings_path.write_text(changed, encoding="utf-8")
    return open_job(place)


def spacing_mm(model: Surface) -> float:
    """Spacing at which the model has the wanted number of samples, within two per cent."""
    spacing = float(np.sqrt(model.face_areas_mm2.sum() / SAMPLES))
    for _ in range(6):
        count = len(sample_surface(model, spacing).points)
        if abs(count / SAMPLES - 1.0) < 0.02:
            break
        spacing *= float(np.sqrt(count / SAMPLES))
    if spacing < DENSEST_MM:
        raise SystemExit(f"the model is too small for {SAMPLES} samples ({spacing:.2f} mm apart)")
    print(f"{count} samples, {spacing:.2f} mm apart")
    return spacing


def add_stage(job: Job, photographs: Path, name: str) -> Run:
    """`stage add` as typed, in a process of its own."""
    command = [sys.executable, "-c", "from tracker.cli.app import main; main()"]
    command += ["--job", str(job.folder), "stage", "add", str(photographs), "--name", name]
    began = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall_s = time.perf_counter() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit("stage add failed")
    record = json.loads((job.stage_path(name) / "stage.json").read_text(encoding="utf-8"))
    return Run(
        wall_s,
        usage.ru_utime + usage.ru_stime,
        usage.ru_maxrss / 1024.0,
        record["timings_s"],
        record.get("peak_memory_by_step_mb", {}),
    )


def floor(day: Path, model: Surface) -> float:
    """Seconds of one core for decoding, targets and features, after one photograph to warm up."""
    crops = {name: stone_crop(camera, model) for name, camera in cameras_of(day).items()}
    cv2.setNumThreads(1)
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    )
    sift = cv2.SIFT.create(contrastThreshold=0.005)
    for name, crop in list(crops.items())[:1]:
        _floor_of_one(day / "photos" / name, crop, detector, sift)
    began = time.process_time()
    found = sum(
        _floor_of_one(day / "photos" / name, crop, detector, sift) for name, crop in crops.items()
    )
    seconds = time.process_time() - began
    if not found:
        raise SystemExit("the floor found no targets")
    return seconds


def cameras_of(day: Path) -> dict[str, dict[str, list[float]]]:
    """The true cameras of a set by photograph."""
    path = day / "truth" / "cameras.json"
    if not path.is_file():
        raise SystemExit(f"{day} is no set of scripts/make_demo with one stage: {path} is missing")
    cameras: dict[str, dict[str, list[float]]] = json.loads(path.read_text(encoding="utf-8"))
    return cameras


def _floor_of_one(
    path: Path,
    crop: tuple[slice, slice],
    detector: cv2.aruco.ArucoDetector,
    sift: cv2.SIFT,
) -> int:
    """Targets found in one photograph; its features are found as well."""
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
    if gray is None:
        raise SystemExit(f"{path} is not there")
    half = cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    corners, _, _ = detector.detectMarkers(half)
    sift.detectAndCompute(np.ascontiguousarray(half[crop]), None)
    return len(corners)


def stone_crop(camera: dict[str, list[float]], model: Surface) -> tuple[slice, slice]:
    """Part of the half-size picture that shows the model, from the true camera."""
    R: NDArray[np.float64] = np.asarray(camera["R"])
    seen = model.vertices @ R.T + np.asarray(camera["t"])
    pixels = seen @ np.asarray(camera["K"]).T
    half = np.maximum(np.round(pixels[:, :2] / pixels[:, 2:] / 2.0), 0.0).astype(int)
    (left, top), (right, bottom) = half.min(axis=0), half.max(axis=0)
    return slice(int(top), int(bottom)), slice(int(left), int(right))
