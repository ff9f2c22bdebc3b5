"""The greenhouse: moist air, soil and benches, pond, cover, sun, vents and an ideal backup heater, compiled.

Air reacts within minutes, so each step first finds the exact mean of temperature and humidity over the step
for conductances frozen at its start (exponential relaxation), then books every flux at that mean: stable for
any step, and balances close to rounding.
"""

from __future__ import annotations

from math import exp

from sim.compiled import njit
from sim.layout import *  # noqa: F403  indices only
from sim.media import CP_DRY_AIR, CP_VAPOUR, CP_WATER, LATENT_0, moist_enthalpy, saturated_ratio
from sim.pile import CO2_AMBIENT, STEFAN_BOLTZMANN, W_GHI, W_HUMIDITY, W_OUT_C, W_SKY_C, W_WIND

INSIDE_FILM = 6.0  # [W/m2K] still air to film, about half of it radiation (handbook value, from memory)
SUN_TO_AIR = 0.3  # share of the sun that warms the air at once; the rest warms soil and benches (own closure)
SKY_SHARE = 0.25  # of a blackbody's exchange with the sky that passes through two films (own closure)
VENT_BAND_K = 3.0  # vents go from shut to open over this band above the ceiling
HEATER_W_K = 2.0e4  # an ideal heater: holds the minimum within a quarter of a kelvin
LEWIS = 0.87  # Lewis number of moist air


@njit(inline="always")
def air_temperature(enthalpy_j: float, dry_kg: float, vapour_kg: float) -> float:
    """Temperature of moist air from its whole enthalpy. [degC]"""
    return (enthalpy_j - vapour_kg * LATENT_0) / (dry_kg * CP_DRY_AIR + vapour_kg * CP_VAPOUR)


@njit(inline="always")
def outdoor_air_kg_s(air_c: float, w, p) -> float:
    """Outdoor air entering by leaks and vents. [kg/s]"""
    vent = p[P_VENT_MAX] * min(max((air_c - p[P_HOUSE_MAX]) / VENT_BAND_K, 0.0), 1.0)
    return p[P_HOUSE_AIR_KG] * (p[P_INFILTRATION] + p[P_WIND_INFILTRATION] * w[W_WIND] + vent)


@njit()
def cover_terms(air_c: float, ratio: float, w, p):
    """Cover conductance, extra sky loss, and conductance and humidity ratio that vapour condenses with and toward.

    ([W/K], [W], [kg/s], [kg/kg]). The inner film's temperature follows from still air and cover in series; vapour
    condenses on it by the Lewis analogy. Its heat warms the film, which slows further condensation (linearised).
    """
    area, u = p[P_COVER_A], p[P_COVER_U]
    film_c = air_c - (1.0 - returned_share(p)) * (air_c - w[W_OUT_C])
    mean_k = 0.5 * (w[W_OUT_C] + w[W_SKY_C]) + 273.15
    sky = SKY_SHARE * 4.0 * STEFAN_BOLTZMANN * mean_k**3 * area * (w[W_OUT_C] - w[W_SKY_C])
    toward = saturated_ratio(film_c, p[P_PRESSURE])
    if ratio <= toward:
        return area * u, sky, 0.0, toward
    wetting = area * 0.5 * INSIDE_FILM / (CP_DRY_AIR * LEWIS)
    slope = saturated_ratio(film_c + 0.5, p[P_PRESSURE]) - saturated_ratio(film_c - 0.5, p[P_PRESSURE])
    warming = wetting * LATENT_0 * slope * returned_share(p) / (area * INSIDE_FILM)
    return area * u, sky, wetting / (1.0 + warming), toward


@njit(inline="always")
def returned_share(p) -> float:
    """Share of the heat of condensation that the warmed film saves the air; the rest goes out through the cover."""
    return 1.0 - min(p[P_COVER_U], 0.9 * INSIDE_FILM) / INSIDE_FILM


@njit(inline="always")
def heater_w_k(air_c: float, p) -> float:
    """Conductance of the ideal heater toward the minimum temperature. [W/K]"""
    return HEATER_W_K if p[P_BACKUP_ON] > 0.5 and air_c < p[P_HOUSE_MIN] else 0.0


@njit(inline="always")
def mean_over_step(now: float, rest: float, rate_dt: float) -> float:
    """Mean over a step of a value that relaxes from ``now`` toward ``rest``, rate times step given."""
    if rate_dt < 1e-6:
        return now
    return rest + (now - rest) * (1.0 - exp(-rate_dt)) / rate_dt


