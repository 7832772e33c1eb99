"""Proof of air: a photograph that sees measured stone sees through everything in front of it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_choice import DepthMaps, splat_points
from tracker.cloud.patch_views import ViewStack
from tracker.maths.camera import Array


def draw_stone(
    stack: ViewStack, frames: Array, size: int, places: Array, normals: Array, radius_mm: float,
    threads: int = 2,
) -> DepthMaps:  # fmt: skip
    """Depth maps of measured places, each a facing disc."""
    depth = np.full((stack.count, size, size), np.inf, dtype=np.float32)

    def draw(k: int) -> None:
        splat_points(depth[k], frames[k], stack.cameras[k], places, normals, radius_mm)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(draw, range(stack.count)))
    return DepthMaps(depth, frames)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _through(
    depth: np.ndarray, frames: Array, cameras: Array, points: Array, margin: float, out: np.ndarray
) -> None:
    size = depth.shape[1]
    for n in range(len(points)):
        x, y, z = points[n]
        out[n] = 0
        for k in range(len(cameras)):
            cam = cameras[k]
            zc = cam[6] * x + cam[7] * y + cam[8] * z + cam[11]
            if zc < 1.0:
                continue
            xc = cam[0] * x + cam[1] * y + cam[2] * z + cam[9]
            yc = cam[3] * x + cam[4] * y + cam[5] * z + cam[10]
            column = int(np.floor(frames[k, 0] * xc / zc - frames[k, 1] + 0.5))
            row = int(np.floor(frames[k, 0] * yc / zc - frames[k, 2] + 0.5))
            if column < 1 or row < 1 or column >= size - 1 or row >= size - 1:
                continue
            least = np.inf
            most = 0.0
            for r in range(row - 1, row + 2):
                for c in range(column - 1, column + 2):
                    least = min(least, depth[k, r, c])
                    most = max(most, depth[k, r, c])
            # stone must be known all round the line of sight, and all of it behind the point
            if most < np.inf and zc < least - margin:
                out[n] += 1


def seen_through(
    stack: ViewStack, stone: DepthMaps, points: Array, margin_mm: float, threads: int = 2
) -> NDArray[np.int64]:
    """Number of photographs that see measured stone behind each point, (n,).

    Parameters
    ----------
    stone : depth maps of measured stone
    points : (n, 3) array, mm
    margin_mm : by how much the stone must lie behind the point
    """
    out = np.zeros(len(points), dtype=np.int64)
    piece = 4096

    def count(start: int) -> None:
        part = slice(start, start + piece)
        _through(stone.depth, stone.frames, stack.cameras, points[part], margin_mm, out[part])

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(count, range(0, len(points), piece)))
    return out
