"""When the stone will be gone, if work goes on as it did.

The volume over the places that all the stages saw is taken as a straight line over the working
days; the day on which it reaches nothing has a range from the line's covariance. Fewer than three
stages make no forecast: two points lie on any line.

References
----------
JCGM 100:2008, H.3 (line and prediction), table G.2 (Student's factor).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.comparison.rate import Line, crossing, fit_line
from tracker.comparison.removed import Amount
from tracker.comparison.uncertainty import COVERAGE_FACTOR, coverage_factor
from tracker.maths.camera import Array

FEWEST_STAGES = 3
LIKELY = 0.68
"""Two in three: the narrower range that is given beside the one of 95 %."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Working days, counted from the latest stage, until the stone is gone.

    Attributes
    ----------
    likely_days : float
    two_in_three_days, range_days : (earliest, latest)
        With 68 % and with 95 %; the latest is infinite where the stages do not tell.
    per_day_mm3, per_day_u95_mm3 : float
        Stone removed in a working day.
    line : Line
        Volume (mm^3) over working days.
    share : float
        Of the model's surface that the forecast rests on.
    stages : int
        That it rests on, the latest ones.
    """

    likely_days: float
    two_in_three_days: tuple[float, float]
    range_days: tuple[float, float]
    per_day_mm3: float
    per_day_u95_mm3: float
    line: Line
    share: float
    stages: int


def volume_line(days: Array, amounts: list[Amount]) -> Line:
    """Line through the stages' volumes, never surer than the volumes themselves.

    Raises
    ------
    InputError
        Fewer than three different days.
    """
    volume = np.array([amount.mm3 for amount in amounts])
    sigma = np.array([amount.u95_mm3 for amount in amounts]) / COVERAGE_FACTOR
    line = fit_line(days, volume, float(days.mean()))
    return line.with_known_sigma(float(np.sqrt((sigma**2).mean())))


def forecast(days: Array, amounts: list[Amount]) -> Forecast | None:
    """Forecast from three stages or more; None where the stone does not get less.

    Parameters
    ----------
    days : (n,) array
        Working days of the stages, rising.
    amounts : n volumes over the same places
    """
    line = volume_line(days, amounts)
    latest = float(days[-1])
    factors = [float(coverage_factor(line.dof, p)) for p in (LIKELY, 0.95)]
    ends = [crossing(line, 0.0, factor) for factor in factors]
    if ends[0] is None or ends[1] is None:
        return None
    ranges = [
        (max(end.earliest - latest, 0.0), max(end.latest - latest, 0.0))
        for end in ends
        if end is not None
    ]
    sigma = float(np.sqrt(line.covariance[1, 1]))
    return Forecast(
        likely_days=max(ends[0].likely - latest, 0.0),
        two_in_three_days=ranges[0],
        range_days=ranges[1],
        per_day_mm3=-float(line.coefficients[1]),
        per_day_u95_mm3=factors[1] * sigma,
        line=line,
        share=amounts[-1].compared_share,
        stages=len(amounts),
    )
