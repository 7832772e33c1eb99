"""The stone's mesh as it is kept beside the photographs: small, and true to four micrometres.

Only stone near the model is kept (farther stone is never compared); vertices are counted in steps
of 4 micrometres, faces by differences, both compressed.
"""

from __future__ import annotations

import lzma
from pathlib import Path

import numpy as np
import open3d as o3d
import trimesh

STEP_MM = 0.004
REACH_MM = 28.0


def keep_mesh(path: Path, stone: trimesh.Trimesh, model: trimesh.Trimesh) -> None:
    """Write the part of the stone within REACH_MM of the model."""
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        o3d.core.Tensor(np.asarray(model.vertices, np.float32)),
        o3d.core.Tensor(np.asarray(model.faces, np.uint32)),
    )
    places = o3d.core.Tensor(np.asarray(stone.vertices, np.float32))
    near = scene.compute_distance(places).numpy() < REACH_MM
    faces = np.asarray(stone.faces)[near[stone.faces].any(axis=1)]
    used, renumbered = np.unique(faces, return_inverse=True)
    faces = renumbered.reshape(-1, 3)
    steps = np.round(np.asarray(stone.vertices)[used] / STEP_MM).astype(np.int32)
    by_first = np.diff(faces[:, 0], prepend=0)
    table = np.stack([by_first, faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0]])
    head = np.array([len(steps), len(faces)], np.int32).tobytes()
    moves = np.diff(steps, axis=0, prepend=0).T
    body = moves.astype("<i4").tobytes() + table.astype("<i4").tobytes()
    path.write_bytes(lzma.compress(head + body, preset=6))


def kept_mesh(path: Path) -> trimesh.Trimesh:
    """Read a kept mesh."""
    data = np.frombuffer(lzma.decompress(path.read_bytes()), "<i4")
    n, m = int(data[0]), int(data[1])
    vertices = np.cumsum(data[2 : 2 + 3 * n].reshape(3, n).T, axis=0) * STEP_MM
    first, second, third = data[2 + 3 * n :].reshape(3, m)
    first = np.cumsum(first)
    faces = np.stack([first, first + second, first + third], axis=1)
    return trimesh.Trimesh(vertices, faces, process=False)
