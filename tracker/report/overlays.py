"""The day's photographs with stone left and the points drawn onto the stone.

Stone left is laid over the stone as the photograph shows it: the model's surface moved out by
stone left, hidden parts left out, through the lens with its distortion. The photograph is
turned upright as its camera noted; it is itself never changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.spatial import ConvexHull, QhullError, cKDTree

from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.readings import Readings
from tracker.comparison.states import Bands, Judgement, State
from tracker.maths.camera import Array, Lens, Pose, project, undistort
from tracker.report.colours import shown_mm
from tracker.report.labels import Mark, draw_legend, draw_marks
from tracker.report.painting import Corners, Hits, cast, corner_figures, paint
from tracker.surface import Faces, Surface

LONG_SIDE_PX = 1600
JPEG_QUALITY = 88
HARDLY = 0.75
OPACITY = 0.58
NOT_SEEN_OPACITY = 0.30
FILL_MM = 25.0
HIDDEN_MM = 3.0
"""A point this far behind the stone that a photograph shows is hidden in it."""
CARD_MM = 2.0
"""A card no farther behind the drawn stone than this lies on it, glued to the block."""
CARD_RIM_PX = 3
"""Rays so near to where a card is drawn are asked whether they meet it."""
MOST_STRETCH = 2.5
"""Triangles whose edges grow by more than this factor bridge a jump and are no stone."""


@dataclass(frozen=True, slots=True)
class PointMark:
    """A point as it is drawn.

    Attributes
    ----------
    name : str
    place : (3,) array
        Of the stone where the needle meets it, else of the model; mm, frame coordinates.
    state : State
    sure : bool
    figure : str
        What is written beside it, for example "3.2".
    """

    name: str
    place: Array
    state: State
    sure: bool
    figure: str


def point_marks(
    names: Sequence[str], readings: Readings, judgement: Judgement
) -> tuple[PointMark, ...]:
    """Points as they are drawn: on the stone where their needle meets it, with their figure."""
    depth = np.where(readings.seen, readings.stone_left_mm, 0.0)
    places = readings.points + depth[:, None] * readings.needles
    marks = []
    for row, name in enumerate(names):
        state = State(int(judgement.state[row]))
        figure = ""
        if readings.seen[row]:
            # adding zero takes the minus off a rounded -0.0
            beyond = "≥" if depth[row] >= 0.0 else "≤"
            bound = beyond if readings.at_least[row] else ""
            figure = f"{bound}{round(float(depth[row]), 1) + 0.0:.1f}"
        unsure = state is not State.NOT_SEEN and not judgement.sure[row]
        marks.append(PointMark(name, places[row], state, not unsure, figure))
    return tuple(marks)


@dataclass(frozen=True, slots=True)
class Overlay:
    """The stone as it is drawn onto every photograph of a stage; make it once.

    `rim` (n, 3) are the corners of its convex hull, within which it lies in any photograph.
    """

    stone: Surface
    rim: Array
    at_corners: Corners
    points: tuple[PointMark, ...]
    bands: Bands
    title: str


def make_overlay(
    surface: Surface,
    readings: VertexReadings,
    points: Sequence[PointMark],
    bands: Bands,
    title: str,
) -> Overlay:
    """The stone's surface with stone left, without triangles that bridge a jump.

    Parameters
    ----------
    surface : Surface
        The model; `readings` are at its vertices.
    title : str
        Written into each picture, for example job and stage.
    """
    depth = np.where(readings.seen, readings.stone_left_mm, 0.0)
    stone = surface.vertices + _filled(surface, depth, readings.seen)[:, None] * (
        surface.vertex_normals
    )
    shown = shown_mm(readings.stone_left_mm, readings.u95_mm, bands)
    drawn = Surface(stone, _unstretched(surface, stone))
    return Overlay(
        drawn,
        _rim(stone),
        corner_figures(drawn, shown, readings.seen),
        tuple(points),
        bands,
        title,
    )


def _rim(stone: Array) -> Array:
    """Corners of the convex hull; all corners where the stone is flat."""
    try:
        return np.asarray(stone[ConvexHull(stone).vertices])
    except QhullError:
        return stone


def _filled(surface: Surface, depth: Array, seen: NDArray[np.bool_]) -> Array:
    """Depth with that of the nearest seen vertex where not seen, (n,) mm.

    Only so that the grey of what was not seen lies on the stone and not deep inside it.
    """
    filled = depth.copy()
    if seen.any() and not seen.all():
        away, nearest = cKDTree(surface.vertices[seen]).query(surface.vertices[~seen])
        filled[~seen] = np.where(np.asarray(away) < FILL_MM, depth[seen][nearest], 0.0)
    return filled


def target_cards(corners_mm: Array, margin: float = 0.3) -> Surface:
    """Targets as cards that may stand in front of the stone.

    Parameters
    ----------
    corners_mm : (n, 4, 3) array
        Corners of the black squares, frame coordinates, in order round the square.
    margin : float
        White rim, as a share of the square's side.
    """
    middle = corners_mm.mean(axis=1, keepdims=True)
    vertices = (middle + (1.0 + 2.0 * margin) * (corners_mm - middle)).reshape(-1, 3)
    first = 4 * np.arange(len(corners_mm))[:, None]
    faces = np.concatenate([first + [0, 1, 2], first + [0, 2, 3]])
    return Surface(vertices, faces.astype(np.int64))


def _unstretched(model: Surface, stone: Array) -> Faces:
    longest = []
    for vertices in (model.vertices, stone):
        corners = vertices[model.faces]
        edges = corners - np.roll(corners, 1, axis=1)
        longest.append(np.linalg.norm(edges, axis=2).max(axis=1))
    keep = longest[1] <= MOST_STRETCH * longest[0] + 0.5
    return np.asarray(model.faces[keep])


def draw_overlay(
    path: Path,
    photo_rgb: NDArray[np.uint8],
    stored_size: tuple[int, int],
    lens: Lens,
    pose: Pose,
    orientation: int,
    overlay: Overlay,
    caption: str,
    cards: Surface | None = None,
) -> None:
    """Draw one photograph and write it as JPEG.

    Parameters
    ----------
    photo_rgb : (h, w, 3) uint8
        Stored pixels, unturned; they may have been reduced to no less than `LONG_SIDE_PX`.
    stored_size : width, height, px
        Of the photograph as stored.
    lens, pose : of the stored pixels
    orientation : int
        EXIF orientation, 1 to 8.
    caption : str
        The photograph's name.
    cards : Surface, optional
        What is known to stand about the stone: nothing is drawn where it hides the stone.
    """
    width, height = stored_size
    scale = min(1.0, LONG_SIDE_PX / max(height, width))
    size = (max(round(width * scale), 1), max(round(height * scale), 1))
    # a picture that is hardly reduced looks the same, and is made in a quarter of the time
    way = cv2.INTER_AREA if size[0] < HARDLY * photo_rgb.shape[1] else cv2.INTER_LINEAR
    picture = np.asarray(cv2.resize(photo_rgb, size, interpolation=way), np.uint8)
    hits, corner = _look(lens, pose, overlay, cards, picture.shape[:2], width / size[0])
    if hits is not None:
        rows, columns = hits.met.shape
        part = picture[corner[1] : corner[1] + rows, corner[0] : corner[0] + columns]
        _blend(part, hits, overlay.bands, pose)
    marks = _marks(overlay, lens, pose, hits, corner, width / size[0])
    shown = Image.fromarray(picture)
    shown, places = _upright(shown, [mark.xy for mark in marks], orientation)
    turned = [
        Mark(mark.name, xy, mark.state, mark.sure, mark.figure)
        for mark, xy in zip(marks, places, strict=True)
    ]
    draw_marks(shown, turned, overlay.bands)
    draw_legend(shown, overlay.bands, overlay.title, caption)
    shown.save(path, format="JPEG", quality=JPEG_QUALITY)


def _look(
    lens: Lens,
    pose: Pose,
    overlay: Overlay,
    cards: Surface | None,
    shape: tuple[int, ...],
    factor: float,
) -> tuple[Hits | None, tuple[int, int]]:
    """What the reduced picture's pixels meet, in the part where the stone can be."""
    pixels, depth = project(lens, pose, overlay.rim)
    reduced = (pixels[depth > 1.0] + 0.5) / factor - 0.5
    if not len(reduced):
        return None, (0, 0)
    low = np.clip(np.floor(reduced.min(axis=0)).astype(int) - 1, 0, [shape[1], shape[0]])
    high = np.clip(np.ceil(reduced.max(axis=0)).astype(int) + 2, 0, [shape[1], shape[0]])
    if np.any(high - low < 2):
        return None, (0, 0)
    directions = _directions(lens, pose, low, high, factor)
    eye = pose.centre_frame
    hits = cast(overlay.stone, overlay.at_corners, eye, directions)
    if cards is not None and len(cards.faces):
        asked = _near_cards(lens, pose, cards, low, hits.met.shape, factor)
        covered = np.zeros(asked.shape, dtype=np.bool_)
        towards = directions[asked]
        ahead = cards.first_hit_mm(np.broadcast_to(eye, towards.shape), towards)
        covered[asked] = ahead < hits.distance_mm[asked] + CARD_MM
        # a point behind the card must not be drawn either
        hits = Hits(
            np.where(covered, -np.inf, hits.distance_mm),
            np.where(covered, np.nan, hits.stone_left_mm),
            hits.normals,
        )
    return hits, (int(low[0]), int(low[1]))


