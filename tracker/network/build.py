"""From a day's detections and records to the arrays of one network, and back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tracker.maths.camera import Array, Lens, Pose
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    LensPrior,
    Network,
    Rows,
    Solution,
    TargetSightings,
)
from tracker.network.record import Bar, KnownTarget, Settings, TiePoints
from tracker.network.start import pinhole
from tracker.targets.observation import Detection, TargetObservation

MIN_TARGETS = 2
"""Targets that a photograph must show."""
MIN_SIGHTINGS = 2
"""Photographs that must show a target for it to count."""


@dataclass(frozen=True, slots=True)
class Material:
    """All that a day's adjustment is given."""

    detections: tuple[Detection, ...]
    names: tuple[str, ...]
    cameras: tuple[int, ...]
    sizes: tuple[tuple[int, int], ...]
    focal_guess_px: tuple[float, ...]
    known: Mapping[int, KnownTarget]
    bars: tuple[Bar, ...]
    settings: Settings
    ties: TiePoints | None = None
    lens_priors: Mapping[int, LensPrior] = field(default_factory=dict)
    """What calibrations say of the lens, by row of the camera."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What takes part; everything else carries its reason."""

    photos_out: Mapping[int, str] = field(default_factory=dict)
    targets_out: Mapping[int, str] = field(default_factory=dict)
    sightings_out: frozenset[tuple[int, int]] = frozenset()
    """(photo, target)."""
    held: frozenset[int] = frozenset()
    """Known targets that give the datum."""
    bars: frozenset[int] = frozenset()
    """Rows of the bars that give scale."""
    photo_scale: Mapping[int, float] = field(default_factory=dict)
    """Factor on the sigmas of a photograph's observations."""
    target_scale: float = 1.0
    """Factor on the sigmas of all target corners."""
    tie_scale: float = 1.0
    """The same of tie points, from their own scatter."""
    tie_worth: float = 1.0
    """Share of their information that tie points bring to the poses (`tie_worth`)."""
    record_scale: float = 1.0
    """Factor on the sigmas of the known corners."""
    shared_mm: Mapping[int, float] = field(default_factory=dict)
    """Sigma of the error that all photographs of a target share, per corner and coordinate."""


@dataclass(frozen=True, slots=True)
class Values:
    """Current poses, corners and lenses."""

    poses: Mapping[int, Pose]
    corners: Mapping[int, Array]
    lenses: tuple[Lens, ...]

    def updated(self, new: Values) -> Values:
        """These values with newer ones laid over."""
        return Values({**self.poses, **new.poses}, {**self.corners, **new.corners}, new.lenses)


@dataclass(frozen=True, slots=True)
class Assembled:
    """A network and what its rows stand for."""

    network: Network
    photos: tuple[int, ...]
    """Photograph of each row."""
    tags: tuple[int, ...]
    """Target of each four points."""
    sightings: tuple[tuple[int, int], ...]
    """(photo, target) of each sighting."""
    bars: tuple[int, ...]
    tie_rows: Rows
    """(n,) row of each tie point, -1 where it takes no part."""

    def rows_of(self, tag: int) -> Rows:
        """Rows of a target's corners."""
        return 4 * self.tags.index(tag) + np.arange(4)

    def values(self, solution: Solution) -> Values:
        """Poses, corners and lenses of a solution."""
        placed = np.asarray(solution.placed[: 4 * len(self.tags)].reshape(-1, 4).all(axis=1))
        corners = solution.points[: 4 * len(self.tags)].reshape(-1, 4, 3)
        return Values(
            dict(zip(self.photos, solution.poses, strict=True)),
            {tag: corners[k] for k, tag in enumerate(self.tags) if placed[k]},
            solution.lenses,
        )


