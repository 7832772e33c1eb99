"""Holes told by size and place."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from tests.forms import BALL_MM, shell_with_hole, surface_of
from tracker.records.mesh_holes import hole_words, holes_of


def test_a_cap_that_is_missing() -> None:
    surface = shell_with_hole()  # a ball without what lies above z = 60
    (hole,) = holes_of(surface)
    # radius of the rim: sqrt(100^2 - 60^2) = 80; whole triangles are missing, so it lies lower
    assert hole.across_mm == pytest.approx(160.0, abs=12.0)
    np.testing.assert_allclose(hole.middle, [0.0, 0.0, 60.0], atol=5.0)
    assert hole.middle[2] <= 60.0
    assert "mm across at" in hole_words(surface)[0]


def test_two_holes_of_different_size_the_larger_first() -> None:
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=BALL_MM)
    z = np.asarray(mesh.triangles)[:, :, 2]
    mesh.update_faces((z.max(axis=1) < 60.0) & (z.min(axis=1) > -90.0))
    mesh.remove_unreferenced_vertices()
    large, small = holes_of(surface_of(mesh))
    assert large.middle[2] > 50.0
    assert small.middle[2] < -80.0
    assert large.across_mm > 1.5 * small.across_mm


def test_no_hole_no_word() -> None:
    assert hole_words(surface_of(trimesh.creation.icosphere(2, BALL_MM))) == ()
