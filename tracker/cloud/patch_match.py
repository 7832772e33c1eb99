"""Least-squares matching of small patches: sub-pixel positions with their covariance.

A patch of one photograph (the template, seen most squarely) is found again in another by an
affine warp (six unknowns) with free brightness and contrast (two more). Brightness and contrast
are eliminated exactly by making patches zero-mean and of unit norm under the patch's window; the
warp is solved in inverse composition: the template's gradients stay fixed, so the normal matrix
is made once. The warp's linear part is held to its start as a weighted observation, so that weak
texture does not let it run away.

With T the template, J its derivatives by the warp freed of the two radiometric directions, and I
the other patch at the present warp, the step is (J'J)^-1 J'(I - T), and the covariance of the
shift is s^2 (J'J)^-1 with s^2 the residual variance per pixel. The loops are in `patch_follow`.

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

from tracker.cloud.patch_follow import cut_templates, follow
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
    slopes : (n, 2, p) float32 array
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


def make_template(picture: Patches, centre: Array, window: Window) -> Template:
    """Templates round pixels (n, 2) of one picture."""
    n, p = len(centre), len(window.grid)
    values, slopes = np.empty((n, p), np.float32), np.empty((n, 2, p), np.float32)
    contrast = np.empty(n)
    places = centre.astype(np.float64)
    cut_templates(
        picture, places, window.grid, window.weight, window.root, values, slopes, contrast
    )
    return Template(values, slopes, contrast)


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
    centre, warp = centre.astype(np.float64), warp.astype(np.float64)
    noise = (NOISE_GREY / template.contrast) ** 2 / window.pixels
    size, likeness = np.full(len(centre), np.inf), np.zeros(len(centre))
    spread = np.zeros((len(centre), 2, 2))
    follow(
        picture, template.values, template.slopes, noise / WARP_SIGMA**2, window.grid,
        window.weight, window.root, ROUNDS, STILL_PX, LONGEST_STEP_PX, centre, warp, size,
        likeness, spread,
    )  # fmt: skip
    variance = (1.0 - likeness**2) / window.pixels / np.maximum(likeness, 0.05) ** 2
    return Match(centre, warp, likeness, variance[:, None, None] * spread, size < SETTLED_PX)
