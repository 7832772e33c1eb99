"""Working days between dates: the carver's own week, and every day that was photographed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

FARTHEST_DAYS = 3650
"""Forecasts beyond ten working years are no dates."""


@dataclass(frozen=True, slots=True)
class WorkingDays:
    """A calendar that counts working days.

    Attributes
    ----------
    weekmask : tuple of seven bool
        Monday to Sunday.
    extra : tuple of date
        Days that count whatever their weekday: those on which the stone was photographed.
    """

    weekmask: tuple[bool, ...]
    extra: tuple[date, ...] = ()

    def between(self, first: date, last: date) -> int:
        """Working days after `first` up to and with `last`."""
        begin, end = first + timedelta(days=1), last + timedelta(days=1)
        usual = int(np.busday_count(begin, end, weekmask=list(self.weekmask)))
        added = {
            day for day in self.extra if begin <= day < end and not self.weekmask[day.weekday()]
        }
        return usual + len(added)

    def after(self, start: date, count: float) -> date | None:
        """The working day on which `count` working days after `start` are over; None if far off."""
        if not count <= FARTHEST_DAYS:
            return None
        roll = np.busday_offset(start, 0, roll="backward", weekmask=list(self.weekmask))
        whole = max(int(np.ceil(count - 1e-9)), 0)
        if whole == 0:
            return start
        found = np.busday_offset(roll, whole, weekmask=list(self.weekmask))
        return date.fromisoformat(str(found))


def counted(days: Sequence[date], weekmask: Sequence[bool]) -> tuple[WorkingDays, tuple[int, ...]]:
    """The calendar of a job and each stage's working day, counted from the first stage."""
    calendar = WorkingDays(tuple(weekmask), tuple(days))
    return calendar, tuple(calendar.between(days[0], day) for day in days)
