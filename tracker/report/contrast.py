"""Whether writing in one colour can be read on another.

References
----------
W3C, Web Content Accessibility Guidelines 2.1 (2018): relative luminance and contrast ratio, success
criterion 1.4.3 (4.5 to 1).
"""

from __future__ import annotations

import numpy as np

from tracker.maths.camera import Array
from tracker.report.colours import PAPER_RGB

LEAST_CONTRAST = 4.5


def luminance(rgb: Array) -> float:
    """Relative luminance of an sRGB colour in 0..255, (3,)."""
    part = np.asarray(rgb, dtype=np.float64) / 255.0
    linear = np.where(part <= 0.03928, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: Array, other: Array) -> float:
    """Contrast ratio of two colours, 1 to 21."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def readable_on_paper(colour: str) -> str:
    """The colour (#rrggbb), darkened as little as lets titles in it be read on paper."""
    rgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.float64)
    paper = np.array(PAPER_RGB, dtype=np.float64)
    for percent in range(100, -1, -1):
        darker = np.floor(rgb * percent / 100.0)
        if contrast(darker, paper) >= LEAST_CONTRAST:
            break
    return "#" + "".join(f"{int(value):02x}" for value in darker)
