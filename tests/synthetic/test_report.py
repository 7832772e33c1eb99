"""Pictures: colours that keep their order, paint that lies where the stone is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from PIL import Image

from tracker.alignment.result import unmoved
from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.readings import Readings
from tracker.comparison.states import Bands, State, judge
from tracker.maths.camera import Array, Lens, Pose, project
from tracker.network.outcome import AdjustedTarget
from tracker.pipeline.pictures import standing_cards
from tracker.report.colours import (
    NOT_SEEN_RGB,
    OVERCUT_RGB,
    ramp,
    scale_position,
    shown_mm,
    stone_left_rgb,
    vertex_colours,
)
from tracker.report.heatmap import HEIGHT_PX, WIDTH_PX, SheetFacts, draw_heatmap
from tracker.report.labels import Mark, draw_marks
from tracker.report.overlays import (
    PointMark,
    draw_overlay,
    make_overlay,
    point_marks,
    target_cards,
)
from tracker.report.page_words import spot_in_words
from tracker.report.views import ABOVE, BACK, FRONT, LEFT, RIGHT, draw_view, in_sight
from tracker.surface import Surface

BANDS = Bands()
GREY = np.array([0.2126, 0.7152, 0.0722])
# F. Vienot, H. Brettel, J. D. Mollon, Color Research and Application 24 (1999): linear RGB as
# people without the red or the green receptor see it
WITHOUT_RED = np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.004, -0.004, 1.0]])
WITHOUT_GREEN = np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.0223, 0.0223, 1.0]])


def linear(rgb: Array) -> Array:
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lightness(rgb: Array) -> Array:
    return np.asarray(116.0 * np.cbrt(linear(rgb) @ GREY) - 16.0)


def lab(rgb_linear: Array) -> Array:
    """CIE L*a*b* of linear sRGB (IEC 61966-2-1, D65)."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    x, y, z = np.moveaxis(
        np.cbrt(np.clip(rgb_linear, 0, 1) @ (to_xyz / to_xyz.sum(1)[:, None]).T), -1, 0
    )
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)], axis=-1)


class TestColours:
    def test_more_stone_is_darker_also_without_colour(self) -> None:
        depth = np.linspace(0.0, 25.0, 400)
        light = lightness(stone_left_rgb(depth, BANDS))
        assert np.all(np.diff(light) <= 1e-9)
        assert light[0] > 93.0
        assert light[-1] < 20.0

    def test_the_finished_band_is_one_colour(self) -> None:
        colours = stone_left_rgb(np.linspace(-0.5, 0.5, 50), BANDS)
        assert np.ptp(colours, axis=0).max() == 0.0

    @pytest.mark.parametrize("limit", [0.5, 6.0])
    def test_a_limit_is_a_step_that_can_be_seen(self, limit: float) -> None:
        pair = lightness(stone_left_rgb(np.array([limit - 1e-6, limit + 1e-6]), BANDS))
        assert pair[0] - pair[1] > 5.0
        within = lightness(stone_left_rgb(np.array([limit * 1.2, limit * 1.2 + 1e-6]), BANDS))
        assert within[0] - within[1] < 0.5

    def test_steps_follow_the_jobs_own_bands(self) -> None:
        bands = Bands(-1.0, 1.0, 10.0, 3.0)
        t = scale_position(np.array([0.9, 1.1, 9.9, 10.1]), bands)
        assert t[0] == 0.0
        assert t[1] > 0.15
        assert t[3] - t[2] > 0.08

    @pytest.mark.parametrize("eyes", [np.eye(3), WITHOUT_RED, WITHOUT_GREEN])
    def test_overcut_and_grey_are_told_from_the_scale_by_all_eyes(self, eyes: Array) -> None:
        scale = lab(linear(ramp(np.linspace(0.0, 1.0, 200))) @ eyes.T)
        overcut = lab(linear(np.array(OVERCUT_RGB) / 255.0) @ eyes.T)
        assert np.linalg.norm(scale - overcut, axis=1).min() > 30.0

    def test_no_green_and_one_hue(self) -> None:
        rgb = ramp(np.linspace(0.3, 1.0, 100))
        assert np.all(rgb[:, 2] > rgb[:, 1])
        assert np.all(rgb[:, 2] > rgb[:, 0])
        assert not np.any((rgb[:, 1] > rgb[:, 0] + 0.02) & (rgb[:, 1] > rgb[:, 2] + 0.02))

    def test_vertices(self) -> None:
        found = vertex_colours(
            np.array([-2.0, 0.0, 30.0, np.nan]), np.array([True, True, True, False]), BANDS
        )
        assert found.dtype == np.uint8
        assert tuple(found[0]) == OVERCUT_RGB
        assert tuple(found[3]) == NOT_SEEN_RGB
        assert found[1].min() > 220
        assert found[2].max() < 90


