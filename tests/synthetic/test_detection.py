"""Corners against exact truth: contrast curves, ink, blur, noise, lens, shadow, small targets."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.warped_tags import (
    Print,
    Rays,
    Scene,
    clipped,
    draw,
    gamma,
    linear,
    phone,
    posed,
    scattered,
    slanting,
    srgb,
    true_corners,
)
from tracker.maths.camera import Array, Lens
from tracker.targets.detect import detect_targets, refine_targets
from tracker.targets.observation import Detection

PHONE_LENS = Lens(760.0, 458.0, 343.0, 0.09, -0.2, 3e-4, -4e-4, 0.1)


def errors(prints: list[Print], detection: Detection, lens: Lens | None) -> tuple[Array, Array]:
    """Corner errors, (n, 4, 2) px, and the same in units of their covariance, (n, 8)."""
    error, normalised = [], []
    for target in detection.used:
        truth = true_corners(next(p for p in prints if p.tag == target.tag), lens)
        miss = target.corners_px - truth
        error.append(miss)
        normalised.append(np.linalg.solve(np.linalg.cholesky(target.cov_px2), miss.ravel()))
    return np.array(error), np.array(normalised)


def outward(prints: list[Print], detection: Detection, error: Array) -> float:
    """Mean shift of the corners away from the middle of their target, px."""
    away = np.array([t.corners_px - t.corners_px.mean(axis=0) for t in detection.used])
    away /= np.linalg.norm(away, axis=2)[:, :, None]
    return float((error * away).sum(axis=2).mean())


def rms(values: Array) -> float:
    return float(np.sqrt((values**2).mean()))


SCENES = {
    "linear": Scene(tone=linear),
    "gamma 1.8": Scene(tone=gamma(1.8)),
    "gamma 2.8": Scene(tone=gamma(2.8)),
    "phone": Scene(tone=phone),
    "phone JPEG 75": Scene(tone=phone, jpeg=75),
    "clipped white": Scene(tone=clipped, light=slanting),
    "noisy": Scene(tone=phone, noise=8.0),
    "sharpened": Scene(tone=phone, sharpening=0.8),
    "soft": Scene(tone=phone, blur_px=1.4),
}


@pytest.mark.parametrize("name", SCENES)
def test_corners_do_not_depend_on_the_contrast_curve(name: str) -> None:
    """Required 0.06 px RMS and 0.01 px mean shift with the curve unknown."""
    prints = scattered(11, count=4)
    gray = draw(prints, SCENES[name])
    detection = refine_targets(gray, detect_targets(gray), Lens(3000.0, 449.5, 349.5))
    assert [t.tag for t in detection.used] == sorted(p.tag for p in prints)
    error, _ = errors(prints, detection, None)
    assert rms(error) <= 0.03
    assert np.abs(error.mean(axis=(0, 1))).max() <= 0.01
    assert abs(outward(prints, detection, error)) <= 0.01


def test_ink_that_grew_is_taken_off() -> None:
    grown = [Print(p.tag, p.H, ink_gain_modules=0.03) for p in scattered(12, count=4)]
    gray = draw(grown, Scene(tone=linear))
    detection = refine_targets(gray, detect_targets(gray), Lens(3000.0, 449.5, 349.5))
    error, _ = errors(grown, detection, None)
    assert rms(error) <= 0.02
    assert min(t.edge_shift_px for t in detection.used) > 0.1


def test_the_known_lens_straightens_within_a_target() -> None:
    """Second pass with the lens: large targets far from the middle of a wide picture."""
    prints = [
        Print(3 + k, posed(190.0, 0.5, 1.1 * k, 0.4 * k, np.array(centre), focal_px=760.0))
        for k, centre in enumerate([(-290.0, -200.0), (290.0, -190.0), (-280.0, 200.0)])
    ]
    shift = np.array([[1.0, 0.0, 458.0], [0.0, 1.0, 343.0], [0.0, 0.0, 1.0]])
    prints = [Print(p.tag, shift @ p.H) for p in prints]
    gray = draw(prints, Scene(lens=PHONE_LENS, tone=phone))
    first = detect_targets(gray)
    second = refine_targets(gray, first, PHONE_LENS)
    before, before_normalised = errors(prints, first, PHONE_LENS)
    after, _ = errors(prints, second, PHONE_LENS)
    assert rms(after) <= 0.015
    assert rms(before) <= 0.4
    assert rms(before_normalised) <= 1.6


def test_claimed_sigma_covers_the_truth() -> None:
    """Normalised errors over sizes, tilts, curves, blur and noise: RMS near one."""
    normalised = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        prints = scattered(100 + seed, sides_px=(35.0, 170.0), tilt_deg=(0.0, 65.0))
        scene = Scene(
            tone=[phone, srgb, gamma(2.6), linear][seed % 4],
            blur_px=rng.uniform(0.6, 1.1),
            noise=rng.uniform(1.5, 6.0),
            jpeg=[None, 85][seed % 2],
            light=slanting,
            seed=seed,
        )
        gray = draw(prints, scene)
        detection = refine_targets(gray, detect_targets(gray), Lens(3000.0, 449.5, 349.5))
        normalised.append(errors(prints, detection, None)[1])
    z = np.concatenate(normalised)
    assert len(z) >= 38
    assert 0.6 <= rms(z) <= 1.25
    assert (np.abs(z) > 3.0).mean() <= 0.02


def _shadow(x: Array, y: Array) -> Array:
    """A hand's shadow: half the light beyond a soft slanting line."""
    return 1.0 - 0.5 / (1.0 + np.exp(-(x + 0.3 * y - 560.0) / 3.0))


