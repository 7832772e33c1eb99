"""Which known targets agree with the photographs, before anything is held to them.

The free network (nothing held) gives every target a place relative to the others. A target that
was knocked, or a record that is wrong, shows when the record is laid over it: every pair of
targets proposes a similarity, the one with most votes wins.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.rigid import Similarity, fit_similarity
from tracker.maths.robust import MAD_TO_SIGMA

PAIRS = 200
LEAST_TOLERANCE_MM = 0.15
"""Targets are always taken to agree within this; the test proper comes after."""
LARGEST_TOLERANCE_MM = 0.5
"""And never beyond this, unless the record itself claims no better."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """The record laid over the free network.

    Attributes
    ----------
    record_from_free : Similarity
    agree : tuple of int
        Targets that lie where the record has them.
    off_mm : dict of target to its root mean square misfit, mm
    """

    record_from_free: Similarity
    agree: tuple[int, ...]
    off_mm: dict[int, float]


def agree_with_record(
    found: dict[int, Array], record: dict[int, Array], record_sigma_mm: float
) -> Agreement:
    """Similarity that most targets agree on, and which they are.

    Parameters
    ----------
    found, record : mappings of target to (4, 3) corners, free and record coordinates, mm
        Only targets in both count; at least one must be.
    record_sigma_mm : float
        What the record claims of itself.
    """
    largest = max(LARGEST_TOLERANCE_MM, 6.0 * record_sigma_mm)
    tags = sorted(set(found) & set(record))
    free = np.array([found[tag] for tag in tags])
    held = np.array([record[tag] for tag in tags])
    proposals: list[tuple[int, ...]] = [tuple(range(len(tags)))]
    proposals += list(combinations(range(len(tags)), 2))[:PAIRS]
    best: tuple[float, Similarity] | None = None
    for group in proposals:
        rows = list(group)
        motion = fit_similarity(free[rows].reshape(-1, 3), held[rows].reshape(-1, 3))
        off = _misfits(motion, free, held)
        cost = float(np.minimum(off, _tolerance(off, largest)).sum())
        cost += float(np.median(off)) * len(tags)
        if best is None or cost < best[0]:
            best = (cost, motion)
    assert best is not None
    motion = best[1]
    for _ in range(5):
        off = _misfits(motion, free, held)
        inside = off <= max(_tolerance(off, largest), float(np.min(off)))
        again = fit_similarity(free[inside].reshape(-1, 3), held[inside].reshape(-1, 3))
        if np.allclose(again.t, motion.t, atol=1e-9):
            break
        motion = again
    off = _misfits(motion, free, held)
    inside = off <= _tolerance(off, largest)
    return Agreement(
        motion,
        tuple(tag for tag, ok in zip(tags, inside, strict=True) if ok),
        {tag: float(v) for tag, v in zip(tags, off, strict=True)},
    )


def _misfits(motion: Similarity, free: Array, held: Array) -> Array:
    moved = motion.apply(free.reshape(-1, 3)).reshape(free.shape)
    return np.asarray(np.sqrt(np.mean(np.sum((moved - held) ** 2, axis=2), axis=1)))


def _tolerance(off: Array, largest: float) -> float:
    usual = 4.0 * MAD_TO_SIGMA * float(np.median(off))
    return float(np.clip(usual, LEAST_TOLERANCE_MM, largest))
