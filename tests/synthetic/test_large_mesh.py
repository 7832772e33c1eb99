"""Large scans: thinned in pieces, the same surface within what is said, in bounded memory.

The form is a torus with known radii, whose surface is known exactly: distance to the ring of
radius R in the plane, less r.
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import trimesh

from tracker.records import large_scan
from tracker.records.large_mesh import thin
from tracker.records.large_scan import LargeScan, open_large
from tracker.records.model_import import import_model

RING_MM, TUBE_MM = 90.0, 35.0
STL = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


def torus(around: int, across: int) -> tuple[np.ndarray, np.ndarray]:
    u = 2.0 * np.pi * np.arange(around) / around
    v = 2.0 * np.pi * np.arange(across) / across
    u, v = (grid.ravel() for grid in np.meshgrid(u, v, indexing="ij"))
    out = RING_MM + TUBE_MM * np.cos(v)
    vertices = np.stack([out * np.cos(u), out * np.sin(u), TUBE_MM * np.sin(v)], axis=1)
    i, j = (grid.ravel() for grid in np.meshgrid(range(around), range(across), indexing="ij"))
    here, right = i * across + j, (i + 1) % around * across + j
    up, both = i * across + (j + 1) % across, (i + 1) % around * across + (j + 1) % across
    faces = np.concatenate([np.stack([here, right, both], 1), np.stack([here, both, up], 1)])
    return vertices, faces


def off_torus(points: np.ndarray) -> np.ndarray:
    ring = np.hypot(points[:, 0], points[:, 1]) - RING_MM
    return np.hypot(ring, points[:, 2]) - TUBE_MM


def write_stl(path: Path, vertices: np.ndarray, faces: np.ndarray) -> Path:
    rows = np.zeros(len(faces), STL)
    rows["corners"] = vertices[faces]
    head = b"a scan".ljust(80) + len(faces).to_bytes(4, "little")
    path.write_bytes(head + rows.tobytes())
    return path


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_stl(tmp_path_factory.mktemp("scan") / "torus.stl", *torus(500, 200))


def test_thinned_scan_is_the_same_surface(scan: Path) -> None:
    large = open_large(scan, least=100_000)
    assert large is not None
    assert (large.kind, large.count) == ("stl", 200_000)
    thinned = thin(large, wanted=20_000)
    surface = thinned.surface
    assert 10_000 < len(surface.faces) < 30_000
    assert np.abs(off_torus(surface.vertices)).max() < 0.12
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    # volume and area of a torus: 2 pi^2 R r^2 and 4 pi^2 R r
    assert mesh.volume == pytest.approx(2.0 * np.pi**2 * RING_MM * TUBE_MM**2, rel=2e-3)
    assert mesh.area == pytest.approx(4.0 * np.pi**2 * RING_MM * TUBE_MM, rel=1e-2)


def test_the_said_distance_is_the_true_one(scan: Path) -> None:
    large = open_large(scan, least=100_000)
    assert large is not None
    thinned = thin(large, wanted=20_000)
    vertices, _ = torus(500, 200)
    away = np.linalg.norm(vertices - thinned.surface.nearest(vertices)[0], axis=1)
    assert thinned.rms == pytest.approx(np.sqrt(np.mean(away**2)), rel=0.05)
    assert thinned.most == pytest.approx(np.percentile(away, 99.9), rel=0.1)
    assert 0.0 < thinned.rms < 0.1 < thinned.cell


def test_a_sharp_edge_stays_sharp(tmp_path: Path) -> None:
    box = trimesh.creation.box((100.0, 80.0, 60.0)).subdivide_to_size(2.0)
    path = write_stl(tmp_path / "box.stl", np.asarray(box.vertices), np.asarray(box.faces))
    large = open_large(path, least=1000)
    assert large is not None
    thinned = thin(large, wanted=3000)
    assert len(thinned.surface.faces) < 0.6 * len(box.faces)
    np.testing.assert_allclose(thinned.surface.box[1], [50.0, 40.0, 30.0], atol=0.05)
    np.testing.assert_allclose(thinned.surface.box[0], [-50.0, -40.0, -30.0], atol=0.05)


def test_in_pieces_as_in_one(scan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    large = open_large(scan, least=100_000)
    assert large is not None
    whole = thin(large, wanted=5000)
    monkeypatch.setattr(large_scan, "AT_ONCE", 17_000)
    pieces = thin(large, wanted=5000)
    np.testing.assert_array_equal(pieces.surface.faces, whole.surface.faces)
    np.testing.assert_allclose(pieces.surface.vertices, whole.surface.vertices, atol=1e-6)


def test_memory_is_bounded_by_the_piece(scan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    large = open_large(scan, least=100_000)
    assert large is not None
    monkeypatch.setattr(large_scan, "AT_ONCE", 5000)
    tracemalloc.start()
    thin(large, wanted=2000)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 0.8 * scan.stat().st_size  # 10 MB; a piece of 5000 takes about 4


def test_ply_as_stl(tmp_path: Path, scan: Path) -> None:
    vertices, faces = torus(500, 200)
    path = tmp_path / "torus.ply"
    trimesh.Trimesh(vertices, faces, process=False).export(path)
    large, other = open_large(path, least=100_000), open_large(scan, least=100_000)
    assert large is not None
    assert other is not None
    assert (large.kind, large.count) == ("ply", 200_000)
    ply, stl = thin(large, wanted=5000), thin(other, wanted=5000)
    assert len(ply.surface.faces) == pytest.approx(len(stl.surface.faces), rel=0.02)
    assert ply.rms == pytest.approx(stl.rms, rel=0.05)


def write_ply(path: Path, order: str, after: bytes = b"", sides: int = 3) -> Path:
    """Normals at the corners; at the triangles a colour before them and texture behind."""
    vertices, faces = torus(500, 200)
    corner = [(name, f"{order}f4") for name in ("nx", "x", "y", "ny", "z", "nz")]
    rows = np.zeros(len(vertices), corner)
    for k, axis in enumerate("xyz"):
        rows[axis] = vertices[:, k]
    triangle = np.zeros(
        len(faces),
        [
            ("red", "u1"),
            ("n", "u1"),
            ("rows", f"{order}i4", 3),
            ("m", "u1"),
            ("uv", f"{order}f4", 6),
        ],
    )
    triangle["n"], triangle["rows"], triangle["m"] = 3, faces, 6
    triangle["n"][-1] = sides
    name = "little" if order == "<" else "big"
    head = [
        f"format binary_{name}_endian 1.0",
        "comment made by nobody",
        f"element vertex {len(vertices)}",
        *(f"property float {name}" for name, _ in corner),
        f"element face {len(faces)}",
        "property uchar red",
        "property list uchar int vertex_indices",
        "property list uchar float texcoord",
        *(["element camera 1", "property uchar shut"] if after else []),
    ]
    path.write_bytes(
        "\n".join(["ply", *head, "end_header", ""]).encode()
        + rows.tobytes()
        + triangle.tobytes()
        + after
    )
    return path


def write_text_ply(path: Path, last: str = "3 0 1 2 255") -> Path:
    vertices, faces = torus(500, 200)
    path.write_text(
        f"ply\nformat ascii 1.0\nelement vertex {len(vertices)}\nproperty float x\n"
        f"property float y\nproperty float z\nelement face {len(faces) + 1}\n"
        "property list uchar int vertex_index\nproperty uchar red\nend_header\n"
        + "".join(f"{x:.6f} {y:.6f} {z:.6f}\n" for x, y, z in vertices)
        + "".join(f"3 {a} {b} {c} 7\n" for a, b, c in faces)
        + last
        + "\n"
    )
    return path


def same_triangles(found: LargeScan | None) -> None:
    vertices, faces = torus(500, 200)
    assert found is not None
    np.testing.assert_allclose(
        np.concatenate(list(found.pieces()))[: len(faces)], vertices[faces], atol=1e-4
    )


def test_ply_with_whatever_else_it_carries(tmp_path: Path) -> None:
    for order in "<>":
        same_triangles(open_large(write_ply(tmp_path / "a.ply", order), least=100_000))
    same_triangles(open_large(write_ply(tmp_path / "b.ply", "<", after=b"\x00"), least=100_000))
    same_triangles(open_large(write_text_ply(tmp_path / "c.ply"), least=100_000))


def test_what_cannot_be_read_in_pieces_is_left_to_the_ordinary_reader(tmp_path: Path) -> None:
    quad = write_ply(tmp_path / "quad.ply", "<", sides=4)
    cut = write_ply(tmp_path / "cut.ply", ">")
    cut.write_bytes(cut.read_bytes()[:-3])
    word = write_text_ply(tmp_path / "word.ply", last="3 0 1 none 7")
    mixed = write_text_ply(tmp_path / "mixed.ply", last="4 0 1 2 3 7")
    for path in (quad, cut, word, mixed):
        assert open_large(path, least=100_000) is None, path.name


def test_a_mesh_read_whole_is_thinned_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    vertices, faces = torus(200, 80)
    path = tmp_path / "torus.obj"
    trimesh.Trimesh(vertices, faces, process=False).export(path)
    monkeypatch.setattr("tracker.records.model_import.LARGE", 30_000)
    monkeypatch.setattr("tracker.records.model_import.thin", lambda s: thin(s, 8000))
    result = import_model(path, "mm")
    assert "The scan's 32000 triangles were thinned to" in " ".join(result.notes)
    assert len(result.surface.faces) < 12_000
    assert result.closed


@pytest.mark.parametrize("wanted", [3000, 12_000])
def test_a_closed_scan_stays_closed(wanted: int) -> None:
    """Fine relief folds on the lattice; folds cancel, and no edge is used one way more often."""
    vertices, faces = torus(500, 200)
    relief = np.sin(vertices @ [1.1, 0.7, 0.4]) * np.sin(vertices @ [-0.5, 0.9, 1.2])
    ring = vertices * [1.0, 1.0, 0.0]
    ring *= RING_MM / np.linalg.norm(ring, axis=1, keepdims=True)
    vertices = vertices + 0.01 * relief[:, None] * (vertices - ring)
    found = thin(LargeScan("stl", len(faces), vertices, faces), wanted=wanted).surface.faces
    edges = np.concatenate([found[:, [k, (k + 1) % 3]] for k in range(3)])
    low, high = edges.min(axis=1), edges.max(axis=1)
    _, edge = np.unique(low * (found.max() + 1) + high, return_inverse=True)
    assert not np.bincount(edge, np.where(edges[:, 0] == low, 1.0, -1.0)).any()
    assert len(np.unique(np.sort(found, axis=1), axis=0)) == len(found)


def test_small_or_cut_files_are_left_to_the_ordinary_reader(tmp_path: Path, scan: Path) -> None:
    assert open_large(scan) is None
    cut = tmp_path / "cut.stl"
    cut.write_bytes(scan.read_bytes()[:-20])
    assert open_large(cut, least=100_000) is None


def test_imported_and_said(scan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "tracker.records.model_import.open_large", lambda path: open_large(path, 100_000)
    )
    monkeypatch.setattr("tracker.records.model_import.thin", lambda s: thin(s, 20_000))
    result = import_model(scan, "mm", scale=2.0)
    said = " ".join(result.notes)
    assert "The scan's 200000 triangles were thinned to" in said
    assert "measured, the thinned surface lies within 0." in said
    np.testing.assert_allclose(
        np.ptp(result.surface.vertices, axis=0), [500.0, 500.0, 140.0], atol=0.3
    )
    arms = result.surface.vertices[result.surface.faces].mean(axis=1)
    ring = arms.copy()
    ring[:, 2] = 0.0
    ring *= 2.0 * RING_MM / np.linalg.norm(ring, axis=1, keepdims=True)
    assert np.mean(np.einsum("nd,nd->n", arms - ring, result.surface.face_normals) > 0) > 0.999
