"""`check`: is this set-up good enough? Known lengths against photographs of targets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tracker.errors import ScaleError
from tracker.job import Job
from tracker.network.length_advice import advise
from tracker.network.length_test import LengthTest, Limit, Verdict, measure_lengths
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget
from tracker.pipeline.day import Placed, Progress, open_day, place_day, quiet_threads
from tracker.records.entries import read_bars
from tracker.records.settings import MeasuringSettings

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class SetupCheck:
    """A set-up against known lengths.

    Attributes
    ----------
    test : LengthTest
    adjustment : Adjustment
    scale : str
        What gave the scale, in words.
    left_out : mapping of photograph to reason
    advice : tuple of str
        What would make it better, most telling first.
    """

    test: LengthTest
    adjustment: Adjustment
    scale: str
    left_out: Mapping[str, str]
    advice: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Pass or fail, in one sentence."""
        return _sentence(self.test)


def check_setup(
    photos: Path,
    lengths: Path,
    *,
    bars: Path | None = None,
    limit: str | None = None,
    job: Job | None = None,
    progress: Progress = lambda words, share: None,
) -> SetupCheck:
    """Length-measurement test of a set-up; no model is needed.

    Parameters
    ----------
    photos : Path
        Folder of photographs with targets; they are only read.
    lengths : Path
        Table target_a,target_b,length_mm[,u95_mm] of known lengths, centre to centre.
    bars : Path, optional
        Table of the bars that give the scale; by default the job's frame and bars.
    limit : str, optional
        The carver's own limit, mm: 0.05 or 0.05+L/20000.
    job : Job, optional
        Gives the scale where no bars are named.

    Raises
    ------
    InputError, PhotographError, TableError, JobError, TargetError, NetworkError, ScaleError
        Each says what is wrong and what to do.
    """
    own_limit = None if limit is None else Limit.parse(limit)
    default_u95_mm = MeasuringSettings().bar_u95_mm
    given = _as_bars(lengths, default_u95_mm, "length")
    known, scale_bars, scale = _scale(bars, job, default_u95_mm)
    with quiet_threads():
        progress("looking for targets in the photographs", 0.0)
        day = open_day(photos, lambda share: progress("looking for targets", 0.9 * share))
        progress("placing the photographs by the targets", 0.9)
        placed = place_day(day, known, scale_bars)
        test = measure_lengths(placed.adjustment, given, own_limit)
    progress("done", 1.0)
    return SetupCheck(
        test=test,
        adjustment=placed.adjustment,
        scale=scale,
        left_out=_left_out(placed),
        advice=advise(placed.adjustment, test),
    )


def check_document(check: SetupCheck) -> dict[str, Any]:
    """The check as a document that programs can read."""
    test = check.test
    return {
        "schema": SCHEMA,
        "verdict": test.verdict.value,
        "sentence": check.sentence,
        "scale": check.scale,
        "largest_error_mm": round(test.worst.error_mm, 4),
        "own_limit_mm": None
        if test.own_limit is None
        else {"A": test.own_limit.constant_mm, "L_share": test.own_limit.length_share},
        "lengths": [
            {
                "target_a": length.target_a,
                "target_b": length.target_b,
                "given_mm": length.given_mm,
                "given_u95_mm": length.given_u95_mm,
                "found_mm": round(length.found_mm, 4),
                "found_u95_mm": round(length.found_u95_mm, 4),
                "error_mm": round(length.error_mm, 4),
                "limit_mm": round(length.limit_mm, 4),
                "verdict": length.verdict.value,
            }
            for length in test.lengths
        ],
        "lengths_left_out": dict(test.left_out),
        "space_diagonal_mm": round(test.diagonal_mm, 1),
        "direction_shares": [round(float(share), 3) for share in test.direction_shares],
        "photographs_used": sum(photo.used for photo in check.adjustment.photos),
        "photographs_left_out": dict(check.left_out),
        "advice": list(check.advice),
    }


def _scale(
    bars: Path | None, job: Job | None, default_u95_mm: float
) -> tuple[dict[int, KnownTarget], tuple[Bar, ...], str]:
    """Known targets, bars, and the words for what gives the scale."""
    if bars is not None:
        return {}, _as_bars(bars, default_u95_mm, "bar"), f"the scale bars of {bars.name}"
    if job is None:
        raise ScaleError(
            "Nothing says how long a millimetre is: there is no job here, and no scale bars.",
            "Name a table of scale bars, --bars CSV, or run this in a job's folder.",
        )
    job_bars = tuple(
        Bar(bar.target_a, bar.target_b, bar.length_mm, 2.0 * bar.sigma_mm) for bar in job.bars()
    )
    known = _frame(job)
    if not known and not job_bars:
        raise ScaleError(
            f"The job in {job.folder} has neither a frame nor scale bars on record.",
            "Put one on record (frame import, bars import), or name a table: --bars CSV.",
        )
    if known and job_bars:
        return known, job_bars, "the job's frame and scale bars"
    return known, job_bars, "the job's frame" if known else "the job's scale bars"


def _frame(job: Job) -> dict[int, KnownTarget]:
    if not job.frame_path.is_file():
        return {}
    return {
        tag: KnownTarget(target.corners_mm, 2.0 * target.sigma_mm, "frame")
        for tag, target in job.frame().items()
    }


def _as_bars(table: Path, default_u95_mm: float, noun: str) -> tuple[Bar, ...]:
    return tuple(
        Bar(bar.target_a, bar.target_b, bar.length_mm, 2.0 * bar.sigma_mm)
        for bar in read_bars(table, default_u95_mm, noun)
    )


def _left_out(placed: Placed) -> dict[str, str]:
    unused = {photo.name: photo.reason for photo in placed.adjustment.photos if not photo.used}
    return {**placed.left_out, **unused}


def _sentence(test: LengthTest) -> str:
    worst, deciding = test.worst, test.deciding
    whose = "your limit" if test.own_limit is not None else "the limit of this set-up"
    largest = f"the largest error is {worst.error_mm:+.3f} mm ({worst.name})"
    at = f"{whose} there is {worst.limit_mm:.3f} mm"
    if test.verdict is Verdict.PASS:
        return f"Pass: {largest}; {at}."
    beyond = [length for length in test.lengths if length.verdict is test.verdict]
    if test.verdict is Verdict.FAIL:
        return (
            f"Fail: {len(beyond)} of {len(test.lengths)} lengths break {whose}, worst "
            f"{deciding.name} by {deciding.error_mm:+.3f} mm where {deciding.limit_mm:.3f} mm "
            "is allowed."
        )
    return (
        f"Not decided: {', '.join(length.name for length in beyond)} may keep {whose} or break "
        "it; the known lengths are not known well enough to tell."
    )
