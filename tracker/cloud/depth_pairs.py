"""Coarse depth maps from pairs of photographs: first evidence of where the stone is.

Two photographs are turned into the plane parallel to their base line (rectified) at about 1 mm a
pixel, their local contrast is evened out, and semi-global matching gives the disparity. These maps
are only a start: about one place in ten is wrong, nothing is reported from them.

References
----------
H. Hirschmueller, "Stereo processing by semiglobal matching and mutual information",
IEEE PAMI 30(2), 2008.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.cloud.patch_views import LEVELS, ViewStack
from tracker.maths.camera import Array, Lens, distort

MATCH_MM_PER_PX = 1.0
MIN_ANGLE_RAD = np.radians(5.0)
MAX_ANGLE_RAD = np.radians(50.0)
BEST_ANGLE_RAD = np.radians(16.0)
PARTNERS = 4
MAX_SIDE_PX = 900
BLOCK_PX = 7
MAX_DISPARITIES = 512


@dataclass(frozen=True, slots=True)
class PairMap:
    """Depth along the rectified viewing direction of one pair's first photograph.

    Attributes
    ----------
    R, centre : (3, 3), (3,) arrays
        Rectified camera: ``p_rectified = R @ (p_frame - centre)``, mm.
    focal, left, top : float
        column = focal x / z - left, row = focal y / z - top.
    inverse : (height, width) float32 array
        1 / depth, 1/mm; 0 where the pair does not agree.
    step : float
        Inverse depth of one pixel of disparity, 1/mm.
    """

    R: Array
    centre: Array
    focal: float
    left: float
    top: float
    inverse: NDArray[np.float32]
    step: float


def choose_pairs(
    stack: ViewStack, middle: Array, partners: int = PARTNERS
) -> list[tuple[int, int]]:
    """Each photograph with its best partners, by the angle between their lines of sight.

    Parameters
    ----------
    stack : ViewStack
    middle : (3,) array, mm, middle of the figure
    partners : of each photograph, at most

    Returns
    -------
    list of (first, second), first < second, in order
    """
    sight = middle - stack.centres
    sight /= np.linalg.norm(sight, axis=1, keepdims=True)
    angle = np.arccos(np.clip(sight @ sight.T, -1.0, 1.0))
    pairs: set[tuple[int, int]] = set()
    for k in range(stack.count):
        fit = np.abs(np.log(np.maximum(angle[k], 1e-6) / BEST_ANGLE_RAD))
        fit[(angle[k] < MIN_ANGLE_RAD) | (angle[k] > MAX_ANGLE_RAD)] = np.inf
        taken: list[int] = []
        for j in np.argsort(fit, kind="stable"):
            if not np.isfinite(fit[j]) or len(taken) == partners:
                break
            # partners on different sides, not four from one direction
            if any(angle[j, t] < MIN_ANGLE_RAD for t in taken):
                continue
            taken.append(int(j))
            pairs.add((min(k, int(j)), max(k, int(j))))
    return sorted(pairs)


def match_pairs(
    stack: ViewStack,
    pairs: list[tuple[int, int]],
    room: Array,
    threads: int = 2,
    mm_per_px: float = MATCH_MM_PER_PX,
    most_px: int = MAX_SIDE_PX,
) -> Iterator[PairMap]:
    """Depth maps of the pairs, in order.

    Parameters
    ----------
    room : (n, 3) array, mm
        Points that bound where stone can be; each pair searches only the depths they span.
    mm_per_px : float
        Pixel of the maps in the middle of the room.
    most_px : int
        Longest side of a map; a larger room is matched more coarsely.
    """
    with ThreadPoolExecutor(threads) as pool:
        yield from pool.map(lambda pair: _match(stack, pair, room, mm_per_px, most_px), pairs)


def _match(
    stack: ViewStack, pair: tuple[int, int], room: Array, mm_per_px: float, most_px: int
) -> PairMap:
    first, second = pair
    R = _rectify(stack, first, second)
    base = float(np.linalg.norm(stack.centres[second] - stack.centres[first]))
    a = (room - stack.centres[first]) @ R.T
    b = (room - stack.centres[second]) @ R.T
    near, far = float(max(a[:, 2].min(), 50.0)), float(max(a[:, 2].max(), 60.0))
    focal = 0.5 * (near + far) / mm_per_px
    plane_a, plane_b = a[:, :2] / a[:, 2:].clip(50.0), b[:, :2] / b[:, 2:].clip(50.0)
    low = np.minimum(plane_a, plane_b).min(axis=0)
    high = np.maximum(plane_a, plane_b).max(axis=0)
    focal = min(focal, most_px / float(max(high[1] - low[1], np.ptp(plane_a[:, 0]))))
    left_a, left_b = focal * plane_a[:, 0].min() - 4.0, focal * plane_b[:, 0].min() - 4.0
    top = focal * low[1] - 4.0
    width = int(focal * max(np.ptp(plane_a[:, 0]), np.ptp(plane_b[:, 0]))) + 8
    height = int(focal * (high[1] - low[1])) + 8
    offset = left_a - left_b
    least = int(np.floor(focal * base / far - offset)) - 1
    most = int(np.ceil(focal * base / near - offset)) + 1
    number = min((most - least + 15) // 16 * 16, MAX_DISPARITIES)
    image_a = _rectified(stack, first, R, focal, (left_a, top), (width, height))
    image_b = _rectified(stack, second, R, focal, (left_b, top), (width, height))
    matcher = cv2.StereoSGBM.create(
        minDisparity=least, numDisparities=number, blockSize=BLOCK_PX, P1=8 * BLOCK_PX**2,
        P2=32 * BLOCK_PX**2, disp12MaxDiff=1, uniquenessRatio=5, speckleWindowSize=60,
        speckleRange=2, preFilterCap=31, mode=cv2.StereoSGBM_MODE_SGBM_3WAY,
    )  # fmt: skip
    # a free border, so that columns to the left of the match are not lost
    wide_a = cv2.copyMakeBorder(image_a, 0, 0, most + 1 if most > 0 else 0, 0, cv2.BORDER_CONSTANT)
    wide_b = cv2.copyMakeBorder(image_b, 0, 0, most + 1 if most > 0 else 0, 0, cv2.BORDER_CONSTANT)
    found = matcher.compute(wide_a, wide_b)[:, wide_a.shape[1] - width :]
    disparity = found.astype(np.float32) / 16.0
    valid = found >= least * 16
    inverse = np.where(valid, (disparity + np.float32(offset)) / np.float32(focal * base), 0.0)
    inverse[(inverse < 0.9 / far) | (image_a == 0)] = 0.0
    return PairMap(
        R, stack.centres[first], focal, left_a, top, inverse.astype(np.float32),
        1.0 / (focal * base),
    )  # fmt: skip


def _rectify(stack: ViewStack, first: int, second: int) -> Array:
    """Rotation whose x axis is the base line and whose z axis looks as the photographs do."""
    x = stack.centres[second] - stack.centres[first]
    x /= np.linalg.norm(x)
    look = stack.cameras[first, 6:9] + stack.cameras[second, 6:9]
    z = look - (look @ x) * x
    z /= np.linalg.norm(z)
    return np.stack([x, np.cross(z, x), z])


def _rectified(
    stack: ViewStack, view: int, R: Array, focal: float, corner: tuple[float, float],
    size: tuple[int, int],
) -> NDArray[np.uint8]:  # fmt: skip
    """One photograph in the rectified camera, contrast evened, 0 outside the photograph."""
    camera = stack.cameras[view]
    width, height = size
    row, column = np.mgrid[0:height, 0:width].astype(np.float64)
    rays = np.stack(
        [(column + corner[0]) / focal, (row + corner[1]) / focal, np.ones_like(row)], axis=-1
    )
    turned = rays @ (camera[:9].reshape(3, 3) @ R.T).T
    z = turned[..., 2]
    plane = turned[..., :2] / np.where(z > 0.05, z, np.inf)[..., None]
    pixels = distort(Lens.from_vector(camera[12:20]), plane)
    level = int(np.clip(np.round(np.log2(camera[12] / focal)), 0, LEVELS - 1))
    _, _, _, left, top = stack.layout[level, view]
    where = ((pixels + 0.5) / (1 << level) - 0.5 - np.array([left, top])).astype(np.float32)
    where[z <= 0.05] = -10.0
    part = stack.part(level, view)
    if part.size == 0:
        return np.zeros((height, width), dtype=np.uint8)
    taken = cv2.remap(
        part, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    inside = (
        (where[..., 0] > 0) & (where[..., 1] > 0)
        & (where[..., 0] < part.shape[1] - 1) & (where[..., 1] < part.shape[0] - 1)
    )  # fmt: skip
    return _even_contrast(np.asarray(taken, dtype=np.uint8), inside)


def _even_contrast(image: NDArray[np.uint8], inside: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Local mean taken off and local spread made alike, 1..255; 0 outside."""
    values = image.astype(np.float32)
    mean = cv2.GaussianBlur(values, (0, 0), 9.0)
    spread = np.sqrt(np.maximum(cv2.GaussianBlur((values - mean) ** 2, (0, 0), 9.0), 0.0))
    evened = 128.0 + 40.0 * (values - mean) / (spread + 1.5)
    return np.where(inside, np.clip(evened, 1, 255), 0).astype(np.uint8)
