"""Volume, area and Euler number of closed meshes from elsewhere.

Meshes: npm `bunny` 1.0.1 (public domain), and nut.ply, sphere.ply, ant.ply of PyPI pyvista 0.49.1
(pyvista/examples). Figures: two or more of trimesh, vtk, libigl and manifold3d gave the same to
eight digits; trimesh is asked again here. The nut has one hole through it (Euler number 0), the
ant is fifteen closed bodies (30).
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh

from tracker.comparison.volume import count_open_edges, solid_volume_mm3
from tracker.records.model_import import import_model
from tracker.surface import Surface

MESHES = Path(sys.prefix) / "share" / "meshes"
PRINTED = [
    # name, vertices, faces, volume, area, Euler number
    ("bunny.js", 1839, 3674, 194.288372, 218.689271, 2),
    ("nut.ply", 523, 1046, 32171.3222, 8977.64907, 0),
    ("sphere.ply", 422, 840, 8425174.0, 200887.719, 2),
    ("ant.ply", 486, 912, 482.143628, 904.898446, 30),
]


def surface(name: str) -> Surface:
    """A mesh with outward triangles."""
    path = MESHES / name
    if name.endswith(".js"):
        text = path.read_text(encoding="utf-8")
        vertices, faces = (
            json.loads(re.search(rf"exports\.{word}=(\[\[.*?\]\])", text)[1])  # type: ignore[index]
            for word in ("positions", "cells")
        )
    else:
        mesh = trimesh.load(path, process=False)
        assert isinstance(mesh, trimesh.Trimesh)
        vertices, faces = mesh.vertices, mesh.faces
    made = Surface(np.array(vertices, dtype=float), np.array(faces, dtype=np.int64))
    if trimesh.Trimesh(made.vertices, made.faces, process=False).volume < 0.0:
        made = Surface(made.vertices, made.faces[:, ::-1].copy())
    return made


@pytest.mark.parametrize(("name", "corners", "faces", "volume", "area", "euler"), PRINTED)
def test_figures_that_several_libraries_share(
    name: str, corners: int, faces: int, volume: float, area: float, euler: int
) -> None:
    found = surface(name)
    assert (len(found.vertices), len(found.faces)) == (corners, faces)
    assert count_open_edges(found) == 0
    assert solid_volume_mm3(found) == pytest.approx(volume, rel=1e-7)
    assert found.face_areas_mm2.sum() == pytest.approx(area, rel=1e-8)
    again = trimesh.Trimesh(found.vertices, found.faces, process=False)
    assert solid_volume_mm3(found) == pytest.approx(again.volume, rel=1e-8)
    assert found.face_areas_mm2.sum() == pytest.approx(again.area, rel=1e-8)
    assert again.euler_number == euler


def test_an_imported_mesh_keeps_its_volume(tmp_path: Path) -> None:
    """Through a file, and inside out on the way."""
    given = surface("nut.ply")
    path = tmp_path / "nut.stl"
    trimesh.Trimesh(given.vertices, given.faces[:, ::-1], process=False).export(path)
    result = import_model(path, "mm")
    assert result.closed
    assert any("inside out" in note for note in result.notes)
    assert solid_volume_mm3(result.surface) == pytest.approx(32171.3222, rel=1e-5)
