"""Which tools a depth allows: the bands' limits, the least that the figure allows, and bounds.

About 6 mm for heavy tools and 2 mm for light ones: common practice, from memory.
"""

from __future__ import annotations

import pytest

from tracker.comparison.states import Bands
from tracker.comparison.tools import Tool, may_be_overcut, tool_for

BANDS = Bands()


@pytest.mark.parametrize(
    ("left", "u95", "at_least", "tool"),
    [
        (6.3, 0.2, False, Tool.HEAVY),
        (6.1, 0.2, False, Tool.CLAW),
        (2.3, 0.2, False, Tool.CLAW),
        (2.1, 0.2, False, Tool.LIGHT),
        (0.4, 0.2, False, Tool.LIGHT),
        (0.2, 0.2, False, Tool.NONE),
        (-0.4, 0.2, False, Tool.NONE),
        (0.0, 0.9, False, Tool.NEEDLE),
        (-0.7, 0.4, False, Tool.NONE),
        (25.0, 1.0, True, Tool.HEAVY),
        (0.1, 0.2, True, Tool.LIGHT),
        (-0.1, 0.2, True, Tool.NONE),
        (None, None, False, Tool.NEEDLE),
    ],
)
def test_the_heaviest_tool(
    left: float | None, u95: float | None, at_least: bool, tool: Tool
) -> None:
    assert tool_for(left, u95, at_least=at_least, bands=BANDS) is tool


def test_more_stone_never_forbids_a_tool() -> None:
    tools = [tool_for(0.05 * k, 0.2, at_least=False, bands=BANDS) for k in range(-10, 200)]
    assert tools == sorted(tools)


def test_limits_are_the_jobs_own() -> None:
    own = Bands(-1.0, 1.0, 10.0, 4.0)
    assert tool_for(8.0, 0.2, at_least=False, bands=own) is Tool.CLAW
    assert tool_for(3.0, 0.2, at_least=False, bands=own) is Tool.LIGHT


@pytest.mark.parametrize(
    ("left", "u95", "at_least", "said"),
    [
        (-0.4, 0.2, False, True),
        (-0.2, 0.2, False, False),
        (-0.6, 0.2, False, False),
        (-0.1, 0.1, True, True),
        (None, None, False, False),
    ],
)
def test_nearly_overcut(left: float | None, u95: float | None, at_least: bool, said: bool) -> None:
    assert may_be_overcut(left, u95, at_least=at_least, bands=BANDS) is said