@njit()
def house_means(y, p, w, emitter_w, pile_air_kg_s, pile_air_c, pile_air_w, dt):
    """Mean air temperature and humidity ratio over the next dt seconds, and the heater's conductance.

    With dt = 0 these are the present values.
    """
    dry = p[P_HOUSE_AIR_KG]
    ratio = y[Y_VAPOUR] / dry
    air_c = air_temperature(y[Y_AIR], dry, y[Y_VAPOUR])
    outdoor = outdoor_air_kg_s(air_c, w, p)
    cover, sky, wetting, toward = cover_terms(air_c, ratio, w, p)
    heater = heater_w_k(air_c, p)
    leaf = saturated_ratio(air_c, p[P_PRESSURE])
    moving = outdoor + pile_air_kg_s + p[P_PLANT] + wetting
    rest = (outdoor * w[W_HUMIDITY] + pile_air_kg_s * pile_air_w + p[P_PLANT] * leaf + wetting * toward) / moving
    mean_ratio = mean_over_step(ratio, rest, moving * dt / dry)
    in_out = outdoor * (CP_DRY_AIR + w[W_HUMIDITY] * CP_VAPOUR)
    in_pile = pile_air_kg_s * (CP_DRY_AIR + pile_air_w * CP_VAPOUR)
    g = cover + in_out + in_pile + p[P_MASS_UA] + p[P_POND_UA] + heater
    sun = p[P_TRANSMIT] * p[P_FLOOR_A] * w[W_GHI] * SUN_TO_AIR
    evaporation = p[P_PLANT] * (leaf - mean_ratio) * LATENT_0
    q = cover * w[W_OUT_C] - sky + in_out * w[W_OUT_C] + in_pile * pile_air_c + sun + emitter_w - evaporation
    q += p[P_MASS_UA] * y[Y_MASS] / p[P_MASS_CAPACITY] + p[P_POND_UA] * y[Y_POND] / p[P_POND_CAPACITY]
    q += heater * p[P_HOUSE_MIN] + returned_share(p) * wetting * (mean_ratio - toward) * LATENT_0
    capacity = dry * CP_DRY_AIR + y[Y_VAPOUR] * CP_VAPOUR
    return mean_over_step(air_c, q / g, g * dt / capacity), mean_ratio, heater


# --- fluxes of the greenhouse, [W] or [kg/s]
(
    F_SUN,
    F_COVER,
    F_IN,
    F_OUT,
    F_PILE_AIR,
    F_PLANT,
    F_BACKUP,
    F_MASS,
    F_POND,
    F_V_IN,
    F_V_OUT,
    F_V_PLANT,
    F_V_WET,
    F_HEAT_AIR,
    F_CO2,
) = range(15)
F_SIZE = 15


@njit()
def house_fluxes(y, p, w, air_c, ratio, heater, pile_air_kg_s, pile_air_c, pile_air_w, pile_air_co2, flux):
    """Fill ``flux`` with every flux at the given air temperature and humidity ratio."""
    dry = p[P_HOUSE_AIR_KG]
    now_c = air_temperature(y[Y_AIR], dry, y[Y_VAPOUR])
    outdoor = outdoor_air_kg_s(now_c, w, p)
    cover, sky, wetting, toward = cover_terms(now_c, y[Y_VAPOUR] / dry, w, p)
    leaf = saturated_ratio(now_c, p[P_PRESSURE])
    own = moist_enthalpy(air_c, ratio)
    flux[F_V_PLANT] = p[P_PLANT] * (leaf - ratio)
    flux[F_V_WET] = wetting * (ratio - toward)
    flux[F_V_IN] = outdoor * w[W_HUMIDITY] + pile_air_kg_s * pile_air_w
    flux[F_V_OUT] = (outdoor + pile_air_kg_s) * ratio
    flux[F_SUN] = p[P_TRANSMIT] * p[P_FLOOR_A] * w[W_GHI]
    condensed_j_kg = (1.0 - returned_share(p)) * LATENT_0 + CP_VAPOUR * air_c
    flux[F_COVER] = cover * (air_c - w[W_OUT_C]) + sky + flux[F_V_WET] * condensed_j_kg
    flux[F_IN] = outdoor * moist_enthalpy(w[W_OUT_C], w[W_HUMIDITY])
    flux[F_OUT] = (outdoor + pile_air_kg_s) * own
    flux[F_PILE_AIR] = pile_air_kg_s * moist_enthalpy(pile_air_c, pile_air_w)
    flux[F_HEAT_AIR] = flux[F_PILE_AIR] - pile_air_kg_s * own
    flux[F_PLANT] = flux[F_V_PLANT] * CP_WATER * air_c  # leaf water comes in liquid; its latent heat is the air's
    flux[F_BACKUP] = heater * (p[P_HOUSE_MIN] - air_c)
    flux[F_MASS] = p[P_MASS_UA] * (air_c - y[Y_MASS] / p[P_MASS_CAPACITY])
    flux[F_POND] = p[P_POND_UA] * (air_c - y[Y_POND] / p[P_POND_CAPACITY])
    flux[F_CO2] = (outdoor * (CO2_AMBIENT - y[Y_CO2]) + pile_air_kg_s * (pile_air_co2 - y[Y_CO2])) / dry


