"""How a stage looks on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tracker.cli.output import print_table, say, shown_date, shown_mm
from tracker.cli.overcuts_view import print_overcuts

if TYPE_CHECKING:
    from tracker.job import Job
    from tracker.stage import StageRecord


def print_stage(job: Job, record: StageRecord) -> None:
    """Prints a stage in the order in which it is read: points, over-cuts, the whole, doubts."""
    _print_points(job, record)
    print_overcuts(record.overcuts)
    _print_whole(record)
    _print_left_out(record)


def _print_points(job: Job, record: StageRecord) -> None:
    from tracker.stage import advice

    bands = job.settings.state_bands()
    rows = [
        [
            reading.name,
            shown_mm(reading.stone_left_mm, reading.at_least),
            shown_mm(reading.u95_mm),
            reading.state,
            "yes" if reading.sure else "no",
            str(reading.photos),
            advice(reading, bands),
        ]
        for reading in record.points
    ]
    if rows:
        columns = ["point", "stone left mm", "U95", "state", "sure", "photographs", ""]
        print_table(columns, rows, "lrrllr")


def _print_whole(record: StageRecord) -> None:
    facts = record.facts
    used = sum(photo.used for photo in facts.photos)
    counted = ", ".join(f"{count} {state}" for state, count in facts.counts.items() if count)
    say(
        f"Stage {facts.name}, {shown_date(facts.date)}: "
        f"{used} of {len(facts.photos)} photographs used.",
        f"Points: {counted or 'none on record'}.",
        f"Seen: {facts.coverage.seen_share:.0%} of the model's surface. On it are left "
        f"{facts.volume_left_cm3:.0f} +- {facts.volume_left_u95_cm3:.0f} cm3 of stone, about "
        f"{facts.mass_left_kg:.2f} +- {facts.mass_left_u95_kg:.2f} kg (an estimate).",
        f"Frame: {facts.alignment.reason}",
    )


def _print_left_out(record: StageRecord) -> None:
    facts = record.facts
    lines = [
        f"{name} {'used' if used else 'left out'}: {reason}"
        for name, used, reason in (
            *((photo.file, photo.used, photo.reason) for photo in facts.photos),
            *((f"Target {t.id}", t.used, t.reason) for t in facts.targets),
            *((f"Bar {b.target_a}-{b.target_b}", b.used, b.reason) for b in facts.scale_bars),
        )
        if reason
    ]
    said = {line.lower() for line in lines}
    say(*lines, *(words for words in facts.warnings if words.lower() not in said))
