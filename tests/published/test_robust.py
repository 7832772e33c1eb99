"""Robust losses: constants of 95 % efficiency and weights.

P. W. Holland, R. E. Welsch (1977), P. J. Huber (1981): Huber 1.345, Tukey 4.685, Cauchy 2.385;
MAD to sigma 1.482602; at z = 2 Huber weighs .6725 and Tukey .66873. Library: statsmodels.
"""

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.robust import norms

from tracker.maths.robust import (
    CAUCHY,
    HUBER,
    MAD_TO_SIGMA,
    TUKEY,
    Loss,
    cauchy,
    huber,
    mad_sigma,
    median_sigma,
    squares,
    tukey,
)


def test_constants() -> None:
    assert HUBER == pytest.approx(1.345, abs=5e-4) == norms.HuberT().t
    assert TUKEY == pytest.approx(4.685, abs=5e-4) == norms.TukeyBiweight().c
    assert pytest.approx(2.385, abs=5e-4) == CAUCHY
    assert pytest.approx(1.0 / stats.norm.ppf(0.75), abs=1e-6) == MAD_TO_SIGMA


@pytest.mark.parametrize("loss", [huber(), tukey(), cauchy()], ids=lambda loss: loss.name)
def test_efficiency_on_normal_errors_is_95_percent(loss: Loss) -> None:
    def psi(z: float) -> float:
        return float(z * loss.weight(np.array([abs(z)]))[0])

    def slope(z: float) -> float:
        return (psi(z + 1e-5) - psi(z - 1e-5)) / 2e-5

    corners = [-TUKEY, -HUBER, HUBER, TUKEY]
    top, _ = integrate.quad(
        lambda z: slope(z) * stats.norm.pdf(z), -9, 9, points=corners, limit=200
    )
    bottom, _ = integrate.quad(
        lambda z: psi(z) ** 2 * stats.norm.pdf(z), -9, 9, points=corners, limit=200
    )
    assert top**2 / bottom == pytest.approx(0.95, abs=2e-4)


def test_weights_at_two_sigma() -> None:
    z = np.array([2.0])
    assert huber().weight(z)[0] == pytest.approx(0.6725, abs=5e-5)
    assert tukey().weight(z)[0] == pytest.approx(0.66873, abs=5e-6)


def test_weights_agree_with_statsmodels() -> None:
    z = np.linspace(0.0, 8.0, 81)
    assert huber().weight(z) == pytest.approx(norms.HuberT().weights(z), abs=1e-12)
    assert tukey().weight(z) == pytest.approx(norms.TukeyBiweight().weights(z), abs=1e-12)
    assert huber().rho(z) == pytest.approx(norms.HuberT().rho(z), abs=1e-12)
    ours, theirs = tukey().rho(z), norms.TukeyBiweight().rho(z)
    assert ours - ours[0] == pytest.approx(theirs - theirs[0], abs=1e-12)


@pytest.mark.parametrize("loss", [squares(), huber(), tukey(), cauchy()], ids=lambda x: x.name)
def test_weight_is_the_slope_of_the_loss(loss: Loss) -> None:
    z = np.array([0.3, 1.0, 1.3, 2.0, 4.0, 6.0])
    slope = (loss.rho(z + 1e-6) - loss.rho(z - 1e-6)) / 2e-6
    assert loss.weight(z) * z == pytest.approx(slope, abs=1e-7)


def test_sigma_from_medians() -> None:
    rng = np.random.default_rng(28)
    x = rng.normal(0, 0.3, (20000, 2))
    assert mad_sigma(x[:, 0]) == pytest.approx(0.3, rel=0.02)
    x[:2000] = 50.0
    assert mad_sigma(x[:, 0]) == pytest.approx(0.3, rel=0.2)
    assert median_sigma(np.linalg.norm(x, axis=1), 2) == pytest.approx(0.3, rel=0.12)
