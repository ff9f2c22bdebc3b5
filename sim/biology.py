"""How fast the microbes work: published factors of temperature, moisture, air space and oxygen, compiled.

Each factor is checked against published values in the tests.
"""

from __future__ import annotations

from math import exp

from sim.compiled import njit

HEAT_PER_OXYGEN = 14.0e6  # [J/kg O2], Haug 1993 (13.6-14), 13.75 in a public windrow model
OXYGEN_PER_SOLID = 1.25  # [kg O2 / kg degraded]: gives 17.5 MJ/kg, the fitted value of Cotera's vessels
WATER_PER_SOLID = 0.55  # [kg water / kg degraded], near that of cellulose (0.556 by stoichiometry)
CARBON_DIOXIDE_PER_SOLID = 1.0 + OXYGEN_PER_SOLID - WATER_PER_SOLID  # mass closes

MIXED = (5.0, 56.0, 66.5)  # cardinal temperatures of the whole population (published: 55-59 and 65-72; from memory)
MESOPHILES = (7.0, 37.3, 45.9)  # those that start the pile (Oudart et al. 2015 as read in public code)
MESOPHILE_SHARE = 0.8  # their best rate on the quick part, beside the thermophiles' (own closure)
OXYGEN_HALF = 0.02  # mole fraction at half speed, Haug 1993
GROWTH_PER_S = 0.2 / 3600.0  # active biomass, 0.1-0.2 1/h in Monod models of composting
DECAY_PER_S = 0.002 / 3600.0  # at temperatures that stop growth
HEAT_DEATH_PER_S = 0.05 / 3600.0  # above the upper cardinal temperature
LEAST_ACTIVITY = 0.01  # spores and cool edges always leave a seed


@njit(inline="always")
def cardinal_factor(temperature_c: float, least_c: float, best_c: float, most_c: float) -> float:
    """Cardinal-temperature rate factor, 0..1: one at the best temperature, zero outside the outer two.

    References
    ----------
    .. [1] Rosso, Lobry and Flandrois 1993, J. Theor. Biol. 162, 447-463 (form as in public code).
    """
    t = temperature_c
    if t <= least_c or t >= most_c:
        return 0.0
    a = best_c - least_c
    return (
        (t - most_c) * (t - least_c) ** 2 / (a * (a * (t - best_c) - (best_c - most_c) * (best_c + least_c - 2.0 * t)))
    )


@njit(inline="always")
def slow_factor(temperature_c: float) -> float:
    """Temperature factor of the slowly degradable part, which needs the whole, mostly thermophilic, population."""
    return cardinal_factor(temperature_c, MIXED[0], MIXED[1], MIXED[2])


@njit(inline="always")
def fast_factor(temperature_c: float) -> float:
    """Temperature factor of the quickly degradable part: mesophiles live on it too, and so start the pile.

    Once that part is spent a chilled pile has only `slow_factor` left: it may never come back.
    """
    mesophiles = MESOPHILE_SHARE * cardinal_factor(temperature_c, MESOPHILES[0], MESOPHILES[1], MESOPHILES[2])
    return max(mesophiles, slow_factor(temperature_c))


@njit(inline="always")
def moisture_factor(moisture: float) -> float:
    """Rate factor of the water share of the wet mass, 0..1.

    References
    ----------
    .. [1] Haug 1993, Practical Handbook of Compost Engineering (form read in public code).
    """
    return 1.0 / (exp(-17.684 * moisture + 7.0622) + 1.0)


@njit(inline="always")
def air_space_factor(free_air_space: float) -> float:
    """Rate factor of the free air space, 0..1.

    References
    ----------
    .. [1] Haug 1993 (form read in public code).
    """
    return 1.0 / (exp(-23.675 * free_air_space + 3.4945) + 1.0)


@njit(inline="always")
def oxygen_factor(mole_fraction: float) -> float:
    """Monod factor of the oxygen in the pores, 0..1.

    References
    ----------
    .. [1] Haug 1993, half-saturation 2 % by volume (from memory).
    """
    return mole_fraction / (OXYGEN_HALF + mole_fraction)


@njit(inline="always")
def activity_rate(activity: float, factor: float, temperature_c: float) -> float:
    """Growth less decay of the active biomass, as a share of its full value. [1/s]"""
    growth = GROWTH_PER_S * factor * activity * (1.0 - activity)
    decay = DECAY_PER_S * (1.0 - factor)
    if temperature_c > MIXED[2]:
        decay += HEAT_DEATH_PER_S
    return growth - decay * max(activity - LEAST_ACTIVITY, 0.0)
