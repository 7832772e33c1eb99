"""Today's frame against the stone of earlier stages, several of them: which day is at fault.

Two days that disagree do not say which of them was wrong. If today agrees with any earlier stage
that can judge, today is right and the others are named; else today's frame is to be set down
again, and only the carver's word that it stands lets the day pass.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from tracker.alignment.result import SET_DOWN_AGAIN, Alignment, shown
from tracker.alignment.unchanged import Comparison, EarlierStone, compare_stone
from tracker.errors import AlignmentError
from tracker.maths.camera import Array


def check_earlier(
    found: Alignment,
    points: Array,
    normals: Array,
    sigma_mm: Array,
    stages: Iterable[EarlierStone],
    *,
    frame_stands: bool = False,
) -> Alignment:
    """The alignment with what the stone of earlier stages says of it.

    Parameters
    ----------
    found : Alignment
    points, normals, sigma_mm : (n, 3), (n, 3), (n,) arrays
        Today's cloud, as the alignment leaves it, mm.
    stages : the latest first
        They are asked until one agrees.
    frame_stands : bool
        The carver has set the frame down anew: a contradiction becomes a doubt.

    Raises
    ------
    AlignmentError
        Uncarved stone lies elsewhere than on all earlier days: the frame may not be seated.
    """
    asked: list[Comparison] = []
    for stage in stages:
        asked.append(compare_stone(points, normals, sigma_mm, found.covariance, stage))
        if asked[-1].agrees:
            break
    right = next((one for one in asked if one.agrees), None)
    off = [one for one in asked if one.contradicted or one.doubtful]
    if right is None and not frame_stands:
        _refuse(off)
    doubts = [found.doubt, *(_doubt(one, right) for one in off)]
    reason = found.reason + (_agreement(right) if right else _unjudged(asked, off))
    return replace(found, reason=reason, doubt="; ".join(word for word in doubts if word))


def _refuse(off: list[Comparison]) -> None:
    for one in off:
        if one.contradicted:
            raise AlignmentError(
                f"Stone that was not carved since stage '{one.stage}' lies elsewhere today: "
                f"{one.unchanged} of {one.regions} regions agree on one motion, the farthest "
                f"place by {one.most_mm:.1f} mm, and some of it would have grown.",
                f"{SET_DOWN_AGAIN} If the stone says so again, the frame was not seated at stage "
                f"'{one.stage}': add the photographs with --frame-stands.",
            )


def _doubt(one: Comparison, right: Comparison | None) -> str:
    moved = (
        f"{one.unchanged} of {one.regions} regions of stone lie as at stage '{one.stage}' only if "
        f"everything has moved, the farthest place by {one.most_mm:.1f} mm"
    )
    if right is not None:
        return (
            f"{moved}; today agrees with stage '{right.stage}', so the frame stood off its seats "
            f"at stage '{one.stage}'"
        )
    return (
        f"{moved}: the frame was not seated that day or is not today; lift it, clean the seats "
        "and set it down again, and check some finished places with the needle"
    )


def _agreement(right: Comparison) -> str:
    return (
        f"; stone not carved since stage '{right.stage}' lies where it lay ({right.unchanged} of "
        f"{right.regions} regions; the frame moved would show from {shown(right.noticed_mm)})"
    )


def _unjudged(asked: list[Comparison], off: list[Comparison]) -> str:
    if off or not asked:
        return ""
    best = asked[0]
    if not np.isfinite(best.noticed_mm).all():
        return (
            f"; too little stone is as it was at stage '{best.stage}' to check the frame by "
            f"({best.unchanged} of {best.regions} regions)"
        )
    return (
        f"; stone not carved since stage '{best.stage}' would show the frame moved from "
        f"{shown(best.noticed_mm)}"
    )
