"""From stone left to the state of a place, said as sure only when it is.

A place is sure when the whole interval stone left +-U95 lies within one band (ISO 14253-1,
JCGM 106 guard bands); else its state is the likely one and the needle has to settle it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.readings import Readings
from tracker.errors import InputError
from tracker.maths.camera import Array


class State(IntEnum):
    """State of a place, from the deepest cut to the most stone."""

    NOT_SEEN = 0
    OVERCUT = 1
    FINISHED = 2
    CLOSE = 3
    UNTOUCHED = 4

    @property
    def label(self) -> str:
        """The word in lists and files."""
        return _LABELS[self]


_LABELS = {
    State.NOT_SEEN: "not seen",
    State.OVERCUT: "over-cut",
    State.FINISHED: "finished",
    State.CLOSE: "close",
    State.UNTOUCHED: "untouched",
}


@dataclass(frozen=True, slots=True)
class Bands:
    """Limits between the states, mm of stone left.

    Raises
    ------
    InputError
        The limits do not rise from over-cut to untouched.
    """

    overcut_below_mm: float = -0.5
    finished_below_mm: float = 0.5
    close_below_mm: float = 6.0
    light_tools_below_mm: float = 2.0

    def __post_init__(self) -> None:
        limits = (self.overcut_below_mm, self.finished_below_mm, self.close_below_mm)
        if not (np.all(np.isfinite(limits)) and limits[0] <= 0.0 <= limits[1] < limits[2]):
            raise InputError(
                "The bands do not rise: over-cut below "
                f"{limits[0]:g} mm, finished up to {limits[1]:g} mm, close up to {limits[2]:g} mm.",
                "Give a limit of 0 or less for over-cut, 0 or more for finished, more for close.",
            )
        if not self.light_tools_below_mm > 0.0:
            raise InputError(
                f"Light tools only below {self.light_tools_below_mm:g} mm means never.",
                "Give the depth in mm, above 0, from which only light tools may be used.",
            )

    def band(self, state: State) -> tuple[float, float]:
        """Lowest and highest stone left of a state, mm."""
        return {
            State.OVERCUT: (-np.inf, self.overcut_below_mm),
            State.FINISHED: (self.overcut_below_mm, self.finished_below_mm),
            State.CLOSE: (self.finished_below_mm, self.close_below_mm),
            State.UNTOUCHED: (self.close_below_mm, np.inf),
            State.NOT_SEEN: (-np.inf, np.inf),
        }[state]


@dataclass(frozen=True, slots=True)
class Judgement:
    """States of n places.

    Attributes
    ----------
    state : (n,) int
        A value of State.
    sure : (n,) bool
        The whole interval lies within the state's band. Never for a place that was not seen.
    light_tools : (n,) bool
        There may be stone to remove, and there may be less of it than heavy tools forgive.
    """

    state: NDArray[np.int64]
    sure: NDArray[np.bool_]
    light_tools: NDArray[np.bool_]

    def counts(self) -> dict[State, int]:
        """Places in each state."""
        return {state: int((self.state == state).sum()) for state in State}


def interval_mm(readings: Readings) -> tuple[Array, Array]:
    """Lowest and highest stone left that the figures allow, (n,) each, mm.

    A bound is open on one side: at least 25 mm of stone reaches up without end, a pit at least
    2 mm below the model reaches down without end.
    """
    low = readings.stone_left_mm - readings.u95_mm
    high = readings.stone_left_mm + readings.u95_mm
    low = np.where(readings.at_least & (readings.stone_left_mm < 0.0), -np.inf, low)
    high = np.where(readings.at_least & (readings.stone_left_mm >= 0.0), np.inf, high)
    return low, high


def judge(readings: Readings, bands: Bands) -> Judgement:
    """States of places by their stone left, with guard bands."""
    low, high = interval_mm(readings)
    limits = np.array([bands.overcut_below_mm, bands.finished_below_mm, bands.close_below_mm])
    state = np.full(len(low), int(State.NOT_SEEN), dtype=np.int64)
    sure = np.zeros(len(low), dtype=bool)
    seen = readings.seen & np.isfinite(readings.stone_left_mm) & np.isfinite(readings.u95_mm)
    value = readings.stone_left_mm[seen]
    # a figure on a limit belongs to the band nearer to the model
    likely = np.where(value < limits[0], State.OVERCUT, State.FINISHED)
    likely = np.where(value > limits[1], State.CLOSE, likely)
    state[seen] = np.where(value > limits[2], State.UNTOUCHED, likely)
    for band_state in (State.OVERCUT, State.FINISHED, State.CLOSE, State.UNTOUCHED):
        floor, ceiling = bands.band(band_state)
        sure |= (state == band_state) & (low >= floor) & (high <= ceiling)
    light = seen & (low < bands.light_tools_below_mm) & (high > bands.finished_below_mm)
    return Judgement(state, sure, light)
