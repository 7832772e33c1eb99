"""Holes of a model in words: how many, how large, where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from tracker.maths.camera import Array
from tracker.pointing.places import open_edges
from tracker.surface import Surface

NAMED_AT_MOST = 3


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole: the middle of its rim and how far the rim reaches across, mm."""

    middle: Array
    across_mm: float


def holes_of(surface: Surface) -> tuple[Hole, ...]:
    """Holes of a surface by their rims, the largest first."""
    edges = open_edges(surface)
    if not len(edges):
        return ()
    rows, back = np.unique(edges, return_inverse=True)
    ends = np.asarray(back).reshape(-1, 2)
    size = (len(rows), len(rows))
    links = coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=size)
    count, rim = connected_components(links, directed=False)
    found = []
    for k in range(count):
        places = surface.vertices[rows[rim == k]]
        middle = places.mean(axis=0)
        across = 2.0 * float(np.linalg.norm(places - middle, axis=1).max())
        found.append(Hole(middle, across))
    return tuple(sorted(found, key=lambda hole: -hole.across_mm))


def hole_words(surface: Surface) -> tuple[str, ...]:
    """What to know of the holes, in the carver's words; nothing where there is none."""
    holes = holes_of(surface)
    if not holes:
        return ()
    named = [
        f"{hole.across_mm:.0f} mm across at " + ", ".join(f"{v:.0f}" for v in hole.middle)
        for hole in holes[:NAMED_AT_MOST]
    ]
    more = len(holes) - len(named)
    listed = "; ".join(named) + (f"; and {more} smaller" if more > 0 else "")
    return (f"Holes by size, with their middles in frame coordinates (x, y, z mm): {listed}.",)
