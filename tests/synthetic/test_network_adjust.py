"""A whole day's adjustment from simulated detections: figures, and what must be found out."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.simulated_network import (
    BAR_TARGETS,
    BENCH,
    FRAME,
    HEIGHT,
    LENS,
    SIDE_MM,
    WIDTH,
    World,
    detect,
    make_world,
)
from tracker.errors import NetworkError, ScaleError, TargetError
from tracker.frame import survey
from tracker.maths.camera import Array, Lens, project
from tracker.maths.rigid import fit_rigid
from tracker.maths.rotation import angle_rad, exp
from tracker.network.adjust import add_ties, adjust
from tracker.network.datum_test import length_between
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget, TiePoints
from tracker.targets.observation import Detection

PHOTOS = 16
WORLD = make_world(PHOTOS)
RECORD_SIGMA_MM = 0.01


@cache
def frame_record() -> dict[int, KnownTarget]:
    rng = np.random.default_rng(50)
    return {
        tag: KnownTarget(
            WORLD.corners[tag] + rng.normal(0, RECORD_SIGMA_MM, (4, 3)),
            np.full(4, 2 * RECORD_SIGMA_MM),
        )
        for tag in FRAME
    }


def told_bars(count: int = 1) -> list[Bar]:
    return [Bar(a, b, length, 0.02) for a, b, length in WORLD.bars[:count]]


def run(
    detections: Sequence[Detection],
    known: Mapping[int, KnownTarget] | None = None,
    bars: Sequence[Bar] | None = None,
    focal_px: float = LENS.focal_px * 1.08,
    exif: bool = True,
) -> Adjustment:
    return adjust(
        detections,
        names=[f"IMG_{k:04d}.jpg" for k in range(len(detections))],
        cameras=[0] * len(detections),
        sizes=[(WIDTH, HEIGHT)],
        focal_guess_px=[focal_px],
        focal_known=[exif],
        known=frame_record() if known is None else known,
        bars=told_bars() if bars is None else bars,
        side_mm=SIDE_MM * 1.03,
    )


def photographed(world_of: Callable[[int], tuple[dict[int, Array], Lens]]) -> list[Detection]:
    """Detections of a day on which corners or lens differ from photograph to photograph."""
    out = []
    for k, pose in enumerate(WORLD.poses):
        corners, lens = world_of(k)
        out += detect(World(corners, (pose,), lens, WORLD.bars), seed=200 + k)
    return out


def station_rms_mm(day: Adjustment) -> float:
    off = [
        photo.pose.centre_frame - true.centre_frame
        for photo, true in zip(day.photos, WORLD.poses, strict=True)
        if photo.pose is not None
    ]
    return float(np.sqrt(np.mean(np.sum(np.square(off), axis=1))))


def turn_rms_deg(day: Adjustment) -> float:
    turns = [
        angle_rad(photo.pose.R @ true.R.T)
        for photo, true in zip(day.photos, WORLD.poses, strict=True)
        if photo.pose is not None
    ]
    return float(np.degrees(np.sqrt(np.mean(np.square(turns)))))


def bench_rms_mm(day: Adjustment) -> float:
    off = [t.corners - WORLD.corners[t.tag] for t in day.targets if t.tag in BENCH and t.photos > 2]
    return float(np.sqrt(np.mean(np.sum(np.square(off), axis=2))))


def assert_good(day: Adjustment) -> None:
    assert station_rms_mm(day) <= 0.10
    assert turn_rms_deg(day) <= 0.01
    assert day.lenses[0].focal_px == pytest.approx(LENS.focal_px, rel=5e-4)
    assert bench_rms_mm(day) <= 0.04
    assert day.solution.warnings == ()


@cache
def ordinary() -> Adjustment:
    return run(detect(WORLD))


def test_figures_of_an_ordinary_day() -> None:
    day = ordinary()
    assert_good(day)
    assert all(photo.used and not photo.reason for photo in day.photos)
    assert all(target.used and not target.reason for target in day.targets)
    assert {t.role for t in day.targets} == {"frame", "bench", "bar"}
    assert day.warnings == ()
    assert not day.free
    for a, b, length in WORLD.bars[1:]:  # not told
        found, _ = length_between(day.solution, day.target_rows[a], day.target_rows[b])
        assert found == pytest.approx(length, abs=0.02 + 1e-4 * length)
    (bar,) = day.bars
    assert bar.used
    assert bar.found_mm == pytest.approx(bar.given_mm, abs=bar.u95_mm)
    assert 0.03 <= np.median([photo.rms_px for photo in day.photos]) <= 0.06


@pytest.mark.parametrize(("factor", "exif"), [(0.8, True), (1.2, True), (0.65, False)])
def test_wrong_first_focal_length(factor: float, exif: bool) -> None:
    day = run(detect(WORLD), focal_px=factor * LENS.focal_px, exif=exif)
    assert_good(day)
    assert station_rms_mm(day) == pytest.approx(station_rms_mm(ordinary()), abs=2e-3)


def test_strong_distortion() -> None:
    barrel = replace(LENS, k1=-0.25, k2=0.1)
    day = run(photographed(lambda _: (WORLD.corners, barrel)), focal_px=1.15 * LENS.focal_px)
    assert station_rms_mm(day) <= 0.10
    assert day.lenses[0].k1 == pytest.approx(-0.25, abs=2e-3)
    assert all(photo.used for photo in day.photos)


def test_without_frame_the_bars_scale_a_free_network() -> None:
    day = run(detect(WORLD), known={}, bars=told_bars(2))
    assert day.free
    found = np.concatenate([t.corners for t in day.targets])
    true = np.concatenate([WORLD.corners[t.tag] for t in day.targets])
    moved = fit_rigid(found, true).apply(found)
    assert np.sqrt(np.mean(np.sum((moved - true) ** 2, axis=1))) <= 0.06
    a, b, length = WORLD.bars[2]
    found_mm, sigma = length_between(day.solution, day.target_rows[a], day.target_rows[b])
    assert found_mm == pytest.approx(length, abs=0.02 + 1e-4 * length)
    assert abs(found_mm - length) <= 3.5 * sigma


def test_knocked_frame_card_is_named_and_changes_nothing() -> None:
    known = dict(frame_record())
    middle = known[3].corners.mean(axis=0)
    turned = (known[3].corners - middle) @ exp(np.radians([2.0, 1.0, 2.0])).T + middle
    known[3] = replace(known[3], corners=turned + [2.4, 2.4, 2.1])
    day = run(detect(WORLD), known=known)
    card = day.target(3)
    assert not card.used
    assert card.shift_mm == pytest.approx(4.0, abs=0.1)
    assert card.turn_deg == pytest.approx(3.0, abs=0.1)
    assert re.search(r"moved by (3\.9|4\.0)\d mm and [23]\.\d\d degrees", card.reason)
    assert [t.tag for t in day.targets if not t.used] == [3]
    for one, other in zip(day.photos, ordinary().photos, strict=True):
        assert one.pose is not None
        assert other.pose is not None
        assert np.linalg.norm(one.pose.centre_frame - other.pose.centre_frame) <= 0.05


def test_two_knocked_cards_of_ten() -> None:
    known = dict(frame_record())
    for tag, shift in ((2, [1.0, 0.0, 0.5]), (7, [0.0, -0.4, 0.0])):
        known[tag] = replace(known[tag], corners=known[tag].corners + shift)
    day = run(detect(WORLD), known=known)
    assert [t.tag for t in day.targets if not t.used] == [2, 7]
    assert_good(day)


def test_frame_that_contradicts_its_record() -> None:
    rng = np.random.default_rng(60)
    known = {
        tag: replace(k, corners=k.corners + rng.normal(0, 3.0, 3))
        for tag, k in frame_record().items()
    }
    with pytest.raises(TargetError, match=r"\d of 10 frame targets do not lie where .* by \d"):
        run(detect(WORLD), known=known)


def test_record_that_is_a_little_inexact_everywhere() -> None:
    rng = np.random.default_rng(61)
    known = {
        tag: replace(k, corners=k.corners + rng.normal(0, 0.06, (4, 3)))
        for tag, k in frame_record().items()
    }
    day = run(detect(WORLD), known=known)
    assert sum(t.used for t in day.targets if t.role == "frame") >= 8
    assert 3.0 <= day.choice.record_scale <= 9.0
    assert any("Survey the frame again" in warning for warning in day.warnings)


def test_targets_that_moved_between_photographs() -> None:
    after = dict(WORLD.corners)
    after[22] = after[22] + [3.0, 1.0, 0.0]
    after[4] = after[4] + [0.0, 1.5, 0.0]
    day = run(photographed(lambda k: (WORLD.corners if k < 6 else after, LENS)))
    assert [t.tag for t in day.targets if not t.used] == [4, 22]
    assert "moved by 1.5 mm" in day.target(4).reason
    assert "moved by 3.2 mm" in day.target(22).reason
    assert "between IMG_0005.jpg and IMG_0006.jpg" in day.target(4).reason
    assert_good(day)


def test_bench_that_moved_against_the_frame() -> None:
    """More targets lie on the bench than on the frame, but the frame stands on the stone."""
    after = {t: c + [1.0, 0.5, 0.0] if t not in FRAME else c for t, c in WORLD.corners.items()}
    day = run(photographed(lambda k: (WORLD.corners if k < 12 else after, LENS)))
    assert all(day.target(tag).used for tag in FRAME)
    moved = [t for t in day.targets if not t.used]
    assert len(moved) >= 10
    assert all(re.search(r"moved by|others moved", t.reason) for t in moved)
    told = [float(m[1]) for t in moved if (m := re.search(r"moved by ([\d.]+) mm", t.reason))]
    assert np.median(told) == pytest.approx(1.12, abs=0.2)
    assert station_rms_mm(day) <= 0.3  # the last photographs hang on few frame targets


def test_photographs_that_do_not_fit() -> None:
    after = {t: c + [1.0, 0.5, 0.0] if t not in FRAME else c for t, c in WORLD.corners.items()}
    zoomed = replace(LENS, focal_px=1.05 * LENS.focal_px)
    detections = photographed(
        lambda k: (after if k == 14 else WORLD.corners, zoomed if k == 7 else LENS)
    )
    rng = np.random.default_rng(3)
    detections[3] = replace(
        detections[3],
        used=tuple(
            replace(t, corners_px=t.corners_px + rng.normal(0, 0.5, (4, 2)))
            for t in detections[3].used
        ),
    )
    day = run(detections)
    assert [k for k, photo in enumerate(day.photos) if not photo.used] == [3, 7, 14]
    assert "blurred" in day.photos[3].reason
    assert "another zoom (focal length +5.0 %)" in day.photos[7].reason
    assert "something had been moved" in day.photos[14].reason
    assert all(day.photos[k].pose is None for k in (3, 7, 14))
    assert_good(day)


def test_slightly_blurred_photograph_counts_less() -> None:
    detections = detect(WORLD)
    rng = np.random.default_rng(5)
    detections[9] = replace(
        detections[9],
        used=tuple(
            replace(t, corners_px=t.corners_px + rng.normal(0, 0.12, (4, 2)))
            for t in detections[9].used
        ),
    )
    day = run(detections)
    assert day.photos[9].used
    assert day.photos[9].weight < 0.5
    assert "counts less" in day.photos[9].reason
    assert_good(day)


def test_photographs_with_too_few_targets_say_what_would_have_helped() -> None:
    detections = detect(WORLD)
    detections[2] = replace(detections[2], used=detections[2].used[:1])
    detections[5] = replace(detections[5], used=())
    day = run(detections)
    tag = detections[2].used[0].tag
    assert day.photos[2].reason == (
        f"shows only target {tag}. Stand where at least two frame cards are in view."
    )
    assert day.photos[5].reason.startswith("shows no target")
    assert_good(day)


def test_one_wrong_corner_costs_one_sighting() -> None:
    detections = detect(WORLD)
    first, *rest = detections[8].used
    wrong = first.corners_px + [[3.0, 0.0], [0.0, 0.0], [0.0, 0.0], [0.0, 0.0]]
    detections[8] = replace(detections[8], used=(replace(first, corners_px=wrong), *rest))
    day = run(detections)
    assert day.photos[8].targets == len(rest)
    assert all(target.used for target in day.targets)
    assert_good(day)


def test_bar_printed_at_97_percent() -> None:
    a, b, length = WORLD.bars[0]
    bars = [Bar(a, b, length / 0.97, 0.02), *told_bars(2)[1:]]
    day = run(detect(WORLD), bars=bars)
    assert not day.bars[0].used
    assert "printed at 97 %" in day.bars[0].reason
    assert day.bars[1].used
    assert_good(day)


def test_only_bar_against_the_frame_is_refused() -> None:
    a, b, length = WORLD.bars[0]
    with pytest.raises(ScaleError, match=r"bar 50-51 measures .* printed at 97 %"):
        run(detect(WORLD), bars=[Bar(a, b, length / 0.97, 0.02)])


def test_bars_that_contradict_each_other_without_a_frame() -> None:
    a, b, length = WORLD.bars[0]
    bars = [Bar(a, b, length / 0.97, 0.02), *told_bars(2)[1:]]
    with pytest.raises(ScaleError, match="disagree with each other"):
        run(detect(WORLD), known={}, bars=bars)


def test_two_bars_of_three_outvote_the_third_without_a_frame() -> None:
    a, b, length = WORLD.bars[0]
    bars = [Bar(a, b, length * 1.002, 0.02), *told_bars(3)[1:]]
    day = run(detect(WORLD), known={}, bars=bars)
    assert [bar.used for bar in day.bars] == [False, True, True]
    assert re.search(r"99\.(79|80|81) %", day.bars[0].reason)


def test_nothing_gives_the_scale() -> None:
    with pytest.raises(ScaleError, match="how long a millimetre is"):
        run(detect(WORLD), known={}, bars=[])


def test_no_target_of_the_frame() -> None:
    known = {tag + 400: target for tag, target in frame_record().items()}
    with pytest.raises(TargetError, match="None of the frame's targets"):
        run(detect(WORLD), known=known)


def test_no_target_at_all() -> None:
    with pytest.raises(TargetError, match="No target was found"):
        run([Detection((), ())] * 5)


def test_two_photographs_are_too_few() -> None:
    with pytest.raises(NetworkError, match="Only 2 of 2 photographs"):
        run(detect(WORLD)[:2])


def test_photographs_that_share_nothing() -> None:
    detections = [replace(d, used=d.used[k : k + 1]) for k, d in enumerate(detect(WORLD)[:6])]
    with pytest.raises(NetworkError, match="No two photographs share"):
        run(detections)


def test_lasting_targets_show_a_frame_that_is_not_seated() -> None:
    """The frame's targets agree among themselves, but not with those on the block."""
    lasting = BENCH[:5]
    rng = np.random.default_rng(70)
    tilt, shift = exp(np.radians([0.0, 0.3, 0.0])), np.array([0.6, 0.0, 0.8])
    known = dict(frame_record())
    for tag in lasting:
        corners = (WORLD.corners[tag] + rng.normal(0, 0.01, (4, 3))) @ tilt.T + shift
        known[tag] = KnownTarget(corners, np.full(4, 0.02), "lasting")
    day = run(detect(WORLD), known=known)
    assert all(day.target(tag).used for tag in FRAME)
    assert not any(day.target(tag).used for tag in lasting)
    assert day.seating is not None
    assert day.seating.statistic > 100.0
    assert day.seating.frame_spread < 1.0
    assert day.seating.turn_deg == pytest.approx(0.3, abs=0.02)
    assert day.seating.u95_shift_mm < 0.1


