"""The adjustment's result in the words of the record: photographs, targets, bars."""

from __future__ import annotations

import numpy as np

from tracker.maths.camera import Array
from tracker.network.build import Assembled, Choice, Material, Values
from tracker.network.datum_choice import bar_reason
from tracker.network.datum_test import TargetTest, measure_bars, seating, test_known
from tracker.network.outcome import AdjustedBar, AdjustedPhoto, AdjustedTarget, Adjustment
from tracker.network.problem import Rows, Solution
from tracker.network.quality import warnings_of
from tracker.network.shared import shared_covariance

NOT_SEEN_TWICE = "seen in fewer than two usable photographs"


def summarise(
    material: Material,
    choice: Choice,
    values: Values,
    assembled: Assembled,
    solution: Solution,
) -> Adjustment:
    """Adjustment from the last solution."""
    tests = test_known(material, choice, assembled, solution)
    photo_rows = np.full(len(material.names), -1, np.int64)
    photo_rows[list(assembled.photos)] = np.arange(len(assembled.photos))
    photos = tuple(
        _photo(material, choice, assembled, solution, i, int(photo_rows[i]))
        for i in range(len(material.names))
    )
    return Adjustment(
        photos=photos,
        targets=_targets(material, choice, values, assembled, solution, tests),
        bars=_bars(material, choice, assembled, solution),
        lenses=solution.lenses,
        solution=solution,
        network=assembled.network,
        photo_rows=photo_rows,
        tie_rows=assembled.tie_rows,
        target_rows={tag: assembled.rows_of(tag) for tag in assembled.tags},
        material=material,
        choice=choice,
        seating=seating(material, choice, assembled, solution, tests),
        warnings=(*solution.warnings, *warnings_of(material, choice, assembled, solution)),
    )


def _photo(
    material: Material,
    choice: Choice,
    assembled: Assembled,
    solution: Solution,
    photo: int,
    row: int,
) -> AdjustedPhoto:
    lens = material.cameras[photo]
    name = material.names[photo]
    if row < 0:
        reason = choice.photos_out.get(photo, "shows fewer than two targets that can be used")
        return AdjustedPhoto(name, False, reason, lens, None, 0.0, 0, 0.0)
    sightings = (assembled.network.sightings.photo == row) & solution.sighting_used
    ties = (assembled.network.seen.photo == row) & solution.used
    residual = np.concatenate(
        [solution.sighting_residual_px[sightings].ravel(), solution.residual_px[ties].ravel()]
    )
    rms = float(np.sqrt(np.mean(residual**2))) if len(residual) else 0.0
    scale = choice.photo_scale.get(photo, 1.0)
    reason = "" if scale == 1.0 else f"counts less: its targets fit {scale:.1f} times worse"
    return AdjustedPhoto(
        name,
        True,
        reason,
        lens,
        solution.poses[row],
        rms,
        int(sightings.sum()),
        1.0 / scale**2,
    )


def _targets(
    material: Material,
    choice: Choice,
    values: Values,
    assembled: Assembled,
    solution: Solution,
    tests: dict[int, TargetTest],
) -> tuple[AdjustedTarget, ...]:
    out = []
    for tag in sorted({t.tag for d in material.detections for t in d.used}):
        if tag not in assembled.tags or not solution.placed[assembled.rows_of(tag)].all():
            reason = choice.targets_out.get(tag, NOT_SEEN_TWICE)
            corners = values.corners.get(tag, np.zeros((4, 3)))
            cov = np.zeros((12, 12))
            out.append(AdjustedTarget(tag, _role(material, tag), corners, cov, False, reason, 0))
            continue
        rows = assembled.rows_of(tag)
        out.append(_target(material, choice, assembled, solution, tag, rows, tests.get(tag)))
    return tuple(out)


def _target(
    material: Material,
    choice: Choice,
    assembled: Assembled,
    solution: Solution,
    tag: int,
    rows: Rows,
    test: TargetTest | None,
) -> AdjustedTarget:
    tags: Array = np.array([t for _, t in assembled.sightings])
    photos = int(np.sum(solution.sighting_used & (tags == tag)))
    moved = test is not None and tag not in choice.held
    reason = ""
    if moved and test is not None:
        reason = (
            f"does not lie where its record has it: moved by {test.shift_mm:.2f} mm "
            f"and {test.turn_deg:.2f} degrees; it takes no part in the datum"
        )
    return AdjustedTarget(
        tag=tag,
        role=_role(material, tag),
        corners=solution.points[rows],
        cov_corners=solution.cov_of_joint(rows)
        + shared_covariance(solution.points[rows], choice.shared_mm.get(tag, 0.0)),
        used=not moved,
        reason=reason,
        photos=photos,
        shift_mm=test.shift_mm if test else 0.0,
        turn_deg=test.turn_deg if test else 0.0,
        statistic=test.value if test else 0.0,
    )


def _role(material: Material, tag: int) -> str:
    if tag in material.known:
        return material.known[tag].role
    if any(tag in (bar.target_a, bar.target_b) for bar in material.bars):
        return "bar"
    return "bench"


def _bars(
    material: Material, choice: Choice, assembled: Assembled, solution: Solution
) -> tuple[AdjustedBar, ...]:
    measured = measure_bars(material, choice, assembled, solution)
    out = []
    for k, bar in enumerate(material.bars):
        if k not in measured:
            out.append(
                AdjustedBar(
                    bar.target_a,
                    bar.target_b,
                    bar.length_mm,
                    0.0,
                    0.0,
                    False,
                    "its two targets were not both seen in two photographs",
                )
            )
            continue
        found = measured[k]
        reason = "" if k in choice.bars else bar_reason(found)
        out.append(
            AdjustedBar(
                found.target_a,
                found.target_b,
                found.given_mm,
                found.found_mm,
                found.u95_mm,
                k in choice.bars,
                reason,
            )
        )
    return tuple(out)
