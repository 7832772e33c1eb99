"""First poses of the photographs and first places of the targets.

From the frame's targets outward: photographs that show two or more known targets get a pose,
targets seen from two or more such places get corners, and so on until nothing is added. Without
a frame on record the two targets that are seen together best start the chain, their printed size
giving a first scale. Lens: a pinhole whose focal length is searched about the first guess.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tracker.errors import NetworkError, TargetError
from tracker.maths.camera import Array, Lens, Pose
from tracker.network.resection import (
    UNIT_SQUARE,
    VOTE_SHARE,
    Corners,
    flat_targets,
    intersect,
    look,
    resect,
    square_poses,
)
from tracker.targets.observation import Detection

FACTORS_KNOWN = (1.0, 0.84, 0.91, 1.09, 1.19)
"""Focal lengths tried, over the one that EXIF gives."""
FACTORS_UNKNOWN = (1.0, 0.6, 0.7, 0.84, 1.19, 1.41, 1.68, 2.0, 2.8)
BETTER = 0.9
"""Another focal length must lower the misfit to this share to be taken."""
CLEAR_RATIO = 3.0
"""The worse pose of a single target must fit this much worse for the better one to be believed."""
PAIRS_TRIED = 4
PAIR_PHOTOS = 6
PAIR_PROPOSALS = 4
PAIR_FAR = 0.1
"""Misfit at focal length 1 beyond which a proposed pair does not fit a photograph at all."""
TRIAL_PHOTOS = 8
OUT_OF_SQUARE = 0.25
"""Largest difference between a target's intersected diagonals for it to be believed."""


@dataclass(frozen=True, slots=True)
class Excluded:
    """A photograph left out, and why, in the carver's words."""

    photo: int
    reason: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Start:
    """Starting values of the network.

    Attributes
    ----------
    poses : mapping of photograph row to Pose
    corners : mapping of target to its (4, 3) corners, mm
        In frame coordinates, or in those of the first target where `free`.
    lenses : tuple of Lens, one per camera
    excluded : photographs without a pose
    free : bool
        No frame target was known; the scale is only as good as the printed size.
    misfit_px : float
        Median misfit of the targets.
    """

    poses: Mapping[int, Pose]
    corners: Corners
    lenses: tuple[Lens, ...]
    excluded: tuple[Excluded, ...]
    free: bool
    misfit_px: float


def start_network(
    detections: Sequence[Detection],
    cameras: Sequence[int],
    sizes: Sequence[tuple[int, int]],
    focal_guess_px: Sequence[float],
    frame_corners: Corners,
    *,
    focal_known: Sequence[bool] | None = None,
    side_mm: float | Mapping[int, float] = 40.0,
    lenses: Sequence[Lens] | None = None,
) -> Start:
    """First poses, corners and lenses.

    Parameters
    ----------
    detections : one per photograph
    cameras : camera row of each photograph
    sizes : (width, height) of each camera's pictures, px
    focal_guess_px : first focal length of each camera
    frame_corners : known targets' corners (4, 3), mm; empty starts a free network
    focal_known : whether the guess comes from EXIF; a wider search otherwise
    side_mm : printed side of the targets' black square, one for all or by number
    lenses : lenses that are known already; no search then

    Raises
    ------
    TargetError
        No photograph shows targets that could start the chain.
    """
    if not any(d.used for d in detections):
        raise TargetError(
            "No target was found in any photograph.",
            "Check that the printed targets are in view, sharp and evenly lit.",
        )
    if frame_corners and not any(t.tag in frame_corners for d in detections for t in d.used):
        raise _no_known(frame_corners)
    chain = _Chain(detections, cameras, frame_corners, side_mm)
    if lenses is not None:
        best = chain.run(tuple(lenses))
    else:
        known = [True] * len(sizes) if focal_known is None else list(focal_known)
        best = chain.run(_search_focal(chain, sizes, focal_guess_px, known))
    if len(best.poses) < 2:
        raise _no_chain()
    return best


def pinhole(focal_px: float, size: tuple[int, int]) -> Lens:
    """Lens without distortion, its axis in the middle of the picture."""
    return Lens(focal_px, (size[0] - 1) / 2.0, (size[1] - 1) / 2.0)


