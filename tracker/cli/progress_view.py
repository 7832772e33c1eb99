"""How the progress of a job looks on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tracker.cli.output import print_bars, print_table, say
from tracker.cli.overcuts_view import print_overcuts

if TYPE_CHECKING:
    from tracker.progress.progress import Progress, Weighed

STATES_SHOWN = ("finished", "close", "untouched", "over-cut", "not seen")


def print_progress(progress: Progress) -> None:
    """Prints stages, chart, what went between them, forecast, over-cuts, and what is missing."""
    _print_stages(progress)
    _print_chart(progress)
    _print_between(progress)
    _print_forecast(progress)
    _print_overcuts(progress)
    say(*progress.notes)


def _print_stages(progress: Progress) -> None:
    rows = [
        [
            stage.name,
            stage.day.isoformat(),
            str(stage.working_day),
            f"{stage.seen_share:.0%}",
            *(
                f"{stage.point_shares[state]:.0%}" if stage.point_shares else ""
                for state in STATES_SHOWN
            ),
            _cm3(stage.left),
            _kg(stage.left),
            str(stage.overcut_spots),
        ]
        for stage in progress.stages
    ]
    columns = ["stage", "date", "working day", "seen", *STATES_SHOWN]
    print_table(columns + ["left cm3", "left kg", "spots"], rows, "llrrrrrrrrrr")
    say(
        "The states are shares of the pointing list; stone left is that on the surface seen, its "
        "weight an estimate, never for rigging."
    )


def _print_chart(progress: Progress) -> None:
    charted = progress.charted
    if charted is None:
        return
    share = charted.surface_share
    say("", f"Stone left on the {share:.0%} of the surface that all {len(charted.names)} saw:")
    whole = max(amount.cm3 for amount in charted.amounts)
    rows = [
        (name, max(amount.cm3, 0.0), f"{_cm3(amount)} cm3")
        for name, amount in zip(charted.names, charted.amounts, strict=True)
    ]
    print_bars(rows, whole if whole > 0.0 else 1.0)


def _print_between(progress: Progress) -> None:
    rows = []
    for pair in progress.between:
        start = [f"{pair.before} - {pair.after}", str(pair.working_days)]
        if pair.whole is None:
            rows.append([*start, "", "", "", "", pair.note])
            continue
        rate = ""
        if pair.per_day_cm3 is not None:
            rate = f"{pair.per_day_cm3:.1f} +- {pair.per_day_u95_cm3:.1f}"
        rows.append([*start, "all", _cm3(pair.whole), rate, _not_compared(pair.whole), pair.note])
        rows += [
            ["", "", side, _cm3(amount), "", _not_compared(amount), ""]
            for side, amount in pair.sides.items()
        ]
    if rows:
        columns = ["between", "working days", "side", "removed cm3", "cm3 a day"]
        print_table([*columns, "not compared", ""], rows, "lrlrrrl")
        say("Front is the side of seats 1 and 2. Not compared: not seen on both days.")


def _print_forecast(progress: Progress) -> None:
    found = progress.forecast
    say("")
    if found is None:
        say(f"No forecast. {progress.no_forecast}")
        return
    likely, earliest, latest = progress.dates
    end = f"and {latest}" if latest is not None else "and a day that cannot be told yet"
    about = "a day far off" if likely is None else f"{likely}"
    early = "a day far off" if earliest is None else f"{earliest}"
    say(
        f"At {found.per_day_mm3 / 1000.0:.1f} +- {found.per_day_u95_mm3 / 1000.0:.1f} cm3 a "
        f"working day the stone on that part of the surface would be gone about {about}, "
        f"{found.likely_days:.0f} working days after the last stage; between {early} {end} "
        "(in 95 of 100 cases, if work goes on as it did).",
        "The last millimetres go slower. What no stage saw is not in it.",
    )


def _print_overcuts(progress: Progress) -> None:
    from tracker.comparison.trend import GONE

    say("")
    print_overcuts(progress.spots, {GONE: "resolved"})
    if progress.spots:
        say("Can the figure still be had? stoneleft progress --rescue")


def _cm3(amount: Weighed) -> str:
    return f"{_bound(amount)}{amount.cm3:.1f} +- {amount.u95_cm3:.1f}"


def _kg(amount: Weighed) -> str:
    return f"{_bound(amount)}{amount.kg:.2f} +- {amount.u95_kg:.2f}"


def _bound(amount: Weighed) -> str:
    return "at least " if amount.at_least else ""


def _not_compared(amount: Weighed) -> str:
    return f"{1.0 - amount.compared_share:.0%}"
