"""Length-measurement test: known lengths that took no part in the scale, against the network.

After the manner of VDI/VDE 2634 Part 1: lengths between targets' centres in several directions,
E = measured less known for each, the largest |E| against a limit. The limit of a set-up is the
U95 of each measured length (network and scale) plus that of the known one. Where the carver sets
a limit, A + L/K as makers of measuring systems state theirs, a length passes if it keeps it by
the known length's own U95, fails if it breaks it by as much, and decides nothing in between
(ISO 14253-1).

References
----------
VDI/VDE 2634 Part 1 (2002), length measurement error, longest length at least two thirds of the
space diagonal; ISO 14253-1 (2017) for the decision.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from tracker.errors import InputError, NetworkError
from tracker.maths.camera import Array
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar

LONGEST_SHARE = 2.0 / 3.0
"""Of the space diagonal that the longest length must reach."""
_LIMIT = re.compile(r"(?P<A>\d+(\.\d+)?)(\+L/(?P<K>\d+(\.\d+)?))?", re.ASCII)


class Verdict(Enum):
    """Of a length or of the whole test."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Limit:
    """Largest permissible error A + L/K, mm."""

    constant_mm: float
    length_share: float = 0.0

    @staticmethod
    def parse(text: str) -> Limit:
        """Limit as it is written, 0.05 or 0.05+L/20000 (mm).

        Raises
        ------
        InputError
            Anything else.
        """
        found = _LIMIT.fullmatch(text.replace(" ", ""))
        if found is None or float(found["A"]) + float(found["K"] or 0.0) <= 0.0:
            raise InputError(
                f"The limit '{text}' cannot be read.",
                "Write millimetres, as 0.05, or as 0.05+L/20000 if it grows with the length.",
            )
        K = float(found["K"] or 0.0)
        return Limit(float(found["A"]), 1.0 / K if K > 0.0 else 0.0)

    def at(self, length_mm: float) -> float:
        """Limit for a length, mm."""
        return self.constant_mm + self.length_share * length_mm


@dataclass(frozen=True, slots=True)
class LengthError:
    """One known length as the network has it."""

    target_a: int
    target_b: int
    given_mm: float
    given_u95_mm: float
    found_mm: float
    found_u95_mm: float
    """Of the network and its scale."""
    limit_mm: float
    verdict: Verdict

    @property
    def error_mm(self) -> float:
        """Found less given."""
        return self.found_mm - self.given_mm

    @property
    def name(self) -> str:
        """How the carver knows it."""
        return f"{self.target_a}-{self.target_b}"


@dataclass(frozen=True, slots=True)
class LengthTest:
    """All lengths, and what they say together.

    Attributes
    ----------
    lengths : tuple of LengthError
    left_out : mapping of a length's name to the reason, as pairs
    verdict : Verdict
    own_limit : Limit or None
        The carver's; None where the set-up's own promise is the limit.
    diagonal_mm : float
        Space diagonal of the box round all targets.
    direction_shares : (3,) array
        How the lengths' directions spread over three axes, smallest first; they sum to 1.
    """

    lengths: tuple[LengthError, ...]
    left_out: tuple[tuple[str, str], ...]
    verdict: Verdict
    own_limit: Limit | None
    diagonal_mm: float
    direction_shares: Array

    @property
    def worst(self) -> LengthError:
        """The length with the largest error."""
        return max(self.lengths, key=lambda length: abs(length.error_mm))

    @property
    def deciding(self) -> LengthError:
        """The length that comes closest to its limit or lies farthest beyond."""
        return max(self.lengths, key=lambda length: abs(length.error_mm) / length.limit_mm)


