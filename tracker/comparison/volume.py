"""Volume of stone left over the model, of stone missing, and of closed surfaces.

Stone of thickness d on a patch of the model of area A holds A (d + H d^2 + K d^3 / 3), H and K
its mean and Gaussian curvature (Steiner 1840). Triangle by triangle this is the prism between
the triangle and the one whose corners moved along their normals: its area at height s is a
quadratic in s. Where the model is hollow the prisms of its sides would overlap: each is cut off
at the height beyond which another part of the model is nearer.

References
----------
J. Steiner, "Ueber parallele Flaechen" (1840).
JCGM 100:2008, 5.2.2 (correlated contributions).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.readings import Readings
from tracker.comparison.uncertainty import (
    COVERAGE_FACTOR,
    FRAME,
    MODEL,
    NETWORK,
    SURFACE,
    propagate,
    rigid_sensitivity,
)
from tracker.errors import MeshError
from tracker.maths.camera import Array
from tracker.surface import Samples, Surface

CORRELATION_AREA_MM2 = 16.0
"""Samples closer than about 4 mm share patches of the photographs: their errors go together."""
HALVINGS = 8
FORM_SHARE, THIN_MM = 0.03, 3.0
"""Standard uncertainty of the prisms' own geometry, as a share of the volume of stone thicker
than THIN_MM: over three rendered figures it came to 1.00, 1.02 and (deep folds under 25 mm) 1.05
of the stone's own, counted point by point in space."""
OWN_ANGLE = 0.05
"""Stone belongs to a patch if the nearest place of the model lies within the patch, or within this
share of the height beside it: normals of a mesh are not quite those of its triangles. Distance
against height is a blunter test: 5 mm beside the patch, 25 mm up, they differ by 2 %, and the
same stone was counted over several patches."""

Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class VolumeLeft:
    """Stone over the seen part of the model.

    Attributes
    ----------
    left_mm3, left_u95_mm3 : float
        Stone to remove. A lower bound where `at_least_mm2` is not zero.
    missing_mm3, missing_u95_mm3 : float
        Stone that is gone below the over-cut band, positive.
    seen_mm2, not_seen_mm2, at_least_mm2 : float
        Area of the model that has a figure, that has none, and whose figure is a bound.
    """

    left_mm3: float
    left_u95_mm3: float
    missing_mm3: float
    missing_u95_mm3: float
    seen_mm2: float
    not_seen_mm2: float
    at_least_mm2: float

    @property
    def not_seen_share(self) -> float:
        """Share of the model's surface without a figure; its stone is not in the volume."""
        whole = self.seen_mm2 + self.not_seen_mm2
        return self.not_seen_mm2 / whole if whole else 1.0


def volume_left(
    model: Surface,
    samples: Samples,
    readings: Readings,
    *,
    overcut_below_mm: float,
    cov_rigid: Array | None = None,
) -> VolumeLeft:
    """Integral of stone left over the model's surface.

    Places between the over-cut band and zero count against those above zero, so that the noise
    of finished stone cancels instead of adding up.

    Parameters
    ----------
    samples, readings : Samples, Readings
        Readings at the samples along the samples' normals.
    cov_rigid : (6, 6) array, optional
        Covariance (turn, shift) of the stone against the model. A shift takes from one side what
        it gives to the other; without it the frame's part is added up linearly.
    """
    seen: Rows = np.flatnonzero(readings.seen)
    depth = readings.stone_left_mm[seen]
    volume, area_there = prisms(model, samples, seen, depth)
    missing = depth < overcut_below_mm
    shape = FORM_SHARE * np.where(np.abs(depth) > THIN_MM, np.abs(volume), 0.0)
    u95 = [
        float(
            np.hypot(
                _u95_mm3(samples, readings, seen[part], area_there[part], cov_rigid),
                COVERAGE_FACTOR * shape[part].sum(),
            )
        )
        for part in (~missing, missing)
    ]
    bound = readings.at_least[seen]
    seen_mm2 = float(samples.area_mm2[seen].sum())
    return VolumeLeft(
        left_mm3=float(volume[~missing].sum()),
        left_u95_mm3=u95[0],
        missing_mm3=float(-volume[missing].sum()),
        missing_u95_mm3=u95[1],
        seen_mm2=seen_mm2,
        not_seen_mm2=float(samples.area_mm2.sum()) - seen_mm2,
        at_least_mm2=float(samples.area_mm2[seen][bound].sum()),
    )


def _u95_mm3(
    samples: Samples, readings: Readings, rows: Rows, area: Array, cov_rigid: Array | None
) -> float:
    """U95 of a sum of prisms; `area` is dV/dd, the area at the stone's height."""
    if not len(rows):
        return 0.0
    variance = readings.variance_mm2[rows]
    together = np.maximum(CORRELATION_AREA_MM2 / samples.area_mm2[rows], 1.0)
    total = float((area**2 * variance[:, SURFACE] * together).sum())
    for shared in (NETWORK, MODEL):
        total += float((area * np.sqrt(variance[:, shared])).sum()) ** 2
    if cov_rigid is None:
        total += float((area * np.sqrt(variance[:, FRAME])).sum()) ** 2
    else:
        by_motion = area @ rigid_sensitivity(samples.points[rows], samples.normals[rows])
        total += float(propagate(by_motion[None], cov_rigid)[0, 0])
    return float(COVERAGE_FACTOR * np.sqrt(total))


