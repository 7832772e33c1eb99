"""The rendered photographs are the truth of other tests: here the truth itself is tested.

Outside checks: target corners against pupil-apriltags (its pixel origin is half a pixel
off, apriltag issue 121) and against half-level crossings of a noise-free picture; camera
against cv2.projectPoints; stone left against spheres of known radius, where the answer is
plain geometry; EXIF numbers against CIPA DC-008 through Pillow.
"""

from __future__ import annotations

import json
import sys
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
import trimesh
from numba import njit
from PIL import Image

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from scripts.scene import truth
from scripts.scene.board import BoardOrder, make_board
from scripts.scene.camera import Station, TrueLens, corner_grid, look, phone, pixels, stations
from scripts.scene.film import Film, save_jpeg, tone_curve
from scripts.scene.forms import FORMS, model_mesh
from scripts.scene.kept import keep_mesh, kept_mesh
from scripts.scene.light import LIGHTS, caster_of, lit_scene
from scripts.scene.meshes import STONE, joined, part, rod, sheet
from scripts.scene.photograph import Darkroom, Stone
from scripts.scene.plaster import CastOrder, make_cast
from scripts.scene.record import write_seats
from scripts.scene.sets import Order, make_block
from scripts.scene.setting import Card, card, card_parts, knocked
from scripts.scene.shade import marked
from scripts.scene.solid import Grid, sampler, surface
from scripts.scene.stone import allowance, drill, hollows
from scripts.scene.tags import modules
from tests.job_files import empty_job
from tracker.pipeline.camera import calibrate_cameras

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"

LENS = TrueLens(900, 700, 1100.0, (455.3, 341.8), (0.08, -0.2, 0.0005, -0.0004, 0.12))


def view() -> Station:
    """A camera 400 mm off, slightly rolled."""
    R, t = look(np.array([120.0, -330.0, 180.0]), np.array([5.0, 0.0, 8.0]), 0.05)
    return Station(R, t, 1)


@pytest.fixture(scope="module")
def room() -> Darkroom:
    """A ball on a table behind four cards, one of them tilted by 55 degrees."""
    ball = trimesh.creation.icosphere(4, 30.0)
    ball.apply_translation([0.0, 60.0, 0.0])
    cards = [
        card(3, "frame", np.array([-50.0, -20.0, 20.0]), np.array([0.2, -1.0, 0.3]), 0.2, 48.0),
        card(17, "frame", np.array([25.0, -20.0, 25.0]), np.array([0.9, -1.0, 0.1]), -0.4, 44.0),
        card(101, "bench", np.array([-20.0, -60.0, -29.0]), np.array([0.0, 0.0, 1.0]), 2.0, 50.0),
        card(586, "spare", np.array([85.0, -60.0, 2.0]), np.array([0.0, -1.0, 0.8]), 0.0, 40.0),
    ]
    table = sheet(
        np.array([-200.0, -200.0, -30.0]), np.array([400.0, 0, 0]), np.array([0, 400.0, 0]), 10.0
    )
    parts = [
        part(ball, STONE, (0.6, 0.6, 0.6)),
        *card_parts(cards),
        part(table, 3, (0.2, 0.1, 0.1)),
    ]
    lit = lit_scene(parts, LIGHTS["window"], np.zeros(3), np.zeros((0, 7)), 1)
    stone = Stone((0.6, 0.6, 0.6), 0.04, 1, np.zeros((0, 7)))
    return Darkroom(lit, cards, LENS, stone, Film(aperture_mm=0.0))


@pytest.fixture(scope="module")
def clean(room: Darkroom) -> np.ndarray:
    """The view as linear light, blurred by the lens alone, without noise."""
    image, depth = room.linear(view(), 5)
    return np.asarray(room.blurred(image, depth, 400.0)[..., 1])


def edge_offsets(image: np.ndarray, which: Card, station: Station) -> np.ndarray:
    """Half-level crossings across the true outer edges of a card, px, outward positive."""
    offsets = []
    corners = which.corners
    reach = np.linspace(-4.0, 4.0, 161)
    middle = pixels(LENS, station, which.centre[None])[0][0]
    for k in range(4):
        a, b = corners[k], corners[(k + 1) % 4]
        s = np.linspace(0.03, 0.97, 60)[:, None]
        spots, _ = pixels(LENS, station, a + s * (b - a))
        way = np.gradient(spots, axis=0)
        normal = np.stack([way[:, 1], -way[:, 0]], 1) / np.linalg.norm(way, axis=1, keepdims=True)
        normal *= np.sign(((spots - middle) * normal).sum(axis=1, keepdims=True))
        at = (spots[:, None] + reach[:, None] * normal[:, None]).astype(np.float32)
        profile = cv2.remap(image, at[..., 0], at[..., 1], cv2.INTER_CUBIC)
        half = 0.5 * (profile[:, :10].mean(axis=1) + profile[:, -10:].mean(axis=1))
        over = profile > half[:, None]
        first = over.argmax(axis=1)
        rows = np.arange(len(first))
        low, high = profile[rows, first - 1], profile[rows, first]
        crossing = reach[first - 1] + (half - low) / (high - low) * (reach[1] - reach[0])
        # Where an inner white module touches the border the dark level is not the border's.
        offsets.append(crossing[np.abs(crossing) < 1.0])
    return np.concatenate(offsets)


