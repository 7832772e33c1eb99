"""Volumes of closed surfaces and of stone over a model, against exact solids.

Sources: elementary solids (ball, cap, torus, beam); Steiner's formula for a convex body grown
by d, V + A d + M d^2 + 4/3 pi d^3: cube of 100 mm grown by 2 mm 1,123,803.42 mm^3; icosphere
of 20,480 facets: volume 0.999459 and area 0.999701 of the ball's; trimesh as second library.
Euler numbers and the 5 mm^3 / 22 mm^2 beam as printed for common test meshes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh
from skimage.measure import marching_cubes

from tracker.comparison.readings import Readings
from tracker.comparison.volume import count_open_edges, solid_volume_mm3, volume_left
from tracker.errors import MeshError
from tracker.surface import Surface, sample_surface


def surface_of(mesh: Any) -> Surface:
    return Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))


def test_beam_is_exact() -> None:
    beam = surface_of(trimesh.creation.box((1.0, 1.0, 5.0)))
    assert solid_volume_mm3(beam) == pytest.approx(5.0, rel=1e-12)
    assert beam.face_areas_mm2.sum() == pytest.approx(22.0, rel=1e-12)


def test_faceted_ball() -> None:
    ball = surface_of(trimesh.creation.icosphere(5, 100.0))
    assert solid_volume_mm3(ball) / (4e6 / 3.0 * np.pi) == pytest.approx(0.999459, abs=1e-6)
    assert ball.face_areas_mm2.sum() / (4e4 * np.pi) == pytest.approx(0.999701, abs=1e-6)


@pytest.mark.parametrize("shift", [0.0, 5000.0])
def test_agrees_with_a_second_library_wherever_it_lies(shift: float) -> None:
    ring = trimesh.creation.torus(80.0, 20.0, major_sections=96, minor_sections=48)
    ring.apply_translation([shift, -shift, 0.5 * shift])
    assert ring.euler_number == 0
    found = solid_volume_mm3(surface_of(ring))
    assert found == pytest.approx(ring.volume, rel=1e-8)
    assert found == pytest.approx(2.0 * np.pi**2 * 80.0 * 20.0**2, rel=5e-3)


def test_two_bodies_count_together_and_a_hollow_is_taken_off() -> None:
    outer = trimesh.creation.box((200.0, 200.0, 200.0))
    inner = trimesh.creation.icosphere(5, 60.0)
    ball = float(inner.volume)
    inner.invert()
    hollow = surface_of(trimesh.util.concatenate([outer, inner]))
    assert solid_volume_mm3(hollow) == pytest.approx(8e6 - ball, rel=1e-8)


def test_cap_of_a_ball() -> None:
    rim = np.linspace(0.0, np.arccos(0.6), 200)
    profile = np.column_stack([100.0 * np.sin(rim), 100.0 * np.cos(rim)])
    profile = np.vstack([profile, [[0.0, 60.0]]])[::-1]
    cap = surface_of(trimesh.creation.revolve(profile, sections=720))
    assert solid_volume_mm3(cap) == pytest.approx(435634.18, rel=3e-4)


def test_halves_add_up() -> None:
    rng = np.random.default_rng(1)
    whole = trimesh.creation.icosphere(3, 40.0)
    whole.vertices *= 1.0 + 0.1 * rng.random((len(whole.vertices), 1))
    low, high = (
        trimesh.creation.box(bounds=[[-60, -60, a], [60, 60, b]]) for a, b in ((-60, 5), (5, 60))
    )
    both = solid_volume_mm3(surface_of(low)) + solid_volume_mm3(surface_of(high))
    assert both == pytest.approx(120.0**3, rel=1e-12)
    assert solid_volume_mm3(surface_of(whole)) == pytest.approx(float(whole.volume), rel=1e-12)


def test_open_surface_is_refused_with_its_number_of_open_edges() -> None:
    ball = surface_of(trimesh.creation.icosphere(3, 40.0))
    holed = Surface(ball.vertices, ball.faces[1:])
    assert count_open_edges(holed) == 3
    with pytest.raises(MeshError, match="not closed: 3 edges"):
        solid_volume_mm3(holed)


def test_edge_shared_by_three_triangles_is_refused() -> None:
    box = surface_of(trimesh.creation.box((10.0, 10.0, 10.0)))
    fin = Surface(
        np.vstack([box.vertices, [[0.0, 0.0, 30.0]]]),
        np.vstack([box.faces, [[box.faces[0, 0], box.faces[0, 1], 8]]]),
    )
    with pytest.raises(MeshError, match="not closed: 3 edges"):
        solid_volume_mm3(fin)


def grown(mesh: Any, depth: float) -> float:
    model = surface_of(mesh)
    samples = sample_surface(model, 2.0)
    count = len(samples.points)
    readings = Readings(
        samples.points, samples.normals, np.ones(count, dtype=bool), np.full(count, depth),
        np.zeros(count, dtype=bool), np.full(count, depth), np.zeros((count, 4)),
        np.full(count, 3), np.zeros(count, dtype=np.int64),
    )  # fmt: skip
    return volume_left(model, samples, readings, overcut_below_mm=-0.5).left_mm3


def rounded_cube(side: float, radius: float) -> Any:
    """A cube grown by a radius: a convex body whose Steiner numbers are known."""
    step, reach = 2.0, 0.5 * side + 6.0
    axis = np.arange(-reach, reach + step, step)
    x, y, z = np.meshgrid(axis, axis, axis, indexing="ij")
    off = np.stack([x, y, z], axis=-1)
    off = np.abs(off) - (0.5 * side - radius)
    outside = np.linalg.norm(np.maximum(off, 0.0), axis=-1)
    distance = outside + np.minimum(off.max(axis=-1), 0.0) - radius
    vertices, faces, _, _ = marching_cubes(distance, 0.0, spacing=(step,) * 3)
    return trimesh.Trimesh(vertices - reach, faces)


def test_steiner_for_the_cube_as_printed() -> None:
    edge, d = 100.0, 2.0
    steiner = edge**3 + 6 * edge**2 * d + 3 * np.pi * edge * d**2 + 4 / 3 * np.pi * d**3
    assert steiner == pytest.approx(1123803.42, abs=0.01)


def test_stone_left_over_a_convex_body_is_steiners() -> None:
    inner, radius, d = 60.0, 10.0, 8.0

    def steiner(r: float) -> float:
        # a cube of side `inner` grown by r
        return float(inner**3 + 6 * inner**2 * r + 3 * np.pi * inner * r**2 + 4 / 3 * np.pi * r**3)

    exact = steiner(radius + d) - steiner(radius)
    assert grown(rounded_cube(inner + 2 * radius, radius), d) == pytest.approx(exact, rel=0.01)


def test_thin_stone_is_area_times_thickness() -> None:
    ball = trimesh.creation.icosphere(5, 60.0)
    assert grown(ball, 0.01) == pytest.approx(0.01 * float(ball.area), rel=1e-3)
