"""What fixes the coordinates, and what to do when nothing does.

Photographs alone leave position, turn and (without a known length) scale of the whole network
open: moving everything along the columns of N changes no residual. Such a free network gets the
datum by inner constraints: H^T dx = 0 with H the part of N at the joint points, so their mean
position, turn and size stay at the starting values. Its covariance is

    C = (S + k H H^T)^-1 - N (k N^T H H^T N)^-1 N^T .

References
----------
B. Triggs et al., "Bundle adjustment - a modern synthesis" (2000), section 9.
T. Luhmann et al., "Close-range photogrammetry and 3D imaging", free net adjustment.
"""

from __future__ import annotations

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.rigid import motion_jacobian
from tracker.network.layout import Layout
from tracker.network.problem import Network, Rows
from tracker.network.residuals import POSE, Unknowns

DATUM_POINTS = 3
"""Known or joint points that a datum needs."""


def is_free(network: Network) -> bool:
    """Whether no point's coordinates are known."""
    return len(network.known.point) < DATUM_POINTS


def open_motions(unknowns: Unknowns, network: Network, layout: Layout, loose: Rows) -> Array:
    """N: changes of the reduced unknowns that alter no observation, (size, 7 or 6).

    Moving the world by (w, dt, ds) turns each pose by -R w and shifts it by ds t - R dt. The
    change of scale is open only without bars. `loose` columns do not take part.
    """
    scaled = len(network.distances.length_mm) == 0
    count = 7 if scaled else 6
    N = np.zeros((layout.size, count))
    pose = N[: layout.lens_column].reshape(layout.n_photos, POSE, count)
    pose[:, :3, :3] = -unknowns.R
    pose[:, 3:, 3:6] = -unknowns.R
    if scaled:
        pose[:, 3:, 6] = unknowns.t
    joint = motion_jacobian(unknowns.points[layout.joint], scaled)
    N[layout.camera_size :] = joint.reshape(-1, count)
    N[loose] = 0.0
    return N


def inner_constraints(N: Array, layout: Layout) -> Array:
    """H: orthonormal directions to be held, at the joint points, else at the poses."""
    H = N.copy()
    if len(layout.joint) >= DATUM_POINTS:
        H[: layout.camera_size] = 0.0
    Q, _ = np.linalg.qr(H)
    return np.asarray(Q)
