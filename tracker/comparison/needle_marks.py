"""Marks of a reading, and the risk and standard deviation that follow from them.

log(risk / (1 - risk)) and log(sigma) are linear in the marks. The numbers were fitted on three
rendered days (an owl at 0.24 and 0.38 mm a pixel, a leafed form at 0.30; pale and grey stone, sun
and shade) and checked by leaving each day out in turn: of the figures given on the day left out,
93 to 97 % lay within U95, and of finished, close and untouched stone each 92 to 98 %.
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
COLUMN = {name: k for k, name in enumerate(FEATURES)}

FORMULA: tuple[tuple[str, float, float], ...] = (
    ("always", 11.5864, 7.2752),
    ("off the surroundings", 0.2970, 0.1829),
    ("scatter around", 0.1097, 0.0766),
    ("strangers around", 1.4522, 0.2788),
    ("neighbours", -0.3934, 0.0699),
    ("discord, small patch", -0.2982, -0.0247),
    ("discord, large patch", 0.5717, 0.2290),
    ("sizes apart", 0.0848, 0.0909),
    ("slope", -5.5067, -3.4622),
    ("correlation, small patch", 0.3327, 0.1309),
    ("correlation, large patch", 0.3734, 0.1793),
    ("contrast", 1.5728, 0.4305),
    ("contrast squared", -0.2632, 0.0120),
    ("noise", 0.7913, 0.4706),
    ("moved", -0.0052, 0.0897),
    ("photographs agreeing", 0.0600, 0.1211),
    ("photographs looking", -0.0843, -0.1353),
    ("share agreeing", -1.7601, -1.1368),
    ("bend", 0.1798, 0.1229),
    ("depth", 0.2621, 0.0044),
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

        contrast = _log(feature[:, COLUMN["contrast_gray"]], 0.7)
        looking = fine.looking[rows]
        values = {
            "always": np.ones(len(rows)),
            "off the surroundings": _log(np.abs(around.offset_mm), 0.02),
            "scatter around": _log(around.scatter_mm, 0.04),
            "strangers around": 1.0 - around.share,
            "neighbours": around.count / 12.0,
            "discord, small patch": across("discord_small_mm", 0.005),
            "discord, large patch": across("discord_large_mm", 0.005),
            "sizes apart": across("sizes_apart_mm", 0.01),
            "slope": slope,
            "correlation, small patch": _log(1.0 - fine.corr[rows], 0.005),
            "correlation, large patch": _log(1.0 - feature[:, COLUMN["corr_large"]], 0.005),
            "contrast": contrast,
            "contrast squared": contrast**2,
            "noise": across("noise_mm", 0.003),
            "moved": across("moved_mm", 0.02),
            "photographs agreeing": np.minimum(fine.views[rows], 9).astype(np.float64),
            "photographs looking": np.minimum(looking, 12).astype(np.float64),
            "share agreeing": fine.views[rows] / np.maximum(np.minimum(looking, 9), 1),
            "bend": _log(around.bend, 0.01),
            "depth": _log(np.minimum(np.abs(fine.depth[rows]), 25.0), 0.3),
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
