"""Two photographs: the essential matrix's identities, and a real pair with a published lens.

R. Hartley, A. Zisserman (2004), 9.6.1 (singular values s, s, 0) and D. Nister (2004)
(2 E E^T E - tr(E E^T) E = 0). Real pair: leuvenA.jpg, leuvenB.jpg and essential_mat_data.txt
(opencv-doc, see tests/chessboards.py), whose camera matrix is published; the turn between the
two, 23.6 degrees, was found with OpenCV at .5 and 1 px (not published).
"""

from itertools import pairwise

import cv2
import numpy as np
import pytest

from tests.chessboards import folder
from tests.simulated_network import make_world
from tracker.maths.camera import Array, Lens, Pose, undistort
from tracker.maths.rotation import angle_rad, hat
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    LensPrior,
    Network,
)
from tracker.network.solve import solve


def essential(a: Pose, b: Pose) -> Array:
    """Essential matrix of two poses, |t| = 1."""
    R = b.R @ a.R.T
    t = b.t - R @ a.t
    return np.asarray(hat(t / np.linalg.norm(t)) @ R)


def test_identities() -> None:
    poses = make_world(6).poses
    for a, b in pairwise(poses):
        E = essential(a, b)
        s = np.linalg.svd(E, compute_uv=False)
        assert s[0] == pytest.approx(s[1], abs=1e-12)
        assert s[2] == pytest.approx(0.0, abs=1e-12)
        defect = 2.0 * E @ E.T @ E - np.trace(E @ E.T) * E
        assert np.abs(defect).max() <= 1e-12


def matches() -> tuple[Array, Array]:
    """SIFT matches by the ratio test, (n, 2) px each."""
    sift = cv2.SIFT_create()
    found = []
    for name in ("leuvenA.jpg", "leuvenB.jpg"):
        gray = cv2.imread(
            str(folder() / name), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
        )
        found.append(sift.detectAndCompute(gray, None))
    (ka, da), (kb, db) = found
    pairs = cv2.BFMatcher().knnMatch(da, db, k=2)
    good = [first for first, second in pairs if first.distance < 0.7 * second.distance]
    a = np.array([ka[m.queryIdx].pt for m in good], dtype=np.float64)
    b = np.array([kb[m.trainIdx].pt for m in good], dtype=np.float64)
    _, once = np.unique(np.round(np.hstack([a, b]), 2), axis=0, return_index=True)
    return a[once], b[once]


def test_real_pair() -> None:
    numbers = (folder() / "essential_mat_data.txt").read_text().split()[2:]
    K = np.array([float(n) for n in numbers[:9]]).reshape(3, 3)
    lens = Lens((K[0, 0] + K[1, 1]) / 2.0, K[0, 2], K[1, 2])
    a, b = matches()
    xa, xb = undistort(lens, a), undistort(lens, b)
    E, mask = cv2.findEssentialMat(xa, xb, np.eye(3), cv2.RANSAC, 0.999, 1.0 / lens.focal_px)
    inside = mask.ravel() > 0
    _, R, t, _ = cv2.recoverPose(E, xa[inside], xb[inside], np.eye(3))
    first, second = Pose(np.eye(3), np.zeros(3)), Pose(R, 1000.0 * t.ravel())
    P = [np.column_stack([pose.R, pose.t]) for pose in (first, second)]
    world = cv2.triangulatePoints(P[0], P[1], xa[inside].T, xb[inside].T)
    points = (world[:3] / world[3]).T
    # our solver starts from a spoilt turn and spoilt points and must come back
    rng = np.random.default_rng(15)
    n = len(points)
    held = LensPrior(lens.vector, np.zeros(8))
    network = Network(
        lenses=(lens,),
        lens_of_photo=np.zeros(2, np.int64),
        poses=(first, Pose(cv2.Rodrigues(rng.normal(0, 0.01, 3))[0] @ R, second.t)),
        points=points * (1.0 + rng.normal(0, 0.02, (n, 1))),
        seen=ImageObservations(
            np.repeat([0, 1], n),
            np.tile(np.arange(n), 2),
            np.concatenate([a[inside], b[inside]]),
            np.broadcast_to(0.25 * np.eye(2), (2 * n, 2, 2)).copy(),
        ),
        known=KnownPoints.none(),
        distances=KnownDistances.none(),
        lens_priors=(held,),
    )
    solution = solve(network)
    one, two = solution.poses
    assert np.degrees(angle_rad(two.R @ one.R.T)) == pytest.approx(23.6, abs=1.0)
    both = solution.placed
    assert both.sum() >= 180
    for pose in solution.poses:
        assert ((solution.points[both] @ pose.R.T + pose.t)[:, 2] > 0.0).all()
    # and the residuals of the points that stay are those of good matches
    off = np.linalg.norm(solution.residual_px[solution.used], axis=1)
    assert np.median(off) <= 0.5
