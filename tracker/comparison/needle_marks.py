"""Marks of a reading, and the risk and standard deviation that follow from them.

log(risk / (1 - risk)) and log(sigma) are linear in the marks. Readings that stand alone have one
formula, depths of level stone (`needle_level`) another; their numbers were fitted on rendered days,
each weighing the same, and checked on forms left out of the fitting.

Alone, risk is the chance of being off by more than 1 mm, by eight days and four forms; left-out
forms had 0.03 to 0.23 % of such figures. Sigma is by five days of two forms (an owl at 0.19, 0.27
and 0.38 mm a pixel, a leafed form at 0.30; pale and grey stone, sun and shade); of places in the
model's shape, measured later, those marks promised somewhat too much, which their own line takes
back. As parts of level stone, risk is the chance of being off by more than 0.4 mm, by seven days
and four forms; of left-out forms 94 to 99 % of such depths were within U95.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.needle_figures import FEATURES, MOST_PHOTOGRAPHS, Fine
from tracker.comparison.needle_level import Level
from tracker.comparison.needle_relief import look_for_steps
from tracker.comparison.needle_search import Search
from tracker.comparison.needle_settle import Stone
from tracker.comparison.needle_surroundings import look_around
from tracker.maths.camera import Array
from tracker.surface import Surface

MOST_RISK = 0.012
MOST_RISK_LEVEL = 0.06
"""A figure is given when its risk is below this."""
COLUMN = {name: k for k, name in enumerate(FEATURES)}

Formula = tuple[tuple[str, float, float], ...]

FORMULA: Formula = (
    ("always", 8.0522, 7.4324),
    ("off the surroundings", 0.2793, 0.1476),
    ("strangers around", 4.1176, 0.8398),
    ("neighbours", -0.6891, 0.0638),
    ("discord, large patch", 0.5098, 0.3055),
    ("sizes apart", 0.1337, 0.1039),
    ("slope", -4.0753, -4.0194),
    ("noise", 0.7565, 0.7528),
    ("depth", 0.4662, 0.0640),
    ("contrast", 1.3909, 0.5515),
    ("worst half, large patch", -3.8943, -0.9274),
    ("correlation, small patch", 0.5883, 0.1922),
    ("in the model's shape", 0.4988, 0.2000),
    ("height", -1.2602, 0.0000),
    ("lower close by", 3.8084, 0.0000),
    ("higher close by", 1.8352, 0.0000),
    ("below half", 2.3446, 0.0000),
    ("photographs", -0.2435, 0.0000),
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
        model: Surface, search: Search, fine: Fine, stone: Stone, rows: NDArray[np.int64],
        threads: int = 2,
    ) -> Marks:  # fmt: skip
        """Marks of some readings of the search, each alone."""
        places = search.points[rows] + fine.depth[rows, None] * search.needles[rows]
        around = look_around(
            places, fine.normal[rows], stone.places, stone.normals, stone.spacing_mm, threads
        )
        steps = look_for_steps(search.points[rows], fine.depth[rows], stone)
        height = np.abs(model.signed_distance_mm(places)) if len(rows) else np.zeros(0)
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
            "height": _log(height, 0.1) - _log(np.abs(fine.depth[rows]), 0.1),
            "lower close by": steps.lower,
            "higher close by": steps.higher,
            "below half": steps.below_half,
            "photographs": fine.views[rows].astype(np.float64),
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
        """Chance that each figure is off by more than the formula allows, (n,)."""
        odds = self.values @ np.array([risk for _, risk, _ in self.formula])
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(odds, -50.0, 50.0))))

    @property
    def sigma_mm(self) -> Array:
        """Standard deviation of the surface along the needle, (n,), mm."""
        return np.asarray(np.exp(self.values @ np.array([spread for _, _, spread in self.formula])))


def _log(values: Array, least: float) -> Array:
    return np.asarray(np.log(np.maximum(values, least)))
