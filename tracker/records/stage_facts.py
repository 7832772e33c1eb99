"""The facts of a stage, as they stand in ``stage.json``.

The dataclasses are the file's schema: pydantic checks them on reading and rounds their figures
on writing, so that the same photographs give the same file.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BeforeValidator, PlainSerializer, TypeAdapter, ValidationError

from tracker.errors import JobError

SCHEMA = 1
_LIST_OF_FIGURES = re.compile(r"\[[-+.\deE,\s]+\]")


def _decimals(places: int) -> PlainSerializer:
    """Figures rounded to so many decimals, without a minus before zero."""

    def rounded(value: Any) -> Any:
        if value is None:
            return None
        figures = np.round(np.asarray(value, dtype=np.float64), places) + 0.0
        if not np.all(np.isfinite(figures)):
            raise ValueError("a figure of the stage is not finite")
        return figures.tolist()

    return PlainSerializer(rounded)


def _significant(value: Any) -> Any:
    """Figures to six significant digits, for covariances of any size."""
    figures = np.asarray(value, dtype=np.float64)
    if not np.all(np.isfinite(figures)):
        raise ValueError("a covariance of the stage is not finite")
    return np.array([float(f"{v:.5e}") for v in figures.ravel()]).reshape(figures.shape).tolist()


def _array(value: Any) -> Any:
    return None if value is None else np.asarray(value, dtype=np.float64)


_TO_ARRAY = BeforeValidator(_array)
MmArray = Annotated[Any, _TO_ARRAY, _decimals(4)]
PxArray = Annotated[Any, _TO_ARRAY, _decimals(3)]
UnitArray = Annotated[Any, _TO_ARRAY, _decimals(9)]
CovarianceArray = Annotated[Any, _TO_ARRAY, PlainSerializer(_significant)]
Mm = Annotated[float, _decimals(4)]
Figure = Annotated[float, _decimals(4)]
Px = Annotated[float, _decimals(4)]
Seconds = Annotated[float, _decimals(2)]
Megabytes = Annotated[float, _decimals(0)]


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """One photograph of the stage: ``p_camera = R p_frame + t``, camera as in OpenCV.

    Attributes
    ----------
    file : str
    used : bool
    reason : str
        Why it was left out, or what weakened it; empty when there is nothing to say.
    K : (3, 3) array, px, or None
    dist : (5,) array or None
        k1, k2, p1, p2, k3.
    R, t : (3, 3) array and (3,) array, mm, or None
    reprojection_rms_px : float or None
    sha256 : str
        Digest of the file, so that the same photograph is known again.
    size_px : (width, height) or None
        As stored; None in records of before it was kept.
    orientation : int
        EXIF orientation, 1 to 8, for showing it upright.
    """

    file: str
    used: bool
    reason: str = ""
    K: PxArray | None = None
    dist: UnitArray | None = None
    R: UnitArray | None = None
    t: MmArray | None = None
    reprojection_rms_px: Px | None = None
    sha256: str = ""
    size_px: tuple[int, int] | None = None
    orientation: int = 1


@dataclass(frozen=True, slots=True)
class TargetFacts:
    """One target of the stage.

    Attributes
    ----------
    role : str
        frame, bar, lasting or bench.
    corners_mm : (4, 3) array, frame coordinates, or None where not placed
    sigma_mm : (4,) array or None
        One standard deviation of each corner, root mean square over the three directions.
    photos : int
        Photographs that it was used in.
    """

    id: int
    role: str
    used: bool
    reason: str = ""
    corners_mm: MmArray | None = None
    sigma_mm: MmArray | None = None
    photos: int = 0


@dataclass(frozen=True, slots=True)
class BarFacts:
    """One scale bar: its length on record and as measured, with U95."""

    target_a: int
    target_b: int
    length_mm: Mm
    u95_mm: Mm
    measured_mm: Mm | None = None
    measured_u95_mm: Mm | None = None
    used: bool = True
    reason: str = ""


@dataclass(frozen=True, slots=True)
class AlignmentFacts:
    """What the alignment did: ``p_model = R p_frame + t``; covariance of (w, dt), rad and mm."""

    method: str
    R: UnitArray
    t: MmArray
    shift_mm: Mm
    turn_deg: Figure
    covariance: CovarianceArray
    reason: str


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much of the model's surface has a figure."""

    surface_mm2: Figure
    seen_share: Figure


@dataclass(frozen=True, slots=True)
class StageFacts:
    """What is on record of a stage beside its tables, cloud, map and pictures.

    Attributes
    ----------
    name : str
    date : str
        ISO 8601 date, or date and time, at which the photographs were taken.
    software : str
        Version that wrote it.
    settings : dict
        As in ``job.toml``.
    counts : dict
        Points of the list in each state, by the states' labels.
    volume_left_cm3, mass_left_kg : float
        Over the part of the model that is seen, with U95.
    timings_s : dict
        Seconds by step.
    peak_memory_by_step_mb : dict
        Largest memory held up to the end of each step.
    warnings : tuple of str
        In the carver's words.
    budgets_mm : dict
        Standard uncertainty of each point that was seen, by its parts.
    """

    name: str
    date: str
    software: str
    settings: dict[str, Any]
    photos: tuple[PhotoFacts, ...]
    targets: tuple[TargetFacts, ...]
    scale_bars: tuple[BarFacts, ...]
    alignment: AlignmentFacts
    coverage: Coverage
    counts: dict[str, int]
    volume_left_cm3: Figure
    volume_left_u95_cm3: Figure
    mass_left_kg: Figure
    mass_left_u95_kg: Figure
    timings_s: dict[str, Seconds] = field(default_factory=dict)
    peak_memory_mb: Megabytes = 0.0
    peak_memory_by_step_mb: dict[str, Megabytes] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    budgets_mm: dict[str, dict[str, Mm]] = field(default_factory=dict)


@cache
def _adapter() -> TypeAdapter[StageFacts]:
    return TypeAdapter(StageFacts)


def facts_document(facts: StageFacts) -> dict[str, Any]:
    """The facts as plain lists, texts and rounded figures, with the schema's number first.

    Raises
    ------
    ValueError
        A figure is not finite; a stage with such a figure may not be written.
    """
    return {"schema": SCHEMA, **_adapter().dump_python(facts, mode="json")}


def facts_text(facts: StageFacts) -> str:
    """Text of ``stage.json``."""
    text = json.dumps(facts_document(facts), indent=1, ensure_ascii=False, allow_nan=False)
    return _LIST_OF_FIGURES.sub(lambda found: " ".join(found[0].split()), text) + "\n"


def read_facts(path: Path) -> StageFacts:
    """Facts of a stage on record.

    Raises
    ------
    JobError
        Missing, damaged, or written by a newer version.
    """
    shown = f"{path.parent.name}/{path.name}"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        schema = document.pop("schema")
    except (OSError, ValueError, KeyError, AttributeError, TypeError) as error:
        raise JobError(
            f"The record {shown} is damaged or cannot be opened.", "Restore it from a copy."
        ) from error
    if schema != SCHEMA:
        raise JobError(
            f"The record {shown} has schema {schema}; this version knows {SCHEMA}.",
            "Install the version of stoneleft that wrote it.",
        )
    try:
        return _adapter().validate_python(document)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise JobError(
            f"The record {shown} is damaged ({place}: {first['msg']}).", "Restore it from a copy."
        ) from error
