"""``camera``: calibrates the camera from photographs of the board."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, print_table, say, watched

if TYPE_CHECKING:
    from tracker.pipeline.camera import CalibratedCamera


def camera(
    ctx: typer.Context,
    photos: Annotated[
        Path, typer.Argument(metavar="PHOTOS", help="Folder of photographs of the board.")
    ],
    focus_locked: Annotated[
        bool,
        typer.Option(
            "--focus-locked",
            help="Focus is set by hand, and stays so for the photographs of the stone.",
        ),
    ] = False,
    measured: Annotated[
        float | None,
        typer.Option(metavar="MM", help="What the line at the foot of the board measures."),
    ] = None,
    paper: Annotated[str, typer.Option(help="A4 or Letter, of the board.")] = "A4",
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Calibrate the camera from a dozen photographs of the calibration board.

    Optional: a day's photographs calibrate themselves. It helps when they are few.
    """
    from tracker.pipeline.camera import calibrate_cameras
    from tracker.targets.sheet import print_ratio
    from tracker.targets.sheet_plan import paper_named

    ratio = None if measured is None else print_ratio(paper_named(paper), measured)
    with watched() as progress:
        done = calibrate_cameras(
            opened_job(ctx), photos, focus_locked=focus_locked, progress=progress
        )
    if as_json:
        print_json(
            {
                "cameras": [camera.record.model_dump() for camera in done.cameras],
                "left_out": {
                    name: reason
                    for part in (done.left_out, *(c.calibration.left_out for c in done.cameras))
                    for name, reason in part.items()
                },
            }
        )
        return
    for one in done.cameras:
        _show(one)
    for name, reason in done.left_out.items():
        say(f"{name} left out: {reason}")
    if ratio is not None:
        say(
            f"The board came out of the printer at {100.0 * ratio:.2f} %. The lens does not depend "
            "on that: only its shape in the pictures counts. Scale comes from the bars."
        )


def _show(one: CalibratedCamera) -> None:
    from tracker.calibration import next_photographs

    found, lens = one.calibration, one.calibration.lens
    say(f"{one.key.label}: {len(found.photo_rms_px)} photographs of the board")
    sigma = found.cov.diagonal() ** 0.5
    names = ["focal length px", "middle x px", "middle y px", "k1", "k2", "p1", "p2", "k3"]
    digits = [2, 2, 2, 4, 4, 5, 5, 4]
    rows = [
        [name, f"{value:.{d}f}", f"{2.0 * s:.{d}f}"]
        for name, value, s, d in zip(names, lens.vector, sigma, digits, strict=True)
    ]
    print_table(["", "value", "U95"], rows, "lrr")
    say(
        f"Corners fit to {found.rms_px:.2f} px; the board was in {100.0 * found.covered_share:.0f} "
        f"% of the picture; the focal length is known to {200.0 * found.focal_share:.2g} % (U95)."
    )
    for name, reason in found.left_out.items():
        say(f"{name} left out: {reason}")
    wanted = next_photographs(found)
    for words in wanted:
        say(f"Next: {words}")
    if not wanted:
        say("Nothing is wanting.")
    if not one.key.model:
        say(
            "The photographs do not say which camera took them: any others of this size that do "
            "not either will be taken for this camera's."
        )
    say("On record: days photographed with this camera at this zoom start from it.")