def test_edges_of_rendered_targets_lie_at_the_truth(room: Darkroom, clean: np.ndarray) -> None:
    """Every side of every card: mean offset under 0.01 px on the noise-free picture."""
    for which in room.cards:
        offsets = edge_offsets(clean, which, view())
        assert len(offsets) > 200
        assert abs(offsets.mean()) < 0.005
        assert offsets.std() < 0.04


def test_corners_agree_with_an_outside_detector(room: Darkroom, clean: np.ndarray) -> None:
    """pupil-apriltags, less half a pixel: same numbers, same corners within its own noise.

    Its corners run bottom left, bottom right, top right, top left of the upright print.
    """
    detector = pytest.importorskip("pupil_apriltags").Detector("tag36h11", quad_decimate=1.0)
    grey = np.clip(clean / clean.max() * 255.0, 0, 255).astype(np.uint8)
    found = {d.tag_id: d.corners - 0.5 for d in detector.detect(grey)}
    assert sorted(found) == [3, 17, 101, 586]
    away = []
    for which in room.cards:
        true, _ = pixels(LENS, view(), which.corners)
        away.append(found[which.tag][[3, 2, 1, 0]] - true)
    assert np.abs(np.mean(away, axis=(0, 1))).max() < 0.05
    assert np.sqrt(np.mean(np.square(away))) < 0.12


def test_corner_truth_knows_what_is_hidden(room: Darkroom) -> None:
    """A card seen whole is visible 1; from behind it is not listed."""
    fact = truth.card_truth(room.scene.caster, LENS, view(), room.cards[0])
    assert fact is not None
    assert fact["visible"] == 1.0
    turned = knocked(room.cards[0], 0.0, 180.0)
    assert truth.card_truth(room.scene.caster, LENS, view(), turned) is None


def test_knock_is_4_mm_and_3_degrees(room: Darkroom) -> None:
    """The knocked card moved and turned by what was asked."""
    before, after = room.cards[0], knocked(room.cards[0], 4.0, 3.0)
    assert np.linalg.norm(after.centre - before.centre) == pytest.approx(4.0)
    assert np.degrees(np.arccos(after.normal @ before.normal)) == pytest.approx(3.0, abs=1e-6)


def test_camera_agrees_with_opencv() -> None:
    """`pixels` equals cv2.projectPoints to 1e-9 px, and the pixel grid is its inverse."""
    station = view()
    points = np.random.default_rng(1).uniform(-80, 80, (50, 3))
    mine, _ = pixels(LENS, station, points)
    rotation, _ = cv2.Rodrigues(station.R)
    theirs, _ = cv2.projectPoints(points, rotation, station.t, LENS.K, np.array(LENS.dist))
    assert np.abs(mine - theirs.reshape(-1, 2)).max() < 1e-9
    grid = corner_grid(LENS)
    rows, cols = np.array([0, 0, 700, 350]), np.array([0, 900, 900, 123])
    rays = np.column_stack([grid[rows, cols], np.ones(4)]) @ station.R + station.centre
    back, _ = pixels(LENS, station, rays)
    assert np.abs(back - np.column_stack([cols, rows]) + 0.5).max() < 1e-6


def test_stone_left_on_balls() -> None:
    """Stone a ball of 52 mm, model a ball of 50 mm: 2 mm left; stone of 49 mm: 1 mm over-cut."""
    n = trimesh.creation.icosphere(2).vertices
    proud = trimesh.creation.icosphere(6, 52.0)
    short = trimesh.creation.icosphere(6, 49.0)
    assert truth.stone_left(proud, 50.0 * n, n) == pytest.approx(2.0, abs=0.01)
    assert truth.stone_left(short, 50.0 * n, n) == pytest.approx(-1.0, abs=0.01)


