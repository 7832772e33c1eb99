"""Signed distance to a surface: size, sign, and what facets do to it.

Sources: box of 100 x 80 x 60 mm, distances by geometry (tolerance 5e-5 for the float32 of the
ray structure); trimesh's closest point and a winding number as a second way (inside is negative
here); ball of radius 100 mm as icosphere of 20,480 facets, stone at 101.5 mm: mean 1.518, least
1.500, most 1.528 mm, tolerance 0.002.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from tracker.comparison.cloud_needle import StonePoints, readings_from_cloud
from tracker.maths.camera import Array
from tracker.surface import Surface


def surface_of(mesh: trimesh.Trimesh) -> Surface:
    return Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))


@pytest.mark.parametrize(
    ("point", "inside_positive"),
    [
        ((0, 0, 0), 30.0),
        ((50, 0, 0), 0.0),
        ((60, 0, 0), -10.0),
        ((60, 50, 0), -14.1421),
        ((60, 50, 40), -17.3205),
        ((49, 39, 29), 1.0),
        ((-53, -44, -30), -5.0),
    ],
)
def test_box(point: tuple[float, float, float], inside_positive: float) -> None:
    box = surface_of(trimesh.creation.box((100.0, 80.0, 60.0)))
    found = box.signed_distance_mm(np.array([point], float))[0]
    assert found == pytest.approx(-inside_positive, abs=5e-5)


def test_agrees_with_a_second_library_inside_and_out() -> None:
    rng = np.random.default_rng(1)
    mesh = trimesh.creation.icosphere(3, 1.0)
    mesh.vertices *= 1.0 + 0.25 * np.sin(4.0 * mesh.vertices[:, [0]]) * mesh.vertices[:, [2]]
    mesh.vertices *= np.array([70.0, 50.0, 90.0])
    points = rng.uniform(-110.0, 110.0, (200, 3))
    ours = surface_of(mesh).signed_distance_mm(points)
    corners = np.asarray(mesh.triangles, float)
    for row, point in enumerate(points):
        nearest = trimesh.triangles.closest_point(corners, np.tile(point, (len(corners), 1)))
        theirs = np.linalg.norm(nearest - point, axis=1).min()
        assert abs(ours[row]) == pytest.approx(theirs, abs=2e-4)
        assert (ours[row] < 0) == (winding_number(corners - point) > 0.5)


def winding_number(corners: Array) -> float:
    """Share of the full solid angle that the triangles (n, 3, 3) take up, seen from the origin.

    A. Van Oosterom and J. Strackee, IEEE Transactions on Biomedical Engineering 30 (1983).
    """
    a, b, c = (corners[:, k] for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    triple = np.einsum("nd,nd->n", a, np.cross(b, c))
    below = la * lb * lc + (a * b).sum(1) * lc + (b * c).sum(1) * la + (c * a).sum(1) * lb
    return float(2.0 * np.arctan2(triple, below).sum() / (4.0 * np.pi))


def test_facet_bias_of_a_ball() -> None:
    ball = surface_of(trimesh.creation.icosphere(5, 100.0))
    directions = np.random.default_rng(2).normal(size=(4000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    found = ball.signed_distance_mm(101.5 * directions)
    assert found.mean() == pytest.approx(1.518, abs=0.002)
    assert found.min() == pytest.approx(1.500, abs=0.002)
    assert found.max() == pytest.approx(1.528, abs=0.002)


def test_stone_left_and_closest_distance_have_the_facet_bias_and_no_other() -> None:
    ball = surface_of(trimesh.creation.icosphere(5, 100.0))
    directions = np.random.default_rng(3).normal(size=(20000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    cloud = StonePoints(
        101.5 * directions, directions, np.full(20000, 0.01), np.zeros((20000, 3, 3)),
        np.full(20000, 3),
    )  # fmt: skip
    middle = ball.vertices[ball.faces].mean(axis=1)[::40]
    found = readings_from_cloud(
        cloud, ball, middle, middle / np.linalg.norm(middle, axis=1, keepdims=True),
        np.full(len(middle), 3), cov_rigid=np.zeros((6, 6)), model_tolerance_mm=0.0,
    )  # fmt: skip
    assert found.seen.mean() > 0.95
    sagitta = 100.0 - np.linalg.norm(middle, axis=1)
    expected = (1.5 + sagitta)[found.seen]
    assert found.stone_left_mm[found.seen] == pytest.approx(expected, abs=0.01)
    assert found.closest_mm[found.seen] == pytest.approx(expected, abs=0.01)