def _search_focal(
    chain: _Chain,
    sizes: Sequence[tuple[int, int]],
    guess_px: Sequence[float],
    known: Sequence[bool],
) -> tuple[Lens, ...]:
    """Pinhole lenses whose focal lengths suit a few photographs best.

    All cameras together, then each on its own.
    """
    factor = [1.0] * len(sizes)

    def lenses(factors: Sequence[float]) -> tuple[Lens, ...]:
        return tuple(pinhole(g * f, s) for g, f, s in zip(guess_px, factors, sizes, strict=True))

    tried = FACTORS_KNOWN if all(known) else FACTORS_UNKNOWN
    rounds = [set(range(len(sizes)))]
    if len(sizes) > 1:
        rounds += [{camera} for camera in range(len(sizes))]
    for group in rounds:
        base = list(factor)
        best = chain.trial(lenses(factor), group)
        for f in tried[1:]:
            trial = [base[k] * f if k in group else base[k] for k in range(len(sizes))]
            misfit = chain.trial(lenses(trial), group)
            if misfit < BETTER * best:
                best, factor = misfit, trial
    return lenses(factor)


class _Chain:
    """Grows poses and corners from what is known."""

    def __init__(
        self,
        detections: Sequence[Detection],
        cameras: Sequence[int],
        frame_corners: Corners,
        side_mm: float | Mapping[int, float],
    ) -> None:
        self.detections = detections
        self.cameras = cameras
        self.frame = dict(frame_corners)
        self.side_mm = side_mm

    def run(self, lenses: tuple[Lens, ...]) -> Start:
        seen = self._flat(lenses)
        tags = {tag for s in seen for tag in s}
        free = not any(tag in self.frame for tag in tags)
        if not free:
            poses, corners = self._grow(seen, dict(self.frame))
        else:
            poses, corners = self._grow_free(seen)
        misfit = self._misfit_px(seen, poses, corners, lenses)
        corners = {tag: xyz for tag, xyz in corners.items() if tag in tags}
        return Start(poses, corners, lenses, self._excluded(poses), free, misfit)

    def _flat(self, lenses: tuple[Lens, ...]) -> list[dict[int, Array]]:
        return [
            flat_targets(lenses[self.cameras[i]], d.used) for i, d in enumerate(self.detections)
        ]

    def trial(self, lenses: tuple[Lens, ...], cameras: set[int]) -> float:
        """Misfit of a few photographs of some cameras under given lenses, quickly."""
        seen = [s for s, c in zip(self._flat(lenses), self.cameras, strict=True) if c in cameras]
        known = self.frame
        if not any(len(known.keys() & s.keys()) >= 2 for s in seen):
            pairs = _best_pairs(seen)
            pair = self._pair(seen, *pairs[0]) if pairs else None
            if pair is None:
                return np.inf
            known = pair
        seen.sort(key=lambda s: -len(known.keys() & s.keys()))
        found = [resect(s, known) for s in seen[:TRIAL_PHOTOS]]
        misfits = [VOTE_SHARE if f is None else f.misfit for f in found]
        return float(np.sqrt(np.mean(np.square(misfits))))

    def _grow(
        self, seen: list[dict[int, Array]], known: dict[int, Array]
    ) -> tuple[dict[int, Pose], dict[int, Array]]:
        fixed = set(known)
        poses: dict[int, Pose] = {}
        while True:
            before = (len(poses), len(known))
            for photo, targets in enumerate(seen):
                found = resect(targets, known, poses.get(photo))
                if found is not None:
                    poses[photo] = found.pose
            self._place_targets(seen, poses, known, fixed)
            if (len(poses), len(known)) == before:
                if not self._guess_targets(seen, poses, known):
                    return poses, known
                fixed = fixed & set(known)

    def _place_targets(
        self,
        seen: list[dict[int, Array]],
        poses: dict[int, Pose],
        known: dict[int, Array],
        fixed: set[int],
    ) -> None:
        """Corners of targets seen from several known places."""
        for tag in sorted({t for photo in poses for t in seen[photo]} - fixed):
            photos = [photo for photo in sorted(poses) if tag in seen[photo]]
            if len(photos) < 2:
                continue
            corners = _agreed_corners([poses[p] for p in photos], [seen[p][tag] for p in photos])
            if corners is not None:
                known[tag] = corners

    def _guess_targets(
        self, seen: list[dict[int, Array]], poses: dict[int, Pose], known: dict[int, Array]
    ) -> bool:
        """Last resort: a target seen from one known place, by its printed size."""
        wanted = {t for photo, s in enumerate(seen) if photo not in poses for t in s}
        added = False
        for photo in sorted(poses):
            for tag in sorted((set(seen[photo]) & wanted) - set(known)):
                found = square_poses(seen[photo][tag])
                if not found or (len(found) > 1 and found[1][1] < CLEAR_RATIO * found[0][1]):
                    continue
                known[tag] = _to_frame(poses[photo], found[0][0], self._side(tag))
                added = True
        return added

    def _grow_free(self, seen: list[dict[int, Array]]) -> tuple[dict[int, Pose], dict[int, Array]]:
        best: tuple[dict[int, Pose], dict[int, Array]] = ({}, {})
        for a, b in _best_pairs(seen):
            pair = self._pair(seen, a, b)
            if pair is None:
                continue
            poses, _ = self._grow(seen, pair)
            # the pair was only a scaffold: place its targets afresh from the photographs
            grown = self._grow_from(seen, poses, pair)
            if len(grown[0]) > len(best[0]):
                best = grown
            if len(best[0]) == sum(1 for s in seen if len(s) > 1):
                break
        return best

    def _grow_from(
        self, seen: list[dict[int, Array]], poses: dict[int, Pose], pair: dict[int, Array]
    ) -> tuple[dict[int, Pose], dict[int, Array]]:
        known: dict[int, Array] = {}
        self._place_targets(seen, poses, known, set())
        for tag, corners in pair.items():
            known.setdefault(tag, corners)
        for photo, targets in enumerate(seen):
            found = resect(targets, known)
            if found is not None:
                poses[photo] = found.pose
        return poses, known

    def _pair(self, seen: list[dict[int, Array]], a: int, b: int) -> dict[int, Array] | None:
        """Corners of two targets in the first one's coordinates, by vote over photographs."""
        shared = [s for s in seen if a in s and b in s]
        shared.sort(key=lambda s: -min(_extent(s[a]), _extent(s[b])))
        shared = shared[:PAIR_PHOTOS]
        corners_a = UNIT_SQUARE * self._side(a)
        cameras = [
            [Pose(pose.R, pose.t * self._side(a)) for pose, _ in square_poses(s[a])] for s in shared
        ]
        proposals = [
            _to_frame(camera, pose_b, self._side(b))
            for s, poses in zip(shared, cameras, strict=True)
            for camera in poses
            for pose_b, _ in square_poses(s[b])
        ]
        images = [s[b] for s in shared]
        proposals.sort(key=lambda corners: _votes_against(corners, cameras, images))
        best: tuple[float, Array] | None = None
        for corners_b in proposals[:PAIR_PROPOSALS]:
            cost = 0.0
            for s in shared:
                found = resect({a: s[a], b: s[b]}, {a: corners_a, b: corners_b})
                cost += VOTE_SHARE if found is None else min(found.misfit, VOTE_SHARE)
            if best is None or cost < best[0]:
                best = (cost, corners_b)
        return None if best is None else {a: corners_a, b: best[1]}

    def _misfit_px(
        self,
        seen: list[dict[int, Array]],
        poses: Mapping[int, Pose],
        corners: Corners,
        lenses: tuple[Lens, ...],
    ) -> float:
        sizes = []
        for photo, pose in poses.items():
            focal = lenses[self.cameras[photo]].focal_px
            for tag, image in seen[photo].items():
                if tag in corners:
                    off = look(pose, corners[tag]) - image
                    sizes.append(focal * float(np.sqrt(np.mean(np.sum(off**2, axis=1)))))
        return float(np.median(sizes)) if sizes else float("inf")

    def _excluded(self, poses: Mapping[int, Pose]) -> tuple[Excluded, ...]:
        out = []
        for photo, detection in enumerate(self.detections):
            if photo not in poses:
                tags = sorted(t.tag for t in detection.used)
                out.append(Excluded(photo, *_why_no_pose(tags, set(self.frame))))
        return tuple(out)

    def _side(self, tag: int) -> float:
        return self.side_mm if isinstance(self.side_mm, int | float) else self.side_mm[tag]


