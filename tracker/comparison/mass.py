"""From volume to mass: densities of stone and what they may be.

The ranges are what a density is checked against; a stone's own certificate or a weighed piece is
always better. Sources: minimum bulk densities of ASTM C503, C568, C615, C616; characteristic
weights of EN 1991-1-1 table A.1; mineral densities of calcite 2710, dolomite 2860, quartz
2650 kg/m^3. A bulk density cannot exceed that of the mineral it is made of.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.errors import InputError

POUND_KG = 0.45359237
CUBIC_FOOT_M3 = 0.3048**3
POUND_PER_CUBIC_FOOT = POUND_KG / CUBIC_FOOT_M3
"""1 lb/ft^3 in kg/m^3."""
WATER_20C_KG_M3 = 998.2
OVER_MINERAL = 1.01


@dataclass(frozen=True, slots=True)
class Density:
    """Bulk density of a stone, kg/m^3, with its standard uncertainty."""

    kg_m3: float
    sigma_kg_m3: float


@dataclass(frozen=True, slots=True)
class StoneKind:
    """What is usual for a kind of stone, kg/m^3."""

    usual: Density
    lowest: float
    mineral: float
    """Density of its heaviest common mineral: the bulk cannot be above it."""


STONES = {
    "marble": StoneKind(Density(2700.0, 20.0), 2595.0, 2860.0),
    "limestone": StoneKind(Density(2300.0, 150.0), 1760.0, 2860.0),
    "sandstone": StoneKind(Density(2250.0, 120.0), 2000.0, 2750.0),
    "granite": StoneKind(Density(2680.0, 60.0), 2560.0, 3100.0),
}
"""Usual values are this project's own judgement inside the ranges of the named standards."""


@dataclass(frozen=True, slots=True)
class Mass:
    """Kilograms with U95."""

    kg: float
    u95_kg: float


def check_density(stone: str, kg_m3: float) -> None:
    """Refuse a density that the stone cannot have.

    Raises
    ------
    InputError
        Outside what the kind of stone allows; for an unknown kind, outside 1000-3500 kg/m^3.
    """
    kind = STONES.get(stone.strip().lower())
    low = 0.95 * kind.lowest if kind else 1000.0
    high = OVER_MINERAL * kind.mineral if kind else 3500.0
    if not low <= kg_m3 <= high:
        raise InputError(
            f"A density of {kg_m3:g} kg/m3 is not possible for {stone or 'stone'} "
            f"(between {low:.0f} and {high:.0f}).",
            "Give kilograms per cubic metre, for example 2700 for marble.",
        )


def density_of(stone: str) -> Density:
    """Usual density of a kind of stone.

    Raises
    ------
    InputError
        The kind is not known here; the density has to be given.
    """
    kind = STONES.get(stone.strip().lower())
    if kind is None:
        raise InputError(
            f"No usual density is known for {stone!r}.",
            "Give its density in kg/m3, or one of: " + ", ".join(STONES) + ".",
        )
    return kind.usual


def density_by_weighing(dry_kg: float, in_water_kg: float, soaked_kg: float) -> float:
    """Bulk density (kg/m^3) of a soaked piece weighed in air and under water (as EN 1936).

    rho = m_dry / (m_soaked - m_under water) times the density of water at 20 degrees.

    Raises
    ------
    InputError
        The weights contradict each other.
    """
    if not 0.0 < in_water_kg < dry_kg <= soaked_kg:
        raise InputError(
            f"The weights do not fit together: dry {dry_kg:g}, soaked {soaked_kg:g}, "
            f"under water {in_water_kg:g} kg.",
            "Soaked must be the heaviest and under water the lightest; weigh again.",
        )
    return dry_kg / (soaked_kg - in_water_kg) * WATER_20C_KG_M3


def mass_of(volume_mm3: float, u95_mm3: float, density: Density) -> Mass:
    """Mass of a volume, m = rho V, with U95 by the law of propagation (JCGM 100, 5.1.2)."""
    rho, u_rho = density.kg_m3 * 1e-9, density.sigma_kg_m3 * 1e-9
    return Mass(rho * volume_mm3, float(np.hypot(rho * u95_mm3, 2.0 * u_rho * volume_mm3)))
