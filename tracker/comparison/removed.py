"""Stone that went between two stages, where both of them saw the place.

Over each corner of the model's mesh stands a column of stone; what went is the difference of the
two days' columns. The model's own uncertainty is the same on both days and cancels; frame and
network errors of a day are shared by all its places and add up linearly.

References
----------
JCGM 100:2008, 5.2.2 (correlated contributions).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.uncertainty import COVERAGE_FACTOR
from tracker.comparison.volume import CORRELATION_AREA_MM2, prisms
from tracker.maths.camera import Array
from tracker.surface import Samples, Surface


@dataclass(frozen=True, slots=True)
class ErrorShares:
    """Shares of a figure's variance: what all places of a day share, and what each has alone.

    The rest, up to one, is the model's own and the same every day.
    """

    together: float
    alone: float


WORST = ErrorShares(1.0, 0.0)
"""All errors go together: taken where the record does not tell."""


def error_shares(budgets_mm: Iterable[Mapping[str, float]]) -> ErrorShares:
    """Shares from the budgets of a stage's points, the middle one of each."""
    together, alone = [], []
    for parts in budgets_mm:
        total = sum(value**2 for value in parts.values())
        if total > 0.0:
            shared = sum(parts.get(name, 0.0) ** 2 for name in ("network", "frame"))
            together.append(shared / total)
            alone.append(parts.get("surface", 0.0) ** 2 / total)
    if not together:
        return WORST
    return ErrorShares(float(np.median(together)), float(np.median(alone)))


@dataclass(frozen=True, slots=True)
class Columns:
    """Stone standing over n places of the model on one day.

    Attributes
    ----------
    volume_mm3 : (n,) array
        Signed; zero where not seen.
    spread_mm3 : (n,) array
        Area at the stone's height times one standard deviation of stone left.
    area_mm2 : (n,) array
        Of the model.
    seen, at_least : (n,) bool arrays
    shares : ErrorShares
    """

    volume_mm3: Array
    spread_mm3: Array
    area_mm2: Array
    seen: NDArray[np.bool_]
    at_least: NDArray[np.bool_]
    shares: ErrorShares


@dataclass(frozen=True, slots=True)
class Amount:
    """A volume of stone with U95, over a part of the model.

    Attributes
    ----------
    mm3, u95_mm3 : float
    compared_share : float
        Of the part's area, what was seen as needed; zero with no such place.
    at_least : bool
        Some places had more stone than could be told: there may be more.
    """

    mm3: float
    u95_mm3: float
    compared_share: float
    at_least: bool


def vertex_samples(model: Surface) -> Samples:
    """The mesh's corners as places, each standing for a third of the triangles round it."""
    third = np.repeat(model.face_areas_mm2 / 3.0, 3)
    corners = model.faces.ravel()
    count = len(model.vertices)
    face = np.zeros(count, dtype=np.int64)
    face[corners] = np.repeat(np.arange(len(model.faces)), 3)
    area = np.asarray(np.bincount(corners, weights=third, minlength=count), dtype=np.float64)
    return Samples(model.vertices, model.vertex_normals, area, face)


def columns(model: Surface, readings: VertexReadings, shares: ErrorShares = WORST) -> Columns:
    """Columns of stone over the corners of the model's mesh."""
    places = vertex_samples(model)
    rows = np.flatnonzero(readings.seen)
    volume, spread = np.zeros(len(places.points)), np.zeros(len(places.points))
    volume[rows], end = prisms(model, places, rows, readings.stone_left_mm[rows])
    spread[rows] = end * readings.u95_mm[rows] / COVERAGE_FACTOR
    return Columns(volume, spread, places.area_mm2, readings.seen, readings.at_least, shares)


def standing(day: Columns, places: NDArray[np.bool_]) -> Amount:
    """Stone over some places on one day, as far as they were seen."""
    used = places & day.seen
    return Amount(
        mm3=float(day.volume_mm3[used].sum()),
        u95_mm3=float(COVERAGE_FACTOR * np.sqrt(_variance(day, used))),
        compared_share=_share(day.area_mm2, used, places),
        at_least=bool(np.any(day.at_least[used])),
    )


def removed(before: Columns, after: Columns, places: NDArray[np.bool_]) -> Amount:
    """Stone that went from some places between two days.

    Only places that both days saw count, and none whose figure is a bound today: what went there
    cannot be told. Where it was a bound before, what went is a bound too.
    """
    used = places & before.seen & after.seen & ~after.at_least
    return Amount(
        mm3=float((before.volume_mm3 - after.volume_mm3)[used].sum()),
        u95_mm3=float(COVERAGE_FACTOR * np.sqrt(_variance(before, used) + _variance(after, used))),
        compared_share=_share(before.area_mm2, used, places),
        at_least=bool(np.any(before.at_least[used])),
    )


def seen_by_all(days: Iterable[Columns]) -> NDArray[np.bool_]:
    """Places that every day saw with a figure that is no bound, (n,)."""
    return np.asarray(np.all([day.seen & ~day.at_least for day in days], axis=0))


def _variance(day: Columns, used: NDArray[np.bool_]) -> float:
    spread, area = day.spread_mm3[used], np.maximum(day.area_mm2[used], 1e-9)
    alone = float((spread**2 * np.maximum(CORRELATION_AREA_MM2 / area, 1.0)).sum())
    together = float(spread.sum()) ** 2
    # places that share patches cannot be worse than all going together
    return day.shares.together * together + day.shares.alone * min(alone, together)


def _share(area: Array, used: NDArray[np.bool_], places: NDArray[np.bool_]) -> float:
    whole = float(area[places].sum())
    return float(area[used].sum()) / whole if whole > 0.0 else 0.0
