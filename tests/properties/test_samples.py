"""Samples of a surface: the same however they are portioned, in little memory."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import trimesh

from tracker import surface
from tracker.surface import Surface, sample_surface


def ring() -> Surface:
    mesh = trimesh.creation.torus(60.0, 9.0)
    return Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))


def test_portions_do_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = sample_surface(ring(), 2.0)
    monkeypatch.setattr(surface, "PORTION", 1700)
    parts = sample_surface(ring(), 2.0)
    for name in ("points", "normals", "area_mm2", "face"):
        assert np.array_equal(getattr(whole, name), getattr(parts, name)), name
    assert whole.area_mm2.sum() == pytest.approx(ring().face_areas_mm2.sum(), rel=1e-12)


def test_memory_is_a_few_numbers_per_place_tried() -> None:
    model = ring()
    model.face_areas_mm2, model.vertex_normals  # noqa: B018 - kept by the surface, not the samples
    tracemalloc.start()
    try:
        sample_surface(model, 0.8)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    tried = 24.0 * model.face_areas_mm2.sum() / 0.8**2
    assert tried > 3.0 * surface.PORTION
    assert peak < 80.0 * tried