def test_stone_left_takes_the_first_way_out() -> None:
    """A gap between two lumps counts: the needle leaves the stone at the near lump's face."""
    near, far = trimesh.creation.icosphere(5, 10.0), trimesh.creation.icosphere(5, 10.0)
    far.apply_translation([30.0, 0.0, 0.0])
    both = joined([near, far])
    left = truth.stone_left(both, np.array([[4.0, 0.0, 0.0]]), np.array([[1.0, 0.0, 0.0]]))
    assert left[0] == pytest.approx(6.0, abs=0.02)


def test_seeing_photos_counts_only_open_views() -> None:
    """A ball seen from +X: its +X pole is seen, its side and back are not, a rod hides it."""
    ball = trimesh.creation.icosphere(5, 30.0)
    R, t = look(np.array([400.0, 0.0, 0.0]), np.zeros(3), 0.0)
    station = Station(R, t, 1)
    places = np.array([[30.0, 0, 0], [0.0, 30.0, 0.0], [-30.0, 0.0, 0.0]])
    normals = places / 30.0
    left = np.zeros(3)
    caster = caster_of(ball.vertices, ball.faces)
    count = truth.seeing_photos(caster, LENS, [station], ball, places, normals, left)
    assert count.tolist() == [1, 0, 0]
    bar = rod(np.array([100.0, -50.0, 0.0]), np.array([100.0, 50.0, 0.0]), 5.0)
    hidden = joined([ball, bar])
    caster = caster_of(hidden.vertices, hidden.faces)
    assert truth.seeing_photos(caster, LENS, [station], ball, places, normals, left)[0] == 0


@pytest.mark.parametrize(("count", "step_deg"), [(24, 20.0), (28, 20.0), (16, 24.0), (16, 32.0)])
def test_stations_are_close_enough_together(count: int, step_deg: float) -> None:
    """Every station has a neighbour on each side within the step; a sixth are upright."""
    middle = np.array([10.0, 20.0, 100.0])
    made = stations(count, step_deg, 600.0, middle, np.random.default_rng(4))
    ways = np.stack([s.centre - middle for s in made])
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    apart = np.degrees(np.arccos((ways * np.roll(ways, -1, axis=0)).sum(axis=1)))
    assert apart.max() <= step_deg + 1.0
    assert sum(s.orientation != 1 for s in made) == pytest.approx(count / 6, abs=1)


def test_turned_photos_come_upright_by_their_tag(tmp_path: Path) -> None:
    """Shown by EXIF 274 the world's up is up: checked on the projected vertical."""
    lens = phone(60, 40, np.random.default_rng(1))
    made = stations(12, 33.0, 600.0, np.zeros(3), np.random.default_rng(2))
    ups = {1: (0, -1), 6: (-1, 0), 8: (1, 0)}
    assert {s.orientation for s in made} == {1, 6, 8}
    for s in made:
        px, _ = pixels(lens, s, np.array([[0.0, 0, 0], [0.0, 0.0, 50.0]]))
        up = (px[1] - px[0]) / np.linalg.norm(px[1] - px[0])
        assert up @ ups[s.orientation] > 0.95
    picture = np.zeros((40, 60, 3), np.uint8)
    save_jpeg(tmp_path / "a.jpg", picture, made[2], lens, Film(), datetime(2024, 5, 14, 9, 0, 0))
    with Image.open(tmp_path / "a.jpg") as shot:
        exif = shot.getexif()
        assert exif[0x0112] == made[2].orientation
        assert exif.get_ifd(0x8769)[0x9003] == "2024:05:14 09:00:00"
        expected = lens.focal_px * 43.2666 / np.hypot(60, 40)
        assert exif.get_ifd(0x8769)[0xA405] == pytest.approx(expected, abs=0.51)


def test_modules_are_the_published_upright_tag() -> None:
    """Code 0 of tag36h11 is 0xd7e00984b (AprilTag's tag36h11.c), read in its bit order."""
    order_x = [
        1,
        2,
        3,
        4,
        5,
        2,
        3,
        4,
        3,
        6,
        6,
        6,
        6,
        6,
        5,
        5,
        5,
        4,
        6,
        5,
        4,
        3,
        2,
        5,
        4,
        3,
        4,
        1,
        1,
        1,
        1,
        1,
        2,
        2,
        2,
        3,
    ]
    order_y = [
        1,
        1,
        1,
        1,
        1,
        2,
        2,
        2,
        3,
        1,
        2,
        3,
        4,
        5,
        2,
        3,
        4,
        3,
        6,
        6,
        6,
        6,
        6,
        5,
        5,
        5,
        4,
        6,
        5,
        4,
        3,
        2,
        5,
        4,
        3,
        4,
    ]
    code = 0
    for x, y in zip(order_x, order_y, strict=True):
        code = code * 2 + int(modules(0)[y, x])
    assert code == 0xD7E00984B


