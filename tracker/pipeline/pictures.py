"""The pictures of a measured day: the map from all sides, and the photographs drawn over."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

import numpy as np

from tracker.alignment.result import Alignment
from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.states import State
from tracker.job import Job
from tracker.network.outcome import AdjustedTarget
from tracker.photos import read_colour
from tracker.pipeline.day import on_workers
from tracker.pipeline.measure import Measured
from tracker.report.heatmap import SheetFacts, draw_heatmap
from tracker.report.overlays import (
    LONG_SIDE_PX,
    draw_overlay,
    make_overlay,
    point_marks,
    target_cards,
)
from tracker.stage import HEATMAP_FILE, OVERLAYS_FOLDER, StageDraft
from tracker.surface import Surface


def draw_pictures(
    job: Job,
    draft: StageDraft,
    measured: Measured,
    vertices: VertexReadings,
    moment: datetime,
    share: Callable[[float], None],
) -> None:
    """Draws heatmap.png and overlays/ into the stage's folder."""
    bands = job.settings.state_bands()
    surface = measured.surface
    day = f"{moment.day} {moment:%B %Y}"
    facts = SheetFacts(
        job=job.name,
        stage=draft.name,
        date=day,
        not_seen_share=1.0 - measured.seen_share,
        photos=len(measured.views()),
        area_shares=area_shares(measured),
        left=left_in_words(measured),
    )
    draw_heatmap(draft.folder / HEATMAP_FILE, surface, vertices, measured.overcuts, bands, facts)
    share(0.3)
    folder = draft.folder / OVERLAYS_FOLDER
    folder.mkdir()
    marks = point_marks(measured.names, measured.point_readings, measured.point_states)
    overlay = make_overlay(surface, vertices, marks, bands, f"{job.name} · {draft.name} · {day}")
    cards = standing_cards(measured.placed.adjustment.targets, measured.alignment)
    views = measured.views()
    done = 0

    def draw(k: int) -> None:
        nonlocal done
        name, row, lens, pose = views[k]
        photograph = measured.placed.day.photographs[row]
        draw_overlay(
            folder / f"{photograph.path.stem}.jpg",
            read_colour(photograph, LONG_SIDE_PX),
            (photograph.width, photograph.height),
            lens,
            pose,
            photograph.orientation,
            overlay,
            name,
            cards,
        )
        done += 1
        share(0.3 + 0.7 * done / len(views))

    on_workers(draw, list(range(len(views))))


def standing_cards(targets: Sequence[AdjustedTarget], alignment: Alignment) -> Surface | None:
    """Cards whose place the day has measured, in the model's coordinates; None without any.

    A target that was left out may have moved while the photographs were taken: where it stood in
    each of them is not known.
    """
    placed = [t.corners for t in targets if t.used and np.all(np.isfinite(t.corners))]
    if not placed:
        return None
    corners = np.stack(placed)
    return target_cards(alignment.apply(corners.reshape(-1, 3)).reshape(corners.shape))


def area_shares(measured: Measured) -> dict[str, float]:
    """Share of the seen surface in each state."""
    area = measured.samples.area_mm2
    state = measured.sample_states.state
    seen = float(area[state != State.NOT_SEEN].sum())
    if seen <= 0.0:
        return {}
    return {s.label: float(area[state == s].sum()) / seen for s in State if s is not State.NOT_SEEN}


def left_in_words(measured: Measured) -> str:
    """Volume and mass left on the seen surface."""
    if measured.seen_share <= 0.0:
        return ""
    volume, mass = measured.volume, measured.mass
    more = "at least " if volume.at_least_mm2 > 0.0 else ""
    return (
        f"{more}{volume.left_mm3 / 1000:.0f} ± {volume.left_u95_mm3 / 1000:.0f} cm³, "
        f"about {mass.kg:.2f} ± {mass.u95_kg:.2f} kg on the part that is seen"
    )
