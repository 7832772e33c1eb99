"""Models that people hand in: mended and said, or refused with what to do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from tests.job_files import CENTRE, RADIUS_MM, SEATS_FRAME, ball, ball_surface, frame
from tracker.errors import InputError, MeshError
from tracker.records.model_fit import check_against_frame
from tracker.records.model_import import (
    ModelImport,
    import_model,
    parse_scale,
)
from tracker.surface import Surface

TURN = Rotation.from_rotvec([1.0, 2.0, 0.5]).as_matrix()
SHIFT = np.array([900.0, -500.0, 30.0])


def export(path: Path, mesh: trimesh.Trimesh | trimesh.PointCloud) -> Path:
    mesh.export(path)
    return path


def noted(result: ModelImport, word: str) -> bool:
    return any(word in note for note in result.notes)


def outward(surface: Surface) -> bool:
    arms = surface.vertices[surface.faces].mean(axis=1) - CENTRE
    return bool(np.all(np.einsum("nd,nd->n", arms, surface.face_normals) > 0.0))


def moved_ball() -> trimesh.Trimesh:
    mesh = ball()
    mesh.vertices = np.asarray(mesh.vertices) @ TURN.T + SHIFT
    return mesh


@pytest.mark.parametrize("kind", ["stl", "obj", "ply", "glb", "gltf"])
def test_formats_by_content(tmp_path: Path, kind: str) -> None:
    source = tmp_path / f"ball.{kind}"
    if kind == "gltf":
        for name, data in trimesh.exchange.gltf.export_gltf(trimesh.Scene(ball())).items():
            (tmp_path / name.replace("model.gltf", "ball.gltf")).write_bytes(data)
    else:
        export(source, ball())
    result = import_model(source, "mm", frame=frame())
    assert result.closed
    assert outward(result.surface)
    assert result.notes == ()
    low, high = result.surface.box
    np.testing.assert_allclose(low, CENTRE - RADIUS_MM, atol=1e-4)
    np.testing.assert_allclose(high, CENTRE + RADIUS_MM, atol=1e-4)
    wrong = source.rename(tmp_path / "ball.xyz")
    assert noted(import_model(wrong, "mm", frame=frame()), f"in truth a {kind.upper()} file")


def test_text_stl(tmp_path: Path) -> None:
    path = tmp_path / "ball.stl"
    path.write_text(trimesh.exchange.stl.export_stl_ascii(ball()))
    assert import_model(path, frame=frame()).closed


@pytest.mark.parametrize(
    ("mm", "words", "option"),
    [(1000.0, "metres", "m"), (25.4, "inches", "inch"), (10.0, "centimetres", "cm")],
)
def test_other_units_are_told_by_the_size(
    tmp_path: Path, mm: float, words: str, option: str
) -> None:
    # one inch is 25.4 mm exactly (international yard and pound agreement, 1959)
    mesh = ball()
    mesh.apply_scale(1.0 / mm)
    path = export(tmp_path / "ball.stl", mesh)
    with pytest.raises(MeshError, match="impossible beside a frame of") as caught:
        import_model(path, frame=frame())
    assert words in caught.value.hint
    assert f"--units {option}" in caught.value.hint
    result = import_model(path, option, frame=frame())
    np.testing.assert_allclose(np.ptp(result.surface.vertices, axis=0), 200.0, atol=1e-3)


def test_wrong_unit_given(tmp_path: Path) -> None:
    path = export(tmp_path / "ball.stl", ball())
    with pytest.raises(MeshError, match="with --units inch") as caught:
        import_model(path, "inch", frame=frame())
    assert "--units mm" in caught.value.hint
    with pytest.raises(InputError, match="furlong is no known unit"):
        import_model(path, "furlong")


def test_gltf_is_in_metres_by_its_standard(tmp_path: Path) -> None:
    # glTF 2.0, section 3.4: the units for all linear distances are metres
    mesh = ball()
    mesh.apply_scale(0.001)
    result = import_model(export(tmp_path / "ball.glb", mesh), frame=frame())
    np.testing.assert_allclose(np.ptp(result.surface.vertices, axis=0), 200.0, atol=1e-3)
    assert noted(result, "as m, as the format's standard says")


def test_impossible_size_without_a_frame(tmp_path: Path) -> None:
    mesh = ball()
    mesh.apply_scale(0.001)
    with pytest.raises(MeshError, match="impossible for a carving"):
        import_model(export(tmp_path / "ball.stl", mesh))
    result = import_model(export(tmp_path / "big.stl", ball()))
    assert noted(result, "could not be checked")


def test_frame_that_comes_after_the_model_is_checked_too() -> None:
    small = Surface(ball_surface().vertices / 10.0, ball_surface().faces)
    check_against_frame(ball_surface(), frame())
    with pytest.raises(MeshError, match="impossible beside a frame"):
        check_against_frame(small, frame())


@pytest.mark.parametrize("text", [b"", b"hello", b"solid hello", b"{}", b"v 1 2"])
def test_no_mesh(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "ball.obj"
    path.write_bytes(text)
    with pytest.raises(MeshError) as caught:
        import_model(path)
    assert "ball.obj" in caught.value.message
    assert caught.value.hint


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(MeshError, match="cannot be opened"):
        import_model(tmp_path / "none.stl")


@pytest.mark.parametrize("kind", ["stl", "ply", "glb"])
def test_cut_short(tmp_path: Path, kind: str) -> None:
    path = export(tmp_path / f"ball.{kind}", ball())
    path.write_bytes(path.read_bytes()[:6000])
    with pytest.raises(MeshError, match="cut short or damaged"):
        import_model(path, "mm")


def test_points_are_no_surface(tmp_path: Path) -> None:
    path = export(tmp_path / "cloud.ply", trimesh.PointCloud(ball().vertices))
    with pytest.raises(MeshError, match="only points, no triangles"):
        import_model(path)


def test_triangles_without_area_or_coordinates(tmp_path: Path) -> None:
    path = tmp_path / "line.obj"
    path.write_text("v 0 0 0\nv 200 0 0\nv 100 0 0\nv nan 1 2\nf 1 2 3\nf 1 2 4\n")
    with pytest.raises(MeshError, match="holds no surface"):
        import_model(path)
    path.write_text("v 0 0 0\nv 200 0 0\nv 200 200 0\nf 1 2 9\n")
    with pytest.raises(MeshError):
        import_model(path)


def test_dirt_is_left_out_and_said(tmp_path: Path) -> None:
    mesh = ball()
    faces = np.concatenate([mesh.faces, mesh.faces[:3], [[5, 5, 9]]])
    soup = trimesh.Trimesh(mesh.vertices, faces, process=False)
    result = import_model(export(tmp_path / "dirty.ply", soup), frame=frame())
    assert noted(result, "1 triangles without area")
    assert noted(result, "3 triangles that were there twice")
    assert len(result.surface.faces) == len(mesh.faces)
    assert result.closed


def test_inside_out_is_turned_and_said(tmp_path: Path) -> None:
    mesh = ball()
    mesh.invert()
    result = import_model(export(tmp_path / "ball.ply", mesh), frame=frame())
    assert outward(result.surface)
    assert noted(result, "inside out and was turned")


def test_mixed_sides_are_turned_and_said(tmp_path: Path) -> None:
    faces = ball().faces.copy()
    faces[::7] = faces[::7, ::-1]
    mixed = trimesh.Trimesh(ball().vertices, faces, process=False)
    result = import_model(export(tmp_path / "ball.ply", mixed), frame=frame())
    assert outward(result.surface)
    assert noted(result, f"{len(faces[::7])} triangles faced the wrong way")


@pytest.mark.parametrize("inside_out", [False, True])
def test_holes_are_tolerated_and_said(tmp_path: Path, inside_out: bool) -> None:
    mesh = ball()
    keep = mesh.triangles_center[:, 2] > CENTRE[2] - 80.0  # the base is open
    faces = mesh.faces[keep][:, :: -1 if inside_out else 1]
    shell = trimesh.Trimesh(mesh.vertices, faces, process=False)
    result = import_model(export(tmp_path / "ball.ply", shell), frame=frame())
    assert not result.closed
    assert noted(result, "holes")
    assert outward(result.surface)
    assert noted(result, "inside out") == inside_out


def test_crowded_edges_are_said(tmp_path: Path) -> None:
    mesh = ball()
    extra = np.append(mesh.vertices, [CENTRE + [0, 0, 130.0]], axis=0)
    fin = np.append(mesh.faces, [[mesh.faces[0, 0], mesh.faces[0, 1], len(extra) - 1]], axis=0)
    crowded = trimesh.Trimesh(extra, fin, process=False)
    assert noted(import_model(export(tmp_path / "b.ply", crowded), frame=frame()), "more than two")


def test_seats_bring_the_mesh_into_frame_coordinates(tmp_path: Path) -> None:
    path = export(tmp_path / "ball.ply", moved_ball())
    result = import_model(path, seats=SEATS_FRAME @ TURN.T + SHIFT, frame=frame())
    back = np.sort(result.surface.vertices.round(3), axis=0)
    np.testing.assert_allclose(back, np.sort(ball_surface().vertices.round(3), axis=0), atol=2e-3)


def test_seats_of_the_published_example(tmp_path: Path) -> None:
    # Horn 1987, JOSA A 4(4), section 2: three points make a triad; seats parallel to the axes
    # only move the origin
    seats = np.array([[10.0, 20, 30], [610, 20, 30], [10, 420, 30]])
    result = import_model(export(tmp_path / "ball.ply", ball()), seats=seats)
    mean = result.surface.vertices.mean(axis=0)
    np.testing.assert_allclose(mean, CENTRE - [10.0, 20.0, 30.0], atol=1e-4)


def test_seats_in_the_wrong_order(tmp_path: Path) -> None:
    mesh = moved_ball()
    mesh.vertices = (ball().vertices + [0.0, 0.0, -150.0]) @ TURN.T + SHIFT
    path = export(tmp_path / "ball.ply", mesh)
    seats = SEATS_FRAME @ TURN.T + SHIFT
    above = {
        tag: target._replace(corners_mm=target.corners_mm + [0.0, 0.0, -100.0])
        for tag, target in frame().items()
    }
    import_model(path, seats=seats, frame=above)
    with pytest.raises(MeshError, match="seats in the order 1, 3, 2"):
        import_model(path, seats=seats[[0, 2, 1]], frame=above)


def test_targets_cannot_stand_inside_the_model(tmp_path: Path) -> None:
    mesh = ball()
    mesh.apply_translation([120.0, 100.0, 90.0])  # over the card at (300, 240, 60)
    with pytest.raises(MeshError, match="targets 13 would stand up to"):
        import_model(export(tmp_path / "ball.ply", mesh), frame=frame())


def test_mesh_in_its_own_coordinates_without_seats(tmp_path: Path) -> None:
    path = export(tmp_path / "ball.ply", moved_ball())
    with pytest.raises(MeshError, match="not in frame coordinates") as caught:
        import_model(path, frame=frame())
    assert "--seats" in caught.value.hint
    with pytest.raises(MeshError, match="With these seats"):
        import_model(path, seats=(SEATS_FRAME @ TURN.T + SHIFT) * 0.001, frame=frame())
    with pytest.raises(MeshError, match="on one line"):
        import_model(path, seats=np.outer([0.0, 1.0, 2.0], [1.0, 1.0, 1.0]), frame=frame())


@pytest.mark.parametrize(
    ("text", "factor"), [("2", 2.0), ("0.5", 0.5), ("3:2", 1.5), ("1/4", 0.25), (" 3 : 2 ", 1.5)]
)
def test_scale(text: str, factor: float) -> None:
    assert parse_scale(text) == factor


@pytest.mark.parametrize("text", ["", "0", "3:0", "-1", "1,5", "two", "1:2:3", "nan", "inf"])
def test_no_scale(text: str) -> None:
    with pytest.raises(InputError, match="is no scale") as caught:
        parse_scale(text)
    assert "3:2" in caught.value.hint


def test_enlarging(tmp_path: Path) -> None:
    mesh = ball()
    mesh.apply_scale(0.5)
    path = export(tmp_path / "maquette.ply", mesh)
    result = import_model(path, scale=2.0, frame=frame())
    np.testing.assert_allclose(np.ptp(result.surface.vertices, axis=0), 200.0, atol=1e-4)
    with pytest.raises(InputError, match="scale of 5000 is impossible"):
        import_model(path, scale=5000.0)