def prisms(model: Surface, samples: Samples, rows: Rows, depth: Array) -> tuple[Array, Array]:
    """Signed volume of each sample's prism (mm^3) and its area at the far end (mm^2).

    Parameters
    ----------
    rows : (k,) int
        Samples that are asked.
    depth : (k,) array
        Stone left at them, mm.
    """
    first, second = _area_growth(model)
    face = samples.face[rows]
    a1, a2 = first[face], second[face]
    patch = 0.5 * (np.sqrt(samples.area_mm2[rows]) + np.sqrt(model.face_areas_mm2[face]))
    height = _free_height(model, samples.points[rows], samples.normals[rows], patch, depth)
    # inward the sides of a ridge meet where the patch has shrunk to nothing
    height = np.where(height < 0.0, np.maximum(height, -_vanishing(a1, a2)), height)
    area = samples.area_mm2[rows]
    volume = area * (height + 0.5 * a1 * height**2 + a2 * height**3 / 3.0)
    end = np.where(height == depth, area * (1.0 + a1 * height + a2 * height**2), 0.0)
    return volume, np.maximum(end, 0.0)


def _area_growth(model: Surface) -> tuple[Array, Array]:
    """Per triangle (a1, a2): its area at height s is A (1 + a1 s + a2 s^2)."""
    corner = [model.vertices[model.faces[:, k]] for k in range(3)]
    normal = [model.vertex_normals[model.faces[:, k]] for k in range(3)]
    e1, e2 = corner[1] - corner[0], corner[2] - corner[0]
    d1, d2 = normal[1] - normal[0], normal[2] - normal[0]
    n = model.face_normals
    twice = np.maximum(2.0 * model.face_areas_mm2, 1e-12)
    first = np.einsum("nd,nd->n", n, np.cross(e1, d2) + np.cross(d1, e2)) / twice
    second = np.einsum("nd,nd->n", n, np.cross(d1, d2)) / twice
    return first, second


def _vanishing(a1: Array, a2: Array) -> Array:
    """Depth below the surface at which 1 - a1 s + a2 s^2 first vanishes, infinite if never."""
    root = np.sqrt(np.maximum(a1**2 - 4.0 * a2, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.where(np.abs(a2) < 1e-12, 1.0 / a1, (a1 - root) / (2.0 * a2))
        other = np.where(np.abs(a2) < 1e-12, np.inf, (a1 + root) / (2.0 * a2))
    real = a1**2 >= 4.0 * a2
    s = np.where(real & np.isfinite(s) & (s > 0.0), s, np.inf)
    other = np.where(real & np.isfinite(other) & (other > 0.0), other, np.inf)
    return np.minimum(s, other)


def _free_height(
    model: Surface, points: Array, normals: Array, patch_mm: Array, depth: Array
) -> Array:
    """Stone's height, cut off where another part of the model becomes nearer, (n,) mm."""
    height = depth.copy()
    rows = np.flatnonzero(np.abs(depth) > 1.0)
    if not len(rows):
        return height
    low, high = np.zeros(len(rows)), depth[rows].copy()

    def own(tried: Array, at: Rows) -> NDArray[np.bool_]:
        foot = points[rows[at]]
        nearest, _ = model.nearest(foot + tried[:, None] * normals[rows[at]])
        beside = np.linalg.norm(nearest - foot, axis=1)
        return np.asarray(beside <= patch_mm[rows[at]] + OWN_ANGLE * np.abs(tried))

    cut = np.flatnonzero(~own(high, np.arange(len(rows))))
    for _ in range(HALVINGS):
        middle = 0.5 * (low[cut] + high[cut])
        free = own(middle, cut)
        low[cut[free]] = middle[free]
        high[cut[~free]] = middle[~free]
    height[rows[cut]] = low[cut]
    return height


def solid_volume_mm3(surface: Surface) -> float:
    """Volume enclosed by a closed surface, sum of a . (b x c) / 6 over its triangles.

    Raises
    ------
    MeshError
        The surface has open edges: it encloses nothing.
    """
    open_edges = count_open_edges(surface)
    if open_edges:
        raise MeshError(
            f"The surface is not closed: {open_edges} edges belong to one triangle only, "
            "or to more than two.",
            "Close its holes in a mesh editor; a volume needs a closed surface.",
        )
    middle = surface.vertices.mean(axis=0)
    a, b, c = (surface.vertices[surface.faces[:, k]] - middle for k in range(3))
    return float(np.einsum("nd,nd->n", a, np.cross(b, c)).sum() / 6.0)


def count_open_edges(surface: Surface) -> int:
    """Edges that do not lie between exactly two triangles."""
    pairs = np.concatenate([surface.faces[:, [k, (k + 1) % 3]] for k in range(3)])
    edges = pairs.min(axis=1) * len(surface.vertices) + pairs.max(axis=1)
    _, times = np.unique(edges, return_counts=True)
    return int((times != 2).sum())