def _why_no_pose(tags: list[int], frame: set[int]) -> tuple[str, str]:
    remedy = "Stand where at least two frame cards are in view."
    if not tags:
        return "shows no target", remedy
    if len(tags) == 1:
        return f"shows only target {tags[0]}", remedy
    names = ", ".join(str(tag) for tag in tags)
    if not frame.intersection(tags):
        return f"shows targets {names}, which no other photograph ties to the frame", remedy
    return f"shows targets {names}, which do not agree on where it was taken", remedy


def _no_known(known: Corners) -> TargetError:
    names = ", ".join(str(tag) for tag in sorted(known)[:12])
    return TargetError(
        f"None of the frame's targets ({names}) is in any photograph.",
        "Photograph the block with its frame seated, two or more frame cards in every view.",
    )


def _no_chain() -> NetworkError:
    return NetworkError(
        "No two photographs share enough targets to be tied together.",
        "Take the photographs so that each shows at least two targets that its neighbours show.",
    )


def _agreed_corners(poses: list[Pose], seen: list[Array]) -> Array | None:
    """Intersection by all rays, or by those that are left when the worst disagreeing are out."""
    poses, seen = list(poses), list(seen)
    while len(poses) >= 2:
        corners = intersect(poses, seen)
        if corners is None:
            return None
        off = np.array(
            [
                np.sqrt(np.mean(np.sum((look(p, corners) - s) ** 2, axis=1)))
                for p, s in zip(poses, seen, strict=True)
            ]
        )
        worst = int(np.argmax(off))
        if off[worst] < VOTE_SHARE:
            return corners if _squareness(corners) < OUT_OF_SQUARE else None
        del poses[worst], seen[worst]
    return None


