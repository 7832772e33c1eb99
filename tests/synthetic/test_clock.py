"""Time and memory of the steps as they go into a stage's record."""

from __future__ import annotations

import numpy as np

from tracker.pipeline.day import STEPS, Clock


def test_every_step_has_its_seconds_and_its_peak() -> None:
    told: list[tuple[str, float]] = []
    clock = Clock(lambda words, share: told.append((words, share)))
    with clock.step("photographs", "looking"):
        small = np.ones(1)
    with clock.step("targets", "placing") as share:
        large = np.ones(60 * 2**17)  # 60 MB
        share(0.5)
    with clock.step("ties", "following"):
        del large
    assert list(clock.seconds) == list(clock.peaks_mb) == list(STEPS)[:3]
    assert all(seconds >= 0.0 for seconds in clock.seconds.values())
    # a peak is the largest memory so far: it cannot fall
    assert clock.peaks_mb["photographs"] + 40.0 < clock.peaks_mb["targets"] or small.size == 0
    assert clock.peaks_mb["ties"] >= clock.peaks_mb["targets"]
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    half = 0.5 * (STEPS["photographs"] + STEPS["targets"])
    assert ("placing", half) in told
