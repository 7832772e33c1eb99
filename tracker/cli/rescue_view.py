"""How a rescue looks on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tracker.cli.output import say

if TYPE_CHECKING:
    from tracker.progress.rescue import RescuePlan


def print_rescue(plan: RescuePlan) -> None:
    """Says whether the figure can be had, how, and what is not known."""
    found = plan.rescue
    kept = f"{plan.demand.least_left_mm:g} mm of stone left, its U95 taken off"
    near = f" near {plan.tightest_point}" if plan.tightest_point else ""
    tightest = (
        f"{found.tightest_mm:.2f} +- {found.tightest_u95_mm:.2f} mm{near} "
        f"({plan.tightest_side} side)"
    )
    if not plan.needed:
        say(
            f"Stage {plan.stage}: no place that was seen has less than {kept}. "
            "The figure can stay where it is.",
            f"The tightest place has {tightest}.",
        )
    elif found.possible:
        say(
            f"Stage {plan.stage}: the figure can still be had. Moved by {found.shift_mm:.1f} mm at "
            f"its middle and turned by {found.turn_deg:.2f} degrees (no part of it by more than "
            f"{found.farthest_mm:.1f} mm), every place that was seen has at least {kept}.",
            f"The tightest place then has {tightest}.",
        )
        _print_seats(plan)
    else:
        say(
            f"Stage {plan.stage}: it is impossible. No position within "
            f"{plan.demand.most_shift_mm:g} mm leaves every place at least {kept}.",
            f"In the best one, {found.farthest_mm:.1f} mm away, the tightest place has {tightest}.",
        )
        if found.at_limit:
            say("The limits of shift or turn are reached ([rescue] in job.toml).")
        else:
            say("Opposite sides lack stone; let a patch in, or make the figure smaller.")
    _print_doubts(plan)


def _print_seats(plan: RescuePlan) -> None:
    from tracker.progress.direction_words import way_in_words

    if not plan.seats:
        say(
            "Where the seats go cannot be told: they are not on record. Give them with the model "
            "(stoneleft model import MESH --seats seats.csv --replace)."
        )
        return
    say("Make new seats on the block (you stand before seats 1 and 2):")
    for move in plan.seats:
        x, y, z = move.to_mm
        way = way_in_words(move.move_mm) or "stays"
        say(f"  seat {move.seat}: {way}; now at {x:.2f}, {y:.2f}, {z:.2f} mm")
    say("Then set the frame into the new seats and photograph again before you strike.")


def _print_doubts(plan: RescuePlan) -> None:
    found = plan.rescue
    say(
        f"{plan.not_seen_share:.0%} of the surface was not seen and promises nothing; of the "
        f"places seen, {found.promised_share:.0%} are told by stone that was seen before and after."
    )
    if found.open_floors:
        say(f"{found.open_floors} places lie over pits whose floor was not seen: maybe deeper.")
    if plan.odd_share > 0.0:
        say(
            f"Low readings on {plan.odd_share:.2%} of the surface, which those round about do not "
            "bear out, are left aside: check with the needle."
        )
    say(*plan.notes)
