"""One rendered photograph, from rays to the finished picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from scripts.scene.camera import Station, TrueLens, corner_grid
from scripts.scene.film import Film, develop, tone_curve
from scripts.scene.light import LitScene
from scripts.scene.meshes import STONE
from scripts.scene.printing import print_cards
from scripts.scene.setting import Card
from scripts.scene.shade import aim, shade
from scripts.scene.tags import modules

Array = NDArray[np.float64]
BAND = 160
"""Rows rendered together; bounds memory."""
FINE = 10
"""The print is averaged over FINE x FINE cells of a pixel."""


@dataclass(frozen=True, slots=True)
class Stone:
    """Look of the stone: linear RGB, fine relief, seed of its texture; pencil rings (n, 7).

    `grain` is the strength of its own tones; `dots` and `speckle` that of what was put on plaster.
    """

    rgb: tuple[float, float, float]
    bump: float
    seed: int
    rings: Array
    grain: float = 1.0
    dots: float = 0.0
    speckle: float = 0.0


class Darkroom:
    """Renders the photographs of one stage with one lens."""

    def __init__(
        self, scene: LitScene, cards: list[Card], lens: TrueLens, stone: Stone, film: Film
    ):
        self.scene, self.cards, self.lens, self.stone, self.film = scene, cards, lens, stone, film
        self.grid = corner_grid(lens)
        self.bits = np.stack([modules(c.tag) for c in cards])
        self.halves = np.array([0.5 * c.side_mm for c in cards])
        s = scene
        self.tables = (
            s.faces,
            s.vertices,
            s.normals,
            s.sky,
            s.lamp,
            s.tone,
            s.ring,
            s.material,
            s.number,
            s.colour,
        )
        light = scene.light
        window = np.asarray(light.window) / np.linalg.norm(light.window)
        self.lights = np.stack([s.lamp_at, light.lamp_rgb, light.sky_rgb, window])
        self.look = np.array([*stone.rgb, stone.bump, stone.grain, stone.dots, stone.speckle])

    def card_frames(self, station: Station) -> Array:
        """Centre, right, up, normal of each card in camera coordinates, (n, 4, 3)."""
        made = []
        for c in self.cards:
            ways = np.stack([c.right, c.up, c.normal]) @ station.R.T
            made.append(np.vstack([station.R @ c.centre + station.t, ways]))
        return np.stack(made)

    def samples(
        self, station: Station, rows: NDArray, cols: NDArray, k: int, seed: int
    ) -> tuple[NDArray, ...]:
        """Sample k of the given pixels: light, card, distance, face."""
        rays = np.empty((len(rows), 6), np.float32)
        aim(self.grid, rows, cols, k, seed, station.R, station.centre, rays)
        hit = self.scene.caster.cast_rays(rays)
        t, face, uv = (hit[n].numpy() for n in ("t_hit", "primitive_ids", "primitive_uvs"))
        rgb = np.empty((len(rows), 3), np.float32)
        card = np.empty(len(rows), np.int16)
        shade(
            rays,
            t,
            face,
            uv,
            self.tables,
            self.lights,
            self.look,
            self.stone.rings,
            self.stone.seed,
            rgb,
            card,
        )
        return rgb, card, t, face

    def band(
        self,
        station: Station,
        first: int,
        last: int,
        seed: int,
        image: NDArray,
        depth: NDArray,
        frames: Array,
    ) -> None:
        """Renders rows first..last-1 into `image` (linear) and `depth` (mm)."""
        h, w = last - first, self.lens.width
        rr, cc = np.divmod(np.arange(first * w, last * w), w)
        rgb, card, t, face = self.samples(station, rr, cc, 0, seed)
        depth[first:last] = np.where(np.isfinite(t), t, 4000.0).reshape(h, w)
        hit = np.isfinite(t)
        kind = np.full(len(t), 9, np.uint8)
        kind[hit] = self.scene.material[face[hit]]
        needs = (kind == STONE) | (card >= 0)
        key = (kind.astype(np.int32) * 64 + card).reshape(h, w).astype(np.float32)
        edge = cv2.dilate(key, np.ones((3, 3))) != cv2.erode(key, np.ones((3, 3)))
        pick = np.flatnonzero(needs | edge.ravel())
        lights = np.zeros((len(pick), 4, 3), np.float32)
        cards = np.full((len(pick), 4), -1, np.int16)
        lights[:, 0], cards[:, 0] = rgb[pick], card[pick]
        for k in range(1, 4):
            lights[:, k], cards[:, k], _, _ = self.samples(station, rr[pick], cc[pick], k, seed)
        rgb[pick] = np.where((cards < 0)[..., None], lights, 0.0).mean(axis=1)
        image[first:last] = rgb.reshape(h, w, 3)
        some = (cards >= 0).any(axis=1)
        whole = (cards[some] >= 0).all(axis=1) & (cards[some] == cards[some][:, :1]).all(axis=1)
        print_cards(
            rr[pick][some],
            cc[pick][some],
            cards[some],
            lights[some],
            whole,
            self.grid,
            frames,
            self.halves,
            self.bits,
            FINE,
            seed,
            image,
        )

    def linear(
        self, station: Station, seed: int, rows: tuple[int, int] | None = None
    ) -> tuple[NDArray, NDArray]:
        """Sharp noise-free picture in linear light, and distances (mm)."""
        image = np.zeros((self.lens.height, self.lens.width, 3), np.float32)
        depth = np.full((self.lens.height, self.lens.width), 4000.0, np.float32)
        frames = self.card_frames(station)
        low, high = rows or (0, self.lens.height)
        for first in range(low, high, BAND):
            self.band(station, first, min(high, first + BAND), seed, image, depth, frames)
        return image, depth

    def blurred(self, image: NDArray, depth: NDArray, focus_mm: float) -> NDArray:
        """The picture through the lens: PSF, wider where out of focus."""
        reach = (
            self.film.aperture_mm * self.lens.focal_px * np.abs(1.0 / depth - 1.0 / focus_mm) / 4.0
        )
        sigma2 = np.minimum(self.film.psf_px**2 + reach**2, (5.6 * self.film.psf_px) ** 2)
        levels = [self.film.psf_px * s for s in (1.0, 1.3, 1.7, 2.4, 3.6, 5.6)]
        out = np.zeros_like(image)
        for i, s in enumerate(levels):
            weight = np.ones_like(sigma2)
            if i:
                weight = np.clip((sigma2 - levels[i - 1] ** 2) / (s**2 - levels[i - 1] ** 2), 0, 1)
            if i + 1 < len(levels):
                above = np.clip((sigma2 - s**2) / (levels[i + 1] ** 2 - s**2), 0, 1)
                weight = weight * (1.0 - above)
            if weight.any():
                soft = cv2.GaussianBlur(image, (0, 0), float(s), borderType=cv2.BORDER_REPLICATE)
                out += weight[..., None] * soft
        return out

    def photograph(self, station: Station, focus_mm: float, seed: int) -> NDArray[np.uint8]:
        """The finished picture as the sensor stores it, RGB, 8 bit."""
        image, depth = self.linear(station, seed)
        image = self.blurred(image, depth, focus_mm)
        rng = np.random.default_rng(seed)
        gain = self.film.exposure * rng.uniform(0.95, 1.05)
        noise = rng.standard_normal(image.shape, np.float32)
        out = np.empty(image.shape, np.uint8)
        centre = np.array(self.lens.centre_px)
        develop(
            image * np.float32(gain),
            noise,
            centre,
            self.film.fall_off,
            self.film.shot,
            self.film.read,
            tone_curve(self.film),
            out,
        )
        return out
