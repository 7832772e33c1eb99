"""The needle in the photographs: stone left along each needle, measured.

Heat map: `measure_needles` on the samples of the model. Named points: `measure_needles` again with
the heat map's result as `start`; the stone found round about is the starting value, and every
point is then measured on its own. Low places: `low_places` gives samples between the samples.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_views import View, ViewStack, stack_views
from tracker.comparison.needle_accept import Fine, agrees_with_neighbours, measure_fine
from tracker.comparison.needle_search import (
    SEED_MM,
    Scene,
    Search,
    count_looking,
    make_scene,
    propagate,
    seed,
    start_search,
    thin,
)  # fmt: skip
from tracker.comparison.readings import VARIANCE_PARTS, NotSeen, Readings
from tracker.maths.camera import Array
from tracker.surface import Surface

Progress = Callable[[float], None]


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
        Distance of the places from each other, for the neighbourhood.
    neighbours : int
        How many of the twelve nearest must predict a depth.
    threads : int
    """

    inward_mm: float = 12.0
    outward_mm: float = 70.0
    figure_mm: float = 25.0
    spacing_mm: float = 2.0
    neighbours: int = 5
    threads: int = 2


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
    features : (n, 5) array
        See `needle_accept.Fine`.
    """

    readings: Readings
    depth_mm: Array
    sigma_mm: Array
    normals: Array
    correlation: Array
    agreed: NDArray[np.int64]
    features: Array

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
    start : earlier result on places round about, from which the search begins
    progress : called with the share done, 0..1
    """
    settings = settings or NeedleSettings()
    tell = progress or (lambda _share: None)
    points = np.ascontiguousarray(points, dtype=np.float64)
    needles = np.ascontiguousarray(needles, dtype=np.float64)
    stack = views if isinstance(views, ViewStack) else stack_for(views, surface, settings)
    scene = make_scene(stack, surface, settings.threads)
    search = start_search(points, needles)
    if stack.count < 3 or len(points) == 0:
        return _result(scene, search, None, settings)
    tell(0.02)
    source = _seeds(scene, search, settings) if start is None else _as_search(start)
    tell(0.35)
    reach = 2.5 * SEED_MM if start is None else 3.0 * settings.spacing_mm
    stone = propagate(scene, search, source, reach, 4)
    tell(0.6)
    fine = measure_fine(scene, search, stone)
    tell(0.95)
    fine = _let_through(points, needles, fine, start, settings)
    tell(1.0)
    return _result(scene, search, fine, settings)


def _seeds(scene: Scene, search: Search, settings: NeedleSettings) -> Search:
    """Searches a thinned set from nothing and enters what it found into `search`."""
    rows = thin(search.points, search.needles, SEED_MM)
    seeds = start_search(search.points[rows], search.needles[rows])
    seed(scene, seeds, settings.inward_mm, settings.outward_mm)
    for name in ("depth", "normal", "corr", "looking", "views", "ok", "rivalled"):
        getattr(search, name)[rows] = getattr(seeds, name)
    return seeds


def _as_search(result: NeedleResult) -> Search:
    found = start_search(result.readings.points, result.readings.needles)
    found.depth, found.normal, found.ok = result.depth_mm, result.normals, result.readings.seen
    return found


def _let_through(
    points: Array, needles: Array, fine: Fine, start: NeedleResult | None,
    settings: NeedleSettings,
) -> Fine:  # fmt: skip
    if start is None:
        passed = agrees_with_neighbours(
            points,
            needles,
            fine,
            points,
            needles,
            fine,
            settings.spacing_mm,
            settings.neighbours,
            True,
        )
    else:
        around = _fine_of(start)
        passed = agrees_with_neighbours(
            points,
            needles,
            fine,
            start.readings.points,
            start.readings.needles,
            around,
            settings.spacing_mm,
            settings.neighbours,
            False,
        )
    return replace(fine, ok=passed)


def _fine_of(result: NeedleResult) -> Fine:
    return Fine(
        result.depth_mm, result.sigma_mm, result.normals, result.correlation, result.agreed,
        result.readings.photos, result.readings.seen, result.features,
    )  # fmt: skip


def _result(
    scene: Scene, search: Search, fine: Fine | None, settings: NeedleSettings
) -> NeedleResult:
    n = len(search.points)
    if fine is None:
        zero = np.zeros(n)
        fine = Fine(zero, zero, search.needles, zero, search.views, search.looking,
                    np.zeros(n, bool), np.zeros((n, 5)))  # fmt: skip
    seen = fine.ok
    looking = np.maximum(search.looking, fine.looking)
    unknown = np.flatnonzero(~seen)
    looking[unknown] = np.maximum(looking[unknown], count_looking(scene, search, unknown))
    depth = np.where(seen, fine.depth, 0.0)
    beyond = seen & (depth > settings.figure_mm)
    variance = np.zeros((n, len(VARIANCE_PARTS)))
    variance[:, 0] = np.where(seen, fine.sigma_mm**2, 0.0)
    reason = np.full(n, int(NotSeen.NO_AGREEMENT), dtype=np.int64)
    reason[search.rivalled] = int(NotSeen.AMBIGUOUS)
    reason[looking < 3] = int(NotSeen.TOO_FEW_PHOTOGRAPHS)
    reason[seen] = int(NotSeen.SEEN)
    places = search.points + depth[:, None] * search.needles
    closest = scene.model.signed_distance_mm(places) if n else np.zeros(0)
    readings = Readings(
        search.points, search.needles, seen, np.where(beyond, settings.figure_mm, depth), beyond,
        np.where(seen, closest, 0.0), variance, looking, reason,
    )  # fmt: skip
    return NeedleResult(
        readings, depth, np.where(seen, fine.sigma_mm, 0.0), fine.normal, fine.corr, fine.views,
        fine.features,
    )  # fmt: skip


def low_places(
    surface: Surface, result: NeedleResult, below_mm: float = -0.2, spacing_mm: float = 1.0
) -> tuple[Array, Array, Array]:
    """Samples between the samples, where the stone is cut low or a low place may have been missed.

    Returns
    -------
    points, needles : (m, 3) arrays
    area_mm2 : (m,) array
    """
    from scipy.spatial import cKDTree

    from tracker.surface import sample_surface

    readings = result.readings
    low = readings.seen & (readings.stone_left_mm < below_mm)
    if not low.any():
        return np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0)
    samples = sample_surface(surface, spacing_mm)
    near, _ = cKDTree(readings.points[low]).query(samples.points, distance_upper_bound=4.0)
    take = np.isfinite(near)
    return samples.points[take], samples.normals[take], samples.area_mm2[take]
