"""A measured day against the truth of rendered photographs: one figure per line of a table.

Truth files (see scripts/scene): cameras.json, targets.json, corners.json, bars_unknown.csv,
samples.csv, points.csv, overcuts.csv, and the stone's mesh.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh
from scipy.spatial import cKDTree

from scripts.scene.truth import stone_left
from tracker.comparison.agreement import agreement
from tracker.comparison.cloud_needle import StonePoints, readings_from_cloud
from tracker.comparison.readings import Readings
from tracker.comparison.states import State, judge
from tracker.maths.camera import Array, Pose
from tracker.network.adjust import adjust
from tracker.pipeline import Measured
from tracker.surface import Surface

BANDS = {"finished": (-0.5, 0.5), "close": (0.5, 6.0), "untouched": (6.0, np.inf)}


@dataclass(frozen=True, slots=True)
class Truth:
    """Truth of one stage.

    Attributes
    ----------
    folder : Path
        cameras.json and the rest.
    stone : Path
        The stone's mesh.
    """

    folder: Path
    stone: Path

    def table(self, name: str) -> dict[str, Array]:
        """Columns of a CSV as numbers; what holds for all stages lies one folder higher."""
        here = self.folder / name
        path = here if here.is_file() else self.folder.parent / name
        with path.open(encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        return {
            key: np.array([float(row[key] or "nan") for row in rows])
            for key in rows[0]
            if key != "name"
        }

    def json(self, name: str) -> dict[str, dict[str, object]]:
        """A JSON file."""
        found: dict[str, dict[str, object]] = json.loads((self.folder / name).read_text("utf-8"))
        return found


def rms(values: Array) -> float:
    """Root mean square; 0 of nothing would flatter, so of nothing it is infinite."""
    return float(np.sqrt(np.mean(np.square(values)))) if np.size(values) else float("inf")


def corners(measured: Measured, truth: Truth) -> dict[str, float]:
    """Corners as detected: error, mean shift along the edges' outward direction, share used."""
    record = truth.json("corners.json")
    errors, wrong, wanted, used = [], 0, 0, 0
    day = measured.placed.day
    for photograph, detection in zip(day.photographs, day.detections, strict=True):
        seen = record[photograph.name]
        found = {target.tag: target for target in detection.used}
        wrong += sum(str(tag) not in seen for tag in found)
        for tag, facts in seen.items():
            plain = facts["visible"] >= 0.999 and facts["side_px"] > 40 and facts["tilt_deg"] < 60
            wanted += plain
            if int(tag) in found:
                used += plain
                true = np.array(facts["corners_px"])
                errors.append(found[int(tag)].corners_px - true)
    miss = np.array(errors)
    outward = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / np.sqrt(2.0)
    return {
        "corners RMS px": rms(miss) * 1.0,
        "corners mean shift px": float(np.linalg.norm(miss.mean(axis=(0, 1)))),
        "wrong numbers": float(wrong),
        "targets used share": used / max(wanted, 1),
        "corners outward px": float(np.mean(_swell(errors, outward))),
    }


def _swell(errors: list[Array], outward: Array) -> Array:
    return np.array([np.mean(np.sum(e * outward, axis=1)) for e in errors])


def cameras(measured: Measured, truth: Truth) -> dict[str, float]:
    """Poses and focal length."""
    record = truth.json("cameras.json")
    alone = _targets_alone(measured)
    place, turn, focal, untied = [], [], [], []
    for name, _, lens, pose in measured.views():
        R, t = np.array(record[name]["R"]), np.array(record[name]["t"])
        place.append(pose.centre_frame + R.T @ t)
        untied.append(alone[name].centre_frame + R.T @ t)
        angle = np.clip((np.trace(R @ pose.R.T) - 1.0) / 2.0, -1.0, 1.0)
        turn.append(np.degrees(np.arccos(angle)))
        focal.append(lens.focal_px / record[name]["K"][0][0] - 1.0)  # type: ignore[index]
    return {
        "cameras RMS mm": rms(np.linalg.norm(place, axis=1)),
        "cameras RMS mm, targets alone": rms(np.linalg.norm(untied, axis=1)),
        "cameras RMS / targets alone": rms(np.array(place)) / rms(np.array(untied)),
        "cameras worst turn deg": float(np.max(turn)),
        "focal length off %": 100.0 * float(np.max(np.abs(focal))),
        "photographs used": float(len(place)),
    }


def _targets_alone(measured: Measured) -> dict[str, Pose]:
    """The photographs as the targets alone place them, moved as the alignment moved the others."""
    material = measured.placed.adjustment.material
    alone = adjust(
        material.detections,
        names=material.names,
        cameras=material.cameras,
        sizes=material.sizes,
        focal_guess_px=material.focal_guess_px,
        known=material.known,
        bars=material.bars,
        settings=material.settings,
        lens_priors=material.lens_priors,
    )
    return {p.name: measured.pose_in_model(p.pose) for p in alone.photos if p.pose is not None}


