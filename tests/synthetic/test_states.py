"""States with guard bands: sure only when the whole interval lies within one band."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.comparison.readings import Readings
from tracker.comparison.states import Bands, State, interval_mm, judge
from tracker.errors import InputError


def readings(values: list[float], u95: float | list[float], at_least: bool = False) -> Readings:
    count = len(values)
    variance = np.zeros((count, 4))
    variance[:, 0] = (np.broadcast_to(u95, (count,)) / 2.0) ** 2
    value = np.array(values, dtype=float)
    axis = np.tile([0.0, 0.0, 1.0], (count, 1))
    return Readings(
        points=np.zeros((count, 3)),
        needles=axis,
        seen=np.isfinite(value),
        stone_left_mm=value,
        at_least=np.full(count, at_least),
        closest_mm=value,
        variance_mm2=variance,
        photos=np.full(count, 4),
        reason=np.where(np.isfinite(value), 0, 2),
    )


@pytest.mark.parametrize(
    ("value", "u95", "state", "sure"),
    [
        (-1.0, 0.3, State.OVERCUT, True),
        (-0.7, 0.3, State.OVERCUT, False),
        (-0.4, 0.3, State.FINISHED, False),
        (0.0, 0.3, State.FINISHED, True),
        (0.19, 0.3, State.FINISHED, True),
        (0.21, 0.3, State.FINISHED, False),
        (0.0, 0.6, State.FINISHED, False),
        (0.7, 0.3, State.CLOSE, False),
        (0.9, 0.3, State.CLOSE, True),
        (5.9, 0.3, State.CLOSE, False),
        (6.1, 0.3, State.UNTOUCHED, False),
        (7.0, 0.3, State.UNTOUCHED, True),
        (float("nan"), 0.3, State.NOT_SEEN, False),
    ],
)
def test_state_of_one_place(value: float, u95: float, state: State, sure: bool) -> None:
    found = judge(readings([value], u95), Bands())
    assert State(int(found.state[0])) is state
    assert bool(found.sure[0]) is sure


def test_at_least_25_mm_is_surely_untouched() -> None:
    found = judge(readings([25.0], 0.4, at_least=True), Bands())
    assert found.state[0] == State.UNTOUCHED
    assert found.sure[0]


def test_at_least_3_mm_may_be_any_amount_more() -> None:
    sample = readings([3.0], 0.4, at_least=True)
    low, high = interval_mm(sample)
    assert (low[0], high[0]) == (pytest.approx(2.6), np.inf)
    found = judge(sample, Bands())
    assert found.state[0] == State.CLOSE
    assert not found.sure[0]


def test_a_pit_with_unseen_floor_is_surely_overcut() -> None:
    sample = readings([-2.0, -0.6], 0.4, at_least=True)
    low, high = interval_mm(sample)
    assert low[0] == -np.inf
    assert high[0] == pytest.approx(-1.6)
    assert judge(sample, Bands()).sure.tolist() == [True, False]


def test_light_tools_where_there_may_be_less_than_two_millimetres() -> None:
    values = [-1.0, 0.0, 0.4, 1.5, 2.2, 2.4, 7.0, float("nan")]
    found = judge(readings(values, 0.3), Bands())
    assert found.light_tools.tolist() == [False, False, True, True, True, False, False, False]


def test_a_figure_on_the_limit_belongs_to_the_finished_band() -> None:
    found = judge(readings([-0.5, 0.5], 0.0), Bands())
    assert found.state.tolist() == [State.FINISHED, State.FINISHED]


def test_states_that_are_called_sure_are_right_as_often_as_promised() -> None:
    rng = np.random.default_rng(5)
    truth = np.concatenate([rng.uniform(-2, 2, 20000), rng.uniform(2, 10, 5000)])
    sigma = rng.uniform(0.05, 0.3, len(truth))
    found = judge(
        readings(list(truth + rng.normal(size=len(truth)) * sigma), list(2 * sigma)), Bands()
    )
    right = judge(readings(list(truth), 0.0), Bands()).state
    wrong = found.sure & (found.state != right)
    assert found.sure.mean() > 0.5
    # beyond a limit by chance only past 2 sigma, one-sided: 2.3 % at most, at the limits alone
    assert wrong.sum() / found.sure.sum() < 0.01
    unsure_wrong = ~found.sure & (found.state != right)
    assert unsure_wrong.sum() > 5 * wrong.sum()


def test_counts_cover_every_place() -> None:
    found = judge(readings([-1.0, 0.0, 3.0, 9.0, float("nan")], 0.2), Bands())
    assert sum(found.counts().values()) == 5
    assert [state.label for state in found.counts()] == [
        "not seen", "over-cut", "finished", "close", "untouched",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "bands",
    [(0.5, -0.5, 6.0, 2.0), (-0.5, 7.0, 6.0, 2.0), (-0.5, 0.5, float("nan"), 2.0)],
)
def test_bands_that_do_not_rise_are_refused(bands: tuple[float, float, float, float]) -> None:
    with pytest.raises(InputError, match="bands do not rise"):
        Bands(*bands)


def test_light_tools_limit_has_to_be_positive() -> None:
    with pytest.raises(InputError, match="means never"):
        Bands(light_tools_below_mm=0.0)