def ball(radius: float = 40.0) -> Surface:
    mesh = trimesh.creation.icosphere(4, radius)
    return Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))


def reading_of(surface: Surface, value: Array, seen: NDArray[np.bool_]) -> VertexReadings:
    return VertexReadings(
        np.where(seen, value, np.nan), np.full(len(value), 0.2), seen, np.zeros_like(seen)
    )


def like(picture: NDArray[np.uint8], rgb: tuple[int, int, int], reach: int) -> NDArray[np.bool_]:
    return np.asarray(np.abs(picture.astype(int) - rgb).max(axis=-1) <= reach)


class TestViews:
    @pytest.mark.parametrize("side", [FRONT, RIGHT, BACK, LEFT, ABOVE])
    def test_a_place_is_painted_where_it_is_said_to_be(self, side: object) -> None:
        surface = ball()
        axes = side.axes  # type: ignore[attr-defined]
        place = 40.0 * (axes @ np.array([0.0, 0.0, 0.0]) + axes.T @ np.array([0.3, 0.4, 0.866]))
        near = np.linalg.norm(surface.vertices - place, axis=1) < 6.0
        value = np.where(near, -3.0, 0.0)
        view = draw_view(surface, value, np.ones(len(value), bool), side, BANDS, 0.25)  # type: ignore[arg-type]
        red = view.picture[..., 0].astype(int) - view.picture[..., 2] > 40
        rows, columns = np.nonzero(red)
        x, y = view.pixel(place)
        assert abs(columns.mean() - x) < 4.0
        assert abs(rows.mean() - y) < 4.0
        assert in_sight(surface, side, place)  # type: ignore[arg-type]
        assert not in_sight(surface, side, -place)  # type: ignore[arg-type]

    def test_overcut_is_hatched_with_dark_lines(self) -> None:
        surface = ball()
        value = np.full(len(surface.vertices), -2.0)
        view = draw_view(surface, value, np.ones(len(value), bool), FRONT, BANDS, 0.2)
        line = lightness(view.picture[200, 120:300].astype(float) / 255.0)
        # a black-and-white print shows dark and light in turn
        turns = np.abs(np.diff(np.sign(line - np.median(line)))).sum() / 2
        assert np.ptp(line) > 25.0
        assert turns >= 20

    def test_not_seen_is_grey_and_nothing_else_is(self) -> None:
        surface = ball()
        seen = surface.vertices[:, 0] > 0.0
        view = draw_view(surface, np.full(len(seen), 10.0), seen, FRONT, BANDS, 0.25)
        flat = view.picture.astype(int)
        on_ball = np.linalg.norm(flat - np.array([252, 251, 248]), axis=-1) > 8
        colourless = np.ptp(flat, axis=-1) < 8
        left = np.zeros_like(on_ball)
        left[:, : left.shape[1] // 2 - 6] = True
        right = np.zeros_like(on_ball)
        right[:, left.shape[1] // 2 + 8 :] = True
        assert colourless[on_ball & left].mean() > 0.97
        assert colourless[on_ball & right].mean() < 0.03


def facts() -> SheetFacts:
    return SheetFacts(
        "Pineapple for a wall", "third day", "2 June", 0.25, 18, {"finished": 0.6}, "1.2 kg"
    )


def test_the_sheet_is_drawn_the_same_every_time(tmp_path: Path) -> None:
    surface = ball()
    value = np.clip(surface.vertices[:, 2] / 4.0, -0.3, None)
    near = np.linalg.norm(surface.vertices - [0.0, -40.0, 0.0], axis=1) < 8.0
    value[near] = -2.0
    seen = surface.vertices[:, 0] > -20.0
    spot = OvercutSpot(7, np.array([0.0, -40.0, 0.0]), 2.0, False, 0.2, 200.0, "nose", "growing")
    gone = OvercutSpot(8, np.array([0.0, 40.0, 0.0]), 0.0, False, 0.2, 0.0, "back", "gone")
    pictures = []
    for name in ("one.png", "two.png"):
        draw_heatmap(
            tmp_path / name, surface, reading_of(surface, value, seen), (spot, gone), BANDS, facts()
        )
        pictures.append((tmp_path / name).read_bytes())
    assert pictures[0] == pictures[1]
    with Image.open(tmp_path / "one.png") as image:
        assert image.size == (WIDTH_PX, HEIGHT_PX)
        picture = np.asarray(image.convert("RGB"))
    red = picture[..., 0].astype(int) - picture[..., 2] > 90
    views, margin = red[:, :1880], red[:, 1900:]
    assert views.sum() > 800
    assert margin.sum() > 300  # swatch and list
    assert like(picture[:, :1880], NOT_SEEN_RGB, 26).sum() > 5000


def test_a_sheet_without_overcuts_says_so_and_has_none_of_their_colour(tmp_path: Path) -> None:
    surface = ball()
    everything = np.ones(len(surface.vertices), dtype=bool)
    draw_heatmap(
        tmp_path / "map.png", surface, reading_of(surface, np.zeros(len(everything)), everything),
        (), BANDS, facts(),
    )  # fmt: skip
    with Image.open(tmp_path / "map.png") as image:
        picture = np.asarray(image.convert("RGB")).astype(int)
    assert not (picture[:, :1880, 0] - picture[:, :1880, 2] > 90).any()


@pytest.mark.parametrize("stretch", [(4.0, 1.0, 0.3), (0.3, 0.3, 4.0)])
def test_any_form_fits_the_sheet(tmp_path: Path, stretch: tuple[float, float, float]) -> None:
    form = Surface(ball().vertices * np.array(stretch), ball().faces)
    everything = np.ones(len(form.vertices), dtype=bool)
    draw_heatmap(
        tmp_path / "map.png", form, reading_of(form, np.full(len(everything), 12.0), everything),
        (), BANDS, facts(),
    )  # fmt: skip
    with Image.open(tmp_path / "map.png") as image:
        picture = np.asarray(image.convert("RGB")).astype(int)
    blue = picture[..., 2] - picture[..., 0] > 40
    assert blue[160:1600, 90:1860].sum() > 40_000
    assert not blue[160:, :80].any()
    assert not blue[160:, 1865:1930].any()
    assert not blue[1620:].any()


LENS = Lens(1400.0, 790.0, 610.0, 0.08, -0.15, 4e-4, -3e-4, 0.02)
SIZE = (1600, 1200)


def pose_from(centre: Array) -> Pose:
    forward = -centre / np.linalg.norm(centre)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return Pose(R, -R @ centre)


class TestOverlay:
    pose = pose_from(np.array([60.0, -420.0, 150.0]))

    def drawn(
        self, path: Path, depth: float, points: tuple[PointMark, ...] = (), orientation: int = 1,
        grey: int = 128,
    ) -> NDArray[np.uint8]:  # fmt: skip
        surface = ball()
        count = len(surface.vertices)
        readings = reading_of(surface, np.full(count, depth), np.ones(count, dtype=bool))
        overlay = make_overlay(surface, readings, points, BANDS, "Pineapple, third day")
        photo = np.full((SIZE[1], SIZE[0], 3), grey, dtype=np.uint8)
        before = photo.copy()
        draw_overlay(path, photo, SIZE, LENS, self.pose, orientation, overlay, "IMG_1.jpg")
        assert np.array_equal(photo, before)
        with Image.open(path) as image:
            return np.asarray(image.convert("RGB"))

    @pytest.mark.parametrize("depth", [0.0, 12.0])
    def test_colour_lies_on_the_stone_not_on_the_model(self, tmp_path: Path, depth: float) -> None:
        picture = self.drawn(tmp_path / "o.jpg", depth, grey=40).astype(int)
        painted = np.abs(picture - 40).max(axis=-1) > 14
        painted[1010:, :480] = False  # the legend
        # the outline of a ball of radius 40 + depth seen from its distance
        centre = self.pose.centre_frame
        away = float(np.linalg.norm(centre))
        radius = 40.0 + depth
        rim_at, rim = radius**2 / away, radius * np.sqrt(1.0 - (radius / away) ** 2)
        toward = centre / away
        u = np.cross(toward, [0.0, 0.0, 1.0])
        u /= np.linalg.norm(u)
        turn = np.linspace(0, 2 * np.pi, 200)[:, None]
        circle = rim_at * toward + rim * (np.cos(turn) * u + np.sin(turn) * np.cross(toward, u))
        pixels, _ = project(LENS, self.pose, circle)
        rows, columns = np.nonzero(painted)
        assert abs(columns.min() - pixels[:, 0].min()) < 3.0
        assert abs(columns.max() - pixels[:, 0].max()) < 3.0
        assert abs(rows.min() - pixels[:, 1].min()) < 3.0
        assert abs(rows.max() - pixels[:, 1].max()) < 3.0

    @pytest.mark.parametrize("orientation", range(1, 9))
    def test_turned_upright_as_a_viewer_turns_it(self, tmp_path: Path, orientation: int) -> None:
        photo = np.zeros((300, 400, 3), dtype=np.uint8)
        photo[20:80, 30:170] = (250, 40, 40)  # one corner marked, off the stone and the legend
        nothing = make_overlay(
            ball(), reading_of(ball(), np.zeros(2562), np.ones(2562, dtype=bool)), (), BANDS, ""
        )
        behind = Pose(np.eye(3), np.array([0.0, 0.0, -500.0]))
        draw_overlay(tmp_path / "o.jpg", photo, (400, 300), LENS, behind, orientation, nothing, "")
        stored = Image.fromarray(photo)
        exif = stored.getexif()
        exif[0x0112] = orientation
        stored.save(tmp_path / "stored.png", exif=exif)
        from PIL import ImageOps

        with Image.open(tmp_path / "stored.png") as image:
            expected = np.asarray(ImageOps.exif_transpose(image)).astype(int)
        with Image.open(tmp_path / "o.jpg") as image:
            found = np.asarray(image).astype(int)
        assert found.shape == expected.shape
        red_expected = expected[..., 0] - expected[..., 1] > 120
        red_found = found[..., 0] - found[..., 1] > 120
        visible = np.ones_like(red_found)
        visible[-75:, :200] = False
        agree = (red_expected == red_found)[visible]
        assert agree.mean() > 0.99

    def test_points_follow_the_turn(self, tmp_path: Path) -> None:
        place = np.array([0.0, -40.0, 0.0])
        mark = PointMark("P1", place, State.OVERCUT, True, "-2.0")
        pixel, _ = project(LENS, self.pose, place[None])
        for orientation in (1, 3, 6, 8):
            picture = self.drawn(tmp_path / "o.jpg", 0.0, (mark,), orientation).astype(int)
            x, y = {
                1: (pixel[0, 0], pixel[0, 1]),
                3: (SIZE[0] - 1 - pixel[0, 0], SIZE[1] - 1 - pixel[0, 1]),
                6: (SIZE[1] - 1 - pixel[0, 1], pixel[0, 0]),
                8: (pixel[0, 1], SIZE[0] - 1 - pixel[0, 0]),
            }[orientation]
            cross = picture[round(y) - 3 : round(y) + 4, round(x) - 3 : round(x) + 4]
            assert (cross[..., 0] - cross[..., 2] > 90).sum() > 8, orientation

    def test_a_point_behind_the_stone_is_not_drawn(self, tmp_path: Path) -> None:
        hidden = PointMark("P9", np.array([0.0, 40.0, 0.0]), State.OVERCUT, True, "-2.0")
        with_it = self.drawn(tmp_path / "a.jpg", 0.0, (hidden,))
        without = self.drawn(tmp_path / "b.jpg", 0.0)
        assert np.array_equal(with_it, without)


def test_names_do_not_cover_each_other_or_leave_the_picture() -> None:
    picture = Image.new("RGB", (1600, 1200), (90, 90, 90))
    marks = [
        Mark(
            f"P{k:02d}", (60.0 + 46.0 * (k % 12), 60.0 + 34.0 * (k // 12)), State.CLOSE, True, "3.2"
        )
        for k in range(48)
    ]
    draw_marks(picture, marks, BANDS)
    edge = Image.new("RGB", (1600, 1200), (90, 90, 90))
    draw_marks(edge, [Mark("corner", (1595.0, 5.0), State.UNTOUCHED, False, "12.0")], BANDS)
    changed = np.asarray(edge)[..., 0] != 90
    assert changed[:60, 1400:1580].any()  # the name went to the left of its mark


def test_marks_say_what_the_list_says() -> None:
    value = np.array([-0.02, 3.26, 25.0, np.nan, -2.0])
    count = len(value)
    up = np.tile([0.0, 0.0, 1.0], (count, 1))
    readings = Readings(
        np.zeros((count, 3)), up, np.isfinite(value), value, np.array([0, 0, 1, 0, 1], bool),
        value, np.full((count, 4), 0.0025), np.full(count, 4), np.zeros(count, dtype=np.int64),
    )  # fmt: skip
    marks = point_marks(("a", "b", "c", "d", "e"), readings, judge(readings, BANDS))
    assert [mark.figure for mark in marks] == ["0.0", "3.3", "≥25.0", "", "≤-2.0"]
    assert [mark.state for mark in marks] == [
        State.FINISHED, State.CLOSE, State.UNTOUCHED, State.NOT_SEEN, State.OVERCUT,
    ]  # fmt: skip
    assert all(mark.sure for mark in marks)
    assert marks[1].place == pytest.approx([0.0, 0.0, 3.26])
    assert marks[3].place == pytest.approx([0.0, 0.0, 0.0])


def test_a_card_in_front_of_the_stone_stays_as_photographed(tmp_path: Path) -> None:
    pose = TestOverlay.pose
    toward = pose.centre_frame / np.linalg.norm(pose.centre_frame)
    u = np.cross(toward, [0.0, 0.0, 1.0])
    u /= np.linalg.norm(u)
    v = np.cross(toward, u)
    square = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    corners = np.array([[120.0 * toward + 8.0 * (a * u + b * v) for a, b in square]])
    cards = target_cards(corners)
    surface = ball()
    count = len(surface.vertices)
    readings = reading_of(surface, np.full(count, 12.0), np.ones(count, dtype=bool))
    point = PointMark("P1", 52.0 * toward, State.UNTOUCHED, True, "12.0")
    overlay = make_overlay(surface, readings, (point,), BANDS, "")
    photo = np.full((SIZE[1], SIZE[0], 3), 128, dtype=np.uint8)
    draw_overlay(tmp_path / "o.jpg", photo, SIZE, LENS, pose, 1, overlay, "", cards)
    with Image.open(tmp_path / "o.jpg") as image:
        picture = np.asarray(image).astype(int)
    x, y = project(LENS, pose, corners.mean(axis=1))[0][0]
    half = round(8.0 * 1.6 * LENS.focal_px / (np.linalg.norm(pose.centre_frame) - 120.0)) - 6
    row, column = round(float(y)), round(float(x))
    card = picture[row - half : row + half, column - half : column + half]
    assert np.abs(card - 128).max() < 12
    beside = picture[row, column + half + 16 : column + half + 40]
    assert np.abs(beside - 128).max(axis=-1).min() > 20


def test_cards_stand_where_the_day_has_measured_them() -> None:
    square = np.array([[0.0, 8.0, 0.0], [8.0, 8.0, 0.0], [8.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    cov = np.eye(12) * 1e-4

    def target(tag: int, corners: Array, used: bool) -> AdjustedTarget:
        return AdjustedTarget(tag, "frame", corners, cov, used, "", 5)

    R = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    moved = replace(unmoved(np.eye(6), "", 0), R=R, t=np.array([100.0, 0.0, 5.0]))
    targets = [
        target(1, square, True),
        target(2, square + 50.0, False),
        target(3, square * np.nan, True),
    ]
    cards = standing_cards(targets, moved)
    assert cards is not None
    assert len(cards.faces) == 2
    # 8 mm across with a rim of 0.3 of it, turned by a right angle and shifted
    low, high = cards.box
    assert low == pytest.approx([100.0 - 8.0 - 2.4, -2.4, 5.0])
    assert high == pytest.approx([100.0 + 2.4, 8.0 + 2.4, 5.0])
    assert standing_cards(targets[1:], moved) is None


def test_noise_over_the_limit_is_not_painted_as_overcut() -> None:
    value, u95 = np.array([-0.6, -0.6, -1.5, 3.0, np.nan]), np.array([0.3, 0.1, 0.3, 0.3, np.nan])
    shown = shown_mm(value, u95, BANDS)
    assert shown[:4].tolist() == [-0.5, -0.6, -1.5, 3.0]
    assert np.isnan(shown[4])


def test_a_spot_in_words() -> None:
    spot = OvercutSpot(7, np.zeros(3), 2.04, False, 0.21, 200.0, "nose", "growing")
    assert spot_in_words(spot) == "2.0 ± 0.2 mm deep, 200 mm², near nose"
    bound = replace(spot, at_least=True, nearest_point="")
    assert spot_in_words(bound) == "at least 2.0 mm deep, 200 mm²"
