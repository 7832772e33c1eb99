"""What the page says in words: how much is left, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.states import Bands, State
from tracker.comparison.trend import GONE, GROWING, NOT_SEEN
from tracker.records.stage_facts import StageFacts
from tracker.records.stage_tables import FEWEST_PHOTOS, PointReading


@dataclass(frozen=True, slots=True)
class Share:
    """Points in one state."""

    state: str
    count: int
    percent: float


def day_in_words(date: str) -> str:
    """`2025-05-03T17:20:00` as 3 May 2025; what cannot be read stays as it is."""
    try:
        day = datetime.fromisoformat(date)
    except ValueError:
        return date
    return f"{day.day} {day:%B %Y}"


def point_shares(points: Sequence[PointReading]) -> tuple[Share, ...]:
    """Points by state, from most stone to over-cut, then what was not seen."""
    total = max(len(points), 1)
    order = (State.UNTOUCHED, State.CLOSE, State.FINISHED, State.OVERCUT, State.NOT_SEEN)
    shares = []
    for state in order:
        count = sum(point.state == state.label for point in points)
        shares.append(Share(state.label, count, 100.0 * count / total))
    return tuple(shares)


def left_in_words(facts: StageFacts) -> str:
    """Volume and mass that are left."""
    if facts.coverage.seen_share <= 0.0:
        return "Nothing of the model's surface was seen, so nothing can be said of what is left."
    return (
        f"{facts.volume_left_cm3:.0f} ± {facts.volume_left_u95_cm3:.0f} cm³ of stone are left on "
        f"the part that was seen, about {facts.mass_left_kg:.2f} ± {facts.mass_left_u95_kg:.2f} kg."
    )


def seen_in_words(facts: StageFacts) -> str:
    """How much of the surface has a figure."""
    missing = 1.0 - facts.coverage.seen_share
    if 0.0 < missing < 0.01:
        return "Less than 1 % of the model's surface was not seen."
    return f"{100.0 * missing:.0f} % of the model's surface was not seen: nothing is known there."


def next_steps(
    points: Sequence[PointReading], spots: Sequence[OvercutSpot], bands: Bands
) -> tuple[str, ...]:
    """What to do next, what can ruin the block first."""
    steps = [*_spots(spots)]
    over = [p.name for p in points if p.state == State.OVERCUT.label]
    if over:
        steps.append(f"Below the model at {_names(over)}: leave alone.")
    near = [p.name for p in points if _may_be_over(p, bands)]
    if near:
        steps.append(f"May be too deep already, no blow before the needle: {_names(near)}.")
    unsure = [p.name for p in points if _unsure(p) and p.name not in near]
    if unsure:
        steps.append(f"Check with the needle before you strike: {_names(unsure)}.")
    light = [p.name for p in points if _light(p, bands)]
    if light:
        below = f"{bands.light_tools_below_mm:g} mm"
        steps.append(f"Light tools only, less than {below} is left: {_names(light)}.")
    heavy = [p for p in points if p.state == State.UNTOUCHED.label]
    if heavy:
        heavy.sort(key=lambda p: -(p.stone_left_mm or 0.0))
        steps.append(f"Most stone to take: {_names([p.name for p in heavy])}.")
    few = [p.name for p in points if p.stone_left_mm is None and p.photos < FEWEST_PHOTOS]
    if few:
        steps.append(f"Photograph from in front next time: {_names(few)}.")
    unsettled = [p.name for p in points if p.stone_left_mm is None and p.photos >= FEWEST_PHOTOS]
    if unsettled:
        steps.append(f"The photographs cannot tell, take the needle: {_names(unsettled)}.")
    return tuple(steps)


def spot_in_words(spot: OvercutSpot) -> str:
    """Depth, size and place of an over-cut spot."""
    depth = f"{spot.depth_mm:.1f} ± {spot.u95_mm:.1f}"
    if spot.at_least:
        depth = f"at least {spot.depth_mm:.1f}"
    near = f", near {spot.nearest_point}" if spot.nearest_point else ""
    return f"{depth} mm deep, {spot.area_mm2:.0f} mm²{near}"


def _spots(spots: Sequence[OvercutSpot]) -> list[str]:
    alive = [spot for spot in spots if spot.trend not in (GONE, NOT_SEEN)]
    if not alive:
        return []
    growing = [str(spot.identity) for spot in alive if spot.trend == GROWING]
    count = "One place is" if len(alive) == 1 else f"{len(alive)} places are"
    line = f"{count} cut too deep: take no more there. The flags show where."
    if growing:
        noun = "Flag" if len(growing) == 1 else "Flags"
        verb = "has" if len(growing) == 1 else "have"
        line += f" {noun} {_names(growing)} {verb} grown since the stage before."
    return [line]


def _may_be_over(point: PointReading, bands: Bands) -> bool:
    if point.stone_left_mm is None or point.u95_mm is None or point.state == State.OVERCUT.label:
        return False
    return point.stone_left_mm - point.u95_mm < bands.overcut_below_mm


def _unsure(point: PointReading) -> bool:
    return point.stone_left_mm is not None and not point.sure


def _light(point: PointReading, bands: Bands) -> bool:
    if point.stone_left_mm is None or point.at_least:
        return False
    return bands.finished_below_mm < point.stone_left_mm < bands.light_tools_below_mm


def _names(names: Sequence[str], most: int = 6) -> str:
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"
