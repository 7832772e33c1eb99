"""A cast's surface from rendered photographs of a slab with known heights."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from tests.needle_scene import (
    Field,
    Texture,
    closed,
    look_from,
    make_texture,
    photograph,
    rolling,
)
from tests.simulated_network import HEIGHT, WIDTH
from tests.simulated_survey import MIDDLE, PIN_MM, SEATS, adjusted, scene, seen
from tracker.cloud.patch_views import View, stack_views
from tracker.errors import PhotographError
from tracker.frame import survey
from tracker.maths.camera import Array, project
from tracker.network.outcome import Adjustment
from tracker.pipeline.cast_placing import Datum, over_exposed
from tracker.pipeline.cast_surface import CastSurface, cast_room, cast_surface, coarse_cast
from tracker.pipeline.day import Day, Placed
from tracker.pipeline.survey import SEAT_TARGETS

PHOTOS = 7
BLANK_AT, BLANK_MM = np.array([12.0, -8.0]), 11.0
CARD = np.array([[-20.0, 20, 0], [20, 20, 0], [20, -20, 0], [-20, -20, 0]]) + [300.0, 0, 0]
WITHIN = np.array([[-38.0, -38.0, 0.0], [38.0, 38.0, 0.0]])


@dataclass(frozen=True, slots=True)
class Blotted:
    """A texture with a disc of nothing: plaster that was left white."""

    texture: Texture

    def at(self, places: Array) -> Array:
        away = np.linalg.norm(places[:, :2] - BLANK_AT, axis=1)
        return np.where(away < BLANK_MM, 0.0, self.texture.at(places))


def photographed(contrast: float, field: Field = rolling) -> list[View]:
    slab = closed(field)
    texture = Blotted(make_texture(contrast))
    views = []
    for k in range(PHOTOS):
        pose = look_from(360.0 * k / PHOTOS, 26.0 if k % 2 else 12.0)
        views.append(photograph(slab, pose, texture, 1.2, k + 1))  # type: ignore[arg-type]
    return views


def measured(views: list[View]) -> CastSurface:
    coarse, _ = coarse_cast(views, [CARD], WITHIN, -12.0)
    stack = stack_views(views, cast_room(coarse, -12.0))
    return cast_surface(stack, [CARD], coarse, -12.0, 1.0, lambda share: None)


@pytest.fixture(scope="module")
def views() -> list[View]:
    return photographed(0.06)


@pytest.fixture(scope="module")
def found(views: list[View]) -> CastSurface:
    return measured(views)


def heights_off(found: CastSurface) -> tuple[Array, Array]:
    """Distance across the true surface and the places' radius from the blank disc."""
    v = found.surface.vertices
    off = v[:, 2] - rolling(v[:, 0], v[:, 1])
    step = 1e-4
    slope_x = (rolling(v[:, 0] + step, v[:, 1]) - rolling(v[:, 0] - step, v[:, 1])) / (2 * step)
    slope_y = (rolling(v[:, 0], v[:, 1] + step) - rolling(v[:, 0], v[:, 1] - step)) / (2 * step)
    across = off / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    return across, np.linalg.norm(v[:, :2] - BLANK_AT, axis=1)


def test_surface_lies_on_the_truth_within_its_u95(found: CastSurface) -> None:
    """0.27 mm a pixel: RMS under 0.06 mm; 93 to 100 of 100 corners within two sigmas."""
    across, _ = heights_off(found)
    assert np.sqrt(np.mean(across**2)) < 0.06
    inside = np.mean(np.abs(across) < 2.0 * found.sigma_mm)
    assert inside > 0.93
    assert np.median(found.sigma_mm) < 0.12


def test_what_was_marked_is_covered_and_what_was_blank_is_open(found: CastSurface) -> None:
    """Nine tenths of the marked square; nothing farther than 3 mm inside the white disc."""
    _, radius = heights_off(found)
    assert radius.min() > BLANK_MM - 3.0
    x, y = np.meshgrid(np.arange(-34.0, 35.0, 2.0), np.arange(-34.0, 35.0, 2.0))
    asked = np.stack([x, y, rolling(x, y)], -1).reshape(-1, 3)
    marked = np.linalg.norm(asked[:, :2] - BLANK_AT, axis=1) > BLANK_MM + 2.0
    nearest, _ = found.surface.nearest(asked[marked])
    assert np.mean(np.linalg.norm(nearest - asked[marked], axis=1) < 2.0) > 0.9
    assert found.bridged_mm2 > 0.5 * np.pi * BLANK_MM**2


def test_the_same_photographs_give_the_same_surface(views: list[View], found: CastSurface) -> None:
    """Twice measured, bit for bit, whatever the threads."""
    again = measured(views)
    np.testing.assert_array_equal(found.surface.vertices, again.surface.vertices)
    np.testing.assert_array_equal(found.sigma_mm, again.sigma_mm)


def test_white_plaster_is_refused() -> None:
    """Without marks there is nothing to agree on: a sentence, no surface."""
    white = photographed(0.0, lambda x, y: 0.0 * x)
    with pytest.raises(PhotographError, match=r"400 are needed at the least\. .*[Ss]peckle"):
        measured(white)


@pytest.fixture(scope="module")
def placed() -> Adjustment:
    world = scene()
    return adjusted(world, seen(world))


def test_seat_targets_turn_the_poses_into_the_frame(placed: Adjustment) -> None:
    """A place in frame coordinates falls on the same pixel as in the network's own."""
    found = survey(placed, SEAT_TARGETS, (), PIN_MM, 0.1)
    datum = Datum(placed, found)
    photo = next(p for p in placed.photos if p.used and p.pose is not None)
    assert photo.pose is not None
    places = MIDDLE + np.random.default_rng(4).normal(0.0, 40.0, (20, 3))
    own = places @ found.triad.R + found.triad.origin
    lens = placed.lenses[photo.lens]
    here, _ = project(lens, datum.pose(photo.pose), places)
    there, _ = project(lens, photo.pose, own)
    np.testing.assert_allclose(here, there, atol=1e-6)
    np.testing.assert_allclose(found.seats, SEATS, atol=0.3)


def test_untrue_pins_are_felt_at_the_top(placed: Adjustment) -> None:
    """The seats' part grows with the pins' and with the height, and is nought with the frame."""
    places = np.array([[120.0, 80.0, 10.0], [120.0, 80.0, 300.0]])
    sideways = np.tile([1.0, 0.0, 0.0], (2, 1))
    by_pin = [
        Datum(placed, survey(placed, SEAT_TARGETS, (), PIN_MM, u)).variance_mm2(places, sideways)
        for u in (0.05, 0.2)
    ]
    assert np.all(by_pin[1] > 2.0 * by_pin[0])
    assert by_pin[1][1] > 1.5 * by_pin[1][0]
    assert not Datum(placed, None).variance_mm2(places, sideways).any()


def test_a_cast_burnt_out_to_white_is_left_out(placed: Adjustment) -> None:
    """A photograph that shows the cast white is named, the others stay."""
    size = (HEIGHT, WIDTH)
    grey, white = np.full(size, 128, np.uint8), np.full(size, 255, np.uint8)
    images = tuple(white if k == 3 else grey for k in range(len(placed.photos)))
    day = Day((), images, (), {})
    places = MIDDLE + np.random.default_rng(4).normal(0.0, 30.0, (60, 3))
    datum = Datum(placed, survey(placed, SEAT_TARGETS, (), PIN_MM, 0.1))
    burnt = over_exposed(Placed(day, placed, {}), datum, places)
    assert list(burnt) == [3]
    assert "burnt out to white; photograph it darker" in burnt[3]