def test_tone_curve_rises_from_black_to_white() -> None:
    """SRGB without extra contrast: mid-grey 0.2140 linear is 127.5 (IEC 61966-2-1)."""
    plain = tone_curve(Film(contrast=0.0))
    assert plain[0] == 0.0
    assert plain[-1] == pytest.approx(255.0)
    assert np.interp(0.2140, np.linspace(0, 1, 4096), plain) == pytest.approx(127.5, abs=0.1)
    assert (np.diff(tone_curve(Film(contrast=0.6))) > 0).all()


def test_marching_over_skipped_cells_finds_the_whole_ball() -> None:
    """A ball of 20 mm on a 1 mm grid: volume and area as the formula says, within 0.2 %."""

    @njit
    def ball(x: float, y: float, z: float) -> float:
        return float(np.sqrt(x * x + y * y + z * z) - 20.0)

    grid = Grid.over(np.full(3, -24.3), np.full(3, 24.0), 1.0)
    values = np.empty(grid.counts, np.float32)
    sampler(ball, 12.0)(values, grid.low, grid.spacing_mm)
    mesh = surface(values, grid, np.array([5.0, 0.0, 0.0]))
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(4.0 / 3.0 * np.pi * 20.0**3, rel=0.002)
    assert mesh.area == pytest.approx(4.0 * np.pi * 400.0, rel=0.002)
    assert mesh.center_mass == pytest.approx([5.0, 0.0, 0.0], abs=0.01)


def test_pit_ends_at_its_floor() -> None:
    """Stone 20 mm thick over the place, floor 1.5 mm above it: air from there outward."""
    pit = np.array([[0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.5]])
    assert drill(1.4 - 20.0, 0.0, 0.0, 1.4, pit) < 0.0 < drill(1.6 - 20.0, 0.0, 0.0, 1.6, pit)
    assert drill(1.6 - 20.0, 3.0, 0.0, 1.6, pit) < 0.0


def test_hollow_has_its_depth_and_width() -> None:
    """A spot of 2 mm and 12 mm: 2 mm deep in its middle, nothing 6 mm off."""
    spot = np.array([[10.0, 0.0, 0.0, 2.0, 12.0]])
    assert hollows(10.0, 0.0, 0.0, spot) == pytest.approx(2.0)
    assert hollows(10.0, 6.0, 0.0, spot) == 0.0
    assert 0.0 < hollows(10.0, 3.0, 0.0, spot) < 2.0


@pytest.mark.parametrize(
    ("rank", "low", "high"), [(-1.0, -0.2, 0.2), (0.5, 0.4, 6.0), (2.0, 3.0, 25.0)]
)
def test_each_region_keeps_its_allowance(rank: float, low: float, high: float) -> None:
    """Finished within 0.2 mm, close and untouched proud by what their names say."""
    rng = np.random.default_rng(8)
    stone = [allowance(*p, 0.0, rank, 0.0, 1.0, 3) for p in rng.uniform(-200, 200, (4000, 3))]
    assert low < min(stone) < max(stone) < high
    assert max(stone) - min(stone) > 0.2


def test_kept_mesh_is_the_mesh(tmp_path: Path) -> None:
    """Kept and read back: no vertex moves by more than 4 micrometres, the form is the same."""
    ball = trimesh.creation.icosphere(4, 30.0)
    keep_mesh(tmp_path / "ball.xz", ball, ball)
    back = kept_mesh(tmp_path / "ball.xz")
    assert back.is_watertight
    assert np.abs(back.vertices - ball.vertices).max() <= 0.004
    assert back.volume == pytest.approx(ball.volume, rel=1e-4)


@pytest.mark.parametrize("stage", ["stage-1", "stage-2"])
def test_truth_of_the_demo_follows_from_its_stone(stage: str) -> None:
    """Stone left of the demo's points, cast again at the kept mesh, is the recorded one."""
    folder = DEMO / "truth"
    table = np.genfromtxt(folder / stage / "points.csv", delimiter=",", names=True, dtype=None)
    places = np.stack([table[c] for c in ("x_mm", "y_mm", "z_mm")], axis=1)
    needles = np.stack([table[c] for c in ("nx", "ny", "nz")], axis=1)
    near = table["stone_left_mm"] < 20.0
    again = truth.stone_left(kept_mesh(folder / f"stone_{stage}.xz"), places[near], needles[near])
    assert near.sum() > 40
    assert np.abs(again - table["stone_left_mm"][near]).max() < 0.03


