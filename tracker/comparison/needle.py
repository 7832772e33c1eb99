"""The needle in the photographs: stone left along each needle, measured.

Heat map: `measure_needles` on the samples of the model. Named points: `measure_needles` again with
the heat map's result as `start`; the stone found round about is the starting value, and every
point is then measured on its own. Finer samples where the stone is low are measured likewise,
each alone, so that no neighbour smooths a small over-cut away.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps
from tracker.cloud.patch_views import View, ViewStack, stack_views
from tracker.comparison.needle_figures import Fine, measure_fine, no_figures
from tracker.comparison.needle_gate import Verdict, judge
from tracker.comparison.needle_level import Sounded
from tracker.comparison.needle_search import Scene, Search, count_looking, make_scene, start_search
from tracker.comparison.needle_settle import Stone, begin_from, draw, find_stone
from tracker.comparison.needle_soundings import Soundings, no_soundings, sound
from tracker.comparison.readings import VARIANCE_PARTS, NotSeen, Readings
from tracker.maths.camera import Array
from tracker.surface import Surface

Progress = Callable[[float], None]

DOUBTFUL_RISK = 0.15
DOUBTFUL_SIGMA_MM = 0.8
"""Readings as bad as this say nothing even in company."""


@dataclass(frozen=True, slots=True)
class NeedleSettings:
    """How far and how the needle searches.

    Attributes
    ----------
    inward_mm : float
        Deepest over-cut considered.
    outward_mm : float
        Farthest stone considered, the block's face.
    figure_mm : float
        Above it a reading is "at least this much": one surface along the needle cannot be told
        from another behind a gap.
    spacing_mm : float
        Distance of the places from each other.
    threads : int
    """

    inward_mm: float = 12.0
    outward_mm: float = 70.0
    figure_mm: float = 25.0
    spacing_mm: float = 2.0
    threads: int = 2


@dataclass(frozen=True, slots=True)
class Ground:
    """What is known round about, from which other places may begin.

    Attributes
    ----------
    scene : Scene
        Photographs and model.
    stone : Stone
        Dense stone found.
    maps : DepthMaps
        Of that stone.
    sounded : Sounded
        Readings taken alone, with which those of other places are weighed.
    """

    scene: Scene
    stone: Stone
    maps: DepthMaps
    sounded: Sounded


@dataclass(frozen=True, slots=True)
class NeedleResult:
    """Readings and what stands behind them.

    Attributes
    ----------
    readings : Readings
        `variance_mm2` holds the surface part only; the others are added by the budget.
    depth_mm : (n,) array
        Depth measured, without the bound of `figure_mm`; meaningless where not seen.
    sigma_mm : (n,) array
        Standard deviation of the surface along the needle.
    normals : (n, 3) array
        Outward normal of the stone met.
    correlation : (n,) array
        Mean correlation of pairs of photographs.
    agreed : (n,) int array
        Photographs that agreed on the depth.
    features : (n, k) array
        See `needle_figures.FEATURES`.
    alone : Sounded
        Each reading alone, without those round about, given or not.
    risk_alone : (n,) array
        Chance that it is grossly off.
    ground : Ground
        From which other places may begin.
    """

    readings: Readings
    depth_mm: Array
    sigma_mm: Array
    normals: Array
    correlation: Array
    agreed: NDArray[np.int64]
    features: Array
    alone: Sounded
    risk_alone: Array
    ground: Ground

    def with_doubtful(self) -> NeedleResult:
        """The result with readings that alone are too unsure to be given, at their own sigma.

        Many of them together can still tell that stone is missing.
        """
        more = ~self.readings.seen & (self.readings.reason == int(NotSeen.AMBIGUOUS))
        more &= (self.risk_alone < DOUBTFUL_RISK) & (self.alone.sigma_mm < DOUBTFUL_SIGMA_MM)
        variance = self.readings.variance_mm2.copy()
        variance[more, 0] = self.alone.sigma_mm[more] ** 2
        depth = np.where(more, self.alone.depth_mm, self.depth_mm)
        readings = replace(
            self.readings,
            seen=self.readings.seen | more,
            stone_left_mm=np.where(more, depth, self.readings.stone_left_mm),
            variance_mm2=variance,
        )
        return replace(self, readings=readings, depth_mm=depth)

    @property
    def places(self) -> Array:
        """Stone met, (n, 3), mm, frame coordinates."""
        return self.readings.points + self.depth_mm[:, None] * self.readings.needles


def stack_for(views: Sequence[View], surface: Surface, settings: NeedleSettings) -> ViewStack:
    """The photographs cropped to where stone can be; make it once for several measurements."""
    low, high = surface.box
    room = min(settings.outward_mm, 50.0)
    return stack_views(views, (low - room, high + room))


def measure_needles(
    views: Sequence[View] | ViewStack,
    surface: Surface,
    points: Array,
    needles: Array,
    settings: NeedleSettings | None = None,
    start: NeedleResult | None = None,
    weigh: bool = True,
    progress: Progress | None = None,
) -> NeedleResult:
    """Stone left along each needle.

    Parameters
    ----------
    views : photographs with their adjusted cameras, or the stack made of them
    surface : the model
    points, needles : (n, 3) arrays
        Places of the model (mm, frame coordinates) and unit outward directions.
    settings : NeedleSettings
    start : earlier result on places round about, of the same photographs and model, from which
        the search begins
    weigh : whether readings of level stone are weighed with those round about
    progress : called with the share done, 0..1
    """
    settings = settings or NeedleSettings()
    tell = progress or (lambda _share: None)
    points = np.ascontiguousarray(points, dtype=np.float64)
    needles = np.ascontiguousarray(needles, dtype=np.float64)
    if start is None:
        stack = views if isinstance(views, ViewStack) else stack_for(views, surface, settings)
        scene = make_scene(stack, surface, settings.threads)
    else:
        scene = start.ground.scene
    if scene.stack.count < 3 or len(points) == 0:
        return _nothing(scene, points, needles, settings)
    tell(0.05)
    if start is None:
        stone = find_stone(
            scene, points, settings.inward_mm, settings.outward_mm, settings.spacing_mm
        )
        maps, among = draw(scene, stone), None
    else:
        stone, maps, among = start.ground.stone, start.ground.maps, start.ground.sounded
    tell(0.8)
    search = begin_from(stone, points, needles, surface)
    fine = measure_fine(scene, search, maps)
    tell(0.95)
    soundings = sound(scene, search, fine, stone, maps, among, weigh)
    verdict = judge(surface, search, fine, stone, soundings, settings.figure_mm)
    sounded = among or soundings.own.rows(np.flatnonzero(fine.ok))
    ground = Ground(scene, stone, maps, sounded)
    result = _result(search, fine, verdict, soundings, ground, settings)
    tell(1.0)
    return result


def _nothing(scene: Scene, points: Array, needles: Array, settings: NeedleSettings) -> NeedleResult:
    """The result where fewer than three photographs are at hand."""
    n = len(points)
    search = start_search(points, needles)
    none = np.zeros(n, dtype=bool)
    fine = no_figures(needles)
    reason = np.full(n, int(NotSeen.TOO_FEW_PHOTOGRAPHS), dtype=np.int64)
    verdict = Verdict(none, reason, np.zeros(n), np.full(n, np.inf))
    stone = Stone(
        points, needles, np.zeros(n), needles.copy(), none, none, none, settings.spacing_mm
    )
    sounded = Sounded(points[:0], needles[:0], np.zeros(0), np.zeros(0))
    ground = Ground(scene, stone, scene.model_maps, sounded)
    return _result(search, fine, verdict, no_soundings(points, needles), ground, settings)


def _result(
    search: Search, fine: Fine, verdict: Verdict, soundings: Soundings, ground: Ground,
    settings: NeedleSettings,
) -> NeedleResult:  # fmt: skip
    scene, n = ground.scene, len(search.points)
    seen = verdict.given
    looking = np.maximum(search.looking, fine.looking)
    unknown = np.flatnonzero(~seen)
    looking[unknown] = np.maximum(looking[unknown], count_looking(scene, search, unknown))
    depth = np.where(seen, verdict.depth_mm, 0.0)
    sigma = np.where(seen, verdict.sigma_mm, 0.0)
    beyond = seen & (depth > settings.figure_mm)
    variance = np.zeros((n, len(VARIANCE_PARTS)))
    variance[:, 0] = sigma**2
    reason = np.where(seen | (looking >= 3), verdict.reason, int(NotSeen.TOO_FEW_PHOTOGRAPHS))
    closest = np.zeros(n)
    if seen.any():
        places = search.points[seen] + depth[seen, None] * search.needles[seen]
        closest[seen] = scene.model.signed_distance_mm(places)
    readings = Readings(
        search.points, search.needles, seen, np.where(beyond, settings.figure_mm, depth), beyond,
        closest, variance, looking, reason.astype(np.int64),
    )  # fmt: skip
    return NeedleResult(
        readings, depth, sigma, fine.normal, fine.corr, fine.views, fine.features,
        soundings.own, soundings.marks.risk, ground,
    )  # fmt: skip
