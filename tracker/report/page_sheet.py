"""What the stage page is drawn from: a stage's record and what follows from it, gathered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.removed_places import Removed
from tracker.comparison.states import Bands, Judgement
from tracker.maths.camera import Array
from tracker.report.page_form import Form
from tracker.stage import StageRecord

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Layer:
    """One stage on the drawn form: figures and states at its n vertices."""

    readings: VertexReadings
    states: Judgement


@dataclass(frozen=True, slots=True)
class Earlier:
    """The stage before on the same form, and what was removed since."""

    name: str
    date: str
    layer: Layer
    removed: Removed


@dataclass(frozen=True, slots=True)
class Picture:
    """A photograph of the day.

    Attributes
    ----------
    file : str
        Its name.
    used : bool
    reason : str
        Why it was left out, or what weakened it.
    link : str
        Of the picture with stone left drawn on, relative to the page; empty when there is none.
    thumbnail : bytes
        Small JPEG of that picture; empty when it is not there any more.
    """

    file: str
    used: bool
    reason: str
    link: str
    thumbnail: bytes


@dataclass(frozen=True, slots=True)
class PageSheet:
    """All that the page shows.

    Attributes
    ----------
    job : str
        Name of the sculpture.
    record : StageRecord
    bands : Bands
        With which the stage was judged.
    advice : tuple of str
        What to mind at each point of the record.
    form : Form
        The model as it is drawn.
    now : Layer
    earlier : Earlier or None
    earlier_note : str
        Why there is no stage before to switch to.
    viewers : tuple of str
        Names of the photographs used.
    seen_by : (n, viewers) bool
        Which of them see each vertex of the form.
    flag_normals : (spots, 3) array
        Outward directions at the over-cut spots.
    pictures : tuple of Picture
    map_jpeg : bytes
        The map of all sides, reduced; empty when it is not there any more.
    """

    job: str
    record: StageRecord
    bands: Bands
    advice: tuple[str, ...]
    form: Form
    now: Layer
    earlier: Earlier | None
    earlier_note: str
    viewers: tuple[str, ...]
    seen_by: Flags
    flag_normals: Array
    pictures: tuple[Picture, ...]
    map_jpeg: bytes
