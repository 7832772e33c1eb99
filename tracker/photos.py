"""Photographs as measuring sees them: stored pixels, lens facts, digest.

The pixels are never turned: EXIF orientation only matters for showing a picture. A photograph
is only ever read.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, UnidentifiedImageError

from tracker.errors import PhotographError

SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp"})
FULL_FRAME_DIAGONAL_MM = 43.2666
"""Diagonal of the 36 x 24 mm frame to which FocalLengthIn35mmFilm refers (EXIF 2.32)."""
ASPECT_TOLERANCE = 0.02
REDUCED_COLOUR = {
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}
"""How OpenCV is asked to decode a part of the size."""


@dataclass(frozen=True, slots=True)
class CameraKey:
    """What must be equal for two photographs to share one lens."""

    make: str
    model: str
    lens: str
    focal_mm: float
    width: int
    height: int

    @property
    def label(self) -> str:
        """Name for people."""
        name = " ".join(part for part in (self.make, self.model) if part) or "unknown camera"
        return f"{name}, {self.width} x {self.height}"


@dataclass(frozen=True, slots=True)
class Photograph:
    """One photograph on disk and what its file says of the camera."""

    path: Path
    sha256: str
    width: int
    height: int
    camera: CameraKey
    focal_guess_px: float
    focal_known: bool
    orientation: int
    taken_at: datetime | None

    @property
    def name(self) -> str:
        """File name, by which the user knows it."""
        return self.path.name


def list_files(folder: Path) -> list[Path]:
    """Files of a folder that may be photographs, in name order.

    Raises
    ------
    PhotographError
        The folder does not exist or holds no file with a photograph's ending.
    """
    if not folder.is_dir():
        raise PhotographError(
            f"There is no folder {folder}.", "Name the folder that holds the day's photographs."
        )
    files = sorted(
        p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and not p.name.startswith(".")
    )
    if not files:
        raise PhotographError(
            f"There are no photographs in {folder}.",
            "Copy the day's photographs (JPEG, PNG, TIFF or HEIC) into it and try again.",
        )
    return files


def read_photograph(path: Path) -> Photograph:
    """Facts of one photograph.

    Raises
    ------
    PhotographError
        Zero bytes, truncated, or no photograph at all.
    """
    data = _read_bytes(path)
    try:
        with Image.open(io.BytesIO(data)) as image:
            exif = image.getexif()
            detail = exif.get_ifd(ExifTags.IFD.Exif)
            width, height = image.size
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError) as error:
        raise PhotographError(
            f"{path.name} is no photograph that can be read.", "Copy it again from the camera."
        ) from error
    tags = {**dict(exif), **dict(detail)}
    focal_mm = _number(tags.get(ExifTags.Base.FocalLength))
    focal_px, known = _focal_guess_px(tags, width, height)
    camera = CameraKey(
        make=_text(tags.get(ExifTags.Base.Make)),
        model=_text(tags.get(ExifTags.Base.Model)),
        lens=_text(tags.get(ExifTags.Base.LensModel)),
        focal_mm=round(focal_mm, 2),
        width=width,
        height=height,
    )
    return Photograph(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        width=width,
        height=height,
        camera=camera,
        focal_guess_px=focal_px,
        focal_known=known,
        orientation=int(tags.get(ExifTags.Base.Orientation, 1) or 1),
        taken_at=_moment(tags.get(ExifTags.Base.DateTimeOriginal)),
    )


def read_gray(photograph: Photograph) -> NDArray[np.uint8]:
    """Stored pixels as grey values, (height, width), unturned.

    Raises
    ------
    PhotographError
        The file is truncated.
    """
    return _decode(photograph.path, cv2.IMREAD_GRAYSCALE)


def read_colour(photograph: Photograph, least_px: int = 0) -> NDArray[np.uint8]:
    """Stored pixels in colour, (height, width, 3) RGB, unturned.

    Parameters
    ----------
    photograph : Photograph
    least_px : int
        Where the longer side need not be longer than this, px, a JPEG may be decoded at a half, a
        quarter or an eighth of its size, which is quicker; 0 asks for all pixels.

    Raises
    ------
    PhotographError
        The file is truncated.
    """
    longer = max(photograph.width, photograph.height)
    parts = [p for p in REDUCED_COLOUR if 0 < p * least_px <= longer]
    flags = REDUCED_COLOUR[max(parts)] if parts else cv2.IMREAD_COLOR
    bgr = _decode(photograph.path, flags)
    return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), np.uint8)


def _decode(path: Path, flags: int) -> NDArray[np.uint8]:
    data = _read_bytes(path)
    complete = data[:2] != b"\xff\xd8" or b"\xff\xd9" in data[-4096:]
    image: NDArray[np.uint8] | None = None
    if path.suffix.lower() in {".heic", ".heif"}:
        image = _decode_heif(data, flags)
    elif complete:
        image = cv2.imdecode(  # type: ignore[assignment]
            np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION
        )
    if image is None:
        raise PhotographError(f"{path.name} is cut short.", "Copy it again from the camera.")
    return image


def _decode_heif(data: bytes, flags: int) -> NDArray[np.uint8]:
    with Image.open(io.BytesIO(data)) as image:
        mode = "L" if flags == cv2.IMREAD_GRAYSCALE else "RGB"
        pixels = np.asarray(image.convert(mode))
    return pixels if mode == "L" else np.ascontiguousarray(pixels[..., ::-1])


def _read_bytes(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PhotographError(
            f"{path.name} cannot be opened ({error.strerror}).", "Check the file and try again."
        ) from error
    if not data:
        raise PhotographError(f"{path.name} is empty (0 bytes).", "Copy it again from the camera.")
    return data


def _focal_guess_px(tags: dict[int, object], width: int, height: int) -> tuple[float, bool]:
    """First focal length in px and whether EXIF vouches for it."""
    diagonal_px = float(np.hypot(width, height))
    in_35mm = _number(tags.get(ExifTags.Base.FocalLengthIn35mmFilm))
    exif_w = _number(tags.get(ExifTags.Base.ExifImageWidth))
    exif_h = _number(tags.get(ExifTags.Base.ExifImageHeight))
    if in_35mm > 0 and not _cropped(exif_w, exif_h, width, height):
        return in_35mm * diagonal_px / FULL_FRAME_DIAGONAL_MM, True
    return 0.8 * max(width, height), False


def _cropped(exif_w: float, exif_h: float, width: int, height: int) -> bool:
    """Whether the picture's proportions differ from the ones that the camera recorded."""
    if exif_w <= 0 or exif_h <= 0:
        return False
    recorded = max(exif_w, exif_h) / min(exif_w, exif_h)
    actual = max(width, height) / min(width, height)
    return abs(recorded / actual - 1.0) > ASPECT_TOLERANCE


def _number(value: object) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return 0.0
    return number if np.isfinite(number) else 0.0


def _text(value: object) -> str:
    return str(value).strip("\x00 ") if value is not None else ""


def _moment(value: object) -> datetime | None:
    try:
        return datetime.strptime(_text(value), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
