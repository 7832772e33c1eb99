"""What would make a set-up measure better, told from its network and its known lengths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.network.length_test import LONGEST_SHARE, LengthTest, Verdict
from tracker.network.outcome import Adjustment

LINES, LENGTHS = 7, 35
"""Lines, and lengths on them, of an acceptance test (VDI/VDE 2634 Part 1: 7 lines, 5 lengths)."""
EVEN_SHARE = 0.08
"""Share of a third direction from which the lengths count as going all ways (evenly: 1/3)."""
FEW_PHOTOS = 16
FEW_VIEWS = 4
HIGH_DEG = 40.0
"""Height above the targets' middle from which a photograph looks from above."""
HIGH_SHARE = 0.25
ONE_SIDE = 0.85
"""Length of the mean direction to the stations from which they stand on one side."""
SCALE_SHARE = 0.5
"""Share of a length's variance from which the scale is what limits it."""
SAME_SHARE = 0.25
"""What a common share may leave of the errors' squares for the scale to be the explanation."""


@dataclass(frozen=True, slots=True)
class Stations:
    """How the photographs stand round the targets."""

    count: int
    spread: float
    """Length of the mean unit vector from the targets' middle to the stations: 1, all together."""
    high_share: float
    """Share of those that look down by more than 40 degrees."""


def stations_of(adjustment: Adjustment) -> Stations:
    """Upwards is where the stations are on the whole, as long as they stand all round."""
    placed = [t.corners.mean(axis=0) for t in adjustment.targets if t.photos > 0]
    middle = np.mean(placed, axis=0)
    toward = np.array(
        [p.pose.centre_frame - middle for p in adjustment.photos if p.pose is not None]
    )
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)
    mean = toward.mean(axis=0)
    spread = float(np.linalg.norm(mean))
    height_deg = np.degrees(np.arcsin(np.clip(toward @ mean / max(spread, 1e-9), -1.0, 1.0)))
    return Stations(len(toward), spread, float(np.mean(height_deg > HIGH_DEG)))


def advise(adjustment: Adjustment, test: LengthTest) -> tuple[str, ...]:
    """Sentences, most telling first; none where nothing is to be done."""
    return (
        *_of_failure(test),
        *adjustment.warnings,
        *_of_photographs(adjustment, test),
        *_of_scale(adjustment, test),
        *_of_lengths(test),
    )


def common_share(test: LengthTest) -> float | None:
    """Relative error that explains all lengths' errors at once, or None.

    A wrong scale does that; three lengths at least must say so.
    """
    given = np.array([length.given_mm for length in test.lengths])
    error = np.array([length.error_mm for length in test.lengths])
    if len(given) < 3 or test.verdict is not Verdict.FAIL:
        return None
    share = float(given @ error / (given @ given))
    left = float(np.sum((error - share * given) ** 2))
    return share if left < SAME_SHARE * float(np.sum(error**2)) else None


def _of_failure(test: LengthTest) -> list[str]:
    if test.verdict is not Verdict.FAIL:
        return []
    share = common_share(test)
    if share is not None:
        return [
            f"All lengths are off by the same share ({100.0 * share:+.2f} %): the scale is wrong. "
            "Measure the scale bars again, or survey the frame again."
        ]
    broken = [length.name for length in test.lengths if length.verdict is Verdict.FAIL]
    return [
        f"Measure {', '.join(broken)} again by rule; if the length stands, look whether something "
        "moved while the photographs were taken, and take them again."
    ]


def _of_photographs(adjustment: Adjustment, test: LengthTest) -> list[str]:
    stations = stations_of(adjustment)
    out = []
    if stations.spread > ONE_SIDE:
        out.append("All photographs look from one side: walk all the way round.")
    elif stations.high_share < HIGH_SHARE:
        out.append(
            f"Only {100.0 * stations.high_share:.0f} % of the photographs look down steeply: take "
            "more photographs from above."
        )
    if stations.count < FEW_PHOTOS:
        out.append(f"{stations.count} photographs are few: about 24 halve what is uncertain.")
    ends = {tag for length in test.lengths for tag in (length.target_a, length.target_b)}
    thin = [t for t in adjustment.targets if t.tag in ends and t.photos < FEW_VIEWS]
    if thin:
        said = ", ".join(f"{t.tag} ({t.photos})" for t in thin)
        out.append(f"Few photographs show the ends of the lengths: target {said}.")
    return out


def _of_scale(adjustment: Adjustment, test: LengthTest) -> list[str]:
    bars = [bar for bar in adjustment.bars if bar.used]
    if not adjustment.free or not bars:
        return []
    given = [adjustment.material.bars[k] for k in sorted(adjustment.choice.bars)]
    default = 2.0 * adjustment.material.settings.bar_sigma_mm
    weight = sum((bar.length_mm / (bar.u95_mm or default)) ** 2 for bar in given)
    longest = max(test.lengths, key=lambda length: length.given_mm)
    from_scale = longest.given_mm / float(np.sqrt(weight))
    if from_scale**2 < SCALE_SHARE * longest.found_u95_mm**2:
        return []
    return [
        f"Of the U95 of {longest.name} ({longest.found_u95_mm:.3f} mm) {from_scale:.3f} mm come "
        "from the scale: a longer scale bar, or one measured more exactly, is what helps most."
    ]


def _of_lengths(test: LengthTest) -> list[str]:
    out = []
    longest = max(length.given_mm for length in test.lengths)
    needed = LONGEST_SHARE * test.diagonal_mm
    if longest < needed:
        out.append(
            f"The longest length is {longest:.0f} mm; a test for the whole room between the "
            f"targets needs one of {needed:.0f} mm (two thirds of its diagonal)."
        )
    if len(test.lengths) < 3 or _third(test.direction_shares) < EVEN_SHARE:
        out.append(
            "The lengths do not go all ways: add some upright ones and some across the others."
        )
    if len(test.lengths) < LENGTHS:
        out.append(
            f"{len(test.lengths)} {'length is' if len(test.lengths) == 1 else 'lengths are'} a "
            f"sign, not an acceptance test: that takes {LINES} lines with 5 lengths each."
        )
    return out


def _third(shares: Array) -> float:
    return float(shares[0])
