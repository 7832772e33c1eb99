"""The six sides of a figure, so that a place can be named in a word.

A place belongs to the side of the model's box that it lies towards: its way from the box's middle,
measured in half sides of the box, is longest in that direction. Sides are patches that hang
together, not scattered by every fold of the surface.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array


class Side(IntEnum):
    """Sides in frame coordinates, as one stands before seats 1 and 2."""

    FRONT = 0
    RIGHT = 1
    BACK = 2
    LEFT = 3
    TOP = 4
    BOTTOM = 5

    @property
    def label(self) -> str:
        """The word in lists and files."""
        return self.name.lower()


_OUTWARD = np.array([[0, -1, 0], [1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, 0, 1], [0, 0, -1]], float)


def side_of(places: Array, box: tuple[Array, Array]) -> NDArray[np.int64]:
    """Side that each place lies towards, (n,), values of Side.

    Parameters
    ----------
    places : (n, 3) array, mm, frame coordinates
    box : lowest and highest corner of the model's box, mm
    """
    low, high = box
    half = np.maximum(0.5 * (high - low), 1e-9)
    scaled = (places - 0.5 * (low + high)) / half
    return np.asarray(np.argmax(scaled @ _OUTWARD.T, axis=1), dtype=np.int64)
