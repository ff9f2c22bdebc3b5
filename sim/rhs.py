"""The plant as a plain system of ordinary differential equations, for a general solver to integrate.

The same flux functions as the stepping kernel, assembled without splitting, sub-steps or implicit tricks: an
independent check of the kernel's time stepping, and the yardstick of its speed (`bench/physics_speed.py`).
Regimes that switch (motors turning, loads connected) are held as the flags have them; batteries, whose
equations are not part of the thermal problem, are left out (their rates are zero).
"""

from __future__ import annotations

from sim.airside import dry_air_density, duct_outlet, fan_flow_m3_s
from sim.biology import (
    HEAT_PER_OXYGEN,
    OXYGEN_PER_SOLID,
    WATER_PER_SOLID,
    activity_rate,
    fast_factor,
    oxygen_factor,
)
from sim.compiled import njit
from sim.greenhouse import F_CO2, F_SIZE, air_temperature, house_fluxes, house_means, house_rates
from sim.kernel import weather_at
from sim.layout import *  # noqa: F403  indices only
from sim.media import CP_WATER
from sim.pile import (
    B_DEEP,
    B_GROUND,
    OXYGEN_AMBIENT,
    OXYGEN_MOLE_PER_MASS,
    PORE_AIR_DENSITY,
    W_OUT_C,
    W_SIZE,
    WORK_ROWS,
    collected_air,
    decay_potential,
    drain_rate,
    oxygen_diffusion,
    pile_fluxes,
    pile_state,
    soil_between,
)
from sim.water import cell_conductance, pump_flow_kg_s, surroundings, water_c


@njit()
def plant_rates(y, p, w, pump_speed, fan_speed, work, rates):
    """Fill ``rates`` (Y_SIZE,) with dy/dt at weather ``w`` and the given relative speeds of pump and fan."""
    temp, ratio, space, conduct = work[0], work[1], work[2], work[3]
    rates[:] = 0.0
    pile_state(y, p, temp, ratio, space, conduct)
    drawn_c, drawn_w, drawn_co2 = collected_air(y, p, temp, ratio, space)
    fan = fan_flow_m3_s(fan_speed, p) * dry_air_density(drawn_c, drawn_w, p[P_PRESSURE])
    _pile_rates(y, p, w, fan, work, rates)
    flow = pump_flow_kg_s(pump_speed, p, 0.0)
    house_c = air_temperature(y[Y_AIR], p[P_HOUSE_AIR_KG], y[Y_VAPOUR])
    emitter_w = _loop_rates(y, p, w, flow, house_c, temp, work[WORK_ROWS], rates)
    delivered = fan * (1.0 - p[P_DUCT_LEAK])
    air_c, air_w = duct_outlet(drawn_c, drawn_w, delivered, w[W_OUT_C], p)
    flux = work[WORK_ROWS + 1, :F_SIZE]
    mean_c, mean_ratio, heater = house_means(y, p, w, emitter_w, delivered, air_c, air_w, 0.0)
    house_fluxes(y, p, w, mean_c, mean_ratio, heater, delivered, air_c, air_w, drawn_co2, flux)
    air, vapour, mass, pond = house_rates(flux, emitter_w)
    rates[Y_AIR] = air
    rates[Y_VAPOUR] = vapour
    rates[Y_MASS] = mass
    rates[Y_POND] += pond
    rates[Y_CO2] = flux[F_CO2]