def test_every_photo_of_the_demo_shows_frame_targets() -> None:
    """At least three whole frame targets a photograph, at less than 75 degrees of tilt."""
    for stage in ("stage-1", "stage-2"):
        targets = json.loads((DEMO / "truth" / stage / "targets.json").read_text())
        seen = json.loads((DEMO / "truth" / stage / "corners.json").read_text())
        assert len(seen) == 24
        for facts in seen.values():
            whole = [
                tag
                for tag, fact in facts.items()
                if targets[tag]["role"] == "frame"
                and fact["visible"] == 1.0
                and fact["tilt_deg"] < 75.0
            ]
            assert len(whole) >= 3


def test_seats_of_the_demo_are_those_it_was_made_with(tmp_path: Path) -> None:
    order = Order("owl", tmp_path, 24, 3000, 2000, 1, 20.0, 0.27, "window", "pale", 2, Film())
    write_seats(tmp_path, make_block(order).seats)
    assert (tmp_path / "seats.csv").read_bytes() == (DEMO / "seats.csv").read_bytes()


def test_marks_on_plaster_are_dots_and_drops() -> None:
    """Pencil covers 1 to 8 of 100 of a plane, both marks under half of it; none where unasked."""
    rng = np.random.default_rng(3)
    places = np.column_stack([rng.uniform(0.0, 90.0, (4000, 2)), np.zeros(4000)])
    pencil = np.array([marked(*p, 1.0, 0.0, 5) for p in places])
    both = np.array([marked(*p, 1.0, 1.0, 5) for p in places])
    assert 0.01 < np.mean(pencil < 0.9) < 0.08
    assert 0.05 < np.mean(both < 0.9) < 0.5
    assert pencil.min() == pytest.approx(0.38, abs=0.01)
    assert all(marked(*p, 0.0, 0.0, 5) == 1.0 for p in places[:50])


@pytest.mark.parametrize("name", sorted(FORMS))
def test_forms_are_closed_and_undercut(name: str) -> None:
    """Every form is one closed piece of its stated height, with faces that look down over others.

    Seen from above, an undercut place is hidden by the form itself.
    """
    form = FORMS[name]
    mesh = model_mesh(form, np.zeros(3), 4.0)
    assert mesh.is_watertight
    assert mesh.bounds[1, 2] == pytest.approx(form.height_mm, abs=9.0)
    assert np.linalg.norm(mesh.vertices[:, :2], axis=1).max() < form.radius_mm + 9.0
    high = mesh.triangles_center[:, 2] > 25.0
    down = high & (mesh.face_normals[:, 2] < -0.2)
    assert mesh.area_faces[down].sum() > 0.03 * mesh.area


def test_a_cast_is_photographed_as_it_stands(tmp_path: Path) -> None:
    """Tables and truth without photographs: three seats, frame cards, samples on the cast."""
    order = CastOrder(
        "hare", tmp_path, 6, 300, 200, 1, "seats", 25.0, 60.0, 2.0, "raking", 1.0, 1.0, Film(),
        truth_only=True, spacing_mm=4.0, sample_count=2000,
    )  # fmt: skip
    make_cast(order)
    samples = np.loadtxt(tmp_path / "truth" / "samples.csv", delimiter=",", skiprows=1)
    body = kept_mesh(tmp_path / "truth" / "cast.xz")
    near = caster_of(np.asarray(body.vertices), np.asarray(body.faces))
    away = near.compute_distance(samples[:, :3].astype(np.float32)).numpy()
    assert away.max() < 0.02
    assert 0 < samples[:, 6].max() <= 6
    assert len((tmp_path / "seats.csv").read_text("utf-8").splitlines()) == 4
    assert (tmp_path / "frame.csv").is_file()
    assert not (tmp_path / "photos").exists()


def test_the_board_tells_the_lens_it_was_photographed_with(tmp_path: Path) -> None:
    make_board(BoardOrder(tmp_path, 8, 1050, 700, 2, Film()))
    done = calibrate_cameras(empty_job(tmp_path / "job"), tmp_path / "photos")
    assert len(done.cameras) == 1
    found = done.cameras[0].calibration
    true = phone(1050, 700, np.random.default_rng(9))
    sigma = np.sqrt(np.diag(found.cov))
    off = found.lens.vector[:3] - np.array([true.focal_px, *true.centre_px])
    assert np.abs(off / sigma[:3]).max() < 4.0
    assert found.lens.focal_px == pytest.approx(true.focal_px, rel=1e-3)
