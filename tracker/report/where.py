"""Where a place is on the block: the part of a photograph that shows it best.

Works on the stage's overlays, which are smaller than the photographs and stand upright; the
record says how the photograph lay and how large it was.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tracker.maths.camera import Array, Lens, Pose, project
from tracker.records.stage_facts import PhotoFacts
from tracker.surface import Surface

SHOWN_MM = 140.0
"""Side of the square round the place, at its distance."""
LEAST_COSINE = 0.15
EDGE_SHARE = 0.04
CLEAR_MM = 3.0
SQUARE_PX, JPEG_QUALITY = 420, 85


@dataclass(frozen=True, slots=True)
class Seen:
    """A place in an overlay.

    Attributes
    ----------
    overlay : Path
    xy : (x, y)
        px in the overlay.
    px_per_mm : float
        At the place, in the overlay.
    """

    overlay: Path
    xy: tuple[float, float]
    px_per_mm: float


@dataclass(frozen=True, slots=True)
class Cut:
    """A square cut from an overlay, and where the place is in it, 0 to 1 from the upper left."""

    picture: Image.Image
    xy: tuple[float, float]

    def jpeg(self) -> io.BytesIO:
        """The picture as a JPEG file."""
        file = io.BytesIO()
        self.picture.save(file, format="JPEG", quality=JPEG_QUALITY)
        file.seek(0)
        return file


def best_view(
    place: Array,
    outward: Array,
    photos: Sequence[PhotoFacts],
    overlays: Path,
    surface: Surface | None,
    cards: Surface | None = None,
) -> Seen | None:
    """The photograph that looks at the place most squarely and closely; None where none does.

    One in which a card stands before the place serves only where there is no other.

    Parameters
    ----------
    place, outward : (3,) arrays, mm, frame coordinates
        On the stone; where it faces, zero if not known.
    surface : Surface, optional
        The model, which may hide the place.
    cards : Surface, optional
        Target cards, which may stand before it.
    """
    found: list[tuple[float, Seen]] = []
    for photo in photos:
        looked = _look(place, outward, photo, overlays)
        if looked is not None:
            found.append(looked)
    ranked = [seen for _, seen in sorted(found, key=lambda pair: (-pair[0], pair[1].overlay.name))]
    clear = [s for s in ranked if surface is None or _clear(place, _centre(photos, s), surface)]
    free = (s for s in clear if cards is None or _clear(place, _centre(photos, s), cards))
    return next(free, clear[0] if clear else None)


def cut_out(seen: Seen) -> Cut | None:
    """The square round the place; None where the overlay cannot be read."""
    try:
        with Image.open(seen.overlay) as opened:
            picture = opened.convert("RGB")
    except OSError:
        return None
    side = min(round(SHOWN_MM * seen.px_per_mm), *picture.size)
    left, top = (
        round(min(max(centre - 0.5 * side, 0), limit - side))
        for centre, limit in zip(seen.xy, picture.size, strict=True)
    )
    part = picture.crop((left, top, left + side, top + side))
    part = part.resize((SQUARE_PX, SQUARE_PX), Image.Resampling.LANCZOS)
    return Cut(part, ((seen.xy[0] - left) / side, (seen.xy[1] - top) / side))


def lens_of(photo: PhotoFacts) -> Lens:
    """The lens of a photograph on record."""
    k1, k2, p1, p2, k3 = (float(value) for value in np.asarray(photo.dist))
    K = np.asarray(photo.K)
    return Lens(float(K[0, 0]), float(K[0, 2]), float(K[1, 2]), k1, k2, p1, p2, k3)


def _look(
    place: Array, outward: Array, photo: PhotoFacts, overlays: Path
) -> tuple[float, Seen] | None:
    """How well a photograph shows the place, and where in its overlay."""
    path = overlays / f"{Path(photo.file).stem}.jpg"
    if not photo.used or photo.R is None or photo.K is None or not path.is_file():
        return None
    pose = Pose(np.asarray(photo.R), np.asarray(photo.t))
    toward = pose.centre_frame - place
    cosine = float(outward @ toward) / float(np.linalg.norm(toward))
    if np.any(outward) and cosine < LEAST_COSINE:
        return None
    pixel, depth = project(lens_of(photo), pose, place[None])
    size = _overlay_size(path)
    at = None if size is None else _in_overlay(pixel[0], photo, size)
    if at is None or size is None or depth[0] <= 1.0:
        return None
    xy, scale = at
    if not all(
        EDGE_SHARE * limit < value < (1.0 - EDGE_SHARE) * limit
        for value, limit in zip(xy, size, strict=True)
    ):
        return None
    px_per_mm = scale * float(np.asarray(photo.K)[0, 0]) / float(depth[0])
    return (cosine if np.any(outward) else 1.0) * px_per_mm, Seen(path, xy, px_per_mm)


def _overlay_size(path: Path) -> tuple[int, int] | None:
    try:
        with Image.open(path) as picture:
            return picture.size
    except OSError:
        return None


def _in_overlay(
    pixel: Array, photo: PhotoFacts, size: tuple[int, int]
) -> tuple[tuple[float, float], float] | None:
    """Pixel of the stored photograph in its upright overlay, and the overlay's scale.

    An old record does not tell the photograph's size: it is then taken from the principal point,
    and only for an overlay that lies as the photograph did.
    """
    if photo.size_px is None:
        K = np.asarray(photo.K)
        stored = np.array([2.0 * K[0, 2] + 1.0, 2.0 * K[1, 2] + 1.0])
        if (stored[0] > stored[1]) != (size[0] > size[1]):
            return None
    else:
        stored = np.array(photo.size_px, dtype=np.float64)
    scale = max(size) / float(stored.max())
    x, y = (pixel + 0.5) * scale - 0.5
    right, bottom = np.round(stored * scale) - 1.0
    turned = {
        1: (x, y),
        2: (right - x, y),
        3: (right - x, bottom - y),
        4: (x, bottom - y),
        5: (y, x),
        6: (bottom - y, x),
        7: (bottom - y, right - x),
        8: (y, right - x),
    }.get(photo.orientation, (x, y))
    return (float(turned[0]), float(turned[1])), scale


def _centre(photos: Sequence[PhotoFacts], seen: Seen) -> Array:
    photo = next(p for p in photos if Path(p.file).stem == seen.overlay.stem)
    return Pose(np.asarray(photo.R), np.asarray(photo.t)).centre_frame


def _clear(place: Array, eye: Array, surface: Surface) -> bool:
    """Whether nothing of a surface lies between a place and the eye."""
    way = eye - place
    far = float(np.linalg.norm(way))
    way = way / far
    start: NDArray[np.float64] = (place + CLEAR_MM * way)[None]
    return bool(surface.first_hit_mm(start, way[None])[0] > far - CLEAR_MM)
