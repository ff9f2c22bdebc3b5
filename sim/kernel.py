"""One compiled call that carries the whole plant from now to later, and one that reads its sensors.

Operator splitting in steps of at most a minute (shorter when the pile's fastest shell asks for it): supplies and
motors, pile, water loop (its own sub-steps by Courant number), duct, greenhouse, batteries, sensor lags.
Each part conserves what it moves, so the whole does. No array is allocated.
"""

from __future__ import annotations

from math import cos, exp, log, pi, sqrt

import numpy as np

from sim.airside import dry_air_density, duct_step, fan_flow_m3_s
from sim.compiled import njit
from sim.greenhouse import F_SIZE, air_temperature, house_step
from sim.layout import *  # noqa: F403  indices only
from sim.media import CP_WATER, MASS_RATIO, humidity_ratio, saturation_pa, wet_temperature
from sim.pile import (
    W_HUMIDITY,
    W_OUT_C,
    W_PANEL_FAN,
    W_PANEL_PUMP,
    W_RH,
    W_SIZE,
    WORK_ROWS,
    air_space,
    pile_step,
    pore_oxygen,
    solids_kg,
)
from sim.power import FAN_SIDE, PUMP_SIDE, motor_speed, supply_step
from sim.water import line_frozen, loop_step, pump_flow_kg_s, trapped_air_step, water_c

LONGEST_STEP_S = 60.0
FIRST_AIR_STEP_S = 0.2  # when the fan comes on: the pile's own step was measured without its air

# --- sensors, in the order of the Measurements fields after time_s
(
    S_CORE,
    S_EDGE,
    S_SUPPLY,
    S_RETURN,
    S_FLOW,
    S_AIR_C,
    S_AIR_RH,
    S_FAN_HZ,
    S_HOUSE_C,
    S_HOUSE_RH,
    S_OUT_C,
    S_TANK,
    S_PUMP_V,
    S_FAN_V,
    S_O2,
    S_CO2,
) = range(16)
S_SIZE = 16
# columns of the sensor table
(C_FITTED, C_LAG_S, C_OFFSET, C_NOISE, C_STEP, C_DROPOUT, C_GLITCH, C_FALSE_VALUE, C_GAIN_NOISE, C_PLACE, C_GAIN) = (
    range(11)
)
C_SIZE = 11


def new_work() -> np.ndarray:
    """Scratch space for `advance`: rows for shells, ring and fluxes."""
    return np.zeros((WORK_ROWS + 4, max(SHELLS, RING, F_SIZE, W_SIZE, S_SIZE)))


@njit()
def weather_at(table, time_s, pressure_pa, w):
    """Interpolate the hourly weather table (hours, W_SIZE) at time_s after its start; the year repeats."""
    hours = table.shape[0]
    place = time_s / 3600.0
    low = int(np.floor(place))  # half an hour before New Year is the last hour of the year
    share = place - low
    a, b = low % hours, (low + 1) % hours
    for k in range(W_SIZE):
        w[k] = table[a, k] + share * (table[b, k] - table[a, k])
    w[W_HUMIDITY] = humidity_ratio(w[W_RH] * saturation_pa(w[W_OUT_C]), pressure_pa)


@njit()
def shell_c(y, p, i):
    """Temperature of shell i. [degC]"""
    water = max(y[Y_WATER + i], 1e-6)
    return wet_temperature(y[Y_HEAT + i], solids_kg(y, p, i) * p[P_SOLID_CP] + water * CP_WATER, water)


@njit()
def core_c(y, p):
    """True core temperature: heat-capacity-weighted mean of the inner shells and the coil's skin. [degC]"""
    heat = capacity = 0.0
    for i in range(SHELLS):
        if p[P_CORE_SHARE + i] > 0.0:
            c = solids_kg(y, p, i) * p[P_SOLID_CP] + max(y[Y_WATER + i], 0.0) * CP_WATER
            heat += p[P_CORE_SHARE + i] * c * shell_c(y, p, i)
            capacity += p[P_CORE_SHARE + i] * c
    for k in range(SKINS):
        heat += y[Y_SKIN + k]
        capacity += p[P_SKIN_CAPACITY]
    return heat / capacity


@njit()
def probe_c(y, p, place):
    """Temperature where a probe sits: ``place`` counts shells from the middle of the innermost one. [degC]"""
    low = min(max(int(place), 0), SHELLS - 2)
    share = min(max(place - low, 0.0), 1.0)
    return (1.0 - share) * shell_c(y, p, low) + share * shell_c(y, p, low + 1)