def _near_cards(
    lens: Lens,
    pose: Pose,
    cards: Surface,
    low: NDArray[np.int64],
    shape: tuple[int, ...],
    factor: float,
) -> NDArray[np.bool_]:
    """Reduced pixels on which a card lies or nearly lies, counted from `low`."""
    pixels, depth = project(lens, pose, cards.vertices)
    if np.any(depth <= 1.0):
        return np.ones(shape, dtype=np.bool_)
    corners = np.rint((pixels + 0.5) / factor - 0.5 - low).astype(np.int32)
    near = np.zeros(shape, np.uint8)
    for card in corners.reshape(-1, 4, 2):
        cv2.fillConvexPoly(near, card, 1)
        cv2.polylines(near, [card], True, 1, 2 * CARD_RIM_PX + 1)
    return near.astype(np.bool_)


def _directions(
    lens: Lens, pose: Pose, low: NDArray[np.int64], high: NDArray[np.int64], factor: float
) -> NDArray[np.float32]:
    """Unit rays of the reduced pixels low..high; the lens is inverted on a grid of every 8th."""
    coarse = [np.linspace(low[k], high[k] - 1, max((high[k] - low[k]) // 8, 2)) for k in (0, 1)]
    x, y = np.meshgrid(*coarse)
    stored = (np.stack([x, y], axis=-1) + 0.5) * factor - 0.5
    plane = undistort(lens, stored.reshape(-1, 2)).reshape(stored.shape)
    between = []
    for k in (0, 1):
        at = np.linspace(0.0, len(coarse[k]) - 1.0, high[k] - low[k])
        between.append(np.maximum(1.0 - np.abs(at[:, None] - np.arange(len(coarse[k]))), 0.0))
    x, y = (between[1] @ plane[..., k] @ between[0].T for k in (0, 1))
    length = np.sqrt(x * x + y * y + 1.0)
    rays = np.empty((*length.shape, 3), dtype=np.float32)
    for k in range(3):
        rays[..., k] = (x * pose.R[0, k] + y * pose.R[1, k] + pose.R[2, k]) / length
    return rays


def _blend(part: NDArray[np.uint8], hits: Hits, bands: Bands, pose: Pose) -> None:
    """Lay the colours over the stone so that its own light and tool marks stay to be seen."""
    towards_eye = -pose.axis_frame
    colour = paint(hits, bands, towards_eye, 9.0)
    row, column = np.nonzero(hits.met)
    stone = part[row, column].astype(np.float32) / np.float32(255.0)
    grey = stone @ np.full(3, 1.0 / 3.0, np.float32)
    level = np.median(grey[grey > 0.05]) if np.any(grey > 0.05) else 0.5
    relief = np.clip(0.55 + 0.45 * grey / max(float(level), 0.05), 0.35, 1.25)
    opacity = np.where(hits.seen[row, column], OPACITY, NOT_SEEN_OPACITY).astype(np.float32)
    laid = np.clip(colour[row, column] * relief[:, None], 0.0, 1.0)
    part[row, column] = np.rint(np.float32(255.0) * (stone + opacity[:, None] * (laid - stone)))


def _marks(
    overlay: Overlay,
    lens: Lens,
    pose: Pose,
    hits: Hits | None,
    corner: tuple[int, int],
    factor: float,
) -> list[Mark]:
    """The points that this photograph shows, in reduced pixels."""
    if hits is None or not overlay.points:
        return []
    places = np.stack([point.place for point in overlay.points])
    pixels, depth = project(lens, pose, places)
    reduced = (pixels + 0.5) / factor - 0.5
    distance = np.linalg.norm(places - pose.centre_frame, axis=1)
    rows, columns = hits.met.shape
    found = []
    for point, xy, z, away in zip(overlay.points, reduced, depth, distance, strict=True):
        column, row = round(float(xy[0])) - corner[0], round(float(xy[1])) - corner[1]
        if z <= 1.0 or not (0 <= row < rows and 0 <= column < columns):
            continue
        if hits.distance_mm[row, column] > away - HIDDEN_MM:
            at = (float(xy[0]), float(xy[1]))
            found.append(Mark(point.name, at, point.state, point.sure, point.figure))
    return found


_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


def _upright(
    picture: Image.Image, places: Sequence[tuple[float, float]], orientation: int
) -> tuple[Image.Image, list[tuple[float, float]]]:
    """Picture and places turned as the EXIF orientation says (EXIF 2.32, tag 0112)."""
    right, bottom = picture.width - 1.0, picture.height - 1.0
    turned = {
        2: lambda x, y: (right - x, y),
        3: lambda x, y: (right - x, bottom - y),
        4: lambda x, y: (x, bottom - y),
        5: lambda x, y: (y, x),
        6: lambda x, y: (bottom - y, x),
        7: lambda x, y: (bottom - y, right - x),
        8: lambda x, y: (y, right - x),
    }.get(orientation)
    if turned is None:
        return picture, list(places)
    return picture.transpose(_TURNS[orientation]), [turned(x, y) for x, y in places]
