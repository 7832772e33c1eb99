"""The job's model against a block: one with square faces, or one that was photographed."""

from __future__ import annotations

from typing import Any

import numpy as np

from tracker.job import Job
from tracker.records.block_fit import (
    fit_document,
    fit_into_block,
    fit_into_stage,
    stage_fit_document,
)
from tracker.records.ply import read_map
from tracker.stage import MAP_FILE, load_stage


def block_fit(
    job: Job, block_mm: tuple[float, float, float], allowance_mm: float
) -> dict[str, Any]:
    """How the model goes into a block with square faces, as plain texts and figures.

    Raises
    ------
    JobError
        No model on record.
    InputError
        A block or an allowance that cannot be.
    """
    fit = fit_into_block(job.model(), np.array(block_mm), allowance_mm, job.seats())
    return fit_document(fit, job.points())


def stage_fit(job: Job, name: str, allowance_mm: float) -> dict[str, Any]:
    """How the model goes into a photographed block, as plain texts and figures.

    Raises
    ------
    JobError
        There is no such stage, or its record is damaged.
    InputError
        Nothing was seen.
    """
    folder = job.stage_path(load_stage(job, name).facts.name)
    fit = fit_into_stage(read_map(folder / MAP_FILE), job.seats())
    return stage_fit_document(fit, allowance_mm, job.points())
