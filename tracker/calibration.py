"""A camera calibrated from photographs of the board.

The solution is OpenCV's, with square pixels and the five terms k1 k2 p1 p2 k3. Its covariance is
that of the lens after the poses are eliminated,

    C = s0^2 (sum_i A_i^T A_i - A_i^T B_i (B_i^T B_i)^-1 B_i^T A_i)^-1 ,

A_i, B_i the derivatives of photograph i by lens and pose, s0^2 the squared residuals over the
redundancy. A photograph that fits far worse than the others is left out.

References
----------
Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.errors import PhotographError
from tracker.maths.camera import Array, Lens
from tracker.maths.rotation import exp

FEWEST_PHOTOS = 5
OUTLYING = 3.0
"""A photograph whose misfit is this many times the others' middle one is left out."""
LARGEST_FOCAL_SHARE = 0.01
"""Sigma of the focal length, as a share of it, beyond which nothing is calibrated."""
LARGEST_MISFIT = 0.003
"""Root mean square misfit, as a share of the picture's width, that no flat board leaves."""
GRID = (4, 3)
"""Cells along the longer and the shorter side for the coverage of the picture."""
TILTED_DEG, TILTED_PHOTOS, MANY_PHOTOS = 20.0, 4, 10
GOOD_FOCAL_SHARE = 0.001


@dataclass(frozen=True, slots=True)
class Calibration:
    """A camera's lens with its covariance, and how well the photographs fix it.

    Attributes
    ----------
    lens : Lens
    cov : (8, 8) array
        In the order of LENS_PARAMETERS.
    size : (width, height), px
    rms_px : float
        Root mean square distance of corners from where the lens has them.
    photo_rms_px : mapping of name to the same of one photograph
    left_out : mapping of name to reason
    covered : (rows, columns) bool array
        Cells of the picture in which the board was.
    tilted : int
        Photographs with the board tilted by more than 20 degrees.
    distance_mm : float
        Middle distance of the board, by its drawn size.
    """

    lens: Lens
    cov: Array
    size: tuple[int, int]
    rms_px: float
    photo_rms_px: dict[str, float]
    left_out: dict[str, str]
    covered: NDArray[np.bool_]
    tilted: int
    distance_mm: float

    @property
    def focal_share(self) -> float:
        """Sigma of the focal length as a share of it."""
        return float(np.sqrt(self.cov[0, 0])) / self.lens.focal_px

    @property
    def covered_share(self) -> float:
        """Share of the picture in which the board was."""
        return float(self.covered.mean())


@dataclass(frozen=True, slots=True)
class _Solved:
    lens: Lens
    rms_px: float
    rvecs: list[Array]
    tvecs: list[Array]
    views: Array


def calibrate(
    names: Sequence[str],
    pixels: Sequence[Array],
    board: Array,
    size: tuple[int, int],
    left_out: dict[str, str] | None = None,
    *,
    reject: bool = True,
) -> Calibration:
    """Lens of one camera from the board's corners in its photographs.

    Parameters
    ----------
    names : file names
    pixels : (n, 2) arrays, px
        The board's corners in each photograph.
    board : (n, 3) array, mm
    size : (width, height), px
    left_out : photographs left out before, with the reason
    reject : bool
        Whether photographs that fit far worse than the others are left out.

    Raises
    ------
    PhotographError
        Fewer than five photographs of the board, or photographs that do not fix the lens.
    """
    out = dict(left_out or {})
    rows = list(range(len(names)))
    while True:
        if len(rows) < FEWEST_PHOTOS:
            raise PhotographError(
                f"The board is seen whole and sharp in {len(rows)} photographs; "
                f"{FEWEST_PHOTOS} are needed, {MANY_PHOTOS} or more are better.",
                "Photograph the board filling half of the picture, tilted to every side, evenly "
                "lit, all of its squares in view.",
            )
        solved = _solve([pixels[k] for k in rows], board, size)
        worst = int(np.argmax(solved.views))
        usual = float(np.median(np.delete(solved.views, worst)))
        if not reject or solved.views[worst] <= OUTLYING * usual:
            break
        name = names[rows.pop(worst)]
        out[name] = (
            f"fits {solved.views[worst] / usual:.1f} times worse than the others "
            f"({solved.views[worst]:.2f} px): blurred, or the board bent"
        )
    kept = [pixels[k] for k in rows]
    result = Calibration(
        solved.lens,
        _covariance(solved, kept, board),
        size,
        solved.rms_px,
        {names[k]: float(v) for k, v in zip(rows, solved.views, strict=True)},
        out,
        _covered(kept, size),
        sum(_tilt_deg(rvec, tvec) > TILTED_DEG for rvec, tvec in zip(*_poses(solved), strict=True)),
        float(np.median([_middle_mm(r, t, board) for r, t in zip(*_poses(solved), strict=True)])),
    )
    _must_hold(result)
    return result