def test_lasting_targets_that_agree_help() -> None:
    known = dict(frame_record())
    for tag in BENCH[:5]:
        known[tag] = KnownTarget(WORLD.corners[tag], np.full(4, 0.02), "lasting")
    day = run(detect(WORLD), known=known)
    assert all(day.target(tag).used for tag in BENCH[:5])
    assert day.seating is None
    assert_good(day)


def test_tie_points_join_without_hurting_the_poses() -> None:
    """Ties twice as scattered as they claim, one in twenty wrong."""
    rng = np.random.default_rng(80)
    direction = rng.normal(size=(600, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    cloud = np.array([150.0, 120.0, 150.0]) + direction * [90.0, 80.0, 140.0]
    centres = np.array([pose.centre_frame for pose in WORLD.poses])
    order = np.argsort(-direction @ (centres - cloud.mean(axis=0)).T, axis=1)[:, :4]
    photo, point = order.ravel(), np.repeat(np.arange(600), 4)
    pixel = np.array(
        [
            project(LENS, WORLD.poses[i], cloud[j : j + 1])[0][0]
            for i, j in zip(photo, point, strict=True)
        ]
    )
    pixel += rng.normal(0, 0.6, pixel.shape)
    wrong = rng.random(len(pixel)) < 0.05
    pixel[wrong] += rng.uniform(5, 30, (wrong.sum(), 2))
    cov = np.broadcast_to(0.3**2 * np.eye(2), (len(pixel), 2, 2)).copy()
    ties = TiePoints(cloud + rng.normal(0, 1.0, cloud.shape), photo, point, pixel, cov)
    day = add_ties(ordinary(), ties)
    assert_good(day)
    assert station_rms_mm(day) <= 1.1 * station_rms_mm(ordinary())
    assert day.choice.tie_scale == pytest.approx(2.0, rel=0.2)
    rows = day.tie_rows[day.tie_rows >= 0]
    placed = day.solution.placed[rows]
    assert placed.mean() > 0.7
    error = day.solution.points[rows][placed] - cloud[day.tie_rows >= 0][placed]
    weighted = np.linalg.solve(day.solution.cov_points[rows][placed], error[:, :, None])[..., 0]
    nees = np.einsum("ni,ni->n", error, weighted)
    assert np.median(nees) == pytest.approx(2.37, rel=0.25)
    assert len(day.solution.used) == len(wrong)
    assert not day.solution.used[wrong].any()


def test_survey_of_the_frame_from_seat_targets() -> None:
    seats = BAR_TARGETS[:1] + BAR_TARGETS[2:3] + BAR_TARGETS[4:5]
    day = run(detect(WORLD), known={}, bars=told_bars(3))
    found = survey(day, seats, FRAME)
    assert not found.left_out
    truth = [WORLD.corners[tag].mean(axis=0) for tag in seats]
    x = truth[1] - truth[0]
    x /= np.linalg.norm(x)
    z = np.cross(x, truth[2] - truth[0])
    z /= np.linalg.norm(z)
    R = np.stack([x, np.cross(z, x), z])
    off, share = [], []
    for tag in FRAME:
        wanted = (WORLD.corners[tag] - truth[0]) @ R.T
        record = found.targets[tag]
        assert record.u95_mm is not None
        off.append(np.abs(record.corners - wanted).max())
        share.append(np.abs(record.corners - wanted) <= record.u95_mm[:, None])
    assert max(off) <= 0.15
    assert np.mean(share) >= 0.85


def test_two_cameras_in_one_day() -> None:
    other = Lens(2500.0, 2040.0, 1460.0, -0.05, 0.02)
    detections = photographed(lambda k: (WORLD.corners, LENS if k % 2 else other))
    day = adjust(
        detections,
        names=[f"{k}.jpg" for k in range(PHOTOS)],
        cameras=[1 - k % 2 for k in range(PHOTOS)],
        sizes=[(WIDTH, HEIGHT)] * 2,
        focal_guess_px=[3300.0, 2300.0],
        known=frame_record(),
        bars=told_bars(),
        side_mm=SIDE_MM,
    )
    assert all(photo.used for photo in day.photos)
    assert station_rms_mm(day) <= 0.10
    assert day.lenses[0].focal_px == pytest.approx(LENS.focal_px, rel=5e-4)
    assert day.lenses[1].focal_px == pytest.approx(2500.0, rel=5e-4)
