"""Two photographs of a building with a published camera matrix.

Data: Debian package opencv-doc 4.6.0+dfsg, leuvenA.jpg, leuvenB.jpg, essential_mat_data.txt (the
published camera matrix). Identities of the essential matrix: Hartley and Zisserman, Multiple View
Geometry (2004), 9.6.1, singular values (s, s, 0); Nister (2004), 2 E E'E - tr(E E')E = 0. The
turn between the photographs, 23.6 degrees within 1, is not published: OpenCV's own five-point
solution gives it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.chessboards import folder
from tracker.cloud.ties_features import WORD_STEP_PX, Features, find_features
from tracker.cloud.ties_match import Rays, match_pair
from tracker.cloud.ties_region import OUTLINE_STEP, Outline, StoneRoom
from tracker.cloud.tracks import reproject, triangulate
from tracker.maths.camera import Array, Lens, Pose, project, rays_frame, undistort


def whole(gray: NDArray[np.uint8]) -> Outline:
    height, width = gray.shape
    mask = np.full((height // OUTLINE_STEP + 1, width // OUTLINE_STEP + 1), 255, np.uint8)
    return Outline(0, 0, width, height, mask)


def straight(pixel: Array) -> Array:
    """Warps of words where nothing is known of how the building lies."""
    return np.broadcast_to(2.0 * WORD_STEP_PX * np.eye(2), (len(pixel), 2, 2))


def features(name: str) -> Features:
    gray = cv2.imread(str(folder() / name), cv2.IMREAD_GRAYSCALE)
    assert gray is not None
    # the photographs are small: double them so that half size is their own
    double = np.asarray(cv2.resize(gray, None, fx=2.0, fy=2.0), np.uint8)
    found = find_features(double, whole(double), straight)
    return Features((found.pixel + 0.5) / 2.0 - 0.5, found.word)


def rough_matches(a: Features, b: Features) -> NDArray[np.int64]:
    likeness = a.word @ b.word.T
    best = np.argsort(-likeness, axis=1)[:, :2]
    distance = np.sqrt(np.maximum(2.0 - 2.0 * np.take_along_axis(likeness, best, axis=1), 0.0))
    mutual = np.argmax(likeness, axis=0)[best[:, 0]] == np.arange(len(best))
    rows = np.flatnonzero(mutual & (distance[:, 0] < 0.8 * distance[:, 1]))
    return np.stack([rows, best[rows, 0]], axis=1)


def cross_matrix(t: Array) -> Array:
    return np.array([[0.0, -t[2], t[1]], [t[2], 0.0, -t[0]], [-t[1], t[0], 0.0]])


def test_guided_matches_of_real_photographs_meet_in_front_of_both_cameras() -> None:
    K = np.loadtxt(folder() / "essential_mat_data.txt", skiprows=2, max_rows=3)
    a, b = features("leuvenA.jpg"), features("leuvenB.jpg")
    rows = rough_matches(a, b)
    essential, _ = cv2.findEssentialMat(
        a.pixel[rows[:, 0]], b.pixel[rows[:, 1]], K, cv2.USAC_MAGSAC, 0.999, 1.0
    )
    pose = cv2.recoverPose(essential, a.pixel[rows[:, 0]], b.pixel[rows[:, 1]], K)
    R, t = np.asarray(pose[1], float), np.asarray(pose[2], float)
    turn = np.rad2deg(np.arccos((np.trace(R) - 1.0) / 2.0))
    assert abs(turn - 23.6) < 1.0

    lens = Lens(float(np.sqrt(K[0, 0] * K[1, 1])), float(K[0, 2]), float(K[1, 2]))
    poses = [Pose(np.eye(3), np.zeros(3)), Pose(R, t.ravel())]
    rays = [
        Rays(p.centre_frame, rays_frame(lens, p, f.pixel), lens.focal_px)
        for p, f in zip(poses, (a, b), strict=True)
    ]
    room = StoneRoom(np.full(3, -200.0), 200.0, np.zeros((3, 3, 3), np.float32), 10.0)
    guided, _ = match_pair(rays[0], a, rays[1], b, room)
    assert len(guided) >= 180
    photo = np.tile([0, 1], len(guided))
    point = np.repeat(np.arange(len(guided)), 2)
    pixel = np.stack([a.pixel[guided[:, 0]], b.pixel[guided[:, 1]]], axis=1).reshape(-1, 2)
    points, residual = triangulate(
        photo, point, pixel, np.ones(len(photo)), [lens, lens], poses, len(guided)
    )
    sound = np.all(np.isfinite(points), axis=1)
    in_front = (points[sound, 2] > 0) & ((points[sound] @ R.T + t.ravel())[:, 2] > 0)
    assert np.mean(in_front) > 0.97
    assert np.median(np.abs(residual[np.repeat(sound, 2)])) < 0.5


def test_essential_matrix_of_two_poses_keeps_its_identities() -> None:
    rng = np.random.default_rng(0)
    R, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    R *= np.sign(np.linalg.det(R))
    a, b = Pose(np.eye(3), np.zeros(3)), Pose(R, rng.normal(size=3))
    E = cross_matrix(b.t / np.linalg.norm(b.t)) @ b.R @ a.R.T
    s = np.linalg.svd(E, compute_uv=False)
    assert np.allclose(s, [1.0, 1.0, 0.0], atol=1e-12)
    assert np.allclose(2.0 * E @ E.T @ E - np.trace(E @ E.T) * E, 0.0, atol=1e-12)
    # rays of one point fulfil it
    lens = Lens(1000.0, 500.0, 400.0)
    points = rng.normal(size=(50, 3)) + [0.0, 0.0, 8.0]
    x, y = (
        np.concatenate([undistort(lens, project(lens, p, points)[0]), np.ones((50, 1))], axis=1)
        for p in (a, b)
    )
    assert np.max(np.abs(np.einsum("ni,ij,nj->n", y, E, x))) < 1e-9
    again = reproject(
        np.zeros(50, np.int64), np.arange(50), project(lens, a, points)[0], [lens], [a], points
    )
    assert np.max(np.abs(again)) < 1e-12
