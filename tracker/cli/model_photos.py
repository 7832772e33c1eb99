"""``model from-photos``: photographs of a cast become the job's model."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, say, watched

if TYPE_CHECKING:
    from tracker.pipeline.cast import CastModel

NAMED_AT_MOST = 6


def model_from_photos(
    ctx: typer.Context,
    photos: Annotated[
        Path, typer.Argument(metavar="PHOTOS", help="Folder with photographs of the cast.")
    ],
    pin: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            min=0.0,
            help="Seat targets stand in the cast's seats: from their print to the pin's point. "
            "Without it the frame stands there.",
        ),
    ] = None,
    pin_u95: Annotated[
        float, typer.Option(metavar="MM", min=0.0, help="How true the pins are, to each side.")
    ] = 0.1,
    above: Annotated[
        float,
        typer.Option(metavar="MM", help="Leave out what lies lower than this over the seats."),
    ] = 5.0,
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of the one on record.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Make the model from photographs of the cast, and put it on record.

    The frame stands in the cast's seats, or the seat targets do (then give --pin). Plaster needs
    marks that the camera can see: pencil dots and a flicked wash.
    """
    from tracker.pipeline.cast import model_from_photos as measured

    with watched() as progress:
        found = measured(
            opened_job(ctx),
            photos,
            pin_mm=pin,
            pin_u95_mm=pin_u95,
            above_mm=above,
            replace_record=replace,
            progress=progress,
        )
    if as_json:
        print_json(_document(found))
    else:
        _show(found)


def _show(found: CastModel) -> None:
    low, high = found.surface.box
    size = " x ".join(f"{value:.1f}" for value in high - low)
    used, given = found.photos
    say(
        f"Model on record: {len(found.surface.faces)} triangles, {size} mm (x, y, z), from {used} "
        f"of {given} photographs, {found.pixel_mm:.2f} mm a pixel.",
        f"U95 of its surface: {found.u95_median_mm:.2f} mm in the middle, "
        f"{found.u95_most_mm:.2f} mm for 19 of 20 places.",
        f"Write model_tolerance_mm = {found.u95_most_mm:.2f} into job.toml, so that every day "
        "reckons with it.",
    )
    if found.not_seen_mm2 > 0.0:
        say(
            f"Not seen: about {found.not_seen_mm2 / 100.0:.0f} of "
            f"{(found.not_seen_mm2 + found.seen_mm2) / 100.0:.0f} square centimetres."
        )
    for hole in found.holes[:NAMED_AT_MOST]:
        where = ", ".join(f"{value:.0f}" for value in hole.middle)
        say(f"Hole {hole.across_mm:.0f} mm across at {where} (x, y, z mm).")
    if len(found.holes) > NAMED_AT_MOST:
        say(f"And {len(found.holes) - NAMED_AT_MOST} smaller holes.")
    for name, reason in found.left_out.items():
        say(f"{name} left out: {reason}")
    for words in found.warnings:
        say(words)


def _document(found: CastModel) -> dict[str, Any]:
    return {
        "triangles": len(found.surface.faces),
        "box_mm": [corner.round(2).tolist() for corner in found.surface.box],
        "datum": found.datum,
        "seats_mm": None if found.seats is None else found.seats.round(4).tolist(),
        "photos": dict(zip(("used", "given"), found.photos, strict=True)),
        "pixel_mm": round(found.pixel_mm, 4),
        "u95_mm": {
            "median": round(found.u95_median_mm, 4),
            "p95": round(found.u95_most_mm, 4),
            "corners": found.u95_mm.round(4).tolist(),
        },
        "seen_mm2": round(found.seen_mm2),
        "not_seen_mm2": round(found.not_seen_mm2),
        "holes": [
            {"middle_mm": hole.middle.round(1).tolist(), "across_mm": round(hole.across_mm, 1)}
            for hole in found.holes
        ],
        "left_out": dict(found.left_out),
        "warnings": list(found.warnings),
        "peak_memory_mb": round(found.peak_memory_mb),
    }
