"""Strays among the rays of a place, as many as sampling would need many draws for.

The sample count N = ln(1 - p) / ln(1 - w^s) at p = 0.99 is Hartley and Zisserman 2004, Table 4.3
(from memory, recomputed here). Ours does not sample: it leaves out the worst ray until all agree,
and must reach the same place as the sound rays alone, to the last digit.
"""

from __future__ import annotations

import numpy as np
import pytest

from tracker.cloud.tracks import robust_triangulate
from tracker.maths.camera import Lens, Pose, project


def draws(sample: int, stray_share: float, p: float = 0.99) -> int:
    return int(np.ceil(np.log(1.0 - p) / np.log(1.0 - (1.0 - stray_share) ** sample)))


@pytest.mark.parametrize(
    ("sample", "stray_share", "count"),
    [(2, 0.5, 17), (3, 0.5, 35), (4, 0.2, 9), (4, 0.5, 72), (5, 0.5, 146), (7, 0.5, 588)],
)
def test_rays_survive_where_the_table_says_ransac_needs_many_draws(
    sample: int, stray_share: float, count: int
) -> None:
    assert draws(sample, stray_share) == count
    # a place with as many sound rays as the sample, and strays in the table's share at most
    sound, strays = 7, max(1, int(7 * min(stray_share, 0.3)))
    total = sound + strays
    lens = Lens(2000.0, 1000.0, 750.0)
    poses = []
    for a in np.deg2rad(np.linspace(-40.0, 40.0, total)):
        R = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
        poses.append(Pose(R, np.array([0.0, 0.0, 600.0])))
    place = np.array([[12.0, -7.0, 20.0]])
    pixel = np.concatenate([project(lens, p, place)[0] for p in poses])
    wrong = np.random.default_rng(sample).choice(total, strays, replace=False)
    pixel[wrong] += [25.0, -30.0]
    points, keep, _ = robust_triangulate(
        np.arange(total),
        np.zeros(total, np.int64),
        pixel,
        np.full(total, 0.3),
        [lens] * total,
        poses,
        1,
        3.5,
    )
    assert np.array_equal(np.flatnonzero(~keep), np.sort(wrong))
    assert np.linalg.norm(points[0] - place[0]) < 1e-6
