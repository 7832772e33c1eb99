"""What the document's text may ask for: figures, days and lists, in the reader's language."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tracker.comparison.forecast import FEWEST_STAGES
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.sides import Side
from tracker.comparison.states import State
from tracker.comparison.tools import Tool
from tracker.comparison.trend import GONE
from tracker.job import Job
from tracker.progress.progress import Between, Progress, Weighed
from tracker.progress.tomorrow import Kind, Tomorrow
from tracker.records.settings import stone_kind
from tracker.report.tomorrow_sheet import silica_words
from tracker.report.words import Words

SILICA_STONES = ("sandstone", "granite")
"""Largely quartz (29 CFR 1926.1153). The dust of other stones is not called free of silica."""


@dataclass(frozen=True, slots=True)
class StateRow:
    """Points in a state: label, how many, share 0 to 1, and that share in words."""

    state: State
    label: str
    count: int
    share: float
    percent: str


def document_values(job: Job, progress: Progress, plan: Tomorrow, words: Words) -> dict[str, Any]:
    """Values by their name in the template."""
    stage = progress.stages[-1]
    pair = _last_pair(progress)
    report = job.settings.report
    return {
        "job": job.name,
        "client": report.client,
        "workshop": report.workshop,
        "stage": stage.name,
        "first_day": words.day(progress.stages[0].day),
        "last_day": words.day(stage.day),
        "stage_count": len(progress.stages),
        "seen": stage.seen_share > 0.0,
        "seen_share": words.percent(stage.seen_share),
        "not_seen_share": words.percent(1.0 - stage.seen_share),
        "left": volume_words(stage.left, words),
        "weight": weight_words(stage.left, words),
        "has_points": bool(stage.point_shares),
        "point_count": words.number(sum(stage.counts.values()), 0),
        "has_chart": progress.charted is not None,
        "chart_share": _charted_share(progress, words),
        "chart_count": words.number(len(progress.charted.names) if progress.charted else 0, 0),
        "has_sides": pair is not None,
        "removed": "" if pair is None or pair.whole is None else volume_words(pair.whole, words),
        "forecast": _forecast(progress, words),
        "too_few": _too_few(progress),
        "has_spots": any(spot.trend != GONE for spot in progress.spots),
        "next_steps": _next_steps(plan, words),
        "silica": silica_words(words) if stone_kind(job.settings.stone) in SILICA_STONES else "",
    }


def state_labels(words: Words) -> dict[State, str]:
    """The states in the order in which they are shown, by their words."""
    return {
        State.FINISHED: words.text("finished"),
        State.CLOSE: words.text("close"),
        State.UNTOUCHED: words.text("untouched"),
        State.OVERCUT: words.text("over-cut"),
        State.NOT_SEEN: words.text("not seen"),
    }


def state_rows(progress: Progress, words: Words) -> list[StateRow]:
    """Points of the latest stage by state."""
    stage = progress.stages[-1]
    return [
        StateRow(state, label, stage.counts[state.label], share, words.percent(share))
        for state, label in state_labels(words).items()
        if (share := stage.point_shares.get(state.label)) is not None
    ]


def side_rows(progress: Progress, words: Words) -> list[tuple[str, str, str]]:
    """Side, stone that went, share not compared, between the last two stages."""
    pair = _last_pair(progress)
    if pair is None:
        return []
    names = {
        Side.FRONT: words.text("front"),
        Side.RIGHT: words.text("right"),
        Side.BACK: words.text("back"),
        Side.LEFT: words.text("left"),
        Side.TOP: words.text("top"),
        Side.BOTTOM: words.text("bottom"),
    }
    return [
        (
            names[side],
            volume_words(pair.sides[side.label], words)
            if pair.sides[side.label].compared_share > 0.0
            else "–",
            words.percent(1.0 - pair.sides[side.label].compared_share),
        )
        for side in Side
        if side.label in pair.sides
    ]


def spot_rows(progress: Progress, words: Words) -> list[tuple[str, str, str, str]]:
    """Number, depth, nearest point and trend of the over-cut spots that are there."""
    trends = {
        "new": words.text("new"),
        "growing": words.text("has grown"),
        "steady": words.text("unchanged"),
        "not seen": words.text("not seen this time"),
    }
    return [
        (
            str(spot.identity),
            _spot_depth(spot, words),
            spot.nearest_point,
            trends.get(spot.trend, spot.trend),
        )
        for spot in progress.spots
        if spot.trend != GONE
    ]


def _spot_depth(spot: OvercutSpot, words: Words) -> str:
    """A bound stands alone: its uncertainty is taken off already."""
    if spot.at_least:
        return f"≥ {words.number(spot.depth_mm, 1)} mm"
    return f"{words.uncertain(spot.depth_mm, spot.u95_mm)} mm"


def volume_words(amount: Weighed, words: Words) -> str:
    """A volume with its U95."""
    places = 0 if amount.cm3 >= 100.0 else 1
    return f"{_bound(amount, words)}{words.uncertain(amount.cm3, amount.u95_cm3, places)} cm³"


def weight_words(amount: Weighed, words: Words) -> str:
    """A mass with its U95."""
    return f"{_bound(amount, words)}{words.uncertain(amount.kg, amount.u95_kg, 2)} kg"


def _bound(amount: Weighed, words: Words) -> str:
    return words.text("at least") + " " if amount.at_least else ""


def _last_pair(progress: Progress) -> Between | None:
    pair = progress.between[-1] if progress.between else None
    return pair if pair is not None and pair.whole is not None else None


def _charted_share(progress: Progress, words: Words) -> str:
    return "" if progress.charted is None else words.percent(progress.charted.surface_share)


def _too_few(progress: Progress) -> bool:
    charted = progress.charted
    return charted is None or len(set(charted.working_days)) < FEWEST_STAGES


def _forecast(progress: Progress, words: Words) -> dict[str, str] | None:
    likely, earliest, latest = progress.dates
    if progress.forecast is None or likely is None or earliest is None:
        return None
    return {
        "likely": words.day(likely),
        "earliest": words.day(earliest),
        "latest": "" if latest is None else words.day(latest),
    }


def _next_steps(plan: Tomorrow, words: Words) -> list[str]:
    to_take = [task for task in plan.tasks if task.kind is Kind.TAKE]
    counts = {tool: sum(task.tool is tool for task in to_take) for tool in Tool}
    spots = sum(task.kind is Kind.OVERCUT for task in plan.tasks)
    lines = []
    if spots:
        lines.append(
            words.count(
                "One place is cut deeper than the model: decide how to go on round about it.",
                "%(number)d places are cut deeper than the model: decide how to go on round them.",
                spots,
            )
        )
    if counts[Tool.HEAVY]:
        lines.append(
            words.count(
                "Rough out: at %(number)d point there is room for heavy tools.",
                "Rough out: at %(number)d points there is room for heavy tools.",
                counts[Tool.HEAVY],
            )
        )
    if counts[Tool.CLAW]:
        lines.append(
            words.count(
                "Bring nearer with claw chisels: %(number)d point.",
                "Bring nearer with claw chisels: %(number)d points.",
                counts[Tool.CLAW],
            )
        )
    if counts[Tool.LIGHT]:
        lines.append(
            words.count(
                "Finish with light tools: %(number)d point.",
                "Finish with light tools: %(number)d points.",
                counts[Tool.LIGHT],
            )
        )
    if plan.not_seen:
        lines.append(
            words.count(
                "Measure with the needle, or photograph again: %(number)d point was not seen.",
                "Measure with the needle, or photograph again: %(number)d points were not seen.",
                len(plan.not_seen),
            )
        )
    return lines or [words.text("Nothing is left to take at the points of the list.")]
