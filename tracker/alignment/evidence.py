"""How much better one account of the stone's distances from the model is than another.

The signed distances d of the regions (positive outside, W the widest that counts) are taken for
a mixture: finished stone about the model, N(0, s^2 + sigma^2) with s the finish; stone still to
remove, evenly between 0 and W, and a skin of it left everywhere at one height b,
N(b, s^2 + sigma^2); over-cut stone, evenly between -W and 0. The shares are fitted to each
account by expectation and maximisation, so that little finished stone weighs as fairly as much
of it. One-sided, stone outside the model says nothing: it is as good as finished.

References
----------
A. P. Dempster, N. M. Laird, D. B. Rubin, J. R. Statist. Soc. B 39 (1977), for the shares;
S. S. Wilks, Ann. Math. Statist. 9 (1938): twice a log-likelihood ratio is distributed as
chi-square. The motion is looked for everywhere within reach, which is as good as trying each of
the cells of that space once: the chance of a false alarm is divided by their number (Bonferroni).
"""

from __future__ import annotations

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.chance import chi2_above

ROUNDS = 30
UNKNOWNS = 6
"""Of a motion."""


def log_likelihood(
    away_mm: Array, sigma_mm: Array, finish_mm: float, widest_mm: float, *, one_sided: bool
) -> float:
    """Log-likelihood of regions' distances from the model, shares of the mixture fitted.

    Parameters
    ----------
    away_mm, sigma_mm : (k,) arrays
        Signed distances, positive outside, and their standard deviations.
    finish_mm : float
        Standard deviation of finished stone about the model.
    widest_mm : float
        Stone farther off counts as if it were there.
    one_sided : bool
        Whether stone outside counts as finished.
    """
    variance = sigma_mm**2 + finish_mm**2
    miss = np.minimum(away_mm, 0.0) if one_sided else away_mm
    finished = np.exp(-0.5 * miss**2 / variance) / np.sqrt(2.0 * np.pi * variance)
    inside = np.where(away_mm <= 0.0, 1.0 / widest_mm, 0.0)
    kinds = [finished, inside]
    if not one_sided:
        off = away_mm - _skin_mm(away_mm, finish_mm, widest_mm)
        skin = np.exp(-0.5 * off**2 / variance) / np.sqrt(2.0 * np.pi * variance)
        kinds += [1.0 / widest_mm - inside, skin]
    density = np.stack(kinds, axis=1)
    share = np.full(len(kinds), 1.0 / len(kinds))
    for _ in range(ROUNDS):
        part = density * share
        part /= part.sum(axis=1, keepdims=True)
        share = (part.sum(axis=0) + 1.0) / (len(away_mm) + len(kinds))
    return float(np.log(density @ share).sum())


def _skin_mm(away_mm: Array, finish_mm: float, widest_mm: float) -> float:
    """The height outside the model near which most regions stand."""
    heights = np.arange(2.0 * finish_mm, widest_mm, finish_mm)
    near = np.abs(away_mm[:, None] - heights) < 2.0 * finish_mm
    return float(heights[np.argmax(near.sum(axis=0))]) if len(heights) else widest_mm


def critical_ratio(chance: float, finish_mm: float, widest_mm: float) -> float:
    """Twice the log-likelihood ratio that the best of all motions exceeds by that chance.

    Two motions are told apart where they differ by twice the finish in some direction.
    """
    cells = max(widest_mm / finish_mm, 1.0) ** UNKNOWNS
    return chi2_above(chance / cells, UNKNOWNS)