@njit()
def house_rates(flux, emitter_w):
    """Rates of air enthalpy [W], vapour [kg/s], mass [W] and pond [W] from the fluxes."""
    air = SUN_TO_AIR * flux[F_SUN] - flux[F_COVER] + flux[F_IN] - flux[F_OUT] + flux[F_PILE_AIR] + flux[F_PLANT]
    air += flux[F_BACKUP] - flux[F_MASS] - flux[F_POND] + emitter_w
    vapour = flux[F_V_IN] - flux[F_V_OUT] + flux[F_V_PLANT] - flux[F_V_WET]
    return air, vapour, (1.0 - SUN_TO_AIR) * flux[F_SUN] + flux[F_MASS], flux[F_POND]


@njit()
def house_step(
    y, p, w, emitter_j, pond_j, pile_air_kg_s, pile_air_c, pile_air_w, pile_air_co2, dt, flux, flags, ledger
):
    """Advance the greenhouse by dt seconds and book every flux. The pond's share from the loop is booked already."""
    emitter_w = emitter_j / dt
    now_c = air_temperature(y[Y_AIR], p[P_HOUSE_AIR_KG], y[Y_VAPOUR])
    moving = (outdoor_air_kg_s(now_c, w, p) + pile_air_kg_s) / p[P_HOUSE_AIR_KG]
    air_c, ratio, heater = house_means(y, p, w, emitter_w, pile_air_kg_s, pile_air_c, pile_air_w, dt)
    house_fluxes(y, p, w, air_c, ratio, heater, pile_air_kg_s, pile_air_c, pile_air_w, pile_air_co2, flux)
    air, vapour, mass, pond = house_rates(flux, emitter_w)
    y[Y_AIR] += dt * air
    y[Y_VAPOUR] += dt * vapour
    y[Y_MASS] += dt * mass
    y[Y_POND] += dt * pond
    y[Y_CO2] += flux[F_CO2] * (1.0 - exp(-moving * dt)) / moving if moving > 0.0 else 0.0
    flags[G_BACKUP_W] = flux[F_BACKUP]
    ledger[L_SUN] += dt * flux[F_SUN]
    ledger[L_COVER] += dt * flux[F_COVER]
    ledger[L_HOUSE_IN] += dt * flux[F_IN]
    ledger[L_HOUSE_OUT] += dt * flux[F_OUT]
    ledger[L_AIR_TO_HOUSE] += dt * flux[F_PILE_AIR]
    ledger[L_PLANT_WATER] += dt * flux[F_PLANT]
    ledger[L_BACKUP] += dt * flux[F_BACKUP]
    ledger[L_VAPOUR_IN] += dt * flux[F_V_IN]
    ledger[L_VAPOUR_OUT] += dt * flux[F_V_OUT]
    ledger[L_VAPOUR_PLANTS] += dt * flux[F_V_PLANT]
    ledger[L_VAPOUR_CONDENSED] += dt * flux[F_V_WET]
    brought_water, brought_air = emitter_j + pond_j, dt * flux[F_HEAT_AIR]
    ledger[L_HEAT_WATER] += brought_water
    ledger[L_HEAT_AIR] += brought_air
    if air_c < p[P_HOUSE_MAX]:
        ledger[L_USEFUL] += brought_water + brought_air
