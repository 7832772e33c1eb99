"""Where a photograph was taken, from targets whose corners are known; the reverse for targets.

One target alone leaves two poses that look almost alike (a square seen from the left or from the
right), so a pose is only taken from two targets or more. Each target proposes its two poses, all
targets vote, and those that agree refine the winner: one target that was knocked cannot mislead
the rest.

References
----------
T. Collins, A. Bartoli, "Infinitesimal plane-based pose estimation", IJCV 109 (2014) 252-286.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from tracker.maths import rotation
from tracker.maths.camera import Array, Lens, Pose, undistort
from tracker.maths.least_squares import least_squares
from tracker.maths.rigid import fit_similarity
from tracker.maths.robust import cauchy
from tracker.targets.observation import TargetObservation

UNIT_SQUARE = np.array([[-0.5, 0.5, 0.0], [0.5, 0.5, 0.0], [0.5, -0.5, 0.0], [-0.5, -0.5, 0.0]])
"""Corners of a target of side 1: top left, top right, bottom right, bottom left."""
PROPOSERS = 6
"""Targets that may propose poses; more only cost time."""
VOTE_SHARE = 0.012
"""Misfit, as a share of the focal length, from which a target's vote no longer counts."""
REFINE_STEPS = 8
REFINE_TOLERANCE = 1e-4
LEAST_ANGLE_RAD = 0.05
"""Least angle between two rays for a corner to be placed by intersection."""

Corners = Mapping[int, Array]


@dataclass(frozen=True, slots=True)
class Resected:
    """A pose found from known targets."""

    pose: Pose
    misfit: float
    """Root mean square distance in the image plane at focal length 1, of the targets that agree."""
    agreeing: tuple[int, ...]