def targets(measured: Measured, truth: Truth) -> dict[str, float]:
    """Bench targets and bars that took no part in scale or datum."""
    record = truth.json("targets.json")
    miss, sigma = [], []
    centre = {}
    for target in measured.placed.adjustment.targets:
        facts = record.get(str(target.tag))
        if facts is None or not target.used:
            continue
        true = np.array(facts["corners_mm"])
        centre[target.tag] = target.corners.mean(axis=0)
        if measured.roles.get(target.tag, "bench") == "bench" and target.photos >= 3:
            miss.append(target.corners - true)
            sigma.append(target.sigma)
    bars = truth.table("bars_unknown.csv")
    off = [
        float(np.linalg.norm(centre[int(a)] - centre[int(b)])) - length
        for a, b, length in zip(bars["target_a"], bars["target_b"], bars["length_mm"], strict=True)
        if int(a) in centre and int(b) in centre
    ]
    limit = [0.02 + 1e-4 * length for length in bars["length_mm"]]
    errors = np.array(miss)
    return {
        "bench corners RMS mm": float(np.sqrt(np.mean(np.sum(errors**2, axis=-1)))),
        "bench corners error / sigma": rms(errors / np.array(sigma)[..., None]),
        "unknown bars worst mm": float(np.max(np.abs(off))),
        "unknown bars over limit": float(np.max(np.abs(off) / np.array(limit[: len(off)]))),
        "unknown bars": float(len(off)),
    }


def cloud(measured: Measured, stone: Surface) -> dict[str, float]:
    """Cloud points against the true stone."""
    points = measured.cloud.points[measured.cloud.photos >= 3]
    # the truth is kept near the model only
    points = points[np.abs(measured.surface.signed_distance_mm(points)) < 25.0]
    distance = np.abs(stone.signed_distance_mm(points))
    return {
        "cloud points": float(len(points)),
        "cloud RMS mm": rms(distance),
        "cloud > 1 mm %": 100.0 * float(np.mean(distance > 1.0)),
    }


def cloud_readings(measured: Measured, part: Readings, true_mm: Array) -> dict[str, float]:
    """What the cloud alone says at samples, and how often needle and cloud disagree."""
    by_cloud = readings_from_cloud(
        StonePoints(
            measured.cloud.points,
            measured.cloud.normals,
            measured.cloud.sigma_mm,
            np.zeros((len(measured.cloud.points), 3, 3)),
            measured.cloud.photos,
        ),
        measured.surface,
        part.points,
        part.needles,
        part.photos,
        cov_rigid=measured.alignment.covariance,
        model_tolerance_mm=0.05,
    )
    figure = by_cloud.seen & ~by_cloud.at_least & np.isfinite(true_mm)
    inside = np.abs(by_cloud.stone_left_mm - true_mm) <= by_cloud.u95_mm
    out = {
        "cloud readings": float(figure.sum()),
        "cloud readings inside U95 %": 100.0 * float(np.mean(inside[figure])),
        "cloud readings U95 median mm": float(np.median(by_cloud.u95_mm[figure])),
        "needle and cloud disagree %": 100.0 * agreement(part, by_cloud).share_disagreeing,
    }
    for state, (low, high) in BANDS.items():
        rows = figure & (true_mm >= low) & (true_mm < high)
        out[f"cloud readings {state} inside U95 %"] = 100.0 * float(np.mean(inside[rows]))
    return out


def places(readings: Readings, true_mm: Array, photos: Array, label: str) -> dict[str, float]:
    """Figures at places whose truth is known, by how many photographs truly see them."""
    known = np.isfinite(true_mm)
    figure = readings.seen & ~readings.at_least & known
    error = readings.stone_left_mm - true_mm
    out: dict[str, float] = {}
    for words, group in {
        "3-4": (photos >= 3) & (photos <= 4),
        "5+": photos >= 5,
        "3+": photos >= 3,
    }.items():
        asked = group & known & (true_mm < 25.0)
        out[f"{label} measured {words} %"] = 100.0 * float(np.mean(figure[asked]))
    if not figure.any():
        return out
    off = np.abs(error[figure])
    out |= {
        f"{label} figures": float(figure.sum()),
        f"{label} RMS mm": rms(off),
        f"{label} RMS under 1 mm": rms(off[off < 1.0]),
        f"{label} median mm": float(np.median(off)),
        f"{label} p95 mm": float(np.percentile(off, 95)),
        f"{label} > 1 mm %": 100.0 * float(np.mean(off > 1.0)),
        f"{label} U95 median mm": float(np.median(readings.u95_mm[figure])),
        f"{label} inside U95 %": 100.0 * float(np.mean(off <= readings.u95_mm[figure])),
        f"{label} figures without 3 photographs": float((figure & (photos < 3)).sum()),
    }
    for state, (low, high) in BANDS.items():
        rows = figure & (true_mm >= low) & (true_mm < high)
        asked = (photos >= 3) & (true_mm >= low) & (true_mm < min(high, 25.0))
        if rows.any():
            inside = np.abs(error[rows]) <= readings.u95_mm[rows]
            out[f"{label} {state} inside U95 %"] = 100.0 * float(np.mean(inside))
            out[f"{label} {state} measured %"] = 100.0 * float(np.mean(figure[asked]))
    quarter = np.percentile(photos[figure], 25)
    dim = figure & (photos <= quarter)
    out[f"{label} dimmest quarter inside U95 %"] = 100.0 * float(
        np.mean(np.abs(error[dim]) <= readings.u95_mm[dim])
    )
    bound = readings.seen & readings.at_least & known
    far = bound & (readings.stone_left_mm > 0)
    if far.any():
        true_bound = true_mm[far] >= readings.stone_left_mm[far] - readings.u95_mm[far]
        out[f"{label} at least, true %"] = 100.0 * float(np.mean(true_bound))
    return out


