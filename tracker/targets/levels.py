"""Black and white levels of one target.

The grey values of the middles of its modules give them, less what blur carries over from the
neighbours: either a plane each over the whole target, or a local mean where a shadow crosses it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.targets.edges import grey_at
from tracker.targets.family import FAMILY_SIZE, SQUARE_MODULES, white_modules

LEVEL_KERNEL_MODULES = 1.6
SPREAD_MODULES = 0.18
"""Places at +- this from a module's middle give its grey value."""
RIDGE = 1e-9 * np.eye(6)
CERTAIN_SIGMAS = 6.0
"""Beyond, the normal distribution is taken for 0 or 1, which is true to 1e-9."""
SQRT_2 = math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Middles:
    """Grey values of the middles of all modules, rim included.

    Attributes
    ----------
    modules : (100, 2) array
    white : (100,) array of bool
    share : (100,) array
        Expected share of white there, between 0 and 1, given the blur.
    grey : (100,) array
    """

    modules: Array
    white: NDArray[np.bool_]
    share: Array
    grey: Array


@lru_cache(maxsize=1)
def module_middles() -> Array:
    """Centres of the 10 x 10 modules, (100, 2), row by row."""
    axis = np.arange(10) - 0.5
    x, y = np.meshgrid(axis, axis)
    return np.stack([x.ravel(), y.ravel()], axis=-1)


@lru_cache(maxsize=1)
def middle_spots() -> Array:
    """Five places round the middle of every module, (500, 2), module by module."""
    d = SPREAD_MODULES
    around = np.array([[0.0, 0.0], [-d, -d], [d, -d], [-d, d], [d, d]])
    return np.asarray((module_middles()[:, None, :] + around).reshape(-1, 2), np.float64)


def white_share(tag: int, modules: Array, blur_modules: Array) -> Array:
    """Share of white in a Gaussian neighbourhood of places on a target.

    Parameters
    ----------
    tag : int
    modules : (n, 2) array
    blur_modules : (2,) array
        Standard deviations of the neighbourhood along x and y.

    Returns
    -------
    (n,) array
        0 is all black, 1 all white; beyond the rim everything counts as white.
    """
    share = np.empty(len(modules))
    _white_share(black_modules(tag), modules, blur_modules, share)
    return share


@lru_cache(maxsize=FAMILY_SIZE)
def black_modules(tag: int) -> NDArray[np.bool_]:
    """Which modules of the square are black, (8, 8), row by row."""
    return np.ascontiguousarray(~white_modules(tag)[1:-1, 1:-1])


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def share_below(sigmas: float) -> float:
    """The normal distribution's share below so many sigmas."""
    if abs(sigmas) > CERTAIN_SIGMAS:
        return 1.0 if sigmas > 0.0 else 0.0
    return 0.5 * math.erfc(-sigmas / SQRT_2)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _white_share(black: NDArray[np.bool_], modules: Array, blur: Array, share: Array) -> None:
    """Fills the share of white at n places: 1 less the mass of the neighbourhood on black."""
    across = np.empty(SQUARE_MODULES)
    for n in range(len(modules)):
        below = share_below(-modules[n, 0] / blur[0])
        for column in range(SQUARE_MODULES):
            above = share_below((column + 1.0 - modules[n, 0]) / blur[0])
            across[column] = above - below
            below = above
        mass = 0.0
        below = share_below(-modules[n, 1] / blur[1])
        for row in range(SQUARE_MODULES):
            above = share_below((row + 1.0 - modules[n, 1]) / blur[1])
            if above > below:
                for column in range(SQUARE_MODULES):
                    if black[row, column]:
                        mass += (above - below) * across[column]
            below = above
        share[n] = 1.0 - mass


def read_middles(
    tag: int, patch: NDArray[np.float32], spots_px: Array, blur_modules: Array
) -> Middles:
    """Grey values of the modules.

    Parameters
    ----------
    tag : int
    patch : (h, w) array
    spots_px : (500, 2) array, px
        Where the places of `middle_spots` are in the patch.
    blur_modules : (2,) array
    """
    modules = module_middles()
    share = white_share(tag, modules, blur_modules)
    grey = _grey_of(patch, spots_px, len(modules))
    return Middles(modules, white_modules(tag).ravel(), share, grey)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _grey_of(patch: NDArray[np.float32], spots_px: Array, groups: int) -> Array:
    """Mean grey value of each group of spots, (groups,)."""
    grey, size = np.zeros(groups), len(spots_px) // groups
    for n in range(len(spots_px)):
        grey[n // size] += grey_at(patch, spots_px[n, 0], spots_px[n, 1]) / size
    return grey


@dataclass(frozen=True, slots=True)
class LevelPlanes:
    """Black and white over the target, each (3,): middle, slope along x and y per half side."""

    black: Array
    white: Array

    def at(self, modules: Array) -> tuple[Array, Array]:
        """Black and white level at places (n, 2) modules."""
        basis = _basis(modules)
        return basis @ self.black, basis @ self.white


def fit_planes(middles: Middles) -> LevelPlanes:
    """Robust planes through the middles' grey values, blur from the neighbours accounted for."""
    solution = _plane_levels(_basis(middles.modules), middles.share, middles.grey)
    return LevelPlanes(solution[:3], solution[3:])


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _plane_levels(plane: Array, share: Array, grey: Array) -> Array:
    """Coefficients (6,) of the black and the white plane, Huber's weights."""
    A = np.empty((len(grey), 6))
    for k in range(3):
        A[:, k], A[:, 3 + k] = plane[:, k] * (1.0 - share), plane[:, k] * share
    solution = np.linalg.solve(A.T @ A + RIDGE, A.T @ grey)
    for _ in range(2):
        miss = np.abs(grey - A @ solution)
        spread = 1.4826 * np.sort(miss)[len(miss) // 2] + 0.5
        Aw = A * np.minimum(1.0, 1.5 * spread / np.maximum(miss, 1e-9)).reshape(-1, 1)
        solution = np.linalg.solve(Aw.T @ A + RIDGE, Aw.T @ grey)
    return solution  # type: ignore[return-value]


def _basis(modules: Array) -> Array:
    basis = np.ones((len(modules), 3))
    basis[:, 1:] = modules / 4.0 - 1.0
    return basis


def levels_nearby(middles: Middles, planes: LevelPlanes, where: Array) -> tuple[Array, Array]:
    """Black and white level at places (n, 2) modules, from the modules round each place."""
    black, white = planes.at(middles.modules)
    pure = middles.grey - (middles.share - middles.white) * (white - black)
    return (
        _nearby(middles.modules[~middles.white], pure[~middles.white], where),
        _nearby(middles.modules[middles.white], pure[middles.white], where),
    )


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _nearby(at: Array, grey: Array, where: Array) -> Array:
    """Means of grey round places (n, 2), by a Gaussian of the distance."""
    level = np.empty(len(where))
    for n in range(len(where)):
        total, share = 0.0, 0.0
        for k in range(len(at)):
            dx, dy = where[n, 0] - at[k, 0], where[n, 1] - at[k, 1]
            weight = math.exp(-0.5 * (dx * dx + dy * dy) / LEVEL_KERNEL_MODULES**2) + 1e-12
            total += weight * grey[k]
            share += weight
        level[n] = total / share
    return level
