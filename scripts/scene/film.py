"""The phone's picture: noise, tone curve, 8 bit, JPEG with EXIF."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from PIL import Image

from scripts.scene.camera import Station, TrueLens

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Film:
    """The phone's picture: PSF sigma (px), aperture (mm), tone and noise.

    `contrast` is the share of the S-curve on top of sRGB; `shot` and `read` are standard
    deviations at white and in the dark, of white.
    """

    psf_px: float = 0.62
    aperture_mm: float = 1.8
    contrast: float = 0.35
    exposure: float = 1.0
    fall_off: float = 0.30
    shot: float = 0.007
    read: float = 0.0018
    quality: int = 88
    make: str = "Demo"
    model: str = "Handheld 6"


def tone_curve(film: Film) -> Array:
    """8-bit value of linear light, 4096 steps: sRGB (IEC 61966-2-1), then the phone's curve."""
    e = np.linspace(0.0, 1.0, 4096)
    s = np.where(e <= 0.0031308, 12.92 * e, 1.055 * np.maximum(e, 1e-9) ** (1 / 2.4) - 0.055)
    return 255.0 * ((1 - film.contrast) * s + film.contrast * s * s * (3.0 - 2.0 * s))


@njit(cache=True, parallel=True)
def develop(image, noise, centre, fall_off, shot, read, curve, out):  # type: ignore[no-untyped-def]
    """Vignetting, shot and read noise, tone curve (4096 steps), 8 bit."""
    h, w = image.shape[:2]
    for i in prange(h):
        for j in range(w):
            r2 = ((j - centre[0]) ** 2 + (i - centre[1]) ** 2) / (0.25 * (w * w + h * h))
            gain = 1.0 - fall_off * r2 + 0.35 * fall_off * r2 * r2
            for c in range(3):
                e = image[i, j, c] * gain
                e += noise[i, j, c] * np.sqrt(shot * shot * max(e, 0.0) + read * read)
                k = min(max(e, 0.0), 1.0) * 4095.0
                k0 = min(int(k), 4094)
                value8 = curve[k0] + (k - k0) * (curve[k0 + 1] - curve[k0])
                out[i, j, c] = np.uint8(min(255.0, max(0.0, np.floor(value8 + 0.5))))


def save_jpeg(
    path: Path,
    picture: NDArray[np.uint8],
    station: Station,
    lens: TrueLens,
    film: Film,
    taken: datetime,
) -> None:
    """Writes the JPEG with the EXIF facts a phone gives (CIPA DC-008)."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = film.make, film.model, station.orientation
    exif[0x0132] = taken.strftime("%Y:%m:%d %H:%M:%S")
    inner = exif.get_ifd(0x8769)
    diagonal = float(np.hypot(lens.width, lens.height))
    inner[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    inner[0x920A] = 5.6
    inner[0xA405] = round(lens.focal_px * 43.2666 / diagonal)
    inner[0x829D], inner[0x829A], inner[0x8827] = 1.8, 1 / 120, 64
    inner[0xA002], inner[0xA003] = lens.width, lens.height
    Image.fromarray(picture).save(
        path, quality=film.quality, exif=exif, subsampling=2, optimize=True
    )
