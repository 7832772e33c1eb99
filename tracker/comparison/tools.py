"""Which tools the stone left at a place still allows.

Every blow bruises the stone beneath it; what is left must be deeper than the bruise. Common
practice, from memory: heavy points and chisels down to about 6 mm, claws down to about 2 mm, below
that light tools and abrasives only. The limits are the job's bands, and what counts is the least
that the figure allows, not the figure itself.
"""

from __future__ import annotations

from enum import IntEnum

from tracker.comparison.states import Bands


class Tool(IntEnum):
    """Tools from none to heavy; each allows those before it."""

    NONE = 0
    NEEDLE = 1
    """Nothing before the needle has told how much is left."""
    LIGHT = 2
    CLAW = 3
    HEAVY = 4


def tool_for(
    stone_left_mm: float | None, u95_mm: float | None, *, at_least: bool, bands: Bands
) -> Tool:
    """The heaviest tool that a place allows.

    Parameters
    ----------
    stone_left_mm, u95_mm : float or None
        None where not seen.
    at_least : bool
        The figure is a bound.
    """
    if stone_left_mm is None or u95_mm is None:
        return Tool.NEEDLE
    low, high = stone_left_mm - u95_mm, stone_left_mm + u95_mm
    if at_least and stone_left_mm < 0.0:
        return Tool.NONE
    if at_least:
        high = float("inf")
    if high <= bands.finished_below_mm or stone_left_mm < bands.overcut_below_mm:
        return Tool.NONE
    if low < bands.overcut_below_mm:
        return Tool.NEEDLE
    if low < bands.light_tools_below_mm:
        return Tool.LIGHT
    return Tool.CLAW if low < bands.close_below_mm else Tool.HEAVY


def may_be_overcut(
    stone_left_mm: float | None, u95_mm: float | None, *, at_least: bool, bands: Bands
) -> bool:
    """Whether a place that does not read over-cut may be so all the same, within its U95."""
    if stone_left_mm is None or u95_mm is None:
        return False
    pit = at_least and stone_left_mm < 0.0
    return pit or stone_left_mm - u95_mm < bands.overcut_below_mm <= stone_left_mm