@njit()
def _pile_rates(y, p, w, fan, work, rates):
    temp, ratio, space, conduct = work[0], work[1], work[2], work[3]
    flow_in, flow_out, d_heat, d_water = work[4], work[5], work[6], work[7]
    fast, slow, book, direct = work[8], work[14], work[13], work[15]
    pile_fluxes(y, p, w, temp, ratio, space, conduct, fan, flow_in, flow_out, direct, d_heat, d_water, book)
    rates[Y_GROUND] = book[B_GROUND]
    rates[Y_GROUND + 1] = soil_between(y, p) - book[B_DEEP]
    decay_potential(y, p, temp, space, fast, slow)
    for i in range(SHELLS):
        air = max(p[P_SHELL_VOLUME + i] * space[i] * PORE_AIR_DENSITY, 1e-6)
        mole = max(y[Y_OXYGEN + i], 0.0) / air * OXYGEN_MOLE_PER_MASS
        potential = fast[i] + slow[i]
        lost = potential * oxygen_factor(mole)
        share = fast[i] / potential if potential > 0.0 else 0.0
        leaving = drain_rate(y, p, i)
        rates[Y_OXYGEN + i] = -lost * OXYGEN_PER_SOLID + _oxygen_inflow(y, p, space, flow_in, flow_out, direct, fan, i)
        rates[Y_FAST + i] = -lost * share
        rates[Y_SLOW + i] = -lost * (1.0 - share)
        rates[Y_WATER + i] = d_water[i] + lost * WATER_PER_SOLID - leaving
        rates[Y_HEAT + i] = (
            d_heat[i]
            + lost * (OXYGEN_PER_SOLID * HEAT_PER_OXYGEN + temp[i] * (WATER_PER_SOLID * CP_WATER - p[P_SOLID_CP]))
            - leaving * CP_WATER * max(temp[i], 0.0)
        )
        rates[Y_ACTIVE + i] = activity_rate(y[Y_ACTIVE + i], fast_factor(temp[i]), temp[i])


@njit()
def _pore_mass_fraction(y, p, space, i):
    if i >= SHELLS:
        return OXYGEN_AMBIENT
    return y[Y_OXYGEN + i] / max(p[P_SHELL_VOLUME + i] * space[i] * PORE_AIR_DENSITY, 1e-6)


@njit()
def _oxygen_inflow(y, p, space, flow_in, flow_out, direct, fan, i):
    here = _pore_mass_fraction(y, p, space, i)
    outside = _pore_mass_fraction(y, p, space, i + 1)
    face = oxygen_diffusion(p, i, space[i], space[min(i + 1, SHELLS - 1)])
    net = direct[i] * OXYGEN_AMBIENT + flow_in[i] * outside - flow_out[i] * here - face * (here - outside)
    net -= fan * p[P_COLLECT + i] * here
    if i > 0:
        inside = _pore_mass_fraction(y, p, space, i - 1)
        face = oxygen_diffusion(p, i - 1, space[i - 1], space[i])
        net += flow_out[i - 1] * inside - flow_in[i - 1] * here - face * (here - inside)
    return net


@njit()
def _loop_rates(y, p, w, flow, house_c, temp, around, rates):
    """Fill the ring's rates; returns heat given to greenhouse air [W]."""
    surroundings(y, p, w, house_c, around)
    emitter_w = 0.0
    before = y[Y_RING + RING - 1]
    for i in range(RING):
        here = y[Y_RING + i]
        gave = cell_conductance(p[P_RING_UA + i], flow) * (water_c(here) - around[i])
        rates[Y_RING + i] = (flow * (before - here) - gave) / p[P_RING_MASS + i]
        before = here
        if i < RING_DRUM:
            rates[Y_SKIN + i * SKINS // COIL_CELLS] += gave
        elif i == RING_DRUM:
            rates[Y_DRUM] += gave
        elif RING_EMITTER <= i < RING_POND:
            emitter_w += gave
        elif i == RING_POND:
            rates[Y_POND] += gave
    for k in range(SKINS):
        shell = int(p[P_SKIN_SHELL + k])
        inward = p[P_SKIN_UA] * (temp[shell] - y[Y_SKIN + k] / p[P_SKIN_CAPACITY])
        rates[Y_SKIN + k] += inward
        rates[Y_HEAT + shell] -= inward
    inward = p[P_DRUM_UA] * (temp[0] - y[Y_DRUM] / p[P_DRUM_CAPACITY])
    rates[Y_DRUM] += inward
    rates[Y_HEAT] -= inward
    return emitter_w


@njit()
def plant_rates_at(time_s, y, p, table, pump_speed, fan_speed, work, rates):
    """The same at a time of the hourly weather table (`sim.kernel.weather_at`)."""
    from_table = work[WORK_ROWS + 2, :W_SIZE]
    weather_at(table, time_s, p[P_PRESSURE], from_table)
    plant_rates(y, p, from_table, pump_speed, fan_speed, work, rates)