def _squareness(corners: Array) -> float:
    """Relative difference of the diagonals and of the sides."""
    diagonals = np.linalg.norm(corners[[2, 3]] - corners[[0, 1]], axis=1)
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    return float(max(np.ptp(diagonals) / diagonals.mean(), np.ptp(sides) / sides.mean()))


def _to_frame(camera: Pose, square: Pose, side_mm: float) -> Array:
    """Corners of a target in frame coordinates, from its pose to a posed camera."""
    p_camera = side_mm * (UNIT_SQUARE @ square.R.T + square.t)
    return np.asarray((p_camera - camera.t) @ camera.R)


def _votes_against(corners: Array, cameras: list[list[Pose]], images: list[Array]) -> float:
    """Sum of the misfits of a target's proposed corners over photographs, each capped.

    Each photograph's camera has two possible poses; the better one counts.
    """
    total = 0.0
    for poses, image in zip(cameras, images, strict=True):
        off = [float(np.sqrt(np.mean(np.sum((look(p, corners) - image) ** 2, 1)))) for p in poses]
        total += min([*off, PAIR_FAR])
    return total


def _extent(image: Array) -> float:
    return float(np.linalg.norm(image[2] - image[0]))


def _best_pairs(seen: list[dict[int, Array]]) -> list[tuple[int, int]]:
    """Pairs of targets that many photographs show together and large, best first."""
    score: dict[tuple[int, int], float] = {}
    for s in seen:
        extent = {tag: _extent(image) for tag, image in s.items()}
        for a, b in combinations(sorted(s), 2):
            score[a, b] = score.get((a, b), 0.0) + min(extent[a], extent[b])
    return sorted(score, key=lambda pair: (-score[pair], pair))[:PAIRS_TRIED]


def scale_to(corners: Corners, lengths: Sequence[tuple[int, int, float]]) -> float:
    """Factor that brings starting corners to the bars' lengths (median), 1 without bars."""
    factors = [
        length / float(np.linalg.norm(corners[a].mean(axis=0) - corners[b].mean(axis=0)))
        for a, b, length in lengths
        if a in corners and b in corners
    ]
    return float(np.median(factors)) if factors else 1.0
