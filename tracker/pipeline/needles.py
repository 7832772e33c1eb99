"""The needle set on a day's photographs, each reading with its whole budget of uncertainty.

Over the model's surface, finer where the stone is low, and at the named points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.alignment.result import Alignment
from tracker.cloud.patch_views import ViewStack
from tracker.cloud.sparse import Cloud
from tracker.comparison.agreement import agreement, borne_out
from tracker.comparison.cloud_needle import StonePoints, readings_from_cloud
from tracker.comparison.finer import finer_samples, join_readings, join_samples
from tracker.comparison.needle import (
    NeedleResult,
    NeedleSettings,
    measure_needles,
)
from tracker.comparison.needle_figures import MOST_PHOTOGRAPHS
from tracker.comparison.readings import NotSeen, Readings
from tracker.comparison.uncertainty import (
    model_variance_mm2,
    network_variance_mm2,
    rigid_variance_mm2,
    slant,
)
from tracker.comparison.visibility import photos_that_see
from tracker.maths.camera import Array, Lens, Pose
from tracker.network.outcome import Adjustment
from tracker.surface import Samples, Surface

NETWORK_SPACING_MM = 10.0
"""The network's part changes over decimetres; it is worked out at places so far apart."""
CROSS_CHECKS = 2000
"""Places of the surface at which needle and cloud are held against each other."""
INWARD_MM = 12.0
MOST_RISK_POINT = 0.01
MOST_SIGMA_POINT_MM = 0.21
AGREEING_POINT = 0.4
MOST_LOOKING = 2 * MOST_PHOTOGRAPHS
"""A named point is struck at: its own reading must be better than one of many on the map. Of the
photographs that look, up to so many, this share must agree: in a pit most see its rim."""
Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sight:
    """A photograph's camera without its pixels.

    Attributes
    ----------
    name : str
    size_px : width, height
    lens, pose : Lens, Pose
        Adjusted, in the model's coordinates.
    """

    name: str
    size_px: tuple[int, int]
    lens: Lens
    pose: Pose


@dataclass(frozen=True, slots=True)
class NeedleWork:
    """What the needle is set on: the photographs' parts that can hold stone, and their cameras."""

    stack: ViewStack
    sights: tuple[Sight, ...]
    settings: NeedleSettings
    adjustment: Adjustment
    alignment: Alignment
    cloud: Cloud
    surface: Surface
    model_tolerance_mm: float


def needle_settings(allowance_mm: float, reach_mm: float, spacing_mm: float) -> NeedleSettings:
    """How far the needle searches in a job."""
    return NeedleSettings(
        inward_mm=INWARD_MM,
        outward_mm=max(allowance_mm, reach_mm) + 5.0,
        figure_mm=reach_mm,
        spacing_mm=spacing_mm,
    )


@dataclass(frozen=True, slots=True)
class DayReadings:
    """Readings of a day.

    Attributes
    ----------
    samples : Samples
        Of the surface, finer where it is low.
    over_surface, at_points : Readings
    together : Readings
        `over_surface` with what is too unsure to be given alone; for spots of many samples.
    doubted : (n points,) bool
        The cloud says otherwise at a named point.
    compared, disagreeing : int
        Places at which both ways have a figure, and at how many they differ by more than U95.
    """

    samples: Samples
    over_surface: Readings
    at_points: Readings
    together: Readings
    doubted: NDArray[np.bool_]
    compared: int
    disagreeing: int


def read_needles(
    work: NeedleWork,
    samples: Samples,
    points: Array,
    needles: Array,
    share: Callable[[float], None],
) -> DayReadings:
    """Stone left over the surface and at the named points.

    Parameters
    ----------
    work : NeedleWork
    samples : Samples
        Of the model's surface, `work.settings.spacing_mm` apart.
    points, needles : (n, 3) arrays
        The pointing list.
    share : function that takes the share of the work done
    """
    settings, stack = work.settings, work.stack
    coarse = measure_needles(
        stack, work.surface, samples.points, samples.normals, settings,
        progress=lambda s: share(0.75 * s),
    )  # fmt: skip
    finer = finer_samples(work.surface, samples, coarse.readings)
    fine_settings = replace(settings, spacing_mm=finer.spacing_mm)
    fine = measure_needles(
        stack, work.surface, finer.extra.points, finer.extra.normals, fine_settings,
        start=coarse, weigh=False,
    )  # fmt: skip
    share(0.85)
    at = measure_needles(stack, work.surface, points, needles, settings, start=coarse)
    share(0.92)
    budget = _Budget(work, coarse)
    over_surface = join_readings(finer, budget.complete(coarse), budget.complete(fine))
    together = join_readings(
        finer, budget.complete(coarse.with_doubtful()), budget.complete(fine.with_doubtful())
    )
    at_points = budget.complete(at)
    trusted = (at.risk_alone < MOST_RISK_POINT) & (at.sigma_mm < MOST_SIGMA_POINT_MM)
    trusted &= at.agreed >= AGREEING_POINT * np.minimum(at.readings.photos, MOST_LOOKING)
    trusted &= borne_out(at_points, coarse.readings)
    at_points = at_points.unseen(np.flatnonzero(at_points.seen & ~trusted), NotSeen.AMBIGUOUS)
    joined = join_samples(finer, samples)
    return _cross_checked(work, joined, over_surface, at_points, together)


