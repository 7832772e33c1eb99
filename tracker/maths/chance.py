"""How far chance goes: quantiles of the usual distributions.

The functions are SciPy's special ones: its `scipy.stats` says the same, but takes as long to load
as a whole adjustment takes to compute.

References
----------
M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions" (1964), chapter 26.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from tracker.maths.camera import Array


def chi2_above(chance: float, freedom: float) -> float:
    """What chi-squared of so many degrees of freedom exceeds with this chance."""
    return float(special.chdtri(freedom, chance))


def chi2_median(freedom: float) -> float:
    """What chi-squared of so many degrees of freedom exceeds half the time."""
    return chi2_above(0.5, freedom)


def normal_below(sigmas: Array | float) -> Array:
    """Chance that a normal error stays below so many sigmas."""
    return np.asarray(special.ndtr(sigmas))


def normal_quantile(chance: float) -> float:
    """Sigmas that a normal error stays below with this chance."""
    return float(special.ndtri(chance))


def student_quantile(chance: float, freedom: float | Array) -> Array:
    """What Student's t of so many degrees of freedom stays below with this chance."""
    return np.asarray(special.stdtrit(freedom, chance))


def binomial_above(chance: float, count: int, each: float) -> int:
    """Least number that is exceeded, of so many that happen with chance `each`, no oftener."""
    exceeded = special.bdtrc(np.arange(count + 1), count, each)
    return int(np.argmax(exceeded <= chance))
