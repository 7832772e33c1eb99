"""Targets that may not be used are left out, each with the reason."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.warped_tags import Print, Rays, Scene, draw, phone, posed, scattered, true_corners
from tracker.targets.detect import detect_targets
from tracker.targets.observation import Detection

SMALL = Scene(width=600, height=400, tone=phone)


def at(x: float, y: float, side_px: float = 110.0, tilt: float = 0.3, turn: float = 0.2) -> Print:
    return Print(31, posed(side_px, tilt, 0.8, turn, np.array([x, y])))


def reasons(detection: Detection) -> dict[int, str]:
    return {r.tag: r.reason for r in detection.rejected}


def test_the_sound_target_is_used() -> None:
    detection = detect_targets(draw([at(300, 200)], SMALL))
    assert [t.tag for t in detection.used] == [31]
    assert not detection.rejected


def test_one_number_twice_rejects_both() -> None:
    detection = detect_targets(draw([at(150, 200), at(430, 210, tilt=0.5)], SMALL))
    assert not detection.used
    assert [r.tag for r in detection.rejected] == [31, 31]
    assert all("is seen 2 times" in r.reason for r in detection.rejected)


def test_cut_by_the_edge() -> None:
    """The black square ends two pixels from the edge: what lies beyond is not known."""
    touching = at(300, 200, tilt=0.0, turn=0.0)
    room = true_corners(touching, None)[:, 0].min() - 2.0
    detection = detect_targets(draw([touching], SMALL)[:, int(room) :])
    assert not detection.used
    if detection.rejected:
        assert "edge" in detection.rejected[0].reason


def test_half_outside_is_not_read() -> None:
    detection = detect_targets(draw([at(20, 200)], SMALL))
    assert not detection.used


def test_a_mirrored_target_is_not_read() -> None:
    """In polished stone or a window: no mirror image is a number of the family."""
    prints = [Print(p.tag, p.H, mirrored=True) for p in scattered(3)]
    detection = detect_targets(draw(prints, Scene(tone=phone)))
    assert not detection.used


def test_seen_too_much_from_the_side() -> None:
    detection = detect_targets(draw([at(300, 200, side_px=200.0, tilt=np.radians(81.0))], SMALL))
    assert not detection.used
    for reason in reasons(detection).values():
        assert "small" in reason or "side" in reason or "followed" in reason


def test_too_small() -> None:
    detection = detect_targets(draw([at(300, 200, side_px=21.0, tilt=0.6)], SMALL))
    assert not detection.used
    for reason in reasons(detection).values():
        assert "too small" in reason or "followed" in reason


def test_too_little_contrast() -> None:
    dim = Scene(width=600, height=400, light=lambda x, y: np.full_like(x, 0.006), noise=0.5)
    detection = detect_targets(draw([at(300, 200)], dim))
    assert not detection.used
    assert "contrast" in reasons(detection).get(31, "contrast")


def test_nothing_in_the_picture() -> None:
    detection = detect_targets(np.full((300, 400), 128, np.uint8))
    assert detection.used == ()
    assert detection.rejected == ()


def _disc(x0: float, y0: float, radius: float) -> Callable[[Rays, Rays], NDArray[np.bool_]]:
    return lambda x, y: np.asarray(np.hypot(x - x0, y - y0) < radius)


def _slab(angle: float, depth: float) -> Callable[[Rays, Rays], NDArray[np.bool_]]:
    return lambda x, y: np.asarray(
        (x - 4.0) * np.cos(angle) + (y - 4.0) * np.sin(angle) > 5.5 - depth
    )


def test_a_covered_bit_is_told() -> None:
    """A blot on one white bit: the number can still be read, but something lies on the target."""
    target = Print(0, at(300, 200).H, cover=_disc(3.5, 2.5, 0.6), cover_light=0.03)
    detection = detect_targets(draw([target], SMALL))
    assert not detection.used
    assert "do not belong to number 0" in reasons(detection)[0]


@pytest.mark.parametrize("seed", range(6))
def test_partly_covered_is_right_or_rejected(seed: int) -> None:
    """Something lies over a corner or a side, dark, grey or pale: never a wrong corner."""
    rng = np.random.default_rng(seed)
    prints = []
    for p in scattered(300 + seed, sides_px=(60.0, 150.0)):
        x0, y0 = rng.choice([0.0, 8.0], 2)
        size = rng.uniform(0.3, 2.0)
        round_one = rng.random() < 0.5
        cover = _disc(x0, y0, size) if round_one else _slab(rng.uniform(0.0, 6.28), size)
        light = float(rng.choice([0.02, 0.15, 0.3, 0.6]))
        prints.append(Print(p.tag, p.H, cover=cover, cover_light=light))
    detection = detect_targets(draw(prints, Scene(tone=phone, seed=seed)))
    for target in detection.used:
        truth = true_corners(next(p for p in prints if p.tag == target.tag), None)
        miss = target.corners_px - truth
        sigma = np.sqrt(np.diag(target.cov_px2)).reshape(4, 2)
        assert np.abs(miss).max() <= 0.15
        assert np.abs(miss / sigma).max() <= 5.0