def _cross_checked(
    work: NeedleWork, samples: Samples, over_surface: Readings, at_points: Readings,
    together: Readings,
) -> DayReadings:  # fmt: skip
    """The needle's readings held against the cloud's."""
    step = max(1, len(samples.points) // CROSS_CHECKS)
    some = over_surface.rows(np.arange(0, len(samples.points), step))
    surface_check = agreement(some, _by_cloud(work, some))
    point_check = agreement(at_points, _by_cloud(work, at_points))
    return DayReadings(
        samples=samples,
        over_surface=over_surface,
        at_points=at_points,
        together=together,
        doubted=point_check.disagrees,
        compared=int(surface_check.compared.sum()),
        disagreeing=int(surface_check.disagrees.sum()),
    )


def _by_cloud(work: NeedleWork, readings: Readings) -> Readings:
    cloud = work.cloud
    return readings_from_cloud(
        StonePoints(
            cloud.points,
            cloud.normals,
            cloud.sigma_mm,
            np.zeros((len(cloud.points), 3, 3)),
            cloud.photos,
        ),
        work.surface,
        readings.points,
        readings.needles,
        readings.photos,
        cov_rigid=work.alignment.covariance,
        model_tolerance_mm=work.model_tolerance_mm,
    )


class _Budget:
    """Adds the parts of the variance that the patches do not know."""

    def __init__(self, work: NeedleWork, result: NeedleResult) -> None:
        self.work = work
        seen = np.flatnonzero(result.readings.seen)
        cell = np.floor(result.places[seen] / NETWORK_SPACING_MM).astype(np.int64)
        _, first = np.unique(cell, axis=0, return_index=True)
        rows = seen[np.sort(first)]
        self.places = result.places[rows]
        self.across_mm2 = self._network(self.places, result.normals[rows])
        sound = np.isfinite(self.across_mm2)
        self.places, self.across_mm2 = self.places[sound], self.across_mm2[sound]

    def _network(self, places: Array, normals: Array) -> Array:
        """Variance across the stone at some places, (n,), mm^2."""
        work = self.work
        adjustment = work.adjustment
        used = np.flatnonzero(adjustment.photo_rows >= 0)
        order = used[np.argsort(adjustment.photo_rows[used], kind="stable")]
        by_name = {sight.name: sight for sight in work.sights}
        sights = [by_name[adjustment.photos[k].name] for k in order]
        seen = photos_that_see(
            places,
            normals,
            [sight.lens for sight in sights],
            [sight.pose for sight in sights],
            [sight.size_px for sight in sights],
            [work.surface],
        ).seen
        return network_variance_mm2(
            places,
            normals,
            normals,
            seen,
            adjustment.solution.lenses,
            np.array([adjustment.photos[k].lens for k in order], dtype=np.int64),
            [sight.pose for sight in sights],
            adjustment.solution.cov_cameras,
        )

    def complete(self, result: NeedleResult) -> Readings:
        """The readings with all parts of their variance; without a network part, not seen."""
        readings = result.readings
        variance = readings.variance_mm2.copy()
        rows = np.flatnonzero(readings.seen)
        if not len(self.places):
            return readings.unseen(rows, NotSeen.NO_AGREEMENT)
        if not len(rows):
            return readings
        places, normals, needles = result.places[rows], result.normals[rows], readings.needles[rows]
        _, near = cKDTree(self.places).query(places, k=min(3, len(self.places)))
        across = np.max(self.across_mm2[near].reshape(len(rows), -1), axis=1)
        slanting = slant(needles, normals)
        variance[rows, 1] = across / slanting**2
        variance[rows, 2] = rigid_variance_mm2(
            places, needles, normals, self.work.alignment.covariance
        )
        variance[rows, 3] = model_variance_mm2(self.work.model_tolerance_mm, len(rows))
        return replace(readings, variance_mm2=variance)