def participants(
    material: Material, choice: Choice, values: Values
) -> tuple[tuple[int, ...], tuple[tuple[int, int], ...]]:
    """Photographs and sightings (photo, target) that can take part.

    Photographs with fewer than two targets and targets with fewer than two photographs fall out
    by turns; a target that is held needs only one.
    """
    sightings = [
        (i, t.tag)
        for i, d in enumerate(material.detections)
        if i in values.poses and i not in choice.photos_out
        for t in d.used
        if t.tag in values.corners
        and t.tag not in choice.targets_out
        and (i, t.tag) not in choice.sightings_out
    ]
    while True:
        by_photo: dict[int, int] = {}
        by_tag: dict[int, int] = {}
        for photo, tag in sightings:
            by_photo[photo] = by_photo.get(photo, 0) + 1
            by_tag[tag] = by_tag.get(tag, 0) + 1
        left = [
            (photo, tag)
            for photo, tag in sightings
            if by_photo[photo] >= MIN_TARGETS
            and (by_tag[tag] >= MIN_SIGHTINGS or tag in choice.held)
        ]
        if len(left) == len(sightings):
            return tuple(sorted(by_photo)), tuple(sightings)
        sightings = left


def assemble(material: Material, choice: Choice, values: Values) -> Assembled:
    """Network of what takes part, with the current values to start from."""
    photos, pairs = participants(material, choice, values)
    tags = tuple(sorted({tag for _, tag in pairs}))
    row_of_photo = {photo: k for k, photo in enumerate(photos)}
    row_of_tag = {tag: 4 * k for k, tag in enumerate(tags)}
    seen = {
        (i, t.tag): t
        for i in photos
        for t in material.detections[i].used
        if (i, t.tag) in set(pairs)
    }
    bars = tuple(
        k
        for k, bar in enumerate(material.bars)
        if k in choice.bars and bar.target_a in row_of_tag and bar.target_b in row_of_tag
    )
    corners = [values.corners[tag] for tag in tags]
    ties, tie_xyz, tie_rows = _ties(material, choice, row_of_photo, 4 * len(tags))
    network = Network(
        lenses=values.lenses,
        lens_of_photo=np.array([material.cameras[p] for p in photos], np.int64),
        poses=tuple(values.poses[p] for p in photos),
        points=np.concatenate([np.array(corners).reshape(-1, 3), tie_xyz]),
        seen=ties,
        known=_known(material, choice, row_of_tag),
        distances=_distances(material, choice, bars, row_of_tag),
        lens_priors=tuple(
            material.lens_priors.get(k) or _prior(g, s, material.settings)
            for k, (g, s) in enumerate(zip(material.focal_guess_px, material.sizes, strict=True))
        ),
        sightings=_sightings(choice, pairs, seen, row_of_photo, row_of_tag),
        free_worth=choice.tie_worth,
    )
    return Assembled(network, photos, tags, pairs, bars, tie_rows)


def _sightings(
    choice: Choice,
    pairs: tuple[tuple[int, int], ...],
    seen: Mapping[tuple[int, int], TargetObservation],
    row_of_photo: Mapping[int, int],
    row_of_tag: Mapping[int, int],
) -> TargetSightings:
    if not pairs:
        return TargetSightings.none()
    scale = np.array([choice.target_scale * choice.photo_scale.get(p, 1.0) for p, _ in pairs])
    cov = np.array([seen[pair].cov_px2 for pair in pairs])
    return TargetSightings(
        np.array([row_of_photo[p] for p, _ in pairs], np.int64),
        np.array([row_of_tag[t] + np.arange(4) for _, t in pairs], np.int64),
        np.array([seen[pair].corners_px for pair in pairs]),
        cov * scale[:, None, None] ** 2,
    )


def _known(material: Material, choice: Choice, row_of_tag: Mapping[int, int]) -> KnownPoints:
    tags = [tag for tag in sorted(choice.held) if tag in row_of_tag]
    if not tags:
        return KnownPoints.none()
    return KnownPoints(
        np.concatenate([row_of_tag[tag] + np.arange(4) for tag in tags]),
        np.concatenate([material.known[tag].corners for tag in tags]),
        np.concatenate([known_sigma(material, choice, tag) for tag in tags]),
    )


