"""Fan and duct: how much pile air is drawn, and in what state it reaches the greenhouse, compiled."""

from __future__ import annotations

from math import exp, sqrt

from sim.compiled import njit
from sim.layout import *  # noqa: F403  indices only
from sim.media import CP_DRY_AIR, CP_VAPOUR, LATENT_0, moist_enthalpy, saturated_ratio


@njit()
def fan_flow_m3_s(speed: float, p) -> float:
    """Volume flow at relative speed (1 = full at 12 V) against pile and duct. [m3/s]

    Fan pressure falls with the square of flow and scales with speed by the affinity laws; the pile resists in
    proportion to flow (Darcy), the duct with its square. The duty point is the root of a quadratic.
    """
    if speed <= 0.0:
        return 0.0
    square = p[P_FAN_P0] / p[P_FAN_Q0] ** 2 + p[P_FAN_R2]
    linear = p[P_FAN_R1]
    return (sqrt(linear * linear + 4.0 * square * p[P_FAN_P0] * speed * speed) - linear) / (2.0 * square)


@njit()
def dry_air_density(temperature_c: float, ratio: float, pressure_pa: float) -> float:
    """Dry air in a cubic metre of moist air. [kg/m3] (ideal gas; ASHRAE Fundamentals, psychrometrics)"""
    return pressure_pa / (287.042 * (temperature_c + 273.15) * (1.0 + 1.607858 * ratio))


@njit()
def duct_outlet(temperature_c: float, ratio: float, dry_kg_s: float, around_c: float, p):
    """State of pile air after the duct: (temperature [degC], humidity ratio). Condensate drains away.

    Cooling follows exp(-UA / m cp) with the apparent heat capacity of saturated air where water condenses.
    """
    if dry_kg_s <= 1e-9:
        return around_c, min(ratio, saturated_ratio(around_c, p[P_PRESSURE]))
    slope = CP_DRY_AIR + ratio * CP_VAPOUR
    if ratio >= 0.98 * saturated_ratio(temperature_c, p[P_PRESSURE]):
        slope += LATENT_0 * (ratio - saturated_ratio(temperature_c - 1.0, p[P_PRESSURE]))
    outlet_c = around_c + (temperature_c - around_c) * exp(-p[P_DUCT_UA] / (dry_kg_s * slope))
    return outlet_c, min(ratio, saturated_ratio(outlet_c, p[P_PRESSURE]))


@njit()
def duct_step(flags, fan_kg_s, out_c, p, dt, ledger):
    """Lose the leaks, cool the rest; returns (delivered [kg/s], [degC], [kg/kg]) and books the losses."""
    delivered = fan_kg_s * (1.0 - p[P_DUCT_LEAK])
    start_c, start_w = flags[G_DRAWN_C], flags[G_DRAWN_W]
    air_c, ratio = duct_outlet(start_c, start_w, delivered, out_c, p)
    left = fan_kg_s * moist_enthalpy(start_c, start_w) * dt
    ledger[L_AIR_LEFT_J] += left
    ledger[L_DUCT_LOSS] += left - delivered * moist_enthalpy(air_c, ratio) * dt
    return delivered, air_c, ratio
