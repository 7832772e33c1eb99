"""A way on the block in words, for one who stands before seats 1 and 2."""

from __future__ import annotations

from tracker.maths.camera import Array

_WORDS = (("to the right", "to the left"), ("to the back", "to the front"), ("up", "down"))
SMALLEST_MM = 0.05
"""Ways shorter than this are not worth a word."""


def way_in_words(move_mm: Array) -> str:
    """For example "1.2 mm to the left and 0.6 mm down"; empty for no way worth a word."""
    parts = [
        f"{abs(float(mm)):.1f} mm {_WORDS[axis][0 if mm > 0.0 else 1]}"
        for axis, mm in sorted(enumerate(move_mm), key=lambda pair: -abs(pair[1]))
        if abs(float(mm)) >= SMALLEST_MM
    ]
    if len(parts) < 3:
        return " and ".join(parts)
    return f"{parts[0]}, {parts[1]} and {parts[2]}"
