"""How a job goes on: its stages, what went between them, how fast, and when it may be done."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from tracker.comparison.forecast import FEWEST_STAGES, Forecast, forecast
from tracker.comparison.mass import Density, mass_of
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.removed import (
    WORST,
    Amount,
    Columns,
    columns,
    error_shares,
    removed,
    seen_by_all,
    standing,
)
from tracker.comparison.sides import Side, side_of
from tracker.comparison.states import State
from tracker.comparison.trend import GONE
from tracker.comparison.working_days import WorkingDays, counted
from tracker.job import Job
from tracker.progress.series import Day, Series, read_series, same_model
from tracker.records.stage_facts import StageFacts

LEAST_SHARE = 0.02
"""A forecast does not rest on less of the model's surface than this."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """A volume of stone and its estimated mass, each with U95.

    Attributes
    ----------
    compared_share : float
        Of the surface that it is about, the part that could be compared.
    """

    cm3: float
    u95_cm3: float
    kg: float
    u95_kg: float
    compared_share: float
    at_least: bool


@dataclass(frozen=True, slots=True)
class StageProgress:
    """One stage in a line.

    Attributes
    ----------
    working_day : int
        Counted from the first stage.
    point_shares : dict
        Share of the pointing list in each state, by the state's label; empty without points.
    left : Weighed
        Stone left on what was seen, as on record.
    """

    name: str
    day: date
    working_day: int
    left: Weighed
    seen_share: float
    counts: dict[str, int]
    point_shares: dict[str, float]
    overcut_spots: int


@dataclass(frozen=True, slots=True)
class Between:
    """What went between two stages.

    Attributes
    ----------
    working_days : int
    whole : Weighed or None
        None where they cannot be compared; `note` says why.
    sides : dict
        By the side's label.
    per_day_cm3, per_day_u95_cm3 : float or None
        None where no working day lies between them.
    """

    before: str
    after: str
    working_days: int
    whole: Weighed | None
    sides: dict[str, Weighed]
    per_day_cm3: float | None
    per_day_u95_cm3: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Charted:
    """Stone over the places that all these stages saw.

    Attributes
    ----------
    names : tuple of str
    working_days : (n,) int
    amounts : tuple of Weighed
    surface_share : float
        Of the model's surface that these places are.
    """

    names: tuple[str, ...]
    days: tuple[date, ...]
    working_days: tuple[int, ...]
    amounts: tuple[Weighed, ...]
    surface_share: float


@dataclass(frozen=True, slots=True)
class Progress:
    """Everything that several stages tell together.

    Attributes
    ----------
    charted : Charted or None
        What the forecast rests on; None with fewer than two comparable stages.
    forecast : Forecast or None
    no_forecast : str
        Why there is none, in the carver's words.
    dates : tuple of (date or None)
        Likely, earliest and latest day (95 %) of the forecast.
    spots : over-cut spots of the latest stage with their trend
    notes : what is missing or damaged
    """

    job: str
    stages: tuple[StageProgress, ...]
    between: tuple[Between, ...]
    charted: Charted | None
    forecast: Forecast | None
    no_forecast: str
    dates: tuple[date | None, date | None, date | None]
    spots: tuple[OvercutSpot, ...]
    notes: tuple[str, ...]


def job_progress(job: Job) -> Progress:
    """The progress of a job.

    Raises
    ------
    JobError
        There is no stage, or none that can be read.
    """
    return progress_of(job, read_series(job))


def progress_of(job: Job, series: Series) -> Progress:
    """The progress of a job from its stages."""
    density = job.settings.stone_density()
    calendar, numbers = counted([day.date for day in series.days], job.settings.progress.weekmask())
    standing_stone = [_columns(day) for day in series.days]
    lines = tuple(_stage(day, number) for day, number in zip(series.days, numbers, strict=True))
    between = tuple(
        _between(series.days[k : k + 2], standing_stone[k : k + 2], numbers[k : k + 2], density)
        for k in range(len(series.days) - 1)
    )
    charted, amounts = _charted(series, standing_stone, numbers, density)
    found, why_none = _forecast(numbers, charted, amounts)
    return Progress(
        job=job.name,
        stages=lines,
        between=between,
        charted=charted,
        forecast=found,
        no_forecast=why_none,
        dates=_dates(found, calendar, series.latest.date),
        spots=series.latest.record.overcuts,
        notes=series.notes,
    )


def point_shares(facts: StageFacts) -> dict[str, float]:
    """Share of the points in each state, empty without points."""
    whole = sum(facts.counts.values())
    if not whole:
        return {}
    return {state.label: facts.counts.get(state.label, 0) / whole for state in State}


def _columns(day: Day) -> Columns | None:
    if day.surface is None or day.readings is None:
        return None
    budgets = day.record.facts.budgets_mm.values()
    return columns(day.surface, day.readings, error_shares(budgets) if budgets else WORST)


def _stage(day: Day, number: int) -> StageProgress:
    facts = day.record.facts
    bound = day.readings is not None and bool(np.any(day.readings.at_least))
    left = Weighed(
        facts.volume_left_cm3,
        facts.volume_left_u95_cm3,
        facts.mass_left_kg,
        facts.mass_left_u95_kg,
        facts.coverage.seen_share,
        bound,
    )
    return StageProgress(
        name=facts.name,
        day=day.date,
        working_day=number,
        left=left,
        seen_share=facts.coverage.seen_share,
        counts={state.label: facts.counts.get(state.label, 0) for state in State},
        point_shares=point_shares(facts),
        overcut_spots=sum(spot.trend != GONE for spot in day.record.overcuts),
    )


def _weighed(amount: Amount, density: Density) -> Weighed:
    mass = mass_of(amount.mm3, amount.u95_mm3, density)
    return Weighed(
        amount.mm3 / 1000.0,
        amount.u95_mm3 / 1000.0,
        mass.kg,
        mass.u95_kg,
        amount.compared_share,
        amount.at_least,
    )


def _between(
    days: tuple[Day, ...],
    stone: list[Columns | None],
    numbers: tuple[int, ...],
    density: Density,
) -> Between:
    before, after = days
    worked = numbers[1] - numbers[0]
    first, second = stone
    note = ""
    if first is None or second is None:
        note = "One of the two maps is missing."
    elif not same_model(before, after):
        note = "The model was changed between them."
    if note or first is None or second is None or before.surface is None:
        return Between(before.name, after.name, worked, None, {}, None, None, note)
    side = side_of(before.surface.vertices, before.surface.box)
    whole = _weighed(removed(first, second, side >= 0), density)
    sides = {
        one.label: _weighed(removed(first, second, side == one), density)
        for one in Side
        if np.any(side == one)
    }
    per_day = (whole.cm3 / worked, whole.u95_cm3 / worked) if worked > 0 else (None, None)
    return Between(before.name, after.name, worked, whole, sides, *per_day)


def _charted(
    series: Series, stone: list[Columns | None], numbers: tuple[int, ...], density: Density
) -> tuple[Charted | None, list[Amount]]:
    """The latest stages that share a model, as many as leave enough places that all saw."""
    rows = _comparable(series, stone)
    usable = [column for k in rows if (column := stone[k]) is not None]
    if len(usable) < 2:
        return None, []
    best = _seen_share(usable[-1:])
    while len(rows) > FEWEST_STAGES and _seen_share(usable) < 0.5 * best:
        rows, usable = rows[1:], usable[1:]
    common = seen_by_all(usable)
    share = _seen_share(usable)
    amounts = [standing(column, common) for column in usable]
    charted = Charted(
        names=tuple(series.days[k].name for k in rows),
        days=tuple(series.days[k].date for k in rows),
        working_days=tuple(numbers[k] for k in rows),
        amounts=tuple(_weighed(amount, density) for amount in amounts),
        surface_share=share,
    )
    return charted, amounts


def _comparable(series: Series, stone: list[Columns | None]) -> list[int]:
    latest = next((k for k in range(len(series.days) - 1, -1, -1) if stone[k] is not None), None)
    if latest is None:
        return []
    return [
        k
        for k in range(latest + 1)
        if stone[k] is not None and same_model(series.days[k], series.days[latest])
    ]


def _seen_share(stone: list[Columns]) -> float:
    common = seen_by_all(stone)
    return float(stone[0].area_mm2[common].sum() / stone[0].area_mm2.sum())


def _forecast(
    numbers: tuple[int, ...], charted: Charted | None, amounts: list[Amount]
) -> tuple[Forecast | None, str]:
    count = len(set(charted.working_days)) if charted is not None else 0
    if charted is None or count < FEWEST_STAGES:
        have = max(count, min(len(numbers), 1))
        found = "is one" if have == 1 else f"are {have}"
        return None, (
            "A forecast needs three stages on different working days that can be compared; "
            f"there {found}."
        )
    share = charted.surface_share
    if share < LEAST_SHARE:
        return None, (
            f"All stages together saw only {share:.1%} of the surface: too little for a forecast. "
            "Photograph from the same sides each time."
        )
    days = np.array(charted.working_days, dtype=np.float64)
    found_forecast = forecast(days, amounts)
    if found_forecast is None:
        return None, "The stone did not get less from stage to stage; there is nothing to forecast."
    return replace(found_forecast, share=share), ""


def _dates(
    found: Forecast | None, calendar: WorkingDays, latest: date
) -> tuple[date | None, date | None, date | None]:
    if found is None:
        return None, None, None
    earliest, last = found.range_days
    return (
        calendar.after(latest, found.likely_days),
        calendar.after(latest, earliest),
        calendar.after(latest, last),
    )
