"""``frame survey``: measures the frame from photographs and puts it on record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, print_table, say, watched

if TYPE_CHECKING:
    from tracker.pipeline.survey import SurveyedFrame


def frame_survey(
    ctx: typer.Context,
    photos: Annotated[
        Path, typer.Argument(metavar="PHOTOS", help="Folder with the photographs of both halves.")
    ],
    pin: Annotated[
        float,
        typer.Option(metavar="MM", min=0.0, help="From a seat target's print to its pin's point."),
    ],
    pin_u95: Annotated[
        float, typer.Option(metavar="MM", min=0.0, help="How true the pins are, to each side.")
    ] = 0.1,
    against: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="Seats measured elsewhere: seat,x_mm,y_mm,z_mm."),
    ] = None,
    scale: Annotated[
        str, typer.Option(help="These seats over those of --against, like 2 or 3:2.")
    ] = "1",
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of the one on record.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Measure the frame's cards from photographs, in coordinates of the seats.

    First half: the frame stands in the seats. Second half: the frame is off and out of view, the
    seat targets 1, 2, 3 stand in the seats. Bench targets and bars lie still through both.
    """
    from tracker.pipeline.survey import survey_frame
    from tracker.records.entries import read_seats
    from tracker.records.model_import import parse_scale

    others = None if against is None else read_seats(against)
    with watched() as progress:
        found = survey_frame(
            opened_job(ctx),
            photos,
            pin_mm=pin,
            pin_u95_mm=pin_u95,
            against=others,
            scale=parse_scale(scale),
            replace_record=replace,
            progress=progress,
        )
    if as_json:
        print_json(_document(found))
    else:
        _show(found)


def _show(found: SurveyedFrame) -> None:
    rows = []
    for tag, target in found.survey.targets.items():
        centre = target.corners.mean(axis=0)
        u95 = 0.0 if target.u95_mm is None else float(target.u95_mm.max())
        rows.append([str(tag), *(f"{value:.2f}" for value in centre), f"{u95:.3f}"])
    print_table(["card", "centre x", "y", "z mm", "U95 mm"], rows, "rrrrr")
    standing, lifted, used = found.photos
    say(
        f"{len(rows)} frame cards on record, from {used} photographs: {standing} with the frame, "
        f"{lifted} with the seat targets.",
        f"The seats leave {found.far_u95_mm:.2f} mm unsure (U95) at the place that they hold "
        f"worst, {found.far_mm:.0f} mm off.",
    )
    if found.triangle is not None:
        t = found.triangle
        sides = [
            [side, f"{a:.2f}", f"{b:.2f}", f"{a - b:+.2f}", f"{u:.2f}"]
            for side, a, b, u in zip(
                ("1-2", "2-3", "3-1"), t.found_mm, t.wanted_mm, t.u95_mm, strict=True
            )
        ]
        print_table(["seats", "here mm", "there mm", "difference", "U95"], sides, "lrrrr")
        if t.same:
            say("The triangle of the seats is the same.")
    for name, reason in found.left_out.items():
        say(f"{name} left out: {reason}")
    for words in found.warnings:
        say(words)


def _document(found: SurveyedFrame) -> dict[str, Any]:
    t = found.triangle
    return {
        "targets": {
            str(tag): {
                "corners_mm": target.corners.round(4).tolist(),
                "cov_mm2": found.survey.cov_corners[tag].tolist(),
            }
            for tag, target in found.survey.targets.items()
        },
        "seats_mm": found.survey.seats.round(4).tolist(),
        "cov_seats_mm2": found.survey.cov_seats.tolist(),
        "photos": dict(zip(("frame", "seats", "used"), found.photos, strict=True)),
        "far_u95_mm": round(found.far_u95_mm, 4),
        "far_mm": round(found.far_mm, 1),
        "triangle": None
        if t is None
        else {
            "found_mm": t.found_mm.round(4).tolist(),
            "wanted_mm": t.wanted_mm.round(4).tolist(),
            "u95_mm": t.u95_mm.round(4).tolist(),
            "verdict": t.verdict,
        },
        "left_out": dict(found.left_out),
        "warnings": list(found.warnings),
    }
