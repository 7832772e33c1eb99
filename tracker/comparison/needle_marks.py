"""Marks of a reading, and the risk and standard deviation that follow from them.

log(risk / (1 - risk)) and log(sigma) are linear in the marks. Readings that stand alone have one
formula, depths of level stone (`needle_level`) another. The numbers of the first were fitted on
five rendered days (an owl at 0.19, 0.27 and 0.38 mm a pixel, a leafed form at 0.30; pale and grey
stone, sun and shade), each day weighing the same. Days left out of the fitting in turn (all of the
owl's days at once, since they share a form) had 93 to 98 % of their figures within U95 and 0.1 to
0.3 % of them off by more than 1 mm. Marks that did not help on days left out were dropped. Of
places in the model's shape, measured later, the marks promise somewhat too much; the last line
takes it back. The numbers of the second come from seven days and four forms; forms left out had 94
to 99 % of such depths within U95.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.needle_figures import FEATURES, MOST_PHOTOGRAPHS, Fine
from tracker.comparison.needle_level import Level
from tracker.comparison.needle_search import Search
from tracker.comparison.needle_settle import Stone
from tracker.comparison.needle_surroundings import look_around
from tracker.maths.camera import Array

MOST_RISK = 0.12
MOST_RISK_LEVEL = 0.06
"""A figure is given when the chance that it is off by more than 0.4 mm is below this."""
COLUMN = {name: k for k, name in enumerate(FEATURES)}

Formula = tuple[tuple[str, float, float], ...]

FORMULA: Formula = (
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
LEVEL_FORMULA: Formula = (
    ("always", 5.5941, 1.1176),
    ("off the surroundings", 0.4256, 0.0788),
    ("strangers around", 0.1840, 0.1049),
    ("depth", 1.2265, 0.4191),
    ("worst half, large patch", -0.3668, -0.1354),
    ("correlation, small patch", 0.3202, -0.0162),
    ("level sigma", 1.0299, 0.5802),
    ("follow", -0.6260, -0.3184),
    ("evidence", -0.2637, -0.0682),
    ("share that agrees", -2.1655, -0.0229),
)


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks of n readings, one column each in the order of a formula.

    Attributes
    ----------
    values : (n, len(formula)) array
    formula : Formula
    """

    values: Array
    formula: Formula = FORMULA

    @staticmethod
    def none(n: int) -> Marks:
        """Marks of readings not taken."""
        return Marks(np.zeros((n, len(FORMULA))))

    @staticmethod
    def of(
        search: Search, fine: Fine, stone: Stone, rows: NDArray[np.int64], threads: int = 2
    ) -> Marks:
        """Marks of some readings of the search, each alone."""
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

    def level(self, level: Level, fine: Fine, rows: NDArray[np.int64]) -> Marks:
        """Marks of some readings as parts of level stone."""
        values = {name: self.values[rows, k] for k, (name, _, _) in enumerate(self.formula)}
        looking = np.clip(fine.looking[rows], 1, MOST_PHOTOGRAPHS)
        values |= {
            "level sigma": _log(level.sigma_mm[rows], 0.005),
            "follow": level.follow[rows],
            "evidence": np.clip(level.evidence[rows], -8.0, 8.0),
            "share that agrees": fine.views[rows] / looking,
        }
        chosen = [values[name] for name, _, _ in LEVEL_FORMULA]
        return Marks(np.stack(chosen, axis=1), LEVEL_FORMULA)

    @property
    def risk(self) -> Array:
        """Chance that each figure is off by more than 0.4 mm, (n,)."""
        odds = self.values @ np.array([risk for _, risk, _ in self.formula])
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(odds, -50.0, 50.0))))

    @property
    def sigma_mm(self) -> Array:
        """Standard deviation of the surface along the needle, (n,), mm."""
        return np.asarray(np.exp(self.values @ np.array([spread for _, _, spread in self.formula])))


def _log(values: Array, least: float) -> Array:
    return np.asarray(np.log(np.maximum(values, least)))