@njit()
def true_values(y, p, w, flags, sensors, values):
    """What perfect sensors would read now."""
    values[S_CORE] = probe_c(y, p, sensors[S_CORE, C_PLACE])
    values[S_EDGE] = probe_c(y, p, sensors[S_EDGE, C_PLACE])
    values[S_SUPPLY] = water_c(y[Y_RING + RING_SUPPLY])
    values[S_RETURN] = water_c(y[Y_RING + RING - 1])
    values[S_FLOW] = flags[G_FLOW_KG_S]
    values[S_AIR_C] = flags[G_DUCT_C]
    values[S_AIR_RH] = _relative_humidity(flags[G_DUCT_C], flags[G_DUCT_W], p)
    values[S_FAN_HZ] = flags[G_FAN_SPEED] * p[P_FAN_HZ]
    house_c = air_temperature(y[Y_AIR], p[P_HOUSE_AIR_KG], y[Y_VAPOUR])
    values[S_HOUSE_C] = house_c
    values[S_HOUSE_RH] = _relative_humidity(house_c, y[Y_VAPOUR] / p[P_HOUSE_AIR_KG], p)
    values[S_OUT_C] = w[W_OUT_C]
    values[S_TANK] = y[Y_POND] / p[P_POND_CAPACITY]
    values[S_PUMP_V] = flags[G_VOLTS_PUMP]
    values[S_FAN_V] = flags[G_VOLTS_FAN]
    values[S_O2] = pore_oxygen(y, p, 0, air_space(solids_kg(y, p, 0), y[Y_WATER], p[P_SHELL_VOLUME]))
    values[S_CO2] = y[Y_CO2]


@njit(inline="always")
def _relative_humidity(temperature_c, ratio, p):
    vapour = p[P_PRESSURE] * ratio / (MASS_RATIO + ratio)
    return min(max(vapour / saturation_pa(temperature_c), 0.0), 1.0)


@njit()
def _motors(y, p, flags, pump_duty, fan_duty):
    pump_duty *= flags[G_LOAD_ON_PUMP] * (1.0 - flags[G_LATCHED_PUMP])
    fan_duty *= flags[G_LOAD_ON_FAN] * (1.0 - flags[G_LATCHED_FAN])
    flags[G_PUMP_SPEED], pump = motor_speed(
        pump_duty, flags[G_VOLTS_PUMP], flags[G_PUMP_RUNS] > 0.5, p[P_PUMP_START], p[P_PUMP_RUN]
    )
    flags[G_FAN_SPEED], fan = motor_speed(
        fan_duty, flags[G_VOLTS_FAN], flags[G_FAN_RUNS] > 0.5, p[P_FAN_START], p[P_FAN_RUN]
    )
    flags[G_PUMP_RUNS], flags[G_FAN_RUNS] = 1.0 if pump else 0.0, 1.0 if fan else 0.0
    frozen = line_frozen(y)
    flags[G_FROZEN] = 1.0 if frozen else 0.0
    flow = pump_flow_kg_s(flags[G_PUMP_SPEED], p, flags[G_AIR_LOCK_M3])
    flags[G_FLOW_KG_S] = 0.0 if frozen else max(flow, p[P_SIPHON_KG_S])
    # Friction and head: a tenth of full power to turn at all, the rest with the cube of speed (affinity laws).
    flags[G_PUMP_W] = p[P_PUMP_W] * (0.1 * pump_duty + 0.9 * flags[G_PUMP_SPEED] ** 3)
    flags[G_FAN_W] = p[P_FAN_W] * (0.1 * fan_duty + 0.9 * flags[G_FAN_SPEED] ** 3)
    volume = fan_flow_m3_s(flags[G_FAN_SPEED], p)
    flags[G_FAN_KG_S] = volume * dry_air_density(flags[G_DRAWN_C], flags[G_DRAWN_W], p[P_PRESSURE])


@njit()
def advance(y, p, flags, ledger, table, sensors, lagged, work, time_s, dt_s, pump_duty, fan_duty):
    """Carry the plant from time_s [s after the weather table's start] over dt_s under constant duties.

    y, flags, ledger, lagged (sensor states) and work are changed in place.
    """
    w, values, flux = work[WORK_ROWS + 2, :W_SIZE], work[WORK_ROWS + 3], work[WORK_ROWS]
    done = 0.0
    while done < dt_s - 1e-9:
        air_before = flags[G_FAN_KG_S]
        _motors(y, p, flags, pump_duty, fan_duty)
        if flags[G_FAN_KG_S] > 1.1 * air_before:  # what was stable so far need not be with so much air
            flags[G_STABLE_S] = min(flags[G_STABLE_S], FIRST_AIR_STEP_S)
        step = min(LONGEST_STEP_S, flags[G_STABLE_S])
        left = dt_s - done
        dt = left / max(np.ceil(left / step - 1e-9), 1.0)
        weather_at(table, time_s + done + 0.5 * dt, p[P_PRESSURE], w)
        _step(y, p, flags, ledger, w, work, flux, dt)
        flags[G_CORE_C] = core_c(y, p)
        true_values(y, p, w, flags, sensors, values)
        for k in range(S_SIZE):
            lag = sensors[k, C_LAG_S]
            lagged[k] += (values[k] - lagged[k]) * (1.0 - exp(-dt / lag) if lag > 0.0 else 1.0)
        done += dt


