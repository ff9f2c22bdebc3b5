"""The water loop: one ring of cells through coil, drum, supply pipe, emitter, pond and return pipe, compiled.

Cells are tanks in series (a dispersed plug flow), each exchanging heat with what surrounds it. A cell's
conductance is corrected so that, in steady flow, it cools or warms its water by exactly the NTU law
``1 - exp(-UA / m cp)``. The ring is stepped with a Courant number below 0.8, outflow and exchange taken at the
mean of old and new (second order, conservative). Water is kept as enthalpy, so that it can freeze.
"""

from __future__ import annotations

from math import exp

from sim.compiled import njit
from sim.layout import *  # noqa: F403  indices only
from sim.media import CP_WATER, LATENT_ICE
from sim.pile import W_OUT_C

COURANT = 0.8
BLOCKING_ICE = 0.3  # share of a cell frozen at which nothing passes any more (own closure)
PURGE_KG_S = 0.55  # flow that carries bubbles down a 19 mm pipe, about 2 ft/s (practice)


@njit(inline="always")
def water_c(enthalpy_j_kg: float) -> float:
    """Temperature of water or ice of given enthalpy above liquid at 0 degC. [degC]"""
    if enthalpy_j_kg >= 0.0:
        return enthalpy_j_kg / CP_WATER
    if enthalpy_j_kg > -LATENT_ICE:
        return 0.0
    return (enthalpy_j_kg + LATENT_ICE) / CP_WATER


@njit(inline="always")
def cell_conductance(ua_w_k: float, flow_kg_s: float) -> float:
    """Conductance that makes a mixed cell obey the NTU law of a pipe in a bed of even temperature. [W/K]

    A mixed cell with conductance G reaches G/(m cp + G) of the way; G = m cp (exp(NTU) - 1) makes that
    1 - exp(-NTU). Capped at NTU = 1 a cell, where eight cells are within 0.1 % of the bed anyway.
    """
    if flow_kg_s <= 0.0:
        return ua_w_k
    ntu = min(ua_w_k / (flow_kg_s * CP_WATER), 1.0)
    return ua_w_k * (exp(ntu) - 1.0) / ntu if ntu > 1e-9 else ua_w_k


@njit()
def pump_flow_kg_s(speed: float, p, air_m3: float) -> float:
    """Flow at relative pump speed (1 = full at 12 V), from the duty-point table, less what trapped air costs."""
    place = min(max(speed, 0.0), 1.5) * (PUMP_POINTS - 1) / 1.5
    low = min(int(place), PUMP_POINTS - 2)
    table = P_PUMP_TABLE + low
    flow = p[table] + (place - low) * (p[table + 1] - p[table])
    air_share = air_m3 / 1.0e-3  # a litre of air at the high point stops a small pump (own closure)
    return flow / (1.0 + air_share**4)


@njit()
def line_frozen(y) -> bool:
    """Whether ice blocks the loop anywhere outside the pile."""
    for i in range(RING_SUPPLY, RING):
        if y[Y_RING + i] < -BLOCKING_ICE * LATENT_ICE:
            return True
    return False


