"""What fixes place, turn and scale: known targets and bars that agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tracker.errors import ScaleError, TargetError
from tracker.maths.camera import Pose
from tracker.maths.rigid import Similarity
from tracker.network.build import Choice, Material, Values, assemble, record_sigma
from tracker.network.consensus import Agreement, agree_with_record
from tracker.network.datum_test import TargetTest, measure_bars, test_known
from tracker.network.outcome import AdjustedBar
from tracker.network.solve import solve

ROUNDS = 8
LEAST_FOR_SCALE = 3
"""Known targets from which the record's own scatter is judged."""
RECORD_TOLERANCE = 0.1
"""Relative change of the record's scatter that asks for another round."""


def lay_record(material: Material, choice: Choice, values: Values) -> tuple[Choice, Values]:
    """Carries the free network into frame coordinates; agreeing frame targets become the datum.

    Raises
    ------
    TargetError
        No known target is placed, or too few agree with the record.
    """
    record = {tag: known.corners for tag, known in material.known.items()}
    found = {tag: values.corners[tag] for tag in values.corners if tag in record}
    found = {tag: xyz for tag, xyz in found.items() if tag not in choice.targets_out}
    first = {t: xyz for t, xyz in found.items() if material.known[t].role == "frame"} or found
    if not first:
        raise TargetError(
            "No target of the frame could be placed from the photographs.",
            "Photograph the block with its frame seated, two or more frame cards in every view.",
        )
    sigma = float(np.median([record_sigma(material, tag).mean() for tag in first]))
    agreement = agree_with_record(first, record, sigma)
    _need_majority(material, agreement)
    values = _carry(agreement.record_from_free, values)
    return replace(choice, held=frozenset(agreement.agree)), values


def settle_record(material: Material, choice: Choice, values: Values) -> tuple[Choice, Values]:
    """Tests known targets one by one until those that are held all agree.

    The record's sigmas are widened where most targets disagree a little with it.

    Raises
    ------
    TargetError
        Too few agree with the record.
    """
    dismissed: set[int] = set()
    for _ in range(ROUNDS + len(material.known)):
        assembled = assemble(material, choice, values)
        solution = solve(assembled.network)
        new = assembled.values(solution)
        values = Values(
            {**values.poses, **new.poses}, {**values.corners, **new.corners}, new.lenses
        )
        tests = test_known(material, choice, assembled, solution)
        held = [tests[t] for t in sorted(choice.held) if t in tests]
        wider = choice.record_scale * _record_scatter(held)
        if wider > choice.record_scale * (1.0 + RECORD_TOLERANCE):
            choice = replace(choice, record_scale=wider)
            continue
        worst = max(held, key=lambda test: test.value)
        joins = _joining(material, choice, tests, dismissed)
        if worst.value > 1.0 and len(held) > 1:
            dismissed.add(worst.tag)
            choice = replace(choice, held=choice.held - {worst.tag})
        elif joins:
            choice = replace(choice, held=choice.held | joins)
        else:
            break
    _need_tested_majority(material, choice, tests)
    return choice, values


def choose_bars(material: Material, choice: Choice, values: Values) -> tuple[Choice, Values]:
    """Bars that agree with the datum, or without one with each other.

    Raises
    ------
    ScaleError
        Nothing gives the scale, or what gives it disagrees without a majority.
    """
    assembled = assemble(material, choice, values)
    solution = solve(assembled.network)
    bars = measure_bars(material, choice, assembled, solution)
    if not choice.held:
        return _bars_alone(material, choice, values, bars)
    good = {k for k, bar in bars.items() if _off(bar, bar.given_mm) <= material.settings.bar_limit}
    if bars and not good:
        raise _bars_against_frame([bars[k] for k in sorted(bars)])
    return replace(choice, bars=frozenset(good)), values


def bar_reason(bar: AdjustedBar) -> str:
    """Why a bar is left out."""
    percent = 100.0 * bar.ratio
    return (
        f"measures {bar.found_mm:.2f} mm instead of {bar.given_mm:.2f} mm: "
        f"the sheet was printed at {percent:.{_digits(bar)}f} %, or its record is wrong"
    )


def _digits(bar: AdjustedBar) -> int:
    return 0 if abs(bar.ratio - 1.0) > 0.01 else 2


