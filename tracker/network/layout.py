"""Which unknown stands in which column, and in which order the observations are worked on.

Columns of the reduced system: six per photograph, eight per lens, three per joint point.
Observations of joint points are worked on in groups (a target's four corners, or one point),
those of the other points sorted by point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.network.problem import ImageObservations, Network, Rows
from tracker.network.residuals import LENS, POSE, whitener


@dataclass(frozen=True, slots=True)
class Group:
    """Observations of joint points, `size` points at a time."""

    size: int
    seen: ImageObservations
    """size * n single observations, each group's together (their cov is not used)."""
    whitener: Array
    """(n, 2 size, 2 size)."""
    columns: Rows
    """(n, 14 + 3 size) columns of pose, lens and points."""


@dataclass(frozen=True, slots=True)
class Free:
    """Observations of the points that are eliminated, m of n points, sorted by point."""

    point: Rows
    """(n,) rows of points."""
    seen: ImageObservations
    order: Rows
    """(m,) place of each in the network's own order."""
    whitener: Array
    index: Rows
    """(m,) which of the n points."""
    starts: Rows
    """(n,) first observation of each point."""
    lens: Rows
    """(m,) row of the lens."""
    lens_starts: Rows
    """First observation of each run of equal point and lens."""
    pose_columns: Rows
    """(6, m)."""
    lens_columns: Rows
    """(8, m)."""
    rows_of_photo: tuple[Rows, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """Columns and working order of one network."""

    lens_of_photo: Rows
    n_photos: int
    n_lenses: int
    joint: Rows
    column_of_point: Rows
    """(n_points,) first column of a joint point, else -1."""
    free_of_point: Rows
    """(n_points,) which eliminated point it is, else -1."""
    held: Rows
    """Columns that may not move."""
    held_lens: NDArray[np.bool_]
    """(n_lenses, 8)."""
    groups: tuple[Group, Group]
    """Whole targets, then single joint points."""
    single_order: Rows
    """Place of the single joint observations in the network's own order."""
    free: Free

    @property
    def lens_column(self) -> int:
        """First column of the lenses."""
        return POSE * self.n_photos

    @property
    def camera_size(self) -> int:
        """Columns of poses and lenses."""
        return POSE * self.n_photos + LENS * self.n_lenses

    @property
    def size(self) -> int:
        """Columns of the reduced system."""
        return self.camera_size + 3 * len(self.joint)

    def camera_columns(self, photo: int) -> Rows:
        """The 14 columns of a photograph's pose and lens."""
        first = self.lens_column + LENS * int(self.lens_of_photo[photo])
        return np.concatenate(
            [POSE * photo + np.arange(POSE), first + np.arange(LENS)], dtype=np.int64
        )


def lay_out(network: Network) -> Layout:
    """Layout of a network.

    Raises
    ------
    ValueError
        A point is observed twice in one photograph.
    """
    n_photos, n_lenses, n_points = len(network.poses), len(network.lenses), len(network.points)
    bars, sightings = network.distances, network.sightings
    joint = np.unique(
        np.concatenate(
            [
                network.joint,
                bars.corners_a.ravel(),
                bars.corners_b.ravel(),
                sightings.corners.ravel(),
            ]
        ).astype(np.int64)
    )
    column_of_point = np.full(n_points, -1, np.int64)
    column_of_point[joint] = POSE * n_photos + LENS * n_lenses + 3 * np.arange(len(joint))
    _refuse_doubles(network)
    is_joint = column_of_point[network.seen.point] >= 0
    single_order = np.flatnonzero(is_joint)
    free = _free(network, np.flatnonzero(~is_joint))
    free_of_point = np.full(n_points, -1, np.int64)
    free_of_point[free.point] = np.arange(len(free.point))
    held_lens = np.array([prior.sigma == 0.0 for prior in network.lens_priors]).reshape(-1, LENS)
    groups = (
        _target_group(network, column_of_point),
        _single_group(network, column_of_point, single_order),
    )
    return Layout(
        lens_of_photo=network.lens_of_photo,
        n_photos=n_photos,
        n_lenses=n_lenses,
        joint=joint,
        column_of_point=column_of_point,
        free_of_point=free_of_point,
        held=POSE * n_photos + np.flatnonzero(held_lens),
        held_lens=held_lens,
        groups=groups,
        single_order=single_order,
        free=free,
    )


def _take(seen: ImageObservations, rows: Rows) -> ImageObservations:
    return ImageObservations(
        seen.photo[rows], seen.point[rows], seen.pixel[rows], seen.cov_px2[rows]
    )


def _refuse_doubles(network: Network) -> None:
    sightings = network.sightings
    photo = np.concatenate([network.seen.photo, np.repeat(sightings.photo, 4)])
    point = np.concatenate([network.seen.point, sightings.corners.ravel()])
    key = photo * max(len(network.points), 1) + point
    if len(np.unique(key)) != len(key):
        raise ValueError("a point is observed twice in one photograph")


def _camera_columns(network: Network, photo: Rows) -> tuple[Rows, Rows]:
    pose = POSE * photo[:, None] + np.arange(POSE)
    first = POSE * len(network.poses) + LENS * network.lens_of_photo[photo]
    return pose, first[:, None] + np.arange(LENS)


def _target_group(network: Network, column_of_point: Rows) -> Group:
    s = network.sightings
    n = len(s.photo)
    seen = ImageObservations(
        np.repeat(s.photo, 4), s.corners.ravel(), s.pixel.reshape(-1, 2), np.zeros((4 * n, 2, 2))
    )
    points = (column_of_point[s.corners][:, :, None] + np.arange(3)).reshape(n, 12)
    columns = np.concatenate([*_camera_columns(network, s.photo), points], axis=1)
    roots = np.linalg.inv(np.linalg.cholesky(s.cov_px2)) if n else np.zeros((0, 8, 8))
    return Group(4, seen, roots, columns)


def _single_group(network: Network, column_of_point: Rows, rows: Rows) -> Group:
    seen = _take(network.seen, rows)
    points = column_of_point[seen.point][:, None] + np.arange(3)
    columns = np.concatenate([*_camera_columns(network, seen.photo), points], axis=1)
    return Group(1, seen, whitener(seen.cov_px2), columns)


def _free(network: Network, rows: Rows) -> Free:
    order, point = _by_photographs(network, rows)
    seen = _take(network.seen, order)
    lens = network.lens_of_photo[seen.photo]
    new_point = np.ones(len(order), np.bool_)
    new_point[1:] = np.diff(seen.point) != 0
    new_run = new_point.copy()
    new_run[1:] |= np.diff(lens) != 0
    pose_columns, lens_columns = _camera_columns(network, seen.photo)
    return Free(
        point=point,
        seen=seen,
        order=order,
        whitener=whitener(seen.cov_px2),
        index=np.cumsum(new_point) - 1,
        starts=np.flatnonzero(new_point),
        lens=lens,
        lens_starts=np.flatnonzero(new_run),
        pose_columns=np.ascontiguousarray(pose_columns.T),
        lens_columns=np.ascontiguousarray(lens_columns.T),
        rows_of_photo=tuple(
            np.flatnonzero(seen.photo == photo) for photo in range(len(network.poses))
        ),
    )


def _by_photographs(network: Network, rows: Rows) -> tuple[Rows, Rows]:
    """Order of the observations, and of the points: by the photographs that see each point.

    Points seen by the same photographs come together; within a point by lens and photograph.
    """
    point, photo = network.seen.point[rows], network.seen.photo[rows]
    order = np.lexsort((photo, network.lens_of_photo[photo], point))
    rows, point, photo = rows[order], point[order], photo[order]
    unique, starts, index = np.unique(point, return_index=True, return_inverse=True)
    if len(unique) == 0:
        return rows, unique
    count = np.diff(np.append(starts, len(point)))
    lowest = np.minimum.reduceat(photo, starts)
    highest = np.maximum.reduceat(photo, starts)
    middle = photo[starts + count // 2]
    rank = np.empty(len(unique), np.int64)
    by_photo = np.lexsort((unique, highest, middle, lowest))
    rank[by_photo] = np.arange(len(unique))
    again = np.argsort(rank[index], kind="stable")
    return rows[again], unique[by_photo]
