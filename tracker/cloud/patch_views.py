"""Photographs made ready for dense measuring: the stone's part of each, at several sizes.

Only the part in which the stone can lie is kept, as 8-bit grey, so memory is bounded by the
photographs' own size. Level 0 is the photograph's own resolution; each further level halves it
by area means. Pixel (0, 0) is the centre of the first pixel at every level, so a coordinate maps
as (x + 0.5) / 2 - 0.5 from one level to the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array, Lens, Pose, project

LEVELS = 3
"""Photograph, half and quarter size."""

ALIGN_PX = 1 << (LEVELS - 1)


@dataclass(frozen=True, slots=True)
class View:
    """One photograph with its adjusted camera.

    Attributes
    ----------
    name : str
    gray : (height, width) uint8 array, stored pixels
    lens, pose : Lens, Pose
        Interior orientation and T_camera_frame.
    """

    name: str
    gray: NDArray[np.uint8]
    lens: Lens
    pose: Pose


@dataclass(frozen=True, slots=True)
class ViewStack:
    """The stone's part of all photographs, packed for compiled loops.

    Attributes
    ----------
    levels : tuple of flat uint8 arrays
        Pixels of all photographs one after the other, row by row, for each level.
    layout : (levels, n, 5) int64 array
        Start in the flat array, width, height, left, top of each photograph's part; left and top
        in pixels of that level.
    cameras : (n, 20) array
        R (9, row by row), t (3, mm), focal, cx, cy (px), k1, k2, p1, p2, k3.
    centres : (n, 3) array, mm, frame coordinates
    """

    levels: tuple[NDArray[np.uint8], ...]
    layout: NDArray[np.int64]
    cameras: Array
    centres: Array

    @property
    def count(self) -> int:
        """Number of photographs."""
        return len(self.cameras)

    def part(self, level: int, view: int) -> NDArray[np.uint8]:
        """Pixels of one photograph's part at a level, (height, width)."""
        start, width, height, _, _ = (int(v) for v in self.layout[level, view])
        return self.levels[level][start : start + width * height].reshape(height, width)


def stack_views(views: Sequence[View], box: tuple[Array, Array]) -> ViewStack:
    """Crops every photograph to the box and packs it at all levels.

    Parameters
    ----------
    views : photographs with their cameras
    box : lowest and highest corner, mm, frame coordinates
        The room in which stone can be.
    """
    cameras = np.array(
        [np.concatenate([v.pose.R.ravel(), v.pose.t.ravel(), v.lens.vector]) for v in views]
    ).reshape(-1, 20)
    crops = [_crop(view, box) for view in views]
    layout = np.zeros((LEVELS, len(views), 5), dtype=np.int64)
    for level in range(LEVELS):
        start = 0
        for k, (left, top, width, height) in enumerate(crops):
            size = (width >> level, height >> level)
            layout[level, k] = (start, *size, left >> level, top >> level)
            start += size[0] * size[1]
    flats = [
        np.empty(int((layout[level, :, 1] * layout[level, :, 2]).sum()), dtype=np.uint8)
        for level in range(LEVELS)
    ]
    for k, (view, (left, top, width, height)) in enumerate(zip(views, crops, strict=True)):
        pixels = view.gray[top : top + height, left : left + width]
        for level in range(LEVELS):
            start, w, h, _, _ = (int(v) for v in layout[level, k])
            shrunk = cv2.resize(pixels, (w, h), interpolation=cv2.INTER_AREA) if level else pixels
            flats[level][start : start + w * h] = shrunk.ravel()
    centres = np.array([v.pose.centre_frame for v in views]).reshape(-1, 3)
    return ViewStack(tuple(flats), layout, cameras, centres)


def _crop(view: View, box: tuple[Array, Array]) -> tuple[int, int, int, int]:
    """Left, top, width, height of the box in a photograph, whole multiples of the coarsest pixel.

    A box that the photograph misses, or that reaches behind the camera, gives an empty part or the
    whole photograph.
    """
    low, high = box
    grid = np.array(
        [[(low, high)[i][0], (low, high)[j][1], (low, high)[k][2]] for i in (0, 1)
         for j in (0, 1) for k in (0, 1)]
    )  # fmt: skip
    pixels, depth = project(view.lens, view.pose, grid)
    height, width = view.gray.shape
    if depth.max() <= 0.0:
        return 0, 0, 0, 0
    if depth.min() <= 0.0:
        first, last = np.zeros(2), np.array([width, height], dtype=np.float64)
    else:
        first, last = pixels.min(axis=0) - 8.0, pixels.max(axis=0) + 8.0
    limit = np.array([width, height])
    lo = np.clip(np.floor(first), 0, limit).astype(int) // ALIGN_PX * ALIGN_PX
    hi = np.clip(np.ceil(last), 0, limit).astype(int) // ALIGN_PX * ALIGN_PX
    size = np.maximum(hi - lo, 0)
    if size.min() == 0:
        return 0, 0, 0, 0
    return int(lo[0]), int(lo[1]), int(size[0]), int(size[1])