def states(measured: Measured, true_mm: Array) -> dict[str, float]:
    """States of the named points."""
    judged = measured.point_states
    limits = [-0.5, 0.5, 6.0]
    kinds = np.array([State.OVERCUT, State.FINISHED, State.CLOSE, State.UNTOUCHED])
    right = kinds[np.searchsorted(limits, true_mm)]
    given = judged.state != State.NOT_SEEN
    return {
        "states sure %": 100.0 * float(np.mean(judged.sure[given])),
        "sure states wrong": float((judged.sure & (judged.state != right)).sum()),
        "points given": float(given.sum()),
    }


def sample_states(measured: Measured, readings: Readings, true_mm: Array) -> dict[str, float]:
    """Sure states over all samples with truth."""
    judged = judge(readings, _bands(measured))
    kinds = np.array([State.OVERCUT, State.FINISHED, State.CLOSE, State.UNTOUCHED])
    right = kinds[np.searchsorted([-0.5, 0.5, 6.0], true_mm)]
    sure = judged.sure & np.isfinite(true_mm)
    return {
        "samples sure %": 100.0 * float(np.mean(judged.sure[readings.seen])),
        "samples sure and wrong %": 100.0 * float(np.mean(judged.state[sure] != right[sure])),
    }


def overcuts(
    measured: Measured, truth: Truth, mesh: trimesh.Trimesh, deep: float, wide: float
) -> dict[str, float]:
    """Over-cut spots: every one that counts found, none invented."""
    record = truth.table("overcuts.csv")
    true = np.stack([record[k] for k in ("x_mm", "y_mm", "z_mm")], axis=1)
    counts = (record["cut_depth_mm"] >= deep) & (record["cut_width_mm"] >= wide)
    counts &= record["photos"] >= 3
    found = [s for s in measured.overcuts if s.samples > 0]
    places_found = np.array([s.place for s in found]).reshape(-1, 3)
    near = np.linalg.norm(true[:, None] - places_found[None], axis=2)
    reach = 0.75 * record["cut_width_mm"][:, None] + 2.0
    hit = near <= reach
    asked = [s for s in found if not s.at_least]
    depth = np.zeros(0)
    if asked:
        at = np.array([s.place for s in asked])
        needles = measured.samples.normals[cKDTree(measured.samples.points).query(at)[1]]
        true_depth = -stone_left(mesh, at, needles)
        allowed = np.maximum(0.3, 0.15 * np.abs(true_depth))
        depth = np.abs(np.array([s.depth_mm for s in asked]) - true_depth) / allowed
    below = _below_model(measured, mesh, places_found)
    return {
        "over-cuts that count": float(counts.sum()),
        "over-cuts missed": float((counts & ~hit.any(axis=1)).sum()),
        "over-cuts false": float((~below).sum()),
        "over-cuts found": float(len(found)),
        "over-cut depth error / allowed, worst": float(np.max(depth)) if len(depth) else 0.0,
    }


def _below_model(measured: Measured, mesh: trimesh.Trimesh, found: Array) -> Array:
    """Whether the true stone is over-cut somewhere within 4 mm of each place found."""
    samples = measured.samples
    if not len(found):
        return np.zeros(0, dtype=bool)
    near = cKDTree(found).query(samples.points)[0] < 4.0
    true = stone_left(mesh, samples.points[near], samples.normals[near])
    low = samples.points[near][true < -0.5]
    return (
        np.asarray(cKDTree(low).query(found)[0] < 4.0) if len(low) else np.zeros(len(found), bool)
    )


def _bands(measured: Measured) -> object:
    from tracker.comparison.states import Bands

    return Bands()


def at_true_samples(measured: Measured, truth: Truth) -> tuple[Readings, Array, Array]:
    """Readings at the model's samples that have a true sample beside them, with its truth.

    The truth is asked anew from the stone's mesh at our own samples, so that no interpolation
    enters; photographs are counted at the nearest true sample within 1.5 mm.
    """
    record = truth.table("samples.csv")
    places_true = np.stack([record[k] for k in ("x_mm", "y_mm", "z_mm")], axis=1)
    distance, row = cKDTree(places_true).query(measured.samples.points)
    rows = np.flatnonzero(distance < 1.5)
    readings = measured.sample_readings
    part = Readings(
        **{
            name: getattr(readings, name)[rows]
            for name in (
                "points",
                "needles",
                "seen",
                "stone_left_mm",
                "at_least",
                "closest_mm",
                "variance_mm2",
                "photos",
                "reason",
            )
        }
    )
    return part, rows, record["photos"][row[rows]]