@njit()
def surroundings(y, p, w, house_c, around):
    """Temperature around every cell of the ring. [degC]"""
    for i in range(COIL_CELLS):
        around[i] = y[Y_SKIN + i * SKINS // COIL_CELLS] / p[P_SKIN_CAPACITY]
    around[RING_DRUM] = y[Y_DRUM] / p[P_DRUM_CAPACITY]
    soil = p[P_BURIAL] * p[P_GROUND_C] + (1.0 - p[P_BURIAL]) * w[W_OUT_C]
    for i in range(LINE_CELLS):
        around[RING_SUPPLY + i] = soil
        around[RING_RETURN + i] = soil
    for i in range(EMITTER_CELLS):
        around[RING_EMITTER + i] = house_c
    around[RING_POND] = y[Y_POND] / p[P_POND_CAPACITY]


@njit()
def ring_steps(p, flow_kg_s, dt):
    """Number of sub-steps for which the Courant number stays below its limit."""
    lightest = 1e9
    for i in range(RING):
        lightest = min(lightest, p[P_RING_MASS + i])
    return int(flow_kg_s * dt / (COURANT * lightest)) + 1


@njit()
def ring_step(y, p, flow_kg_s, around, heat, dt):
    """Move water round the ring for dt seconds; adds to ``heat`` what each cell gave its surroundings. [J]

    Returns the enthalpy gained by the water between entering and leaving the pile. [J]
    """
    last = Y_RING + RING - 1
    carried = flow_kg_s * dt * y[last]  # the ring is closed with the old value: same flux out and in
    entered, left = carried, 0.0
    for i in range(RING):
        k = Y_RING + i
        mass, old = p[P_RING_MASS + i], y[k]
        g = cell_conductance(p[P_RING_UA + i], flow_kg_s) * dt
        move = 0.5 * flow_kg_s * dt
        if i == RING - 1:
            outflow, implicit = flow_kg_s * dt * old, 0.0
        else:
            outflow, implicit = move * old, move
        if old >= 0.0:
            g = min(g, 2.0 * (mass - implicit) * CP_WATER)  # water cannot overshoot what surrounds it
            half = 0.5 * g / CP_WATER
            new = (mass * old + carried - outflow - half * old + g * around[i]) / (mass + implicit + half)
            gave = half * (old + new) - g * around[i]
        else:
            gave = min(g, mass * CP_WATER) * (water_c(old) - around[i])
            new = (mass * old + carried - outflow - gave) / (mass + implicit)
        heat[i] += gave
        carried = outflow + implicit * new
        y[k] = new
        if i == RING_DRUM:
            left = carried
    return left - entered


@njit()
def exchange_inside_pile(y, p, temp, shell_heat, heat, dt):
    """Pass heat between coil, skin, shells and drum for dt seconds; ``heat`` is what the ring's cells gave."""
    for k in range(SKINS):
        given = heat[2 * k] + heat[2 * k + 1]
        shell = int(p[P_SKIN_SHELL + k])
        skin_c = y[Y_SKIN + k] / p[P_SKIN_CAPACITY]
        inward = p[P_SKIN_UA] * (temp[shell] - skin_c) * dt
        y[Y_SKIN + k] += given + inward
        shell_heat[shell] -= inward
    drum_c = y[Y_DRUM] / p[P_DRUM_CAPACITY]
    inward = p[P_DRUM_UA] * (temp[0] - drum_c) * dt
    y[Y_DRUM] += heat[RING_DRUM] + inward
    shell_heat[0] -= inward


@njit()
def loop_step(y, p, w, flow_kg_s, house_c, temp, dt, work_ring, shell_heat, ledger):
    """Advance the loop by dt seconds in sub-steps; returns heat given to greenhouse air and to the pond. [J]

    ``shell_heat`` receives what each shell gained [J]; it is added to the shells by the caller.
    """
    around, heat = work_ring[0], work_ring[1]
    steps = ring_steps(p, flow_kg_s, dt)
    part = dt / steps
    to_air = to_pond = 0.0
    for _ in range(steps):
        surroundings(y, p, w, house_c, around)
        for i in range(RING):
            heat[i] = 0.0
        ledger[L_DRAWN] += ring_step(y, p, flow_kg_s, around, heat, part)
        exchange_inside_pile(y, p, temp, shell_heat, heat, part)
        for i in range(LINE_CELLS):
            ledger[L_LINE_LOSS] += heat[RING_SUPPLY + i] + heat[RING_RETURN + i]
        for i in range(EMITTER_CELLS):
            to_air += heat[RING_EMITTER + i]
        to_pond += heat[RING_POND]
        y[Y_POND] += heat[RING_POND]
    return to_air, to_pond


@njit(inline="always")
def trapped_air_step(air_m3: float, p, flow_kg_s: float, dt: float) -> float:
    """Volume of air trapped at the high point after dt seconds. [m3]"""
    air_m3 += p[P_DEGASSING] * dt
    if flow_kg_s > PURGE_KG_S:
        air_m3 *= exp(-dt / 60.0)
    return air_m3
