"""Photographs of targets and points with exactly known truth, by formula, without pictures.

A block about 300 mm high stands on a bench; the frame's targets surround it, bench targets lie
about, scale bars stand beside. Stations ring it at two heights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths import rotation
from tracker.maths.camera import Array, Lens, Pose, project
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    LensPrior,
    Network,
    TargetSightings,
)
from tracker.targets.observation import Detection, TargetObservation

WIDTH, HEIGHT = 4000, 3000
LENS = Lens(3100.0, 2011.0, 1489.0, 0.06, -0.09, 0.0004, -0.0003, 0.03)
SIDE_MM = 32.0
FRAME = tuple(range(10))
BENCH = tuple(range(20, 34))
BAR_TARGETS = tuple(range(50, 56))
CENTRE = np.array([150.0, 120.0, 150.0])


@dataclass(frozen=True, slots=True)
class World:
    """Truth: targets' corners, stations and the lens."""

    corners: dict[int, Array]
    poses: tuple[Pose, ...]
    lens: Lens
    bars: tuple[tuple[int, int, float], ...]


def square(centre: Array, normal: Array, spin_rad: float, side_mm: float = SIDE_MM) -> Array:
    """Corners of a target, top left first, clockwise as seen from the side of its normal."""
    z = normal / np.linalg.norm(normal)
    x = np.cross([0.0, 0.0, 1.0] if abs(z[2]) < 0.9 else [0.0, 1.0, 0.0], z)
    x /= np.linalg.norm(x)
    turn = rotation.exp(z * spin_rad)
    x = turn @ x
    y = np.cross(z, x)
    h = side_mm / 2.0
    return np.array([centre + h * (a * x + b * y) for a, b in ((-1, 1), (1, 1), (1, -1), (-1, -1))])


def look_at(centre: Array, target: Array, spin_rad: float) -> Pose:
    """Pose of a camera at `centre` that looks at `target`, turned about its axis."""
    z = target - centre
    z /= np.linalg.norm(z)
    x = np.cross(z, [0.0, 0.0, 1.0])
    x /= np.linalg.norm(x)
    R = rotation.exp(np.array([0.0, 0.0, spin_rad])) @ np.stack([x, np.cross(z, x), z])
    return Pose(R, -R @ centre)


def make_world(photos: int = 24, seed: int = 1, lens: Lens = LENS) -> World:
    """A ring of stations round frame, bench targets and three bars."""
    rng = np.random.default_rng(seed)
    corners: dict[int, Array] = {}
    for k, tag in enumerate(FRAME):
        angle = 2.0 * np.pi * k / len(FRAME)
        out = np.array([np.cos(angle), np.sin(angle), 0.0])
        height = 60.0 + 250.0 * (k % 3) / 2.0
        place = CENTRE * [1, 1, 0] + out * 190.0 + [0.0, 0.0, height]
        tilt = out + np.array([0.0, 0.0, rng.uniform(0.1, 0.8)])
        corners[tag] = square(place, tilt, rng.uniform(-0.4, 0.4))
    for tag in BENCH:
        angle, radius = rng.uniform(0, 2 * np.pi), rng.uniform(230.0, 420.0)
        place = CENTRE * [1, 1, 0] + radius * np.array([np.cos(angle), np.sin(angle), 0.0])
        place[2] = rng.uniform(-10.0, 10.0)
        tilt = np.array([*rng.normal(0, 0.15, 2), 1.0])
        corners[tag] = square(place, tilt, rng.uniform(-3, 3))
    bars = []
    for k in range(3):
        a, b = BAR_TARGETS[2 * k], BAR_TARGETS[2 * k + 1]
        angle = 2.1 * k + 0.5
        along = np.array([-np.sin(angle), np.cos(angle), 0.0])
        middle = CENTRE * [1, 1, 0] + 300.0 * np.array([np.cos(angle), np.sin(angle), 0.0])
        middle[2] = 40.0
        up = np.array([0.2 * np.cos(angle), 0.2 * np.sin(angle), 1.0])
        corners[a] = square(middle - 125.0 * along, up, 0.3)
        corners[b] = square(middle + 125.0 * along, up, -0.2)
        length = float(np.linalg.norm(corners[a].mean(axis=0) - corners[b].mean(axis=0)))
        bars.append((a, b, length))
    poses = []
    for k in range(photos):
        angle = 2.0 * np.pi * k / photos + rng.normal(0, 0.03)
        height = (250.0, 480.0, 700.0)[k % 3] + rng.normal(0, 20.0)
        distance = 750.0 + rng.normal(0, 30.0)
        ring = [distance * np.cos(angle), distance * np.sin(angle), height - 150.0]
        centre = CENTRE + np.array(ring)
        spin = (0.0, np.pi / 2, -np.pi / 2)[rng.integers(3)] + rng.normal(0, 0.05)
        poses.append(look_at(centre, CENTRE + rng.normal(0, 20.0, 3), spin))
    return World(corners, tuple(poses), lens, tuple(bars))


def visible(lens: Lens, pose: Pose, corners: Array) -> Array | None:
    """Pixels of a target's corners, or None where the photograph does not show it well."""
    normal = np.cross(corners[1] - corners[0], corners[0] - corners[3])
    ray = corners.mean(axis=0) - pose.centre_frame
    if normal @ ray > -0.4 * np.linalg.norm(normal) * np.linalg.norm(ray):
        return None
    pixels, depth = project(lens, pose, corners)
    inside = (pixels > 20).all() and (pixels < [WIDTH - 20, HEIGHT - 20]).all()
    return pixels if inside and (depth > 0).all() else None


