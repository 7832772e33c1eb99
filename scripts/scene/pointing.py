"""Choosing places on the model: the pointing list, pits, over-cut spots, samples."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from scripts.scene.light import caster_of, unoccluded
from scripts.scene.stone import Block, progress

Array = NDArray[np.float64]


def samples(model: trimesh.Trimesh, count: int, seed: int) -> tuple[Array, Array]:
    """Places spread evenly over the model by area, and the model's normals there, (n, 3) each."""
    spots, faces = trimesh.sample.sample_surface(model, count, seed=seed)
    weights = trimesh.triangles.points_to_barycentric(model.triangles[faces], spots)
    normals = (model.vertex_normals[model.faces[faces]] * weights[..., None]).sum(axis=1)
    return np.asarray(spots), normals / np.linalg.norm(normals, axis=1, keepdims=True)


def order_of_carving(block: Block, places: Array) -> Array:
    """`progress` at places in frame coordinates."""
    local = places - block.origin
    return np.array([progress(*p, block.turn_rad, block.seed) for p in local])


def clear_of_the_form(
    model: trimesh.Trimesh, places: Array, normals: Array, length_mm: float = 90.0
) -> NDArray[np.bool_]:
    """Whether a straight needle can come in along the normal, with room beside it."""
    caster = caster_of(np.asarray(model.vertices), np.asarray(model.faces))
    side = np.cross(normals, [0.31, 0.72, 0.62])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(normals, side)
    ok = np.ones(len(places), bool)
    for shift in (0.0 * side, 1.5 * side, -1.5 * side, 1.5 * other, -1.5 * other):
        start = (places + 2.0 * normals + shift).astype(np.float32)
        ok &= unoccluded(caster, start, normals.astype(np.float32), length_mm)
    return ok


def spread(places: Array, count: int, first: int) -> NDArray[np.int64]:
    """Rows of `count` places far from one another, starting with row `first`."""
    chosen = [first]
    nearest = np.linalg.norm(places - places[first], axis=1)
    while len(chosen) < count:
        chosen.append(int(nearest.argmax()))
        nearest = np.minimum(nearest, np.linalg.norm(places - places[chosen[-1]], axis=1))
    return np.array(chosen)


def pointing_list(model: trimesh.Trimesh, count: int, seed: int) -> tuple[Array, Array]:
    """`count` places with needles that clear the form, rounded as in the CSV file."""
    places, normals = samples(model, 6000, seed)
    foot = model.bounds[0, 2]
    keep = (
        clear_of_the_form(model, places, normals)
        & (places[:, 2] > foot + 6.0)
        & (normals[:, 2] > -0.5)
    )
    places, normals = places[keep], normals[keep]
    rows = spread(places, count, int(places[:, 2].argmax()))
    rows = rows[np.argsort(-places[rows, 2])]
    normals = np.round(normals[rows], 6)
    return np.round(places[rows], 4), normals / np.linalg.norm(normals, axis=1, keepdims=True)


def flat_spots(
    model: trimesh.Trimesh, places: Array, normals: Array, radius_mm: float
) -> NDArray[np.bool_]:
    """Whether the model within `radius_mm` is one surface, nowhere steep to the needle.

    Probes come down along the needle from 8 mm above, so edges and steps show.
    """
    caster = caster_of(np.asarray(model.vertices), np.asarray(model.faces))
    side = np.cross(normals, [0.31, 0.72, 0.62])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(normals, side)
    ok = np.ones(len(places), bool)
    for reach in (0.5 * radius_mm, radius_mm):
        for a in np.arange(12) * (np.pi / 6):
            probe = places + 8.0 * normals + reach * (np.cos(a) * side + np.sin(a) * other)
            hit = caster.cast_rays(np.concatenate([probe, -normals], axis=1).astype(np.float32))
            ok &= np.abs(hit["t_hit"].numpy() - 8.0) < 0.25 * reach + 0.7
            ok &= np.einsum("ij,ij->i", hit["primitive_normals"].numpy(), normals) > 0.5
    return ok
