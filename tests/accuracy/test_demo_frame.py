"""Frame cards knocked, and the frame out of its seats, on what real pictures of the demo show.

Half of the demo's first stage is looked at once; then the record is moved, or the card's corners
are moved in part of the photographs as a knock would, by the poses that were found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tracker.maths.camera import Array, project
from tracker.maths.rotation import exp
from tracker.network.adjust import adjust
from tracker.network.build import Material
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget
from tracker.pipeline.day import open_day, place_day, quiet_threads
from tracker.records.entries import read_bars, read_frame
from tracker.targets.observation import Detection

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
STONE = np.array([[x, y, z] for x in (80.0, 220.0) for y in (60.0, 200.0) for z in (40.0, 280.0)])
KNOCK_MM = np.array([2.4, -2.4, 2.1])
"""4.0 mm."""
KNOCK_RAD = np.radians([2.0, -1.0, 2.0])
"""3.0 degrees."""
CARD = 14


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Adjustment:
    """The day as the photographs show it, adjusted."""
    folder = tmp_path_factory.mktemp("half")
    for path in sorted((DEMO / "stage-1").glob("*.jpg"))[::2]:
        (folder / path.name).symlink_to(path)
    known = {
        tag: KnownTarget(target.corners_mm, 2.0 * target.sigma_mm)
        for tag, target in read_frame(DEMO / "frame.csv", 0.1).items()
    }
    bars = [
        Bar(b.target_a, b.target_b, b.length_mm, 2.0 * b.sigma_mm)
        for b in read_bars(DEMO / "bars.csv", 0.1)
    ]
    with quiet_threads():
        return place_day(open_day(folder), known, bars).adjustment


def again(
    material: Material,
    known: Mapping[int, KnownTarget] | None = None,
    detections: tuple[Detection, ...] | None = None,
) -> Adjustment:
    return adjust(
        material.detections if detections is None else detections,
        names=material.names,
        cameras=material.cameras,
        sizes=material.sizes,
        focal_guess_px=material.focal_guess_px,
        known=material.known if known is None else known,
        bars=material.bars,
    )


def knocked(corners: Array) -> Array:
    middle = corners.mean(axis=0)
    return np.asarray((corners - middle) @ exp(KNOCK_RAD).T + middle + KNOCK_MM)


def moved_mm(one: Adjustment, other: Adjustment) -> tuple[float, float]:
    """How far the stations, and the stone as every station sees it, have moved."""
    stations, stone = [], []
    for a, b in zip(one.photos, other.photos, strict=True):
        assert a.pose is not None
        assert b.pose is not None
        stations.append(np.linalg.norm(a.pose.centre_frame - b.pose.centre_frame))
        there = STONE @ b.pose.R.T + b.pose.t
        stone.append(np.linalg.norm((there - a.pose.t) @ a.pose.R - STONE, axis=1).max())
    return float(np.max(stations)), float(np.max(stone))


def test_card_knocked_between_record_and_day(seen: Adjustment) -> None:
    known = dict(seen.material.known)
    known[CARD] = replace(known[CARD], corners=knocked(known[CARD].corners))
    day = again(seen.material, known)
    assert [t.tag for t in day.targets if t.reason and t.photos] == [CARD]
    card = day.target(CARD)
    assert not card.used
    assert card.shift_mm == pytest.approx(4.0, abs=0.05)
    assert card.turn_deg == pytest.approx(3.0, abs=0.1)
    assert "moved by 4.0" in card.reason or "moved by 3.9" in card.reason
    stations, stone = moved_mm(day, seen)
    assert stations < 0.05
    assert stone < 0.05


def test_card_knocked_in_the_middle_of_the_day(seen: Adjustment) -> None:
    showing = [k for k, d in enumerate(seen.material.detections) if has(d, CARD)]
    middle = showing[len(showing) // 2]
    before, after = seen.target(CARD).corners, knocked(seen.target(CARD).corners)
    detections = []
    for k, detection in enumerate(seen.material.detections):
        pose = seen.photos[k].pose
        if k >= middle and pose is not None:
            lens = seen.lenses[seen.photos[k].lens]
            by = project(lens, pose, after)[0] - project(lens, pose, before)[0]
            detection = replace(
                detection,
                used=tuple(
                    replace(t, corners_px=t.corners_px + by) if t.tag == CARD else t
                    for t in detection.used
                ),
            )
        detections.append(detection)
    day = again(seen.material, detections=tuple(detections))
    card = day.target(CARD)
    assert not card.used
    assert "moved by 4.0 mm and 3.0 degrees between" in card.reason
    assert seen.material.names[middle] in card.reason
    assert all(day.target(t.tag).used for t in seen.targets if t.used and t.tag != CARD)
    stations, stone = moved_mm(day, seen)
    assert stations < 0.05
    assert stone < 0.05


def test_frame_out_of_its_seats_is_no_knocked_card(seen: Adjustment) -> None:
    """Targets on the block have a record from a day on which the frame was seated."""
    lasting = [t.tag for t in seen.targets if t.role == "bench" and t.photos >= 3]
    assert len(lasting) >= 4
    tilt = np.radians([0.0, 0.25, 0.1])
    turn, shift = exp(tilt), np.array([0.0, 0.4, 0.7])
    known = dict(seen.material.known)
    for tag in lasting:
        corners = seen.target(tag).corners @ turn.T + shift
        known[tag] = KnownTarget(corners, np.full(4, 0.03), "lasting")
    day = again(seen.material, known)
    assert all(t.used for t in day.targets if t.role == "frame" and t.photos)
    assert not any(day.target(tag).used for tag in lasting)
    assert day.seating is not None
    assert day.seating.statistic > 10.0
    assert day.seating.frame_spread <= 1.0
    assert day.seating.turn_deg == pytest.approx(np.degrees(np.linalg.norm(tilt)), abs=0.03)
    # and a knocked card beside lasting targets that agree says nothing of the seats
    known = dict(seen.material.known)
    for tag in lasting:
        known[tag] = KnownTarget(seen.target(tag).corners, np.full(4, 0.03), "lasting")
    known[CARD] = replace(known[CARD], corners=knocked(known[CARD].corners))
    day = again(seen.material, known)
    assert day.seating is None
    assert [t.tag for t in day.targets if t.reason and t.photos] == [CARD]


def has(detection: Detection, tag: int) -> bool:
    return any(t.tag == tag for t in detection.used)
