"""Marks of a reading, and the risk and standard deviation that follow from them.

log(risk / (1 - risk)) and log(sigma) are linear in the marks. The numbers were fitted on five
rendered days (an owl at 0.19, 0.27 and 0.38 mm a pixel, a leafed form at 0.30; pale and grey stone,
sun and shade), each day weighing the same. Days left out of the fitting in turn (all of the owl's
days at once, since they share a form) had 93 to 98 % of their figures within U95 and 0.1 to 0.3 %
of them off by more than 1 mm. Marks that did not help on days left out were dropped. Of places in
the model's shape, measured later, the marks promise somewhat too much; the last line takes it back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.needle_figures import FEATURES, Fine
from tracker.comparison.needle_search import Search
from tracker.comparison.needle_settle import Stone
from tracker.comparison.needle_surroundings import look_around
from tracker.maths.camera import Array

MOST_RISK = 0.12
"""A figure is given when the chance that it is off by more than 0.4 mm is below this."""
COLUMN = {name: k for k, name in enumerate(FEATURES)}

FORMULA: tuple[tuple[str, float, float], ...] = (
    ("always", 13.7557, 7.4324),
    ("off the surroundings", 0.2752, 0.1476),
    ("strangers around", 1.3261, 0.8398),
    ("neighbours", -0.3881, 0.0638),
    ("discord, large patch", 0.4445, 0.3055),
    ("sizes apart", 0.2684, 0.1039),
    ("slope", -6.3360, -4.0194),
    ("noise", 1.2867, 0.7528),
    ("depth", 0.3188, 0.0640),
    ("contrast", 0.7450, 0.5515),
    ("worst half, large patch", -1.9437, -0.9274),
    ("correlation, small patch", 0.3572, 0.1922),
    ("in the model's shape", 0.9, 0.20),
)
"""Mark, its weight in the log odds of the risk, its weight in log sigma."""


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks of n readings, one column each in the order of FORMULA.

    Attributes
    ----------
    values : (n, len(FORMULA)) array
    """

    values: Array

    @staticmethod
    def of(
        search: Search, fine: Fine, stone: Stone, rows: NDArray[np.int64], threads: int = 2
    ) -> Marks:
        """Marks of some rows of the search."""
        places = search.points[rows] + fine.depth[rows, None] * search.needles[rows]
        around = look_around(
            places, fine.normal[rows], stone.places, stone.normals, stone.spacing_mm, threads
        )
        feature = fine.features[rows]
        slope = feature[:, COLUMN["slope"]]

        def across(name: str, least: float) -> Array:
            return _log(np.abs(feature[:, COLUMN[name]]) * slope, least)

        values = {
            "always": np.ones(len(rows)),
            "off the surroundings": _log(np.abs(around.offset_mm), 0.02),
            "strangers around": 1.0 - around.share,
            "neighbours": around.count / 12.0,
            "discord, large patch": across("discord_large_mm", 0.005),
            "sizes apart": across("sizes_apart_mm", 0.01),
            "slope": slope,
            "noise": across("noise_mm", 0.003),
            "depth": _log(np.minimum(np.abs(fine.depth[rows]), 25.0), 0.3),
            "contrast": _log(feature[:, COLUMN["contrast_gray"]], 0.7),
            "worst half, large patch": feature[:, COLUMN["half_large"]],
            "correlation, small patch": _log(1.0 - fine.corr[rows], 0.005),
            "in the model's shape": search.shaped[rows].astype(np.float64),
        }
        return Marks(np.stack([values[name] for name, _, _ in FORMULA], axis=1))


def risk_of(marks: Marks) -> Array:
    """Chance that each reading is off by more than 0.4 mm, (n,)."""
    odds = marks.values @ np.array([risk for _, risk, _ in FORMULA])
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(odds, -50.0, 50.0))))


def sigma_of_mm(marks: Marks) -> Array:
    """Standard deviation of the surface along the needle, (n,), mm."""
    return np.asarray(np.exp(marks.values @ np.array([spread for _, _, spread in FORMULA])))


def _log(values: Array, least: float) -> Array:
    return np.asarray(np.log(np.maximum(values, least)))
