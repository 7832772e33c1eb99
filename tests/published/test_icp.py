"""Uncertainty of a fit to a surface: the claim against the scatter of repeats.

Least-squares covariance, JCGM 100 (GUM) H.3 and clause 5: predicted over observed standard
deviation of the six unknowns. A plain least-squares fit lies within 0.75 to 1.33 in 60 repeats;
one-sided weights leave out half of the outer noise, so that the claim may only be larger: up
to 1.9.
"""

from __future__ import annotations

import numpy as np
import open3d as o3d

from tracker.alignment.finished import gather
from tracker.alignment.refine import fit_stone
from tracker.surface import Surface, sample_surface


def test_claimed_sigmas_match_the_scatter_of_repeats() -> None:
    ball = o3d.geometry.TriangleMesh.create_sphere(1.0, resolution=24)
    v = np.asarray(ball.vertices)
    bumps = 1.0 + 0.2 * np.sin(3.0 * v[:, :1]) * np.cos(4.0 * v[:, 1:2]) + 0.1 * v[:, 2:] ** 3
    model = Surface(
        v * bumps * np.array([90.0, 60.0, 110.0]), np.asarray(ball.triangles).astype(np.int64)
    )
    places = sample_surface(model, 11.0)
    rng = np.random.default_rng(5)
    motions, claims = [], []
    for _ in range(40):
        noise = rng.normal(0.0, 0.2, len(places.points))
        points = places.points + places.normals * noise[:, None]
        regions = gather(points, places.normals, np.full(len(points), 0.2), model)
        fit = fit_stone(regions, model, finish_mm=1e-6)
        motions.append(fit.motion)
        claims.append(np.sqrt(np.diag(fit.covariance)))
    ratio = np.mean(claims, axis=0) / np.std(motions, axis=0, ddof=1)
    assert np.all(ratio > 0.75)
    assert np.all(ratio < 1.9)
