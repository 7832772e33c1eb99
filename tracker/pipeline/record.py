"""From a measured day to its record: nothing is computed here, only named and counted."""

from __future__ import annotations

import numpy as np

from tracker import __version__
from tracker.comparison.states import State
from tracker.comparison.uncertainty import budget_mm
from tracker.job import Job
from tracker.network.outcome import AdjustedPhoto
from tracker.photos import Photograph
from tracker.pipeline.day import Clock, peak_memory_mb
from tracker.pipeline.measure import Measured
from tracker.records.entries import Points
from tracker.records.stage_facts import (
    AlignmentFacts,
    BarFacts,
    Coverage,
    PhotoFacts,
    StageFacts,
    TargetFacts,
)
from tracker.records.stage_tables import PointReading
from tracker.stage import StageRecord


def stage_record(
    job: Job,
    name: str,
    date: str,
    measured: Measured,
    clock: Clock,
) -> StageRecord:
    """The record of a measured day."""
    points = job.points()
    counts = measured.point_states.counts()
    volume = measured.volume
    facts = StageFacts(
        name=name,
        date=date,
        software=f"stoneleft {__version__}",
        settings=job.settings.model_dump(mode="json", by_alias=True),
        photos=_photos(measured),
        targets=_targets(measured),
        scale_bars=_bars(measured),
        alignment=_alignment(measured),
        coverage=Coverage(
            surface_mm2=volume.seen_mm2 + volume.not_seen_mm2,
            seen_share=measured.seen_share,
        ),
        counts={state.label: counts[state] for state in State},
        volume_left_cm3=volume.left_mm3 / 1000.0,
        volume_left_u95_cm3=volume.left_u95_mm3 / 1000.0,
        mass_left_kg=measured.mass.kg,
        mass_left_u95_kg=measured.mass.u95_kg,
        timings_s=dict(clock.seconds),
        peak_memory_mb=peak_memory_mb(),
        peak_memory_by_step_mb=dict(clock.peaks_mb),
        warnings=measured.warnings,
        budgets_mm=_budgets(points, measured),
    )
    return StageRecord(facts, point_readings(points, measured), measured.overcuts)


def point_readings(points: Points, measured: Measured) -> tuple[PointReading, ...]:
    """The pointing list with its stone left."""
    readings, states = measured.point_readings, measured.point_states
    u95 = readings.u95_mm
    return tuple(
        PointReading(
            name=point,
            xyz=points.xyz[k],
            normal=points.normals[k],
            stone_left_mm=float(readings.stone_left_mm[k]) if readings.seen[k] else None,
            at_least=bool(readings.seen[k] and readings.at_least[k]),
            u95_mm=float(u95[k]) if readings.seen[k] else None,
            state=State(states.state[k]).label,
            sure=bool(states.sure[k]),
            photos=int(readings.photos[k]),
        )
        for k, point in enumerate(points.names)
    )


def _photos(measured: Measured) -> tuple[PhotoFacts, ...]:
    opened = {p.name: p for p in measured.opened.photographs}
    placed = {p.name: p for p in measured.placed.adjustment.photos}
    names = sorted({*opened, *measured.opened.unreadable})
    return tuple(_photo(measured, placed.get(name), name, opened.get(name)) for name in names)


def _photo(
    measured: Measured, photo: AdjustedPhoto | None, name: str, file: Photograph | None
) -> PhotoFacts:
    digest = "" if file is None else file.sha256
    size = None if file is None else (file.width, file.height)
    orientation = 1 if file is None else file.orientation
    if photo is None or not photo.used or photo.pose is None:
        reason = photo.reason if photo is not None else measured.placed.left_out.get(name, "")
        return PhotoFacts(
            file=name, used=False, reason=reason, sha256=digest, size_px=size,
            orientation=orientation,
        )  # fmt: skip
    lens = measured.placed.adjustment.lenses[photo.lens]
    pose = measured.pose_in_model(photo.pose)
    return PhotoFacts(
        file=name,
        used=True,
        reason=photo.reason,
        K=lens.K,
        dist=lens.dist,
        R=pose.R,
        t=pose.t,
        reprojection_rms_px=photo.rms_px,
        sha256=digest,
        size_px=size,
        orientation=orientation,
    )


def _targets(measured: Measured) -> tuple[TargetFacts, ...]:
    placed = tuple(
        TargetFacts(
            id=target.tag,
            role=measured.roles.get(target.tag, "bench"),
            used=target.used,
            reason=target.reason,
            corners_mm=target.corners if np.all(np.isfinite(target.corners)) else None,
            sigma_mm=target.sigma if np.all(np.isfinite(target.sigma)) else None,
            photos=target.photos,
        )
        for target in measured.placed.adjustment.targets
    )
    known = {target.id for target in placed}
    refused: dict[int, str] = {}
    for detection in measured.placed.day.detections:
        for target in detection.rejected:
            if target.tag not in known and target.tag in measured.roles:
                refused.setdefault(target.tag, target.reason)
    out = tuple(
        TargetFacts(id=tag, role=measured.roles[tag], used=False, reason=reason)
        for tag, reason in refused.items()
    )
    return tuple(sorted((*placed, *out), key=lambda target: target.id))


def _bars(measured: Measured) -> tuple[BarFacts, ...]:
    given = {(b.target_a, b.target_b): b for b in measured.bars}
    return tuple(
        BarFacts(
            target_a=bar.target_a,
            target_b=bar.target_b,
            length_mm=bar.given_mm,
            u95_mm=given[bar.target_a, bar.target_b].u95_mm or 0.0,
            measured_mm=bar.found_mm if np.isfinite(bar.found_mm) else None,
            measured_u95_mm=bar.u95_mm if np.isfinite(bar.u95_mm) else None,
            used=bar.used,
            reason=bar.reason,
        )
        for bar in measured.placed.adjustment.bars
    )


def _alignment(measured: Measured) -> AlignmentFacts:
    a = measured.alignment
    return AlignmentFacts(a.method, a.R, a.t, a.shift_mm, a.turn_deg, a.covariance, a.reason)


def _budgets(points: Points, measured: Measured) -> dict[str, dict[str, float]]:
    """Standard uncertainty of each point by its parts, mm."""
    readings = measured.point_readings
    return {name: budget_mm(readings, k) for k, name in enumerate(points.names) if readings.seen[k]}
