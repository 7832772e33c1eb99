"""Verdicts near a limit: proved above, proved below, or not decided.

Source: ISO 14253-1:2017 (acceptance zone shrunk by the uncertainty, one-sided 95 %, a third zone
where nothing is decided); JCGM 106:2012, 7.2 and 8.3.2 (conformance probability; guard band
1.645 u). Values of the normal distribution, tolerance 1e-4.
"""

from __future__ import annotations

import numpy as np
import pytest

from tracker.comparison.readings import Readings
from tracker.comparison.states import Bands, State, judge
from tracker.comparison.uncertainty import (
    decided,
    guard_width,
    probability_below,
    probability_within,
)


def test_probability_that_a_positive_figure_is_an_overcut() -> None:
    assert float(probability_below(0.5, 0.3, 0.0)) == pytest.approx(0.04779, abs=1e-4)


def test_probability_within_two_limits() -> None:
    assert float(probability_within(0.0, 0.5, -1.0, 1.0)) == pytest.approx(0.9545, abs=1e-4)
    assert float(probability_within(0.0, 0.5, -np.inf, np.inf)) == 1.0


def test_width_of_the_one_sided_guard_band() -> None:
    assert guard_width(1.0) == pytest.approx(1.6449, abs=1e-4)
    assert guard_width(0.2) == pytest.approx(0.2 * 1.6449, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(-1.0, "below"), (-0.84, "below"), (-0.82, "not decided"), (-0.5, "not decided"),
     (-0.18, "not decided"), (-0.16, "above"), (0.5, "above")],
)  # fmt: skip
def test_between_the_guards_nothing_is_decided(value: float, verdict: str) -> None:
    assert decided(value, 0.2, limit=-0.5) == verdict


def test_a_sure_state_has_its_conformance_probability() -> None:
    """Whole interval +-2u inside a band: the true value is in it with 97.7 % or more."""
    bands = Bands()
    value = np.linspace(-3.0, 9.0, 4001)
    sigma = 0.15
    count = len(value)
    variance = np.zeros((count, 4))
    variance[:, 0] = sigma**2
    readings = Readings(
        np.zeros((count, 3)), np.tile([0.0, 0.0, 1.0], (count, 1)), np.ones(count, dtype=bool),
        value, np.zeros(count, dtype=bool), value, variance, np.full(count, 4),
        np.zeros(count, dtype=np.int64),
    )  # fmt: skip
    found = judge(readings, bands)
    for state in (State.OVERCUT, State.FINISHED, State.CLOSE, State.UNTOUCHED):
        low, high = bands.band(state)
        inside = probability_within(value, sigma, low, high)
        sure = found.sure & (found.state == state)
        assert sure.any()
        assert inside[sure].min() >= 0.9544
        outside = ~sure & (found.state == state)
        assert inside[outside].max() < 0.9773
