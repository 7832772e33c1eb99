"""`model from-photos`: a cast on its frame's or seat targets becomes the job's model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tracker.job import Job, need_no_model, put_measured_model, put_seats
from tracker.maths.camera import Array
from tracker.network.record import KnownTarget
from tracker.pipeline.cast_placing import (
    Datum,
    bounds,
    carried,
    datum_of,
    frame_on_record,
    made_ready,
    over_exposed,
    place_cast,
    tied,
    views_of,
)
from tracker.pipeline.cast_surface import (
    CastSurface,
    cast_room,
    cast_surface,
    coarse_cast,
    coarse_surface,
    pixel_mm,
)
from tracker.pipeline.cast_u95 import u95_of
from tracker.pipeline.day import Placed, open_day, peak_memory_mb, quiet_threads
from tracker.records.mesh_holes import Hole, holes_of
from tracker.surface import Surface

SPACING_PX = 4.0
SPACING_MM = (1.0, 2.0)
"""Spacing of the measured places: so many pixels, within these limits."""
MOST_MISSING = 0.5
"""Share not seen above which the rest is doubted aloud."""
LEAST_HOLE_MM = 4.0
"""Smaller openings are not listed."""
BASE_MM = 6.0
"""An opening whose rim lies within this of the cut is the base, not a hole."""

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class CastModel:
    """The model that photographs of a cast gave.

    Attributes
    ----------
    surface : Surface
        Frame coordinates, mm; open where it was not seen.
    u95_mm : (n,) array
        Of each corner across the surface, frame and scale included.
    datum : str
        frame or seats: what gave the frame coordinates.
    seats : (3, 3) array, mm, or None
        Measured seats in frame coordinates, with seat targets.
    photos : (used, all)
    pixel_mm : float
        Size of a photograph's pixel on the cast.
    not_seen_mm2 : float
        Roughly the area of what is missing, as the smoothest surface over it would have it.
    holes : tuple of Hole
        The largest first; the cut at the base is none.
    left_out : mapping of photograph, target or bar to reason
    warnings : tuple of str
    peak_memory_mb : float
    """

    surface: Surface
    u95_mm: Array
    datum: str
    seats: Array | None
    photos: tuple[int, int]
    pixel_mm: float
    not_seen_mm2: float
    holes: tuple[Hole, ...]
    left_out: Mapping[str, str]
    warnings: tuple[str, ...]
    peak_memory_mb: float

    @property
    def seen_mm2(self) -> float:
        """Area of the surface."""
        return float(self.surface.face_areas_mm2.sum())

    @property
    def u95_median_mm(self) -> float:
        """Half of the corners are better."""
        return float(np.median(self.u95_mm))

    @property
    def u95_most_mm(self) -> float:
        """19 of 20 corners are better."""
        return float(np.quantile(self.u95_mm, 0.95))


def model_from_photos(
    job: Job,
    folder: Path,
    *,
    pin_mm: float | None = None,
    pin_u95_mm: float = 0.1,
    above_mm: float = 5.0,
    replace_record: bool = False,
    progress: Progress = lambda words, share: None,
) -> CastModel:
    """The model from photographs of a cast, put on record in the job.

    Parameters
    ----------
    folder : Path
        The photographs; they are only read.
    pin_mm : float, optional
        From the print of a seat target down to its pin's point: seat targets stand in the seats
        and give the coordinates. Without it the frame does, whose cards are on record.
    pin_u95_mm : float
        How true the pins are, per coordinate.
    above_mm : float
        What lies lower than this above the plane of the seats is left out: bench and base.

    Raises
    ------
    JobError
        A model is on record already, or no frame is.
    PhotographError, TargetError, NetworkError, ScaleError
        See `tracker.pipeline.day.place_day` and `tracker.pipeline.cast_surface`.
    """
    need_no_model(job, replace=replace_record)
    known = {} if pin_mm is not None else frame_on_record(job)
    with quiet_threads():
        day = open_day(folder, lambda share: progress("looking for targets", 0.08 * share))
        progress("placing the photographs", 0.08)
        placed = place_cast(job, day, known)
        del day
        progress("finding the cast", 0.1)
        pins = (pin_mm, pin_u95_mm)
        placed, points, normals = _found(job, placed, known, pins, above_mm)
        progress("following the plaster's own marks", 0.2)
        placed = tied(placed, datum_of(placed.adjustment, *pins), coarse_surface(points, normals))
        datum = datum_of(placed.adjustment, *pins)
        stack, sights = made_ready(placed, datum, cast_room(points, above_mm))
        placed = placed.without_images()
        pixel = pixel_mm(stack, points.mean(axis=0))
        spacing_mm = float(np.clip(SPACING_PX * pixel, *SPACING_MM))
        found = cast_surface(
            stack, bounds(datum)[1], points, above_mm, spacing_mm,
            lambda share: progress("measuring the surface", 0.25 + 0.7 * share),
        )  # fmt: skip
        progress("judging the surface", 0.96)
        u95 = u95_of(datum, found, sights)
    result = _result(datum, placed, found, u95, pixel, above_mm)
    _put(job, result, replace_record)
    progress("done", 1.0)
    return result


def _found(
    job: Job,
    placed: Placed,
    known: Mapping[int, KnownTarget],
    pins: tuple[float | None, float],
    above_mm: float,
) -> tuple[Placed, Array, Array]:
    """Where the cast stands: places and normals; photographs that burn it out are left out."""
    datum = datum_of(placed.adjustment, *pins)
    within, cards = bounds(datum)
    views = views_of(placed, datum)
    points, normals = coarse_cast(views, cards, within, above_mm, carried(datum))
    burnt = over_exposed(placed, datum, points)
    if burnt:
        kept = place_cast(job, placed.day.without(list(burnt)), known)
        names = {placed.day.photographs[k].name: words for k, words in burnt.items()}
        placed = replace(kept, left_out={**placed.left_out, **kept.left_out, **names})
    return placed, points, normals


def _put(job: Job, result: CastModel, replace_record: bool) -> None:
    put_measured_model(job, result.surface, result.u95_mm, replace=replace_record)
    if result.seats is not None and (replace_record or job.seats() is None):
        put_seats(job, result.seats, replace=True)


def _result(
    datum: Datum, placed: Placed, found: CastSurface, u95: Array, pixel: float, above_mm: float
) -> CastModel:
    adjustment = placed.adjustment
    left_out = dict(placed.left_out)
    left_out.update({p.name: p.reason for p in adjustment.photos if not p.used})
    left_out.update({f"target {t.tag}": t.reason for t in adjustment.targets
                     if not t.used and t.reason})  # fmt: skip
    left_out.update(
        {f"bar {b.target_a}-{b.target_b}": b.reason for b in adjustment.bars if not b.used}
    )
    holes = tuple(
        hole for hole in holes_of(found.surface)
        if hole.across_mm >= LEAST_HOLE_MM and hole.middle[2] > above_mm + BASE_MM
    )  # fmt: skip
    return CastModel(
        surface=found.surface,
        u95_mm=u95,
        datum="frame" if datum.found is None else "seats",
        seats=None if datum.found is None else datum.found.seats,
        photos=(int(adjustment.posed().sum()), len(adjustment.photos) + len(placed.left_out)),
        pixel_mm=pixel,
        not_seen_mm2=found.bridged_mm2,
        holes=holes,
        left_out=left_out,
        warnings=(*placed.notes, *adjustment.warnings, *_too_little(found)),
        peak_memory_mb=peak_memory_mb(),
    )


def _too_little(found: CastSurface) -> list[str]:
    """What to say of a cast of which most is missing."""
    seen = float(found.surface.face_areas_mm2.sum())
    if found.bridged_mm2 <= MOST_MISSING * (seen + found.bridged_mm2):
        return []
    return [
        "More than half of the cast was not seen: too few marks on the plaster, or too few "
        "photographs. What is there may be less sure than its U95 says; mark it, and take more."
    ]
