"""Places spread evenly between those that are there already: farthest first.

Each next place is the one farthest from all before it, so every beginning of the list is spread as
evenly as the whole, and no two places are closer than the last one's distance (a Poisson-disk
sample of the surface). Distances run along the surface, over a graph of its samples, so the two
sides of a thin wing are as far apart as the way round its edge.

References
----------
T. F. Gonzalez, "Clustering to minimize the maximum intercluster distance", Theoretical Computer
Science 38 (1985) 293-306 (farthest first).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from tracker.maths.camera import Array
from tracker.pointing.places import Places

NEIGHBOURS = 14
LONGEST_EDGE = 2.2
"""Of the samples' spacing."""
SAME_SIDE_COSINE = -0.2
LEAST_PIECE = 30
"""A loose piece of fewer samples gets no point."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Places chosen, in order.

    Attributes
    ----------
    rows : (n,) array
        Rows of the samples.
    gap_mm : (n,) array
        Distance along the surface of each to the nearest place before it; inf for the first of
        a piece.
    """

    rows: NDArray[np.int64]
    gap_mm: Array


def surface_graph(places: Places) -> csr_matrix:
    """Distances between neighbouring samples on the same side of the form, both ways."""
    points, normals = places.samples.points, places.samples.normals
    count = min(NEIGHBOURS, len(points) - 1)
    found = cKDTree(points).query(points, k=count + 1)
    away, near = np.asarray(found[0]), np.asarray(found[1])
    i = np.repeat(np.arange(len(points)), count)
    j, length = near[:, 1:].ravel(), away[:, 1:].ravel()
    same_side = np.einsum("nd,nd->n", normals[i], normals[j]) > SAME_SIDE_COSINE
    keep = (length < LONGEST_EDGE * places.spacing_mm) & same_side
    size = (len(points), len(points))
    one_way = coo_matrix((np.maximum(length[keep], 1e-6), (i[keep], j[keep])), shape=size).tocsr()
    return one_way.maximum(one_way.T)


def spread_evenly(
    places: Places, taken: Array, count: int, least_gap_mm: float, start: int
) -> Spread:
    """At most `count` places between those taken.

    Parameters
    ----------
    taken : (m, 3) array, mm
        Places that are there already, on the surface.
    count : int
    least_gap_mm : float
        Where the farthest place left is nearer than this, no more are given.
    start : int
        Row of the sample to begin with where nothing is taken.
    """
    graph = surface_graph(places)
    pieces, piece = connected_components(graph, directed=False)
    large = np.bincount(piece, minlength=pieces) >= LEAST_PIECE
    allowed = places.allowed & large[piece]
    far = np.full(len(places.samples.points), np.inf)
    if len(taken):
        _, rows = cKDTree(places.samples.points).query(taken)
        far = dijkstra(graph, indices=np.unique(rows), min_only=True)
    rows_chosen: list[int] = []
    gaps: list[float] = []
    for _ in range(count):
        open_places = np.where(allowed, far, -1.0)
        best = start if not len(taken) and not rows_chosen else int(np.argmax(open_places))
        if open_places[best] < least_gap_mm:
            break
        rows_chosen.append(best)
        gaps.append(float(open_places[best]))
        limit = min(gaps[-1], float(np.max(open_places, initial=0.0)))
        far = np.minimum(far, dijkstra(graph, indices=[best], limit=limit)[0])
    return Spread(np.array(rows_chosen, dtype=np.int64), np.array(gaps))
