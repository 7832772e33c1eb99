"""Length-measurement test: the arithmetic of an acceptance test, and its decision rule.

VDI/VDE 2634 Part 1:2002: E = Lm - Lk, quality = largest |E| over at least seven lines with five
lengths each, longest length at least two thirds of the space diagonal (2000 x 2000 x 1500 mm:
3201.6 mm, so 2134.4 mm; the seven lines from memory, the rest as quoted in a university's thesis
on such tests). Limits A + L/K as in ISO 10360. ISO 14253-1:2017: conformity is proved when the
whole of error +- U95 lies within the limit, non-conformity when it lies outside, else nothing is.
"""

import numpy as np
import pytest

from tracker.errors import InputError
from tracker.network.length_advice import LENGTHS, LINES
from tracker.network.length_test import (
    LONGEST_SHARE,
    Limit,
    Verdict,
    decide,
    direction_shares,
    space_diagonal_mm,
)

KNOWN = np.array([250.0, 500.0, 750.0, 1000.0, 1250.0])
MEASURED = np.array([250.03, 499.96, 750.05, 1000.02, 1249.91])


def test_largest_error_and_limit() -> None:
    error = MEASURED - KNOWN
    assert np.abs(error).max() == pytest.approx(0.09, abs=1e-9)
    limit = Limit.parse("0.05+L/20000")
    found = [decide(e, limit.at(known), 0.0) for e, known in zip(error, KNOWN, strict=True)]
    assert found == [Verdict.PASS] * 5
    assert limit.at(1250.0) == pytest.approx(0.1125)
    tighter = Limit.parse("0.05")
    found = [decide(e, tighter.at(known), 0.0) for e, known in zip(error, KNOWN, strict=True)]
    assert found == [Verdict.PASS] * 4 + [Verdict.FAIL]


def test_space_diagonal_of_the_volume() -> None:
    corners = np.array([[x, y, z] for x in (0, 2000) for y in (0, 2000) for z in (0, 1500)], float)
    # the box is found whichever way the volume lies
    turn = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))[0]
    assert space_diagonal_mm(corners * [1, 1.0001, 1]) == pytest.approx(3201.6, abs=0.2)
    assert space_diagonal_mm(corners * [1, 1.0001, 1] @ turn) == pytest.approx(3201.6, abs=0.2)
    needed = LONGEST_SHARE * 3201.6
    assert needed == pytest.approx(2134.4, abs=0.05)
    assert (LINES, LENGTHS) == (7, 35)


@pytest.mark.parametrize(
    ("error_mm", "verdict"),
    [(0.03, Verdict.PASS), (-0.03, Verdict.PASS), (0.05, Verdict.UNDECIDED),
     (-0.065, Verdict.UNDECIDED), (0.08, Verdict.FAIL), (-0.08, Verdict.FAIL)],
)  # fmt: skip
def test_guarded_decision(error_mm: float, verdict: Verdict) -> None:
    assert decide(error_mm, 0.05, 0.02) is verdict


def test_directions_of_the_seven_lines() -> None:
    """Four space diagonals and three edges of a cube go all ways alike; a bundle does not."""
    lines = [[1, 1, 1], [-1, 1, 1], [1, -1, 1], [1, 1, -1], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    unit = np.array(lines, float) / np.linalg.norm(lines, axis=1, keepdims=True)
    assert direction_shares(unit) == pytest.approx([1 / 3] * 3)
    assert direction_shares(unit[[4, 4, 5]]) == pytest.approx([0.0, 1 / 3, 2 / 3])


@pytest.mark.parametrize("text", ["", "zero", "0", "-0.1", "0.05+L", "0.05 mm", "1e-3", "+L/2000"])
def test_limit_that_cannot_be_read(text: str) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        Limit.parse(text)