def next_photographs(calibration: Calibration) -> tuple[str, ...]:
    """What to photograph next to know the lens better; empty when nothing is wanting."""
    wanted = []
    photos = len(calibration.photo_rms_px)
    if photos < MANY_PHOTOS:
        wanted.append(f"Take {MANY_PHOTOS - photos} more photographs of the board.")
    bare = _bare_words(calibration.covered)
    if bare:
        wanted.append(f"Bring the board to the {bare} of the picture.")
    if calibration.tilted < TILTED_PHOTOS:
        wanted.append(
            f"Tilt the board by 30 to 45 degrees, to you, from you and to either side: "
            f"{calibration.tilted} photographs show it tilted, {TILTED_PHOTOS} are wanted."
        )
    if not wanted and calibration.focal_share > GOOD_FOCAL_SHARE:
        wanted.append("Take as many again, nearer and farther, some with the camera turned.")
    return tuple(wanted)


def _solve(pixels: list[Array], board: Array, size: tuple[int, int]) -> _Solved:
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 200, 1e-12)
    seen = [p.astype(np.float32).reshape(-1, 1, 2) for p in pixels]
    boards = [board.astype(np.float32)] * len(pixels)
    rms, K, dist, rvecs, tvecs, _, _, views = cv2.calibrateCameraExtended(
        boards, seen, size, np.eye(3), np.zeros(5), flags=cv2.CALIB_FIX_ASPECT_RATIO, criteria=stop
    )
    k1, k2, p1, p2, k3 = (float(v) for v in np.asarray(dist).ravel()[:5])
    lens = Lens(float(K[0, 0]), float(K[0, 2]), float(K[1, 2]), k1, k2, p1, p2, k3)
    return _Solved(
        lens,
        float(rms),
        [np.asarray(r, np.float64).ravel() for r in rvecs],
        [np.asarray(t, np.float64).ravel() for t in tvecs],
        np.asarray(views, np.float64).ravel(),
    )


def _poses(solved: _Solved) -> tuple[list[Array], list[Array]]:
    return solved.rvecs, solved.tvecs


def _covariance(solved: _Solved, pixels: list[Array], board: Array) -> Array:
    lens, N, squares, count = solved.lens, np.zeros((8, 8)), 0.0, 0
    for seen, rvec, tvec in zip(pixels, *_poses(solved), strict=True):
        found, J = cv2.projectPoints(board, rvec, tvec, lens.K, lens.dist)
        J = np.asarray(J, np.float64)
        A = np.column_stack([J[:, 6] + J[:, 7], J[:, 8:15]])  # square pixels: fx = fy = f
        B = J[:, :6]
        N += A.T @ A - A.T @ B @ np.linalg.solve(B.T @ B, B.T @ A)
        squares += float(np.sum((np.asarray(found).reshape(-1, 2) - seen) ** 2))
        count += 2 * len(seen)
    scale = 1.0 / np.sqrt(np.diag(N))
    inverse = np.linalg.inv(N * np.outer(scale, scale)) * np.outer(scale, scale)
    return np.asarray(inverse * squares / (count - 8 - 6 * len(pixels)))


def _covered(pixels: list[Array], size: tuple[int, int]) -> NDArray[np.bool_]:
    across, down = GRID if size[0] >= size[1] else GRID[::-1]
    cells = np.zeros((down, across), np.bool_)
    for seen in pixels:
        column = np.clip(seen[:, 0] / size[0] * across, 0, across - 1).astype(int)
        row = np.clip(seen[:, 1] / size[1] * down, 0, down - 1).astype(int)
        cells[row, column] = True
    return cells


def _bare_words(covered: NDArray[np.bool_]) -> str:
    """Parts of the picture without the board, in words."""
    down, across = covered.shape
    words = []
    for row, column in np.argwhere(~covered):
        level = "upper " if row == 0 else "lower " if row == down - 1 else ""
        side = "left" if column < across / 2 - 0.5 else "right" if column > across / 2 - 0.5 else ""
        words.append((level + (side or "middle")).strip())
    return ", ".join(dict.fromkeys(words))


def _tilt_deg(rvec: Array, tvec: Array) -> float:
    del tvec
    return float(np.degrees(np.arccos(min(1.0, abs(exp(rvec)[2, 2])))))


def _middle_mm(rvec: Array, tvec: Array, board: Array) -> float:
    return float(np.linalg.norm(exp(rvec) @ board.mean(axis=0) + tvec))


def _must_hold(calibration: Calibration) -> None:
    share, width = calibration.focal_share, max(calibration.size)
    if calibration.rms_px > LARGEST_MISFIT * width:
        raise PhotographError(
            f"No lens puts the board's corners where the photographs have them "
            f"({calibration.rms_px:.1f} px off).",
            "Glue the board to something flat and stiff, do not zoom, and photograph it again.",
        )
    if not share <= LARGEST_FOCAL_SHARE:
        raise PhotographError(
            f"The photographs fix the focal length only to {100.0 * share:.1g} %; "
            f"{100.0 * LARGEST_FOCAL_SHARE:g} % is needed.",
            " ".join(next_photographs(calibration)) or "Tilt the board by 30 degrees and more.",
        )
