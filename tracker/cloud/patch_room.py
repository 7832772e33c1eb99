"""What the loops over patches work with: a level's photographs, the window, room for a patch."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from tracker.cloud.patch_normal import MOMENTS, TRENDS, UNKNOWNS
from tracker.cloud.patch_sampling import PLACE
from tracker.cloud.patch_views import ViewStack
from tracker.cloud.patch_window import MAX_VIEWS, window
from tracker.maths.camera import Array


class Photographs(NamedTuple):
    """One level of the photographs, see `ViewStack`; `scale` is its pixel, 1, 2 or 4."""

    pixels: np.ndarray
    layout: np.ndarray
    scale: float
    cameras: Array
    centres: Array


class Window(NamedTuple):
    """Points and weights of a patch, see `patch_window.window`."""

    half: int
    sheet: np.ndarray
    trends: Array


class Room(NamedTuple):
    """Arrays that are filled anew for every patch.

    Attributes
    ----------
    sheet : (ROWS, n) float32, what belongs to the points, see `patch_window`
    place, words : see `patch_sampling.sample_patch`
    moments, trend, lean : see `patch_normal.sum_view`
    shown : (MAX_VIEWS,) part of the patch that each photograph shows, by weight
    """

    sheet: np.ndarray
    place: Array
    words: np.ndarray
    moments: Array
    trend: Array
    lean: Array
    shown: Array


def photographs_of(stack: ViewStack, level: int) -> Photographs:
    """One level of a stack."""
    return Photographs(
        stack.levels[level], stack.layout[level], float(1 << level), stack.cameras, stack.centres
    )


def window_of(half: int, softness: float) -> Window:
    """A bell window of 2 half + 1 squared points, of standard deviation softness * half."""
    return Window(half, *window(half, softness))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def make_room(window: Window) -> Room:
    """Room for one patch of a window at a time."""
    return Room(
        window.sheet.copy(),
        np.zeros(PLACE),
        np.zeros(window.sheet.shape[1], np.uint32),
        np.zeros((7, MOMENTS)),
        np.zeros((UNKNOWNS, TRENDS)),
        np.zeros(UNKNOWNS),
        np.ones(MAX_VIEWS),
    )