@njit()
def _step(y, p, flags, ledger, w, work, flux, dt):
    flow, fan = flags[G_FLOW_KG_S], flags[G_FAN_KG_S]
    house_c = air_temperature(y[Y_AIR], p[P_HOUSE_AIR_KG], y[Y_VAPOUR])
    pile_step(y, p, w, fan, dt, flags, ledger, work)
    temp, shell_heat = work[0], work[5]
    for i in range(SHELLS):
        shell_heat[i] = 0.0
    to_air, to_pond = loop_step(y, p, w, flow, house_c, temp, dt, work[WORK_ROWS : WORK_ROWS + 2], shell_heat, ledger)
    for i in range(SHELLS):
        y[Y_HEAT + i] += shell_heat[i]
    delivered, air_c, ratio = duct_step(flags, fan, w[W_OUT_C], p, dt, ledger)
    co2 = flags[G_DRAWN_CO2]
    house_step(y, p, w, to_air, to_pond, delivered, air_c, ratio, co2, dt, flux, flags, ledger)
    if fan > 0.0:  # the probe at the duct's end then sees delivered air
        flags[G_DUCT_C], flags[G_DUCT_W] = air_c, ratio
    else:
        flags[G_DUCT_C] = house_c
        flags[G_DUCT_W] = y[Y_VAPOUR] / p[P_HOUSE_AIR_KG]
    shed_c = 0.5 * (w[W_OUT_C] + p[P_GROUND_C])
    supply_step(y, p, PUMP_SIDE, w[W_PANEL_PUMP], flags[G_PUMP_W], shed_c, dt, flags, ledger)
    supply_step(y, p, FAN_SIDE, w[W_PANEL_FAN], flags[G_FAN_W], shed_c, dt, flags, ledger)
    flags[G_AIR_LOCK_M3] = trapped_air_step(flags[G_AIR_LOCK_M3], p, flow, dt)
    ledger[L_PUMP_J] += dt * flags[G_PUMP_W]
    ledger[L_FAN_J] += dt * flags[G_FAN_W]
    ledger[L_PUMPED_KG] += dt * flow
    ledger[L_FROZEN_S] += dt * flags[G_FROZEN]
    connected = flags[G_LOAD_ON_PUMP] * flags[G_LOAD_ON_FAN]
    if connected < 0.5 or flags[G_LATCHED_PUMP] + flags[G_LATCHED_FAN] > 0.5:
        ledger[L_OUTAGE_S] += dt


@njit(inline="always")
def _uniform(state):
    """Uniform 0..1 by xorshift64* (Vigna 2016; from memory), so that one seed gives one plant its own stream."""
    x = state[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    state[0] = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) / 9007199254740992.0


@njit()
def read_sensors(lagged, sensors, state, out):
    """Fill ``out`` with one reading a sensor: noise, quantisation, drop-outs, false codes; NaN if not fitted."""
    for k in range(S_SIZE):
        if sensors[k, C_FITTED] < 0.5:
            out[k] = np.nan
            continue
        chance = _uniform(state)
        normal = sqrt(-2.0 * log(_uniform(state) + 1e-300)) * cos(2.0 * pi * _uniform(state))
        value = lagged[k] * sensors[k, C_GAIN] * (1.0 + sensors[k, C_GAIN_NOISE] * normal) + sensors[k, C_OFFSET]
        value += sensors[k, C_NOISE] * normal
        step = sensors[k, C_STEP]
        if step > 0.0:
            value = np.floor(value / step + 0.5) * step
        if chance < sensors[k, C_DROPOUT]:
            value = np.nan
        elif chance < sensors[k, C_DROPOUT] + sensors[k, C_GLITCH]:
            value = sensors[k, C_FALSE_VALUE]
        if k == S_AIR_RH or k == S_HOUSE_RH:
            value = min(max(value, 0.0), 1.0)
        elif k == S_FLOW or k >= S_O2:
            value = max(value, 0.0)
        out[k] = value
