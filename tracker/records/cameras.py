"""Calibrated cameras of a job: ``cameras.json``, and what they say of a day's photographs.

A calibration is kept for make, model, lens, focal length and picture size. Between the board and
the stone the camera focuses anew, which moves the lens: by the thin lens the focal length in
pixels grows by f / d when focused from far to the distance d, and a stabiliser shifts the picture.
The belief handed on is therefore the calibration's covariance and these together; a lens that is
not refocused is believed as it was calibrated.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from tracker.calibration import Calibration
from tracker.errors import JobError
from tracker.maths.camera import Lens
from tracker.network.problem import LensPrior
from tracker.photos import CameraKey
from tracker.records.tables import write_whole

SCHEMA = 1
REFOCUS_SHARE = (0.002, 0.02)
"""Least and largest sigma of the focal length from focusing anew, as a share of it."""
UNKNOWN_REFOCUS_SHARE = 0.005
"""The same where the file does not say the focal length in mm: a phone's at half a metre."""
LOCKED_SHARE = 0.0001
"""The same of a lens that is not focused anew: warmth, the weight of the lens (own judgement)."""
STABILISER_SHARE = 0.003
"""Sigma of the principal point from a stabiliser, as a share of the width (own judgement)."""
RADIAL_SIGMA, TANGENTIAL_SIGMA = 0.005, 0.0003
"""What focusing anew does to the distortion (own judgement)."""

Vector = Annotated[list[float], Field(min_length=8, max_length=8)]


class CameraRecord(BaseModel):
    """One camera as calibrated."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    make: str
    model: str
    lens: str
    focal_mm: float
    width: Annotated[int, Field(gt=0)]
    height: Annotated[int, Field(gt=0)]
    focus_locked: bool
    date: str
    photos: Annotated[int, Field(gt=0)]
    rms_px: float
    covered_share: float
    distance_mm: Annotated[float, Field(gt=0)]
    vector: Vector
    """Focal length, principal point (px), k1 k2 p1 p2 k3."""
    cov: Annotated[list[Vector], Field(min_length=8, max_length=8)]

    @property
    def key(self) -> CameraKey:
        """What photographs of this camera say of themselves."""
        return CameraKey(self.make, self.model, self.lens, self.focal_mm, self.width, self.height)


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    schema_: Literal[1] = Field(default=1, alias="schema")
    cameras: list[CameraRecord] = []


def camera_record(
    key: CameraKey, calibration: Calibration, date: str, focus_locked: bool
) -> CameraRecord:
    """A calibration as it is kept."""
    return CameraRecord(
        make=key.make,
        model=key.model,
        lens=key.lens,
        focal_mm=key.focal_mm,
        width=key.width,
        height=key.height,
        focus_locked=focus_locked,
        date=date,
        photos=len(calibration.photo_rms_px),
        rms_px=round(calibration.rms_px, 4),
        covered_share=round(calibration.covered_share, 3),
        distance_mm=round(calibration.distance_mm, 1),
        vector=[float(f"{v:.9g}") for v in calibration.lens.vector],
        cov=[[float(f"{v:.9g}") for v in row] for row in calibration.cov],
    )


def read_cameras(path: Path) -> tuple[CameraRecord, ...]:
    """Cameras on record; none where there is no file.

    Raises
    ------
    JobError
        The file is not what this program wrote.
    """
    if not path.is_file():
        return ()
    try:
        return tuple(_File.model_validate_json(path.read_bytes()).cameras)
    except (OSError, ValidationError) as error:
        raise JobError(
            f"{path.name} cannot be read as calibrated cameras.",
            "Delete it and calibrate again: stoneleft camera PHOTOS",
        ) from error


def write_cameras(path: Path, cameras: Sequence[CameraRecord]) -> None:
    """Writes all cameras as one file."""
    document = _File(cameras=list(cameras)).model_dump(by_alias=True)
    write_whole(path, (json.dumps(document, indent=1) + "\n").encode("utf-8"))


def belief(record: CameraRecord) -> LensPrior:
    """What a calibration says of photographs taken on another day."""
    cov = np.asarray(record.cov, np.float64)
    vector = np.asarray(record.vector, np.float64)
    shares = np.zeros(8)
    shares[0] = refocus_share(record) * vector[0]
    if not record.focus_locked:
        shares[1:3] = STABILISER_SHARE * record.width
        shares[[3, 4, 7]], shares[5:7] = RADIAL_SIGMA, TANGENTIAL_SIGMA
    cov = cov + np.diag(shares**2)
    return LensPrior(vector, np.sqrt(np.diag(cov)), cov)


def refocus_share(record: CameraRecord) -> float:
    """Sigma of the focal length, as a share of it, from focusing anew.

    Half of the thin lens's f / d at the board's distance: the stone is as near, or far away.
    """
    if record.focus_locked:
        return LOCKED_SHARE
    if record.focal_mm <= 0.0:
        return UNKNOWN_REFOCUS_SHARE
    low, high = REFOCUS_SHARE
    return float(np.clip(0.5 * record.focal_mm / record.distance_mm, low, high))


def lens_of(record: CameraRecord) -> Lens:
    """The calibrated lens."""
    return Lens.from_vector(np.asarray(record.vector))