def record_sigma(material: Material, tag: int) -> Array:
    """Sigma of a known target's corners per coordinate, (4,), mm."""
    u95 = material.known[tag].u95_mm
    default = material.settings.record_sigma_mm
    if u95 is None:
        return np.full(4, default)
    u95 = np.asarray(u95, dtype=np.float64)
    return np.where(np.isfinite(u95) & (u95 > 0.0), u95 / 2.0, default)


def known_sigma(material: Material, choice: Choice, tag: int) -> Array:
    """Sigma of what the photographs show of a known target against its record, (4,), mm."""
    record = choice.record_scale * record_sigma(material, tag)
    return np.asarray(np.hypot(record, choice.shared_mm.get(tag, 0.0)))


def bar_sigma(material: Material, choice: Choice, row: int) -> float:
    """Sigma of a bar's length against what the photographs show of it, mm."""
    bar = material.bars[row]
    given = bar.u95_mm
    sigma = material.settings.bar_sigma_mm if given is None or given <= 0.0 else given / 2.0
    return float(np.hypot(sigma, shared_length_sigma(choice, bar.target_a, bar.target_b)))


def shared_length_sigma(choice: Choice, tag_a: int, tag_b: int) -> float:
    """Part of the shared errors in the distance of two targets' centres, mm.

    A centre is the mean of four corners.
    """
    a, b = choice.shared_mm.get(tag_a, 0.0), choice.shared_mm.get(tag_b, 0.0)
    return float(np.hypot(a, b)) / 2.0


def _distances(
    material: Material, choice: Choice, bars: tuple[int, ...], row_of_tag: Mapping[int, int]
) -> KnownDistances:
    if not bars:
        return KnownDistances.none()
    chosen = [material.bars[k] for k in bars]
    return KnownDistances(
        np.array([row_of_tag[bar.target_a] + np.arange(4) for bar in chosen]),
        np.array([row_of_tag[bar.target_b] + np.arange(4) for bar in chosen]),
        np.array([bar.length_mm for bar in chosen]),
        np.array([bar_sigma(material, choice, k) for k in bars]),
    )


def _ties(
    material: Material, choice: Choice, row_of_photo: Mapping[int, int], first_row: int
) -> tuple[ImageObservations, Array, Rows]:
    ties = material.ties
    if ties is None:
        return ImageObservations.none(), np.zeros((0, 3)), np.zeros(0, np.int64)
    photo_row = np.full(len(material.names), -1, np.int64)
    for photo, row in row_of_photo.items():
        photo_row[photo] = row
    keep = photo_row[ties.photo] >= 0
    count = np.bincount(ties.point[keep], minlength=len(ties.xyz))
    enough = count >= MIN_SIGHTINGS
    keep &= enough[ties.point]
    tie_rows = np.where(enough, first_row + np.cumsum(enough) - 1, -1)
    scale = np.array([choice.photo_scale.get(p, 1.0) for p in range(len(material.names))])
    factor = (choice.tie_scale * scale[ties.photo[keep]]) ** 2
    seen = ImageObservations(
        photo_row[ties.photo[keep]],
        tie_rows[ties.point[keep]],
        ties.pixel[keep],
        ties.cov_px2[keep] * factor[:, None, None],
    )
    return seen, ties.xyz[enough], tie_rows


def _prior(focal_px: float, size: tuple[int, int], settings: Settings) -> LensPrior:
    centre = settings.centre_share * size[0]
    radial, tangential = settings.radial_sigma, settings.tangential_sigma
    return LensPrior(
        pinhole(focal_px, size).vector,
        np.array(
            [
                settings.focal_share * focal_px,
                centre,
                centre,
                radial,
                radial,
                tangential,
                tangential,
                radial,
            ]
        ),
    )
