"""Water and moist air: the few properties the kernel needs, compiled.

Saturation pressure is tabulated once from the ASHRAE (Hyland-Wexler) formula and interpolated, since the
kernel asks for it some twenty times a step. Checked against CoolProp and PsychroLib in the tests.
"""

from __future__ import annotations

import numpy as np
import psychrolib

from sim.compiled import njit

CP_WATER = 4186.0  # [J/kg K], mean over 5..60 degC (IAPWS-97: 4179..4205)
CP_DRY_AIR = 1006.0  # [J/kg K], ASHRAE Handbook Fundamentals, psychrometrics
CP_VAPOUR = 1860.0  # [J/kg K], same
LATENT_0 = 2.501e6  # heat of evaporation at 0 degC [J/kg], same
LATENT_ICE = 3.336e5  # heat of fusion [J/kg], same
MASS_RATIO = 0.621945  # molar mass of water over that of dry air, same
WATER_DENSITY = 995.0  # [kg/m3], mean over 5..55 degC

_COLDEST_C, _HOTTEST_C, _PER_K = -60.0, 120.0, 20


def _saturation_table() -> np.ndarray:
    psychrolib.SetUnitSystem(psychrolib.SI)
    grid = np.linspace(_COLDEST_C, _HOTTEST_C, int((_HOTTEST_C - _COLDEST_C) * _PER_K) + 1)
    return np.array([psychrolib.GetSatVapPres(t) for t in grid])


_SATURATION_PA = _saturation_table()
_LAST = _SATURATION_PA.size - 2


@njit(inline="always")
def saturation_pa(temperature_c: float) -> float:
    """Saturation pressure of water vapour over water, or ice below 0 degC. [Pa]; -60..120 degC, clamped outside.

    References
    ----------
    .. [1] ASHRAE Handbook Fundamentals, psychrometrics chapter, eq. 5 and 6, as coded in PsychroLib 2.5.
    """
    place = (temperature_c - _COLDEST_C) * _PER_K
    low = min(max(int(place), 0), _LAST)
    share = min(max(place - low, 0.0), 1.0)
    return _SATURATION_PA[low] + share * (_SATURATION_PA[low + 1] - _SATURATION_PA[low])


@njit(inline="always")
def humidity_ratio(vapour_pa: float, pressure_pa: float) -> float:
    """Mass of vapour per mass of dry air. [kg/kg]; vapour capped at 80 % of the total pressure."""
    vapour = min(vapour_pa, 0.8 * pressure_pa)
    return MASS_RATIO * vapour / (pressure_pa - vapour)


@njit(inline="always")
def saturated_ratio(temperature_c: float, pressure_pa: float) -> float:
    """Humidity ratio of saturated air. [kg/kg]"""
    return humidity_ratio(saturation_pa(temperature_c), pressure_pa)


@njit(inline="always")
def moist_enthalpy(temperature_c: float, ratio: float) -> float:
    """Enthalpy of moist air per kg of dry air, zero for dry air and liquid water at 0 degC. [J/kg]

    References
    ----------
    .. [1] ASHRAE Handbook Fundamentals, psychrometrics chapter (h = 1.006 t + W (2501 + 1.86 t)).
    """
    return CP_DRY_AIR * temperature_c + ratio * (LATENT_0 + CP_VAPOUR * temperature_c)


@njit(inline="always")
def wet_temperature(heat_j: float, capacity_j_k: float, water_kg: float) -> float:
    """Temperature of wet matter that holds ``heat_j`` above liquid at 0 degC; freezes at 0 degC. [degC]

    Enthalpy method: between 0 and -latent heat the matter stays at 0 degC and ice forms. The heat capacity
    of ice is taken as that of water (the error is small beside the heat of fusion).
    """
    if heat_j >= 0.0:
        return heat_j / capacity_j_k
    fusion = LATENT_ICE * water_kg
    if heat_j > -fusion:
        return 0.0
    return (heat_j + fusion) / capacity_j_k
