"""From a field of position to a closed triangle mesh, by marching cubes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from numba import njit
from numpy.typing import NDArray
from skimage.measure import marching_cubes

Array = NDArray[np.float64]
BLOCK = 8
"""Voxels along a side of the pieces that are skipped when no surface can be near."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Voxel grid: first voxel's centre (mm), spacing (mm), counts (whole blocks)."""

    low: Array
    spacing_mm: float
    counts: tuple[int, int, int]

    @staticmethod
    def over(low: Array, high: Array, spacing_mm: float) -> Grid:
        """Smallest grid of whole blocks that covers the box."""
        n = np.ceil((np.asarray(high) - low) / spacing_mm / BLOCK).astype(int) * BLOCK + 1
        return Grid(np.asarray(low, float), spacing_mm, (int(n[0]), int(n[1]), int(n[2])))


@njit(cache=True)
def fill(out, i, j, k, size, value):  # type: ignore[no-untyped-def]
    """Gives what is not yet known in a cell one value."""
    for a in range(i, i + size + 1):
        for b in range(j, j + size + 1):
            for d in range(k, k + size + 1):
                if np.isnan(out[a, b, d]):
                    out[a, b, d] = value


def reader(field: Callable[..., float]) -> Callable[..., float]:
    """Compiled look-up of a voxel that computes the field there the first time."""

    @njit
    def at(out, i, j, k, low, step, parameters):  # type: ignore[no-untyped-def]
        if np.isnan(out[i, j, k]):
            x, y, z = low[0] + i * step, low[1] + j * step, low[2] + k * step
            out[i, j, k] = field(x, y, z, *parameters)
        return out[i, j, k]

    return at


def emptiness(at: Callable[..., float]) -> Callable[..., bool]:
    """Compiled test that no corner of a cell is near the surface, all on one side."""

    @njit
    def empty(out, cell, reach, low, step, parameters):  # type: ignore[no-untyped-def]
        i, j, k, size = cell
        first = at(out, i, j, k, low, step, parameters)
        for c in range(8):
            a, b, d = i + size * (c & 1), j + size * (c >> 1 & 1), k + size * (c >> 2)
            v = at(out, a, b, d, low, step, parameters)
            if abs(v) < reach or v * first < 0.0:
                return False
        return True

    return empty


def sampler(field: Callable[..., float], reach_mm: float) -> Callable[..., None]:
    """Compiled sampling of `field(x, y, z, *parameters)` on a grid, fine only near its surface.

    Cells of 8 voxels are split into cells of 4, of 2 and of 1 unless all their corners read
    more than `reach_mm` (half of it, a quarter of it) from zero on the same side. What is
    skipped takes a corner's value.
    """
    at = reader(field)
    empty = emptiness(at)

    @njit
    def sample(out, low, step, *parameters):  # type: ignore[no-untyped-def]
        out[:] = np.nan
        ny, nz = (out.shape[1] - 1) // BLOCK, (out.shape[2] - 1) // BLOCK
        todo = np.empty((64, 4), np.int64)
        for n in range((out.shape[0] - 1) // BLOCK * ny * nz):
            todo[0] = (BLOCK * (n // (ny * nz)), BLOCK * (n // nz % ny), BLOCK * (n % nz), BLOCK)
            waiting = 1
            while waiting:
                waiting -= 1
                i, j, k, size = todo[waiting]
                cell = (i, j, k, size)
                if empty(out, cell, reach_mm * size / BLOCK, low, step, parameters):
                    fill(out, i, j, k, size, out[i, j, k])
                elif size > 1:
                    half = size // 2
                    for c in range(8):
                        a, b, d = i + half * (c & 1), j + half * (c >> 1 & 1), k + half * (c >> 2)
                        todo[waiting] = (a, b, d, half)
                        waiting += 1

    return sample


def surface(values: NDArray[np.float32], grid: Grid, offset: Array) -> trimesh.Trimesh:
    """Closed outward mesh of the zero level, moved by `offset`; the largest piece only."""
    vertices, faces, _, _ = marching_cubes(values, 0.0, spacing=(grid.spacing_mm,) * 3)
    mesh = trimesh.Trimesh(vertices + grid.low + offset, faces[:, ::-1], process=False)
    if mesh.volume < 0.0:
        mesh.invert()
    return largest_piece(mesh)


def largest_piece(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """Only the connected piece with the most faces: chips that touch nothing fall off."""
    labels = trimesh.graph.connected_component_labels(mesh.face_adjacency, len(mesh.faces))
    keep = labels == np.bincount(labels).argmax()
    if keep.all():
        return mesh
    mesh.update_faces(keep)
    mesh.remove_unreferenced_vertices()
    return mesh
