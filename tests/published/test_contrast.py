"""Contrast of writing.

W3C, WCAG 2.1 (2018): black on white is 21 to 1; 4.5 to 1 is asked for. That #767676 is the palest
grey that passes on white (4.54) and #777777 (4.48) fails is common practice, from memory.
"""

import numpy as np
import pytest

from tracker.report.colours import PAPER_RGB
from tracker.report.contrast import contrast, readable_on_paper

WHITE = np.full(3, 255.0)


@pytest.mark.parametrize(("grey", "ratio"), [(0, 21.0), (0x76, 4.54), (0x77, 4.48), (255, 1.0)])
def test_greys_on_white(grey: int, ratio: float) -> None:
    assert contrast(np.full(3, float(grey)), WHITE) == pytest.approx(ratio, abs=0.005)


def test_pure_colours_have_the_published_weights() -> None:
    red = contrast(np.array([255.0, 0.0, 0.0]), np.zeros(3))
    assert red == pytest.approx((0.2126 + 0.05) / 0.05)


def test_a_colour_that_can_be_read_stays() -> None:
    assert readable_on_paper("#2f4b66") == "#2f4b66"


@pytest.mark.parametrize("colour", ["#ffd23f", "#ffffff", "#7fd0ff"])
def test_a_pale_colour_is_darkened_no_more_than_needed(colour: str) -> None:
    made = readable_on_paper(colour)
    rgb = np.array([int(made[k : k + 2], 16) for k in (1, 3, 5)], dtype=float)
    assert 4.5 <= contrast(rgb, np.array(PAPER_RGB, dtype=float)) < 4.75
