"""Densities and masses of stone.

Sources: minimum bulk densities of ASTM C503 (marble, calcite, 162 lb/ft3 = 2595 kg/m3), C568
(limestone 110/135/160 = 1760/2160/2560), C616 (sandstone 125/150/160 = 2000/2400/2560), C615
(granite 160 = 2560); Carrara 2680-2720 kg/m3 (dealers' sheets after EN 1936); EN 1991-1-1 table
A.1, granite 27-30, dense limestone 20-29, sandstone 21-27 kN/m3 (from memory); minerals calcite
2710, dolomite 2860, quartz 2650. 1 lb = 0.45359237 kg, g = 9.80665 m/s2, 1 lb/ft3 = 16.0184634
kg/m3. Weighing under water after EN 1936 (formula from memory): 2700, 2705, 1710 g with water of
998 kg/m3 give 2708.1 kg/m3.
"""

from __future__ import annotations

import pytest

from tracker.comparison.mass import (
    POUND_PER_CUBIC_FOOT,
    STONES,
    WATER_20C_KG_M3,
    Density,
    check_density,
    density_by_weighing,
    density_of,
    mass_of,
)
from tracker.errors import InputError

GRAVITY = 9.80665


def test_pounds_per_cubic_foot() -> None:
    assert pytest.approx(16.0184634, abs=1e-7) == POUND_PER_CUBIC_FOOT
    assert round(162 * POUND_PER_CUBIC_FOOT) == 2595


@pytest.mark.parametrize(
    ("stone", "pounds"),
    [("marble", [162]), ("limestone", [110, 135, 160]), ("sandstone", [125, 150, 160]),
     ("granite", [160])],
)  # fmt: skip
def test_every_class_of_the_standard_is_possible(stone: str, pounds: list[float]) -> None:
    for density in pounds:
        check_density(stone, density * POUND_PER_CUBIC_FOOT)
    assert STONES[stone].lowest == pytest.approx(pounds[0] * POUND_PER_CUBIC_FOOT, abs=3.0)


@pytest.mark.parametrize(
    ("stone", "low", "high"), [("granite", 27, 30), ("limestone", 20, 29), ("sandstone", 21, 27)]
)
def test_usual_density_lies_in_the_range_of_the_building_code(
    stone: str, low: float, high: float
) -> None:
    least, most = low * 1000 / GRAVITY, high * 1000 / GRAVITY
    usual = density_of(stone)
    assert usual.kg_m3 + 2 * usual.sigma_kg_m3 >= least
    assert usual.kg_m3 - 2 * usual.sigma_kg_m3 <= most


def test_usual_marble_is_carrara() -> None:
    usual = density_of("Marble")
    assert 2680 <= usual.kg_m3 <= 2720
    assert usual.sigma_kg_m3 == 20


@pytest.mark.parametrize(("stone", "mineral"), [("marble", 2860), ("limestone", 2860)])
def test_bulk_cannot_exceed_its_mineral_by_more_than_a_hundredth(
    stone: str, mineral: float
) -> None:
    check_density(stone, 1.004 * mineral)
    with pytest.raises(InputError, match="not possible"):
        check_density(stone, 1.011 * mineral)


@pytest.mark.parametrize("wrong", [2.7, 27.0, 162.0, 270.0, 27000.0])
def test_other_units_are_noticed(wrong: float) -> None:
    with pytest.raises(InputError, match="kilograms per cubic metre"):
        check_density("marble", wrong)
    with pytest.raises(InputError, match="not possible for alabaster"):
        check_density("alabaster", wrong)


def test_unknown_stone_has_no_usual_density() -> None:
    with pytest.raises(InputError, match="No usual density is known for 'alabaster'"):
        density_of("alabaster")


def test_weighing_under_water() -> None:
    found = density_by_weighing(2.700, 1.710, 2.705)
    assert found * 998.0 / WATER_20C_KG_M3 == pytest.approx(2708.1, abs=0.1)
    with pytest.raises(InputError, match="do not fit together"):
        density_by_weighing(2.700, 2.710, 2.705)


def test_mass_and_its_uncertainty() -> None:
    found = mass_of(4.0e6, 0.1e6, Density(2700.0, 20.0))
    assert found.kg == pytest.approx(10.8)
    # 2700 * 0.1e-3 = 0.27 kg from the volume, 2 * 20 * 4e-3 = 0.16 kg from the density
    assert found.u95_kg == pytest.approx((0.27**2 + 0.16**2) ** 0.5)
