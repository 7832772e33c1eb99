"""Forecasts: exact lines, ranges that cover, working days by the calendar.

Fieller's interval is compared with a search for the times at which the prediction's own interval
(statsmodels) takes in nothing-left.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
import statsmodels.api as sm

from tracker.comparison.forecast import forecast
from tracker.comparison.rate import crossing, fit_line
from tracker.comparison.removed import Amount
from tracker.comparison.uncertainty import coverage_factor
from tracker.comparison.working_days import WorkingDays, counted
from tracker.errors import InputError
from tracker.maths.camera import Array

WEEKDAYS = (True,) * 5 + (False,) * 2


def amounts(volumes: Array, u95: float = 1e-6) -> list[Amount]:
    return [Amount(float(v), u95, 1.0, False) for v in volumes]


def test_an_exact_line_ends_where_it_ends() -> None:
    days = np.array([0.0, 2.0, 5.0, 6.0])
    found = forecast(days, amounts(90_000.0 - 7_500.0 * days))
    assert found is not None
    assert found.likely_days == pytest.approx(6.0)
    assert found.range_days == pytest.approx((6.0, 6.0), abs=1e-5)
    assert found.per_day_mm3 == pytest.approx(7_500.0)
    assert found.stages == 4


def test_the_range_is_that_of_the_predictions_own_interval() -> None:
    t = np.array([0.0, 1.0, 3.0, 4.0, 7.0, 9.0])
    y = np.array([100.0, 92.0, 79.0, 65.0, 48.0, 33.0])
    line = fit_line(t, y, 0.0)
    factor = float(coverage_factor(line.dof))
    found = crossing(line, 0.0, factor)
    assert found is not None
    model = sm.OLS(y, sm.add_constant(t)).fit()
    ends = np.array([found.earliest, found.latest])
    low_high = model.get_prediction(sm.add_constant(ends)).conf_int(alpha=0.05)
    assert low_high[0, 0] == pytest.approx(0.0, abs=1e-8)
    assert low_high[1, 1] == pytest.approx(0.0, abs=1e-8)
    assert found.earliest < found.likely < found.latest


def test_the_range_covers_the_truth_in_95_of_100_cases() -> None:
    rng = np.random.default_rng(5)
    days = np.arange(0.0, 10.0, 2.0)
    truth = 100.0 / 8.0 - days[-1]
    inside = []
    for _ in range(1500):
        volumes = 100.0 - 8.0 * days + rng.normal(0.0, 4.0, len(days))
        found = forecast(days, amounts(volumes))
        assert found is not None
        inside.append(found.range_days[0] <= truth <= found.range_days[1])
    # three standard errors of 1500 draws
    assert np.mean(inside) == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / 1500))


def test_a_chance_line_is_no_surer_than_its_volumes() -> None:
    days = np.array([0.0, 1.0, 2.0])
    sharp, blunt = (forecast(days, amounts(100.0 - 20.0 * days, u95)) for u95 in (0.01, 6.0))
    assert sharp is not None
    assert blunt is not None
    assert blunt.per_day_u95_mm3 == pytest.approx(
        float(coverage_factor(1)) * 3.0 / np.sqrt(2.0), rel=1e-9
    )
    assert blunt.range_days[1] == np.inf
    assert sharp.range_days[1] < 4.0


def test_no_end_is_foretold_where_the_stone_does_not_get_less() -> None:
    assert forecast(np.array([0.0, 1.0, 2.0]), amounts(np.array([10.0, 10.0, 11.0]))) is None


def test_two_stages_make_no_rate() -> None:
    with pytest.raises(InputError, match="three stages on different days; there are 2"):
        forecast(np.array([0.0, 3.0]), amounts(np.array([10.0, 8.0])))


def test_stone_that_is_gone_needs_no_more_days() -> None:
    found = forecast(np.array([0.0, 1.0, 2.0]), amounts(np.array([10.0, 4.0, -2.0])))
    assert found is not None
    assert found.likely_days == 0.0


def test_working_days_skip_the_weekend_but_count_a_photographed_saturday() -> None:
    friday, saturday, monday = date(2026, 3, 6), date(2026, 3, 7), date(2026, 3, 9)
    assert counted([friday, monday], WEEKDAYS)[1] == (0, 1)
    assert counted([friday, saturday, monday], WEEKDAYS)[1] == (0, 1, 2)
    assert counted([friday, friday], WEEKDAYS)[1] == (0, 0)


def test_days_ahead_are_working_days() -> None:
    calendar = WorkingDays(WEEKDAYS)
    friday, sunday = date(2026, 3, 6), date(2026, 3, 8)
    assert calendar.after(friday, 1.0) == date(2026, 3, 9)
    assert calendar.after(friday, 0.2) == date(2026, 3, 9)
    assert calendar.after(friday, 0.0) == friday
    assert calendar.after(sunday, 1.0) == date(2026, 3, 9)
    assert calendar.after(friday, 5.0) == date(2026, 3, 13)
    assert calendar.after(friday, np.inf) is None
    assert calendar.after(friday, 1e9) is None