def corner_covariance(sigma_px: float, correlation: float = 0.3) -> Array:
    """Covariance (8, 8) of a target's corners: neighbours along an edge hang together."""
    ring = np.eye(4) + correlation * (np.roll(np.eye(4), 1, 0) + np.roll(np.eye(4), -1, 0))
    return np.asarray(sigma_px**2 * np.kron(ring, np.eye(2)))


def detect(world: World, sigma_px: float = 0.05, seed: int = 2) -> list[Detection]:
    """What detection would hand on for each station, with noise of the claimed covariance."""
    rng = np.random.default_rng(seed)
    cov = corner_covariance(max(sigma_px, 1e-3))
    root = np.linalg.cholesky(cov) * (sigma_px > 0)
    out = []
    for pose in world.poses:
        seen = []
        for tag in sorted(world.corners):
            pixels = visible(world.lens, pose, world.corners[tag])
            if pixels is None:
                continue
            noisy = pixels + (root @ rng.normal(size=8)).reshape(4, 2)
            sides = np.linalg.norm(noisy - np.roll(noisy, 1, axis=0), axis=1)
            seen.append(TargetObservation(tag, noisy, cov, 0.0, 0.03, float(sides.min()), 0.7))
        out.append(Detection(tuple(seen), ()))
    return out


def wide_prior(lens: Lens) -> LensPrior:
    """Prior of a camera of which only the focal length is known roughly."""
    sigma = np.array([0.2 * lens.focal_px, 200.0, 200.0, 0.5, 0.5, 0.01, 0.01, 0.5])
    guess = np.array([lens.focal_px, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, 0, 0, 0, 0, 0])
    return LensPrior(guess, sigma)


def network_of(
    world: World,
    detections: list[Detection],
    ties: int = 0,
    seed: int = 3,
    sigma_px: float = 0.3,
    record_sigma_mm: float = 0.02,
    datum: bool = True,
    bars: int = 1,
    shake: float = 1.0,
) -> tuple[Network, Array]:
    """A network with shaken starting values, and the true points in its order."""
    rng = np.random.default_rng(seed)
    tags = sorted(world.corners)
    row = {tag: 4 * k for k, tag in enumerate(tags)}
    truth = [np.concatenate([world.corners[tag] for tag in tags])]
    sight = [(i, t) for i, d in enumerate(detections) for t in d.used]
    sightings = TargetSightings(
        np.array([i for i, _ in sight], np.int64),
        np.array([row[t.tag] + np.arange(4) for _, t in sight], np.int64).reshape(-1, 4),
        np.array([t.corners_px for _, t in sight]).reshape(-1, 4, 2),
        np.array([t.cov_px2 for _, t in sight]).reshape(-1, 8, 8),
    )
    seen = ImageObservations.none()
    if ties:
        cloud, seen = _ties(world, ties, 4 * len(tags), rng, sigma_px)
        truth.append(cloud)
    points = np.concatenate(truth)
    frame_rows = np.concatenate([row[tag] + np.arange(4) for tag in FRAME])
    known = KnownPoints.none()
    if datum:
        noise = rng.normal(0, record_sigma_mm, (len(frame_rows), 3))
        known = KnownPoints(
            frame_rows, points[frame_rows] + noise, np.full(len(frame_rows), record_sigma_mm)
        )
    distances = KnownDistances.none()
    if bars:
        chosen = world.bars[:bars]
        distances = KnownDistances(
            np.array([row[a] + np.arange(4) for a, _, _ in chosen]),
            np.array([row[b] + np.arange(4) for _, b, _ in chosen]),
            np.array([length for _, _, length in chosen]) + rng.normal(0, 0.01, bars),
            np.full(bars, 0.01),
        )
    w = rng.normal(0, 0.01 * shake, (len(world.poses), 3))
    d = rng.normal(0, 5.0 * shake, (len(world.poses), 3))
    poses = tuple(
        Pose(rotation.exp(a) @ pose.R, pose.t + b)
        for pose, a, b in zip(world.poses, w, d, strict=True)
    )
    lens = world.lens
    start = Lens(lens.focal_px * (1.0 + 0.03 * shake), (WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    network = Network(
        lenses=(start,),
        lens_of_photo=np.zeros(len(poses), np.int64),
        poses=poses,
        points=points + rng.normal(0, 3.0 * shake, points.shape),
        seen=seen,
        known=known,
        distances=distances,
        lens_priors=(wide_prior(lens),),
        sightings=sightings,
    )
    return network, points


def _ties(
    world: World, count: int, first_row: int, rng: np.random.Generator, sigma_px: float
) -> tuple[Array, ImageObservations]:
    """Places on an upright egg, each seen by the five photographs that face it best."""
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    cloud = CENTRE + direction * [90.0, 80.0, 140.0]
    centres = np.array([pose.centre_frame for pose in world.poses])
    facing = direction @ (centres - CENTRE).T
    best = np.argsort(-facing, axis=1)[:, :5]
    photo, point, pixel = [], [], []
    for i, pose in enumerate(world.poses):
        rows = np.flatnonzero((best == i).any(axis=1))
        pixels, _ = project(world.lens, pose, cloud[rows])
        photo.append(np.full(len(rows), i))
        point.append(first_row + rows)
        pixel.append(pixels + rng.normal(0, sigma_px, pixels.shape))
    n = sum(len(p) for p in photo)
    cov = np.broadcast_to(np.eye(2) * sigma_px**2, (n, 2, 2)).copy()
    return cloud, ImageObservations(
        np.concatenate(photo), np.concatenate(point), np.concatenate(pixel), cov
    )