def square_poses(seen_flat: Array) -> list[tuple[Pose, float]]:
    """The two poses of a unit square that explain four image points, better one first.

    Returns
    -------
    list of (Pose T_camera_square, root mean square misfit at focal length 1)
    """
    found, rvecs, tvecs, _ = cv2.solvePnPGeneric(
        UNIT_SQUARE, seen_flat, np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    poses = []
    for rvec, tvec in zip(rvecs, tvecs, strict=True) if found else ():
        pose = Pose(rotation.exp(np.ravel(rvec)), np.ravel(tvec).astype(np.float64))
        misfit = float(np.sqrt(np.mean(np.sum((look(pose, UNIT_SQUARE) - seen_flat) ** 2, 1))))
        if np.isfinite(misfit) and pose.t[2] > 0.0:
            poses.append((pose, misfit))
    return sorted(poses, key=lambda item: item[1])


def look(pose: Pose, points: Array) -> Array:
    """Image-plane coordinates of points; far off where they are behind the camera."""
    p = points @ pose.R.T + pose.t
    front = p[..., 2] > 1e-9
    depth = np.where(front, p[..., 2], 1.0)
    return np.where(front[..., None], p[..., :2] / depth[..., None], 1e3)


def flat_targets(lens: Lens, targets: Sequence[TargetObservation]) -> dict[int, Array]:
    """Image-plane corners (4, 2) of a photograph's targets, by number."""
    if not targets:
        return {}
    corners = undistort(lens, np.array([t.corners_px for t in targets]))
    return {t.tag: corners[k] for k, t in enumerate(targets)}


def resect(seen: Corners, known: Corners, first: Pose | None = None) -> Resected | None:
    """Pose of a photograph from two or more known targets.

    Parameters
    ----------
    seen : mapping of target to its (4, 2) image-plane corners (see `flat_targets`)
    known : mapping of target to its (4, 3) corners, mm
    first : Pose, optional
        A pose that is nearly right already.

    Returns
    -------
    Resected or None
        None with fewer than two known targets in view, or when no two agree.
    """
    tags = [tag for tag in sorted(seen) if tag in known]
    if len(tags) < 2:
        return None
    image = np.array([seen[tag] for tag in tags])
    world = np.array([known[tag] for tag in tags])
    best: tuple[float, Pose] | None = None
    for pose in _proposals(image, world) if first is None else [first]:
        cost = float(np.minimum(_misfits(pose, image, world), VOTE_SHARE).sum())
        if best is None or cost < best[0]:
            best = (cost, pose)
    if best is None:
        return None
    pose = best[1]
    agree = np.zeros(len(tags), np.bool_)
    for _ in range(2):
        again = _misfits(pose, image, world) < VOTE_SHARE
        if again.sum() < 2:
            return None
        if np.array_equal(agree, again):
            break
        agree = again
        pose = refine(pose, image[agree].reshape(-1, 2), world[agree].reshape(-1, 3))
    misfits = _misfits(pose, image, world)
    agree = misfits < VOTE_SHARE
    if agree.sum() < 2:
        return None
    agreeing = tuple(tag for tag, ok in zip(tags, agree, strict=True) if ok)
    return Resected(pose, float(np.sqrt(np.mean(misfits[agree] ** 2))), agreeing)


def refine(pose: Pose, image: Array, world: Array) -> Pose:
    """Pose with the least robust misfit, from a good start.

    The loss (Cauchy) is in units of the median misfit at the start.
    """
    turned = world @ pose.R.T
    if ((turned + pose.t)[:, 2] <= 0.0).any():
        return pose
    size = np.linalg.norm(image - look(pose, world), axis=1)
    scale = max(float(np.median(size)), 1e-6)

    def model(x: Array) -> tuple[Array, Array]:
        q = turned @ rotation.exp(x[:3]).T
        p = q + pose.t + x[3:]
        z = 1.0 / np.where(p[:, 2] > 0.0, p[:, 2], 1e-9)
        u, v = p[:, 0] * z, p[:, 1] * z
        by_p = np.zeros((len(p), 2, 3))
        by_p[:, 0, 0], by_p[:, 1, 1] = z, z
        by_p[:, 0, 2], by_p[:, 1, 2] = -u * z, -v * z
        by_w = -by_p @ rotation.hat(q) @ rotation.left_jacobian(x[:3])
        J = np.concatenate([by_w, by_p], axis=2).reshape(-1, 6)
        return (np.stack([u, v], axis=1) - image).ravel() / scale, J / scale

    fit = least_squares(
        model,
        np.zeros(6),
        loss=cauchy(),
        group=2,
        tolerance=REFINE_TOLERANCE,
        max_iterations=REFINE_STEPS,
    )
    return Pose(rotation.nearest_rotation(rotation.exp(fit.x[:3]) @ pose.R), pose.t + fit.x[3:])


def intersect(poses: list[Pose], seen: list[Array]) -> Array | None:
    """Corners (4, 3) of a target seen from two or more known places, mm.

    Each is the place nearest to its rays. None where the rays are too nearly parallel or a
    corner would lie behind a camera.
    """
    centres = np.array([pose.centre_frame for pose in poses])
    turns = np.array([pose.R for pose in poses])
    rays = np.concatenate([np.array(seen), np.ones((len(seen), 4, 1))], axis=2) @ turns
    rays /= np.linalg.norm(rays, axis=2, keepdims=True)
    across = np.eye(3) - rays[..., :, None] * rays[..., None, :]
    normal = across.sum(axis=0)
    narrowest = float(np.linalg.eigvalsh(normal)[:, 0].min()) / len(poses)
    if narrowest < (LEAST_ANGLE_RAD / 2.0) ** 2:
        return None
    pull = np.matmul(across, centres[:, None, :, None]).sum(axis=0)
    corners = np.linalg.solve(normal, pull)[:, :, 0]
    depths = corners @ turns.transpose(0, 2, 1) + np.array([pose.t for pose in poses])[:, None, :]
    return corners if (depths[:, :, 2] > 0.0).all() else None


def _proposals(image: Array, world: Array) -> list[Pose]:
    size = np.linalg.norm(image[:, 2] - image[:, 0], axis=1)
    poses = []
    for k in np.argsort(-size)[:PROPOSERS]:
        at = fit_similarity(UNIT_SQUARE, world[k])
        for pose, _ in square_poses(image[k]):
            # camera <- square <- frame; the square's unit is at.scale mm
            R = pose.R @ at.R.T
            poses.append(Pose(R, at.scale * pose.t - R @ at.t))
    found, rvecs, tvecs, _ = cv2.solvePnPGeneric(
        np.ascontiguousarray(world.reshape(-1, 3)),
        np.ascontiguousarray(image.reshape(-1, 2)),
        np.eye(3),
        np.zeros(5),
        flags=cv2.SOLVEPNP_SQPNP,
    )
    for rvec, tvec in zip(rvecs, tvecs, strict=True) if found else ():
        poses.append(Pose(rotation.exp(np.ravel(rvec)), np.ravel(tvec).astype(np.float64)))
    return poses


def _misfits(pose: Pose, image: Array, world: Array) -> Array:
    """Root mean square misfit of each target, (n,)."""
    return np.asarray(np.sqrt(np.mean(np.sum((look(pose, world) - image) ** 2, axis=2), axis=1)))
