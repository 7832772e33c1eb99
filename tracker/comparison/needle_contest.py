"""A contest of hypotheses: of all depths and directions tried at a place, the worthiest stays.

The photographs that look at a place should agree there, in every half of the patch. The worth of a
hypothesis is how well those that agree do so, times their share of those that look; one more is
counted as looking, so that few photographs weigh less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps
from tracker.cloud.patch_fit import (
    FIT_CORR,
    FIT_DEPTH,
    FIT_HALVES,
    FIT_NX,
    FIT_NZ,
    FIT_VIEWS,
)
from tracker.cloud.patch_measure import Fits, PatchSettings, measure
from tracker.comparison.needle_search import (
    MODEL_SLACK_MM,
    MOST_VIEWS,
    STONE_SLACK_MM,
    Scene,
)
from tracker.maths.camera import Array

FOUND = 0.10
"""Least worth of stone found."""
SOLID = 0.20
"""Least worth of stone that may hide other stone or prove air."""


@dataclass(slots=True)
class Field:
    """The worthiest hypothesis at each of n places so far.

    Attributes
    ----------
    points, needles : (n, 3) arrays, mm, frame coordinates
    depth : (n,) array, mm along the needle
    normal : (n, 3) array, outward normal of the stone
    worth : (n,) array, 0..1; 0 where nothing stands
    shaped : (n,) bool, whether it has the shape of the model
    """

    points: Array
    needles: Array
    depth: Array
    normal: Array
    worth: Array
    shaped: NDArray[np.bool_]

    @staticmethod
    def empty(points: Array, needles: Array) -> Field:
        """A field in which nothing is known."""
        n = len(points)
        points, needles = np.ascontiguousarray(points), np.ascontiguousarray(needles)
        return Field(
            points, needles, np.zeros(n), needles.copy(), np.zeros(n), np.zeros(n, dtype=bool)
        )

    @property
    def places(self) -> Array:
        """Stone of the hypotheses, (n, 3), mm."""
        return np.asarray(self.points + self.depth[:, None] * self.needles)

    @property
    def found(self) -> NDArray[np.bool_]:
        """Where stone was found, (n,)."""
        return np.asarray(self.worth > FOUND)

    @property
    def solid(self) -> NDArray[np.bool_]:
        """Where stone is sure enough to hide other stone, (n,)."""
        return np.asarray(self.worth > SOLID)


def worth_of(fits: Fits) -> Array:
    """Worth of measured hypotheses, (n,)."""
    record = fits.record
    agree = np.maximum(0.5 * (record[:, FIT_CORR] + record[:, FIT_HALVES]), 0.0)
    share = record[:, FIT_VIEWS] / (np.minimum(fits.looking, MOST_VIEWS) + 1.0)
    return np.where(fits.stands, agree * share, 0.0)


def contend(
    scene: Scene, field: Field, rows: NDArray[np.int64], depth: Array, normal: Array,
    stone: DepthMaps | None, settings: PatchSettings, ahead: float = 1.0,
) -> None:  # fmt: skip
    """Measures one hypothesis at each of some places and keeps it where it is worthier.

    Parameters
    ----------
    rows : places of the field, each once
    depth, normal : (len(rows)[, 3]) arrays, the hypotheses
    stone : stone known so far, which may hide places
    ahead : a hypothesis wins already with this part of the present worth
    """
    hiding, slack = [scene.model_maps], [MODEL_SLACK_MM]
    if stone is not None:
        hiding, slack = [*hiding, stone], [*slack, STONE_SLACK_MM]
    fits = measure(
        scene.stack, hiding, slack, field.points[rows], field.needles[rows], depth, normal,
        settings, scene.threads,
    )  # fmt: skip
    _keep_worthier(field, rows, fits, ahead, False)


def contend_in_shape(
    scene: Scene, field: Field, rows: NDArray[np.int64], depth: Array, settings: PatchSettings
) -> None:  # fmt: skip
    """The same for patches that have the shape of the model there, moved to a depth.

    Only the model hides them: rough stone supposed round about is not sharp enough to tell, and
    photographs that it blocks do not agree.
    """
    fits = measure(
        scene.stack, [scene.model_maps], [MODEL_SLACK_MM], field.points[rows],
        field.needles[rows], depth, field.needles[rows], settings, scene.threads, scene.shape,
    )  # fmt: skip
    _keep_worthier(field, rows, fits, 1.0, True)


def _keep_worthier(
    field: Field, rows: NDArray[np.int64], fits: Fits, ahead: float, shaped: bool
) -> None:
    worth = worth_of(fits)
    better = worth > ahead * field.worth[rows]
    won = rows[better]
    field.depth[won] = fits.record[better, FIT_DEPTH]
    field.normal[won] = fits.record[better, FIT_NX : FIT_NZ + 1]
    field.worth[won] = worth[better]
    field.shaped[won] = shaped