def test_a_shadow_edge_is_followed_or_refused() -> None:
    prints = [Print(7, posed(150.0, 0.2, 0.3, 0.2, np.array([450.0, 350.0])))]
    gray = draw(prints, Scene(tone=phone, light=_shadow))
    detection = refine_targets(gray, detect_targets(gray), Lens(3000.0, 449.5, 349.5))
    if detection.used:
        error, normalised = errors(prints, detection, None)
        assert np.abs(error).max() <= 0.15
        assert rms(normalised) <= 2.0
    else:
        assert [r.tag for r in detection.rejected] == [7]
        assert detection.rejected[0].reason


def test_small_targets_of_a_large_photograph_are_read_at_full_size() -> None:
    """Half size finds the large one; the small ones need the second look."""
    rng = np.random.default_rng(4)
    small = [
        Print(20 + k, posed(34.0, 0.3, k, 0.5 * k, np.array([300.0 + 420.0 * k, 1500.0])))
        for k in range(5)
    ]
    prints = [Print(10, posed(180.0, 0.3, 1.0, 0.2, np.array([1300.0, 500.0]))), *small]
    scene = Scene(width=2600, height=1900, tone=phone, seed=int(rng.integers(99)))
    detection = detect_targets(draw(prints, scene))
    assert {t.tag for t in detection.used} == {p.tag for p in prints}
    error, _ = errors(prints, detection, None)
    assert rms(error) <= 0.06


def _thumb(x: Rays, y: Rays) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(x - 8.0, y + 0.8) < 0.7)


def test_a_covered_rim_leaves_the_corners_right() -> None:
    """Something dark over a little of the white rim: the other edges carry the corner."""
    prints = [
        Print(p.tag, p.H, cover=_thumb, cover_light=0.1) for p in scattered(13, sides_px=(90, 160))
    ]
    gray = draw(prints, Scene(tone=phone))
    detection = refine_targets(gray, detect_targets(gray), Lens(3000.0, 449.5, 349.5))
    assert len(detection.used) + len(detection.rejected) >= 1
    for target in detection.used:
        truth = true_corners(next(p for p in prints if p.tag == target.tag), None)
        assert np.abs(target.corners_px - truth).max() <= 0.08
