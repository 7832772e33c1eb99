"""Least-squares matching of small patches: sub-pixel positions with their covariance.

A patch of one photograph (the template, seen most squarely) is found again in another by an
affine warp (six unknowns) with free brightness and contrast (two more). Brightness and contrast
are eliminated exactly by making patches zero-mean and of unit norm under the patch's window; the
warp is solved in inverse composition: the template's gradients stay fixed, so the normal matrix
is made once. The warp's linear part is held to its start as a weighted observation, so that weak
texture does not let it run away.

With T the template, J its derivatives by the warp freed of the two radiometric directions, and I
the other patch at the present warp, the step is (J'J)^-1 J'(I - T), and the covariance of the
shift is s^2 (J'J)^-1 with s^2 the residual variance per pixel.

The window falls off towards the patch's edge: an affine warp follows the plane that fits the
patch best, and on rough stone that plane misses the middle of a wide patch.

References
----------
A. W. Gruen, "Adaptive least squares correlation: a powerful image matching technique", South
African Journal of Photogrammetry 14 (1985); S. Baker and I. Matthews, "Lucas-Kanade 20 years
on", IJCV 56 (2004), section 3.2, for inverse composition.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array

ROUNDS = 8
STILL_PX = 0.01
SETTLED_PX = 0.05
LONGEST_STEP_PX = 1.5
WARP_SIGMA = 0.15
"""How far the linear part of the warp may be from its start (unfinished stone is not parallel
to the model)."""
NOISE_GREY = 6.0
"""Grey noise of a pixel as it acts on a whole patch: neighbouring pixels share it (colour
filter, JPEG), so it counts for several times its standard deviation."""
SOFT_PX = 0.7
PIECE = 300
"""Patches worked on at a time."""

Patches = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Window:
    """Pixels of a patch, p of them, and their weights.

    Attributes
    ----------
    grid : (p, 2) float32 array, px
        Offsets (x, y).
    weight, root : (p,) float32 arrays
        Weights, sum 1, and their roots.
    pixels : float
        Number of equally weighted pixels that would tell as much, those between the read ones
        counted in, since neighbours are not independent.
    """

    grid: Patches
    weight: Patches
    root: Patches
    pixels: float


def gaussian_window(half: int, sigma_px: float, every: int = 1) -> Window:
    """Window of 2 half + 1 px square, of which `every` so many are read, falling off.

    `half` must be a multiple of `every`.
    """
    offsets = np.arange(-half, half + 1, every, dtype=np.float32)
    grid = np.stack(np.meshgrid(offsets, offsets), axis=-1).reshape(-1, 2)
    weight = np.exp(-0.5 * np.sum(grid**2, axis=1) / sigma_px**2)
    weight = (weight / weight.sum()).astype(np.float32)
    pixels = every**2 / np.sum(weight**2)
    return Window(grid, weight, np.sqrt(weight), float(pixels))


@dataclass(frozen=True, slots=True)
class Template:
    """Patches to be found again, n of them, zero-mean and of unit norm under their window.

    Attributes
    ----------
    values : (n, p) float32 array
        Times the root of the window.
    slopes : (n, p, 2) float32 array
        Derivatives by x and y, per px, of the same scale as values, without the window.
    contrast : (n,) array
        Standard deviation of the grey values.
    """

    values: Patches
    slopes: Patches
    contrast: Array

    def only(self, rows: NDArray[np.int64] | slice) -> Template:
        """Some of the templates."""
        return Template(self.values[rows], self.slopes[rows], self.contrast[rows])


@dataclass(frozen=True, slots=True)
class Match:
    """Where templates were found, n of them.

    Attributes
    ----------
    pixel : (n, 2) array, px of the picture searched
    warp : (n, 2, 2) array
        Offsets in the template to offsets in the picture.
    likeness : (n,) array
        Correlation coefficient.
    cov_px2 : (n, 2, 2) array
        Covariance of the difference of position between template and picture, px of the picture.
    settled : (n,) bool array
        Whether the steps had become small.
    """

    pixel: Array
    warp: Array
    likeness: Array
    cov_px2: Array
    settled: NDArray[np.bool_]


def soften(gray: NDArray[np.uint8]) -> Patches:
    """Grey values as floats, lightly smoothed so that interpolation does not bias positions."""
    return np.asarray(cv2.GaussianBlur(gray.astype(np.float32), (0, 0), SOFT_PX), np.float32)


def sample(picture: Patches, centre: Array, warp: Array, grid: Patches) -> Patches:
    """Grey values of patches (n, p): bilinear, the picture's edge repeated."""
    gx, gy = grid.T
    c, w = centre.astype(np.float32), warp.astype(np.float32)
    return np.asarray(
        cv2.remap(
            picture,
            c[:, :1] + w[:, 0, :1] * gx + w[:, 0, 1:] * gy,
            c[:, 1:] + w[:, 1, :1] * gx + w[:, 1, 1:] * gy,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def make_template(picture: Patches, centre: Array, window: Window) -> Template:
    """Templates round pixels (n, 2) of one picture."""
    straight = np.broadcast_to(np.eye(2), (len(centre), 2, 2))
    values = np.empty((len(centre), len(window.grid)), np.float32)
    slopes = np.empty((*values.shape, 2), np.float32)
    for start in range(0, len(centre), PIECE):
        part = slice(start, start + PIECE)
        c, w = centre[part], straight[part]
        values[part] = sample(picture, c, w, window.grid)
        for k in range(2):
            half = np.float32(0.5) * np.eye(2, dtype=np.float32)[k]
            ahead = sample(picture, c, w, window.grid + half)
            slopes[part, :, k] = ahead - sample(picture, c, w, window.grid - half)
    values, norm = _standardised(values, window)
    return Template(values, slopes / norm[..., None], norm[:, 0].astype(np.float64))


def find_template(
    picture: Patches, template: Template, centre: Array, warp: Array, window: Window
) -> Match:
    """Find templates again in a picture, from starting positions good to about 3 px.

    Parameters
    ----------
    picture : (h, w) float32 array
    template : Template, n patches
    centre : (n, 2) array, px, starting positions
    warp : (n, 2, 2) array, starting warps
    window : Window
        The one that the templates were made with.
    """
    pieces = [
        _find_piece(picture, template.only(p), centre[p], warp[p], window)
        for p in (slice(s, s + PIECE) for s in range(0, len(centre), PIECE))
    ]
    if not pieces:
        empty = np.zeros((0, 2, 2))
        return Match(np.zeros((0, 2)), empty, np.zeros(0), empty, np.zeros(0, bool))
    return Match(*(np.concatenate(part) for part in zip(*pieces, strict=True)))


def _find_piece(
    picture: Patches, template: Template, centre: Array, warp: Array, window: Window
) -> tuple[Array, Array, Array, Array, NDArray[np.bool_]]:
    J = _derivatives(template, window)
    hold = np.zeros((len(centre), 6))
    noise = (NOISE_GREY / template.contrast) ** 2 / window.pixels
    hold[:, 2:] = (noise / WARP_SIGMA**2)[:, None]
    normal = (J @ np.swapaxes(J, 1, 2)).astype(np.float64)
    inverse = np.linalg.inv(normal + (hold[:, :, None] + 1e-9) * np.eye(6))
    centre, warp, from_start = centre.copy(), warp.copy(), np.linalg.inv(warp)
    size = np.full(len(centre), np.inf)
    active = np.arange(len(centre))
    for _ in range(ROUNDS):
        here, _ = _standardised(sample(picture, centre[active], warp[active], window.grid), window)
        miss = here - template.values[active]
        right = (J[active] @ miss[..., None])[..., 0].astype(np.float64)
        strain = (from_start[active] @ warp[active] - np.eye(2)).reshape(-1, 4)
        right[:, 2:] += hold[active, 2:] * strain
        step = np.einsum("nij,nj->ni", inverse[active], right)
        size[active] = np.linalg.norm(step[:, :2], axis=1)
        step *= np.minimum(1.0, LONGEST_STEP_PX / np.maximum(size[active], 1e-9))[:, None]
        # W <- W o dW^-1 (Baker and Matthews, eq. 36)
        warp[active] = warp[active] @ np.linalg.inv(np.eye(2) + step[:, 2:].reshape(-1, 2, 2))
        centre[active] -= np.einsum("nij,nj->ni", warp[active], step[:, :2])
        active = active[size[active] > STILL_PX]
        if len(active) == 0:
            break
    here, _ = _standardised(sample(picture, centre, warp, window.grid), window)
    likeness = np.einsum("np,np->n", here, template.values).astype(np.float64)
    variance = (1.0 - likeness**2) / window.pixels / np.maximum(likeness, 0.05) ** 2
    cov = variance[:, None, None] * (warp @ inverse[:, :2, :2] @ np.swapaxes(warp, 1, 2))
    return centre, warp, likeness, cov, size < SETTLED_PX


def _derivatives(template: Template, window: Window) -> Patches:
    """Derivatives (n, 6, p) by shift x, y and the warp's linear part, freed of radiometry."""
    gx, gy = window.grid.T
    sx, sy = template.slopes[..., 0], template.slopes[..., 1]
    J = np.stack([sx, sy, sx * gx, sx * gy, sy * gx, sy * gy], axis=1)
    J -= (J @ window.weight)[..., None]
    J *= window.root
    J -= (J @ template.values[..., None]) * template.values[:, None, :]
    return J


def _standardised(values: Patches, window: Window) -> tuple[Patches, Patches]:
    """Patches zero-mean and of unit norm under the window, and their norms (n, 1)."""
    values = (values - (values @ window.weight)[:, None]) * window.root
    norm = np.maximum(np.linalg.norm(values, axis=1, keepdims=True), 1e-3)
    return values / norm, norm