def measure_lengths(
    adjustment: Adjustment, known: Sequence[Bar], own_limit: Limit | None = None
) -> LengthTest:
    """The test of a network that has its scale from elsewhere.

    Parameters
    ----------
    adjustment : Adjustment
    known : lengths between two targets' centres, with their U95
    own_limit : Limit, optional
        The carver's; by default each length's U95 plus that of the known one.

    Raises
    ------
    NetworkError
        None of the lengths can be measured.
    """
    lengths, left_out = [], []
    for bar in known:
        reason = _why_not(adjustment, bar)
        if reason:
            left_out.append((bar.name, reason))
        else:
            lengths.append(_measure(adjustment, bar, own_limit))
    if not lengths:
        said = "; ".join(f"{name}: {reason}" for name, reason in left_out)
        raise NetworkError(
            f"None of the known lengths can be tested ({said}).",
            "Put the targets of the known lengths in view of three photographs or more, and "
            "leave out those that give the scale.",
        )
    verdicts = {length.verdict for length in lengths}
    whole = next(v for v in (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS) if v in verdicts)
    return LengthTest(
        tuple(lengths),
        tuple(left_out),
        whole,
        own_limit,
        space_diagonal_mm(_all_corners(adjustment)),
        direction_shares(_directions(adjustment, lengths)),
    )


def decide(error_mm: float, limit_mm: float, u95_mm: float) -> Verdict:
    """Whether an error keeps a limit, given the U95 with which the error is known."""
    size = abs(error_mm)
    if size + u95_mm <= limit_mm:
        return Verdict.PASS
    return Verdict.FAIL if size - u95_mm > limit_mm else Verdict.UNDECIDED


def space_diagonal_mm(points: Array) -> float:
    """Diagonal of the box along the principal axes of points (n, 3), mm."""
    off = points - points.mean(axis=0)
    axes = np.linalg.svd(off, full_matrices=False)[2]
    return float(np.linalg.norm(np.ptp(off @ axes.T, axis=0)))


def direction_shares(directions: Array) -> Array:
    """Eigenvalues of the mean u u^T of unit directions (n, 3): smallest first, sum 1."""
    return np.asarray(np.linalg.eigvalsh(directions.T @ directions / len(directions)))


def _why_not(adjustment: Adjustment, bar: Bar) -> str:
    """Why a length cannot be tested; empty where it can."""
    placed = {t.tag for t in adjustment.targets if t.photos > 0 and t.tag in adjustment.target_rows}
    for tag in (bar.target_a, bar.target_b):
        if tag not in placed:
            return f"target {tag} is not placed by the photographs"
    if adjustment.choice.held >= {bar.target_a, bar.target_b}:
        return "both targets are on the frame's record, which gives the scale"
    scale = [adjustment.material.bars[k] for k in adjustment.choice.bars]
    if any({b.target_a, b.target_b} == {bar.target_a, bar.target_b} for b in scale):
        return "it gives the scale itself"
    return ""


def _measure(adjustment: Adjustment, bar: Bar, own_limit: Limit | None) -> LengthError:
    found, sigma = adjustment.length(bar.target_a, bar.target_b)
    given_u95 = bar.u95_mm or 0.0
    error = found - bar.length_mm
    if own_limit is None:
        limit = 2.0 * sigma + given_u95
        verdict = Verdict.PASS if abs(error) <= limit else Verdict.FAIL
    else:
        limit = own_limit.at(bar.length_mm)
        verdict = decide(error, limit, given_u95)
    return LengthError(
        bar.target_a, bar.target_b, bar.length_mm, given_u95, found, 2.0 * sigma, limit, verdict
    )


def _all_corners(adjustment: Adjustment) -> Array:
    return np.concatenate([t.corners for t in adjustment.targets if t.photos > 0])


def _directions(adjustment: Adjustment, lengths: Sequence[LengthError]) -> Array:
    middle = {t.tag: t.corners.mean(axis=0) for t in adjustment.targets}
    along = np.array([middle[b.target_b] - middle[b.target_a] for b in lengths])
    return np.asarray(along / np.linalg.norm(along, axis=1, keepdims=True))
