"""Time and memory of the steps as they go into a stage's record."""

from __future__ import annotations

import json
import subprocess
import sys

from tracker.pipeline.day import STEPS, Clock

HOLDS_60_MB_MORE = """
import json
import numpy as np
from pathlib import Path
from tracker.pipeline.day import Clock

clock = Clock(lambda words, share: None)
with clock.step("photographs", "looking"):
    pass
with clock.step("targets", "placing"):
    # the largest memory so far may be that of the process that started this one
    held = int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 2**20
    large = np.ones(int((clock.peaks_mb["photographs"] - held + 60.0) * 2**17))
with clock.step("ties", "following"):
    del large
print(json.dumps(clock.peaks_mb))
"""


def test_every_step_has_its_seconds_and_its_share() -> None:
    told: list[tuple[str, float]] = []
    clock = Clock(lambda words, share: told.append((words, share)))
    with clock.step("photographs", "looking"):
        pass
    with clock.step("targets", "placing") as share:
        share(0.5)
    assert list(clock.seconds) == list(clock.peaks_mb) == list(STEPS)[:2]
    assert all(seconds >= 0.0 for seconds in clock.seconds.values())
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    half = 0.5 * (STEPS["photographs"] + STEPS["targets"])
    assert ("placing", half) in told


def test_the_peak_is_the_largest_memory_so_far() -> None:
    # in a process of its own: what other tests have held would hide it
    done = subprocess.run(
        [sys.executable, "-c", HOLDS_60_MB_MORE], capture_output=True, text=True, check=True
    )
    peaks = json.loads(done.stdout)
    assert peaks["photographs"] + 40.0 < peaks["targets"] <= peaks["ties"]
