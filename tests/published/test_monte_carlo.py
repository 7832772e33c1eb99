"""Monte Carlo beside the law of propagation: the gauge block of JCGM 101:2008, 9.5.

Inputs as in its Table 10 (from memory, run: 838.0 and 35.7 nm): t distributions with 18, 24, 5 and
8 degrees of freedom, rectangular, arcsine and curvilinear trapezoids. The mean is 838 nm over the
nominal 50 mm; the standard uncertainty is 32 nm by the linear law (as in JCGM 100 H.1) and 36 nm by
Monte Carlo, since the products of the small terms count. Its printed interval could not be
confirmed and is not tested.
"""

from __future__ import annotations

import numpy as np
import pytest

from tracker.comparison.uncertainty import arcsine, propagate, rectangular
from tracker.maths.camera import Array

NOMINAL_NM = 50_000_000.0
STANDARD_NM, DIFFERENCE_NM = 50_000_623.0, 215.0
DRAWS = 400_000


def trapezoid_sigma(half_width: float, blur: float) -> float:
    """Rectangular limits that are themselves known to +-blur: JCGM 101, 6.4.3.4."""
    return float(np.hypot(rectangular(half_width), blur / 3.0))


def length_over_nominal(
    standard: Array, difference: Array, d_alpha: Array, theta: Array, alpha: Array, d_theta: Array
) -> Array:
    """L - nominal = l_s + d - l_s (d_alpha theta + alpha_s d_theta) - nominal, nm."""
    return np.asarray(
        standard + difference - standard * (d_alpha * theta + alpha * d_theta) - NOMINAL_NM
    )


def test_linear_law_gives_32() -> None:
    means = np.array([STANDARD_NM, DIFFERENCE_NM, 0.0, -0.1, 11.5e-6, 0.0])
    difference = np.sqrt(6.0**2 * 24.0 / 22.0 + 4.0**2 * 5.0 / 3.0 + 7.0**2 * 8.0 / 6.0)
    sigma = np.array(
        [
            25.0 * np.sqrt(18.0 / 16.0),
            difference,
            trapezoid_sigma(1e-6, 0.1e-6),
            np.hypot(0.2, arcsine(0.5)),
            rectangular(2e-6),
            trapezoid_sigma(0.05, 0.025),
        ]
    )
    step = np.diag(sigma * 1e-3)
    slope = np.array(
        [
            (length_over_nominal(*(means + h)) - length_over_nominal(*(means - h)))
            / (2.0 * h.max())
            for h in step
        ]
    )
    variance = propagate(slope[None, :], np.diag(sigma**2))[0, 0]
    assert length_over_nominal(*means) == pytest.approx(838.0, abs=0.5)
    # Student's t has more spread than its scale: 34 with it, 32 as JCGM 100 counts
    scale = np.array([25.0, np.sqrt(6.0**2 + 4.0**2 + 7.0**2), *sigma[2:]])
    by_scale = propagate(slope[None, :], np.diag(scale**2))[0, 0]
    assert np.sqrt(by_scale) == pytest.approx(32.0, abs=0.5)
    assert np.sqrt(by_scale) < np.sqrt(variance) < 36.0


def draws() -> dict[str, Array]:
    rng = np.random.default_rng(101)

    def even(half_width: Array | float) -> Array:
        return np.asarray(half_width * (2.0 * rng.random(DRAWS) - 1.0))

    return {
        "standard": STANDARD_NM + 25.0 * rng.standard_t(18, DRAWS),
        "difference": DIFFERENCE_NM
        + np.sum(
            [c * rng.standard_t(n, DRAWS) for c, n in ((6.0, 24), (4.0, 5), (7.0, 8))], axis=0
        ),
        "d_alpha": even(1e-6 + even(0.1e-6)),
        "theta": rng.normal(-0.1, 0.2, DRAWS) + 0.5 * np.sin(2.0 * np.pi * rng.random(DRAWS)),
        "alpha": 11.5e-6 + even(2e-6),
        "d_theta": even(0.05 + even(0.025)),
    }


def test_monte_carlo_gives_838_and_36() -> None:
    found = length_over_nominal(**draws())
    assert found.mean() == pytest.approx(838.0, abs=0.5)
    assert found.std() == pytest.approx(36.0, abs=0.5)


def test_type_b_sigmas_are_those_of_the_draws() -> None:
    drawn = draws()
    for name, sigma in {
        "d_alpha": trapezoid_sigma(1e-6, 0.1e-6),
        "theta": np.hypot(0.2, arcsine(0.5)),
        "alpha": rectangular(2e-6),
        "d_theta": trapezoid_sigma(0.05, 0.025),
    }.items():
        assert drawn[name].std() == pytest.approx(sigma, rel=0.01), name
