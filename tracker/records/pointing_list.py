"""The pointing list against the model: whether its points lie on it, and which are high points."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.errors import InputError
from tracker.maths.camera import Array
from tracker.pointing import hollow
from tracker.pointing.propose import Proposal
from tracker.records.entries import Points
from tracker.surface import Surface

OFF_MODEL_MM = 1.0
"""A point farther than this from the model's surface is no place on it."""
PROBE_MM = 0.5
"""A needle comes from inside when this far out along it one is still within the model."""
NAMED_AT_MOST = 5
LEANING_RAD = np.radians(1.0)
"""A needle that leans by less is called straight."""


def check_on_model(points: Points, model: Surface) -> None:
    """Checks that the points lie on the model and their needles come from outside.

    Raises
    ------
    InputError
        Points off the model, or directions that point into it (named).
    """
    nearest, face = model.nearest(points.xyz)
    off = np.linalg.norm(points.xyz - nearest, axis=1)
    if np.any(off > OFF_MODEL_MM):
        rows = np.argsort(-off)[: int((off > OFF_MODEL_MM).sum())]
        listed = [f"{points.names[k]} by {off[k]:.1f} mm" for k in rows]
        raise InputError(
            f"{len(rows)} of {len(points)} points do not lie on the model: {_some(listed)}.",
            "Give the points in frame coordinates and millimetres, taken from this model.",
        )
    facing = np.einsum("nd,nd->n", points.normals, model.face_normals[face]) > 0.0
    inward = ~facing & (model.signed_distance_mm(points.xyz + PROBE_MM * points.normals) < 0.0)
    if np.any(inward):
        listed = [points.names[k] for k in np.flatnonzero(inward)]
        raise InputError(
            f"The needle of {len(listed)} of {len(points)} points comes from inside the model: "
            f"{_some(listed)}.",
            "nx, ny, nz must point outward, away from the stone.",
        )


def depth_below_hull_mm(points: Points, model: Surface) -> Array:
    """Way along each needle from the point to the model's convex hull, (n,), mm."""
    return hollow.depth_below_hull_mm(points.xyz, points.normals, model)


def high_points_first(points: Points, model: Surface) -> NDArray[np.int64]:
    """Rows of the points in the order in which they are taken: high points first, (n,).

    Points picked by hand go by how high they are, to a tenth of a millimetre, and keep their
    order where that is equal. Proposed points go by rank; those picked by hand are put between
    them, each before the first proposed one that lies deeper.
    """
    if not len(points):
        return np.zeros(0, np.int64)
    deep = np.round(depth_below_hull_mm(points, model), 1)
    by_hand = [k for k in np.argsort(deep, kind="stable") if points.rank(int(k)) is None]
    ranked = [k for k in range(len(points)) if points.rank(k) is not None]
    order: list[int] = []
    for k in sorted(ranked, key=lambda row: points.rank(row) or 0):
        while by_hand and deep[by_hand[0]] < deep[k]:
            order.append(int(by_hand.pop(0)))
        order.append(k)
    return np.array(order + [int(k) for k in by_hand], dtype=np.int64)


def with_proposed(points: Points, proposal: Proposal) -> Points:
    """The list with proposed points after it: numbered on, ranked on; nothing else changed."""
    count = len(proposal.points)
    names = _free_numbers(points.names, count)
    first = 1 + max((rank for rank in points.ranks if rank is not None), default=0)
    barred = (name for name, ok in zip(names, proposal.reached, strict=True) if not ok)
    more = Points(
        names,
        proposal.points,
        proposal.directions,
        tuple(range(first, first + count)),
        frozenset(barred),
    )
    return points.with_added(more)


def proposal_words(points: Points, proposal: Proposal) -> tuple[str, ...]:
    """What was proposed, in the carver's words."""
    count = len(proposal.points)
    names = points.names[-count:]
    high = int(proposal.high.sum())
    leaning = proposal.reached & (proposal.tilt_rad > LEANING_RAD)
    said = [
        f"{count} points proposed, {names[0]} to {names[-1]}: {high} high points first, "
        f"{count - high} spread between them; {len(points)} points on record."
    ]
    if np.isfinite(proposal.gap_mm):
        said.append(f"Those between are at least {proposal.gap_mm:.0f} mm from any other point.")
    if leaning.any():
        most = np.degrees(proposal.tilt_rad[leaning].max())
        said.append(
            f"The needles of {int(leaning.sum())} lean, by up to {most:.0f} degrees, because the "
            "form is in the straight way."
        )
    shut = [name for name, ok in zip(names, proposal.reached, strict=True) if not ok]
    if shut:
        said.append(
            f"No needle gets to {_some(shut)}; the photographs may see them, the pointing frame "
            "will not."
        )
    return tuple(said)


def proposal_document(points: Points, proposal: Proposal) -> dict[str, Any]:
    """What was proposed as plain texts and figures, for JSON."""
    count = len(proposal.points)
    first = len(points) - count
    gap = float(proposal.gap_mm)
    return {
        "points_on_record": len(points),
        "gap_mm": round(gap, 1) if np.isfinite(gap) else None,
        "proposed": [
            {
                "name": points.names[first + k],
                "rank": points.rank(first + k),
                "high": bool(proposal.high[k]),
                **_figures(("x_mm", "y_mm", "z_mm"), proposal.points[k], 3),
                **_figures(("nx", "ny", "nz"), proposal.directions[k], 6),
                "tilt_degrees": round(float(np.degrees(proposal.tilt_rad[k])), 1),
                "needle_reaches": bool(proposal.reached[k]),
            }
            for k in range(count)
        ],
    }


def _figures(names: tuple[str, ...], values: Array, decimals: int) -> dict[str, float]:
    return {name: round(float(value), decimals) for name, value in zip(names, values, strict=True)}


def _free_numbers(taken: tuple[str, ...], count: int) -> tuple[str, ...]:
    """The next numbers as names: on from the highest number that is a name already."""
    last = max((int(name) for name in taken if name.isascii() and name.isdigit()), default=0)
    return tuple(str(last + 1 + k) for k in range(count))


def _some(listed: list[str]) -> str:
    more = len(listed) - NAMED_AT_MOST
    return ", ".join(listed[:NAMED_AT_MOST]) + (f" and {more} more" if more > 0 else "")
