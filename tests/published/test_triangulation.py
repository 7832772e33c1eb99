"""Depth from two photographs against published stereo truth.

Data: scikit-image's motorcycle pair (Middlebury 2014, calibration in its docstring: f 994.978 px,
base 193.001 mm, doffs 31.086 px), Z = f B / (d + doffs): 2110.4 to 5016.9 mm, median 2750.4 mm.
Precision: sd(Z) = Z^2 / (f B) sqrt(2) s (Luhmann et al., Close-Range Photogrammetry, normal case).
"""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data

from tracker.cloud.patch_match import find_template, gaussian_window, make_template, soften
from tracker.cloud.tracks import meet, point_covariances, sights
from tracker.maths.camera import Array, Lens, Pose, project

FOCAL_PX, BASE_MM, DOFFS_PX = 994.978, 193.001, 31.086
CX, CY = 311.193, 254.877


def depth_of(x: Array, y: Array, disparity: Array) -> Array:
    """Depth by our own rays, mm, of pixels and disparities of the left photograph."""
    lenses = [Lens(FOCAL_PX, CX, CY), Lens(FOCAL_PX, CX + DOFFS_PX, CY)]
    poses = [Pose(np.eye(3), np.zeros(3)), Pose(np.eye(3), np.array([-BASE_MM, 0.0, 0.0]))]
    n = len(x)
    pixel = np.stack([np.stack([x, y], 1), np.stack([x - disparity, y], 1)], axis=1)
    photo, point = np.tile([0, 1], n), np.repeat(np.arange(n), 2)
    rays = sights(photo, pixel.reshape(-1, 2), lenses, poses)
    return meet(rays, point, np.ones(2 * n), n)[:, 2]


def test_rays_give_the_published_depths() -> None:
    _, _, disparity = skimage.data.stereo_motorcycle()
    y, x = np.nonzero(np.isfinite(disparity))
    d = disparity[y, x].astype(float)
    some = np.unique(np.concatenate([np.arange(0, len(d), 5), [np.argmin(d), np.argmax(d)]]))
    x, y, d = x[some], y[some], d[some]
    Z = depth_of(x.astype(float), y.astype(float), d)
    assert np.max(np.abs(Z - FOCAL_PX * BASE_MM / (d + DOFFS_PX))) < 0.1
    assert Z.min() == pytest.approx(2110.4, abs=0.1)
    assert Z.max() == pytest.approx(5016.9, abs=0.1)
    assert np.median(Z) == pytest.approx(2750.4, abs=0.5)


def test_patches_measure_the_published_depths() -> None:
    left, right, disparity = skimage.data.stereo_motorcycle()
    gray = [
        soften(np.rint(np.asarray(p, float).mean(axis=2)).astype(np.uint8)) for p in (left, right)
    ]
    y, x = np.mgrid[12:488:6, 110:728:6]
    at = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    d = disparity[y.ravel(), x.ravel()].astype(float)
    corners = ((-6, -6), (-6, 6), (6, -6), (6, 6))
    near = np.stack([disparity[y.ravel() + dy, x.ravel() + dx] for dy, dx in corners])
    known = np.isfinite(d) & np.all(np.isfinite(near), axis=0)
    at, d, near = at[known], d[known], near[:, known]
    flat = np.all(np.abs(near - d) < 1.0, axis=0)
    at, d = at[flat], d[flat]
    window = gaussian_window(7, 3.0)
    start = at - np.stack([d, np.zeros_like(d)], axis=1)
    start[:, 0] += np.random.default_rng(0).uniform(-1.0, 1.0, len(d))
    found = find_template(
        gray[1],
        make_template(gray[0], at, window),
        start,
        np.broadcast_to(np.eye(2), (len(at), 2, 2)),
        window,
    )
    sure = np.trace(found.cov_px2, axis1=1, axis2=2) < 2 * 0.05**2
    good = found.settled & (found.likeness > 0.9) & sure
    assert good.sum() > 300
    measured = at[good, 0] - found.pixel[good, 0]
    Z = depth_of(at[good, 0], at[good, 1], measured)
    truth = FOCAL_PX * BASE_MM / (d[good] + DOFFS_PX)
    assert np.median(np.abs(Z / truth - 1.0)) < 0.005
    assert np.mean(np.abs(measured - d[good]) > 2.0) < 0.08


@pytest.mark.parametrize(("depth_mm", "sd_mm"), [(1000.0, 0.2357), (2000.0, 0.9428)])
def test_depth_precision_of_the_normal_case(depth_mm: float, sd_mm: float) -> None:
    lens = Lens(3000.0, 2000.0, 1500.0)
    poses = [Pose(np.eye(3), np.array([k * 200.0, 0.0, 0.0])) for k in (1, -1)]
    n, s = 12_000, 0.2
    points = np.repeat([[0.0, 0.0, depth_mm]], n, axis=0)
    photo, point = np.tile([0, 1], n), np.repeat(np.arange(n), 2)
    exact = np.stack([project(lens, p, points)[0] for p in poses], axis=1).reshape(-1, 2)
    noisy = exact + np.random.default_rng(3).normal(0.0, s, exact.shape)
    met = meet(sights(photo, noisy, [lens, lens], poses), point, np.ones(2 * n), n)
    assert met[:, 2].std() == pytest.approx(sd_mm, rel=0.02)
    cov = point_covariances(photo[:2], point[:2], np.full(2, s), [lens, lens], poses, points[:1])
    assert np.sqrt(cov[0, 2, 2]) == pytest.approx(sd_mm, rel=0.02)
