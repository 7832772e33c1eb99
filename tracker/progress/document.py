"""Progress as plain lists, texts and rounded figures, for JSON."""

from __future__ import annotations

import math
from typing import Any

from tracker.comparison.forecast import Forecast
from tracker.progress.progress import Between, Charted, Progress, StageProgress, Weighed
from tracker.progress.rescue import RescuePlan
from tracker.records.stage_tables import OVERCUT_COLUMNS, overcut_rows
from tracker.stage import typed_row


def progress_document(progress: Progress) -> dict[str, Any]:
    """All of it; null where a figure is not known."""
    return {
        "job": progress.job,
        "stages": [_stage(stage) for stage in progress.stages],
        "between": [_between(pair) for pair in progress.between],
        "compared": None if progress.charted is None else _charted(progress.charted),
        "forecast": _forecast(progress),
        "no_forecast": progress.no_forecast,
        "overcuts": [typed_row(OVERCUT_COLUMNS, row) for row in overcut_rows(progress.spots)],
        "notes": list(progress.notes),
    }


def _weighed(amount: Weighed) -> dict[str, Any]:
    return {
        "cm3": round(amount.cm3, 2),
        "u95_cm3": round(amount.u95_cm3, 2),
        "kg": round(amount.kg, 3),
        "u95_kg": round(amount.u95_kg, 3),
        "compared_share": round(amount.compared_share, 4),
        "at_least": amount.at_least,
    }


def _stage(stage: StageProgress) -> dict[str, Any]:
    left = _weighed(stage.left)
    return {
        "name": stage.name,
        "date": stage.day.isoformat(),
        "working_day": stage.working_day,
        "left": {key: value for key, value in left.items() if key != "compared_share"},
        "seen_share": round(stage.seen_share, 4),
        "counts": stage.counts,
        "point_shares": {key: round(share, 4) for key, share in stage.point_shares.items()},
        "overcut_spots": stage.overcut_spots,
    }


def _between(pair: Between) -> dict[str, Any]:
    return {
        "before": pair.before,
        "after": pair.after,
        "working_days": pair.working_days,
        "removed": None if pair.whole is None else _weighed(pair.whole),
        "sides": {side: _weighed(amount) for side, amount in pair.sides.items()},
        "cm3_per_working_day": _rounded(pair.per_day_cm3),
        "u95_cm3_per_working_day": _rounded(pair.per_day_u95_cm3),
        "note": pair.note,
    }


def _charted(charted: Charted) -> list[dict[str, Any]]:
    return [
        {"name": name, "date": day.isoformat(), "working_day": number, **_weighed(amount)}
        for name, day, number, amount in zip(
            charted.names, charted.days, charted.working_days, charted.amounts, strict=True
        )
    ]


def _forecast(progress: Progress) -> dict[str, Any] | None:
    found = progress.forecast
    if found is None:
        return None
    likely, earliest, latest = progress.dates
    return {
        **_days(found),
        "likely_date": None if likely is None else likely.isoformat(),
        "earliest_date": None if earliest is None else earliest.isoformat(),
        "latest_date": None if latest is None else latest.isoformat(),
        "cm3_per_working_day": round(found.per_day_mm3 / 1000.0, 2),
        "u95_cm3_per_working_day": round(found.per_day_u95_mm3 / 1000.0, 2),
        "surface_share": round(found.share, 4),
        "stages": found.stages,
    }


def _days(found: Forecast) -> dict[str, Any]:
    return {
        "likely_working_days": _rounded(found.likely_days, 1),
        "two_in_three_working_days": [_rounded(end, 1) for end in found.two_in_three_days],
        "range_working_days": [_rounded(end, 1) for end in found.range_days],
    }


def _rounded(value: float | None, places: int = 2) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, places)


def rescue_document(plan: RescuePlan) -> dict[str, Any]:
    """A rescue; millimetres in frame coordinates of the frame as it stands."""
    found = plan.rescue
    return {
        "stage": plan.stage,
        "needed": plan.needed,
        "possible": found.possible,
        "least_left_mm": plan.demand.least_left_mm,
        "shift_mm": round(found.shift_mm, 3),
        "turn_deg": round(found.turn_deg, 3),
        "farthest_mm": round(found.farthest_mm, 3),
        "R": [[round(float(v), 9) for v in row] for row in found.R],
        "t_mm": _three(found.t),
        "seats": [
            {"seat": move.seat, "from_mm": _three(move.from_mm), "to_mm": _three(move.to_mm)}
            for move in plan.seats
        ],
        "tightest": {
            "stone_left_mm": round(found.tightest_mm, 3),
            "u95_mm": round(found.tightest_u95_mm, 3),
            "place_mm": _three(found.tightest_place),
            "nearest_point": plan.tightest_point,
            "side": plan.tightest_side,
        },
        "least_before_mm": round(found.before_mm, 3),
        "not_seen_share": round(plan.not_seen_share, 4),
        "promised_share_of_seen": round(found.promised_share, 4),
        "odd_share": round(plan.odd_share, 5),
        "places_over_open_floors": found.open_floors,
        "at_limit": found.at_limit,
        "notes": list(plan.notes),
    }


def _three(place: Any) -> list[float]:
    return [round(float(value), 3) + 0.0 for value in place]