def _bars_alone(
    material: Material, choice: Choice, values: Values, bars: dict[int, AdjustedBar]
) -> tuple[Choice, Values]:
    if not bars:
        raise ScaleError(
            "Nothing in these photographs says how long a millimetre is.",
            "Put a scale bar of known length in view of three photographs or more.",
        )
    limit = material.settings.bar_limit
    best: set[int] = set()
    for k in sorted(bars):
        factor = bars[k].given_mm / bars[k].found_mm
        group = {j for j, b in bars.items() if _off(b, b.given_mm / factor, bars[k]) <= limit}
        if len(group) > len(best):
            best = group
    if len(bars) > 1 and len(best) * 2 <= len(bars):
        names = ", ".join(
            f"{b.target_a}-{b.target_b} ({b.given_mm:.2f} mm)" for _, b in sorted(bars.items())
        )
        raise ScaleError(
            f"The scale bars disagree with each other: {names}.",
            "Measure them again between the targets' centres and correct bars.csv.",
        )
    factor = float(np.median([bars[k].given_mm / bars[k].found_mm for k in sorted(best)]))
    values = _carry(Similarity(factor, np.eye(3), np.zeros(3)), values)
    return replace(choice, bars=frozenset(best)), values


def _off(bar: AdjustedBar, wanted_mm: float, other: AdjustedBar | None = None) -> float:
    """Difference from a wanted length in sigmas (of both bars, where two are compared)."""
    sigma = bar.u95_mm / 2.0
    if other is not None and other is not bar:
        sigma = float(np.hypot(sigma, other.u95_mm / 2.0 * bar.found_mm / other.found_mm))
    return abs(bar.found_mm - wanted_mm) / sigma


def _bars_against_frame(bars: Sequence[AdjustedBar]) -> ScaleError:
    said = "; ".join(f"bar {b.target_a}-{b.target_b} {bar_reason(b)}" for b in bars)
    return ScaleError(
        f"The scale bars contradict the frame: {said}.",
        "Measure the bar between its targets' centres and correct bars.csv, or take it out.",
    )


def _record_scatter(held: Sequence[TargetTest]) -> float:
    if len(held) < LEAST_FOR_SCALE:
        return 1.0
    return max(1.0, float(np.sqrt(np.median([test.scale for test in held]))))


def _joining(
    material: Material, choice: Choice, tests: dict[int, TargetTest], dismissed: set[int]
) -> set[int]:
    """Known targets that pass though they are not held: frame targets always, others as a body."""
    outside = {t: test for t, test in tests.items() if t not in choice.held | dismissed}
    frame = {t for t, test in outside.items() if material.known[t].role == "frame"}
    others = set(outside) - frame
    joins = {t for t in frame if outside[t].value <= 1.0}
    passing = {t for t in others if outside[t].value <= 1.0}
    if others and 2 * len(passing) > len(others):
        joins |= passing
    return joins


def _need_majority(material: Material, agreement: Agreement) -> None:
    total, agree = len(agreement.off_mm), len(agreement.agree)
    if total >= 2 and agree < max(2.0, material.settings.least_frame_share * total):
        raise _too_many(
            {t: v for t, v in agreement.off_mm.items() if t not in agreement.agree}, total
        )


def _need_tested_majority(material: Material, choice: Choice, tests: dict[int, TargetTest]) -> None:
    frame = {t: test for t, test in tests.items() if material.known[t].role == "frame"} or tests
    off = {t: test.shift_mm for t, test in frame.items() if t not in choice.held}
    agree = len(frame) - len(off)
    if len(frame) >= 2 and agree < max(2.0, material.settings.least_frame_share * len(frame)):
        raise _too_many(off, len(frame))


def _too_many(off_mm: dict[int, float], total: int) -> TargetError:
    names = ", ".join(f"{tag} by {mm:.1f} mm" for tag, mm in sorted(off_mm.items()))
    return TargetError(
        f"{len(off_mm)} of {total} frame targets do not lie where the frame's record has them "
        f"({names}).",
        "Check that frame.csv belongs to this frame and that no card is bent or loose; "
        "then survey the frame again.",
    )


def _carry(motion: Similarity, values: Values) -> Values:
    """Values in the coordinates that a similarity leads to."""
    poses = {}
    for photo, pose in values.poses.items():
        R = pose.R @ motion.R.T
        poses[photo] = Pose(R, motion.scale * pose.t - R @ motion.t)
    corners = {tag: motion.apply(xyz) for tag, xyz in values.corners.items()}
    return Values(poses, corners, values.lenses)
