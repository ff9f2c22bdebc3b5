"""The pile: concentric shells of a dome on the ground, with moist air moving through them, compiled.

Every shell holds enthalpy, water, pore oxygen, two kinds of degradable solids and active biomass. Air drawn in
by buoyancy or by the fan goes inward shell by shell, takes on each shell's temperature and humidity, and
leaves by the core pipe (fan) or outward through the same shells (buoyancy), where it condenses.

``pile_fluxes`` gives the rates; ``pile_step`` takes one step with them, oxygen implicitly, and books every flux.
The same fluxes serve the right-hand side that a general solver can integrate (`sim.rhs`).
"""

from __future__ import annotations

from math import exp, pi, sqrt

from sim.biology import (
    HEAT_PER_OXYGEN,
    OXYGEN_HALF,
    OXYGEN_PER_SOLID,
    WATER_PER_SOLID,
    activity_rate,
    air_space_factor,
    fast_factor,
    moisture_factor,
    slow_factor,
)
from sim.compiled import njit
from sim.layout import *  # noqa: F403  indices only
from sim.media import (
    CP_DRY_AIR,
    CP_VAPOUR,
    CP_WATER,
    LATENT_0,
    humidity_ratio,
    moist_enthalpy,
    saturation_pa,
    wet_temperature,
)

OXYGEN_AMBIENT = 0.2314  # mass fraction in dry air
OXYGEN_MOLE_PER_MASS = 28.97 / 31.998  # mole fraction per mass fraction
CO2_AMBIENT = 4.2e-4
PORE_AIR_DENSITY = 1.0  # [kg/m3] warm, moist; fixed so that pore oxygen is simply mass
OXYGEN_DIFFUSIVITY = 2.0e-5  # in air [m2/s], handbook value near 20 degC (from memory)
PARTICLE_DENSITY = 1064.0  # solids [kg/m3]: 1/G = 0.9/1.0 + 0.1/2.5, Haug 1993 (from memory)
WATER_PER_LITRE = 1.0e-3
FIELD_CAPACITY = 2.6  # water a shell can hold against gravity [kg/kg dry], about 72 % moisture
DRAIN_S = 3600.0
FRESH_OPENNESS = 15.0  # added permeability of fresh material per share of quick solids (own closure)
WICKING_M2_S = 5.0e-8  # capillary return and dripping of condensate, as a diffusivity of water (own closure)
DIRECT_SHARE = 0.2  # of the air that reaches a shell from below, past the shells around it (own closure)
SURFACE_ABSORPTIVITY = 0.8
SURFACE_EMISSIVITY = 0.9
STEFAN_BOLTZMANN = 5.67e-8
AIR_VISCOSITY = 1.9e-5
FASTEST_AIR_M_S = 0.05  # Darcy flow is measured up to here (Richard et al. 2004, Biotechnol. Prog. 20, abstract read)
GRAVITY = 9.81

# --- what the outside does, one row of weather
(W_OUT_C, W_RH, W_WIND, W_GHI, W_SKY_C, W_RAIN, W_PANEL_PUMP, W_PANEL_FAN, W_HUMIDITY) = range(9)
W_SIZE = 9


@njit(inline="always")
def solids_kg(y, p, i):
    """Dry solids of shell i. [kg]"""
    return p[P_SHELL_SOLIDS + i] + y[Y_FAST + i] + y[Y_SLOW + i]


@njit(inline="always")
def air_space(dry_kg, water_kg, volume_m3):
    """Share of the volume that is neither solid nor water."""
    return min(max(1.0 - (dry_kg / PARTICLE_DENSITY + WATER_PER_LITRE * water_kg) / volume_m3, 0.02), 0.95)


@njit()
def pile_state(y, p, temp, ratio, space, conduct):
    """Fill temperature, humidity ratio of pore air, free air space and conductivity of every shell."""
    for i in range(SHELLS):
        dry, water = solids_kg(y, p, i), max(y[Y_WATER + i], 1e-6)
        temp[i] = wet_temperature(y[Y_HEAT + i], dry * p[P_SOLID_CP] + water * CP_WATER, water)
        # Dry material gives up its last water unwillingly; wet material behaves as open water (own closure).
        activity = 1.0 - exp(-10.0 * water / dry)
        ratio[i] = humidity_ratio(activity * saturation_pa(temp[i]), p[P_PRESSURE])
        space[i] = air_space(dry, water, p[P_SHELL_VOLUME + i])
        conduct[i] = p[P_K_DRY] + p[P_K_WET] * WATER_PER_LITRE * water / p[P_SHELL_VOLUME + i]


@njit()
def buoyant_air_kg_s(y, temp, space, out_c, wind, p):
    """Dry air that warmth and wind move through the pile. [kg/s]

    Darcy flow under the weight difference of pile and outdoor air over the base area; permeability falls with
    the cube of the free air space (Kozeny-Carman's leading term) and as the quick part rots and the heap settles.
    Wind adds a quarter of its dynamic pressure.
    """
    mean_c = mean_space = quick = 0.0
    for i in range(SHELLS):
        quick += y[Y_FAST + i] / solids_kg(y, p, i) * p[P_TURN + i]
        mean_c += temp[i] * p[P_TURN + i]
        mean_space += space[i] * p[P_TURN + i]
    permeability = p[P_PERMEABILITY] * (mean_space / 0.45) ** 3 * (1.0 + FRESH_OPENNESS * quick)
    lift = max(mean_c - out_c, 0.0) / (mean_c + 273.15) * 1.2 * GRAVITY  # pressure gradient [Pa/m]
    push = 0.25 * 0.6 * wind * wind / p[P_RADIUS]
    speed_m_s = min(permeability / AIR_VISCOSITY * (lift + push), FASTEST_AIR_M_S)
    return speed_m_s * p[P_BASE_AREA] * 1.1


@njit(inline="always")
def surface_exchange(w, p, conductivity):
    """Conductance from the outer shell's middle to outdoors, and the temperature it sees. ([W/K], [degC])"""
    film = 5.7 + 3.8 * w[W_WIND]  # wind film, classic flat-plate fit (McAdams; from memory)
    radiative = 4.0 * SURFACE_EMISSIVITY * STEFAN_BOLTZMANN * (0.5 * (w[W_OUT_C] + w[W_SKY_C]) + 273.15) ** 3
    outside = film + radiative
    sol_air = (
        film * w[W_OUT_C] + radiative * w[W_SKY_C] + 0.5 * SURFACE_ABSORPTIVITY * w[W_GHI]
    ) / outside  # a dome's surface is twice its shadow
    resistance = 1.0 / (conductivity * p[P_SURFACE_HALF]) + (p[P_COVER_R] + 1.0 / outside) / p[P_SURFACE_AREA]
    return 1.0 / resistance, sol_air, outside


@njit()
def pile_fluxes(y, p, w, temp, ratio, space, conduct, fan_kg_s, flow_in, flow_out, direct, d_heat, d_water, book):
    """Rates of change of shell enthalpy and water from everything but biology, drainage and the coil.

    ``flow_in[i]`` and ``flow_out[i]`` receive the dry air crossing shell i's outer face inward and outward,
    ``direct[i]`` what reaches it straight from outdoors, ``book`` the fluxes across the pile's boundary (``B_*``).
    """
    buoyant = buoyant_air_kg_s(y, temp, space, w[W_OUT_C], w[W_WIND], p)
    inward = outward = 0.0
    outdoor_h = moist_enthalpy(w[W_OUT_C], w[W_HUMIDITY])
    for i in range(SHELLS):
        turn, drawn = buoyant * p[P_TURN + i], fan_kg_s * p[P_COLLECT + i]
        direct[i] = DIRECT_SHARE * (turn + drawn)
        inward += turn + drawn - direct[i]
        outward += turn
        flow_in[i], flow_out[i] = inward, outward
        d_heat[i] = direct[i] * outdoor_h - drawn * moist_enthalpy(temp[i], ratio[i])
        d_water[i] = direct[i] * w[W_HUMIDITY] - drawn * ratio[i]
    for i in range(SHELLS - 1):
        h, h_out = moist_enthalpy(temp[i], ratio[i]), moist_enthalpy(temp[i + 1], ratio[i + 1])
        k = 2.0 * conduct[i] * conduct[i + 1] / (conduct[i] + conduct[i + 1])
        heat = k * p[P_SHELL_CONDUCT + i] * (temp[i] - temp[i + 1]) + flow_out[i] * h - flow_in[i] * h_out
        water = flow_out[i] * ratio[i] - flow_in[i] * ratio[i + 1]
        wicked = wicking_kg_s(y, p, i)
        water += wicked
        heat += wicked * CP_WATER * (temp[i] if wicked > 0.0 else temp[i + 1])
        d_heat[i] -= heat
        d_heat[i + 1] += heat
        d_water[i] -= water
        d_water[i + 1] += water
    _boundary_fluxes(y, p, w, temp, ratio, conduct, flow_in, flow_out, direct, d_heat, d_water, book)


@njit(inline="always")
def wicking_kg_s(y, p, i):
    """Liquid water that moves from shell i to the one around it, down the difference of water per volume. [kg/s]"""
    inner = y[Y_WATER + i] / p[P_SHELL_VOLUME + i]
    outer = y[Y_WATER + i + 1] / p[P_SHELL_VOLUME + i + 1]
    return WICKING_M2_S * p[P_SHELL_CONDUCT + i] * (inner - outer)


B_SURFACE, B_DEEP, B_AIR_IN, B_AIR_OUT, B_RAIN, B_RAIN_KG, B_W_IN, B_W_OUT, B_GROUND, B_SURFACE_C = range(10)
B_SIZE = 10  # not more than SHELLS: it shares the scratch rows
WORK_ROWS = 16


@njit()
def _boundary_fluxes(y, p, w, temp, ratio, conduct, flow_in, flow_out, direct, d_heat, d_water, book):
    last = SHELLS - 1
    exchange, sol_air, film = surface_exchange(w, p, conduct[last])
    book[B_SURFACE] = exchange * (temp[last] - sol_air)
    book[B_SURFACE_C] = sol_air + book[B_SURFACE] / (film * p[P_SURFACE_AREA])
    through = flow_in[last] * moist_enthalpy(w[W_OUT_C], w[W_HUMIDITY])
    entering = flow_in[last]
    for i in range(SHELLS):
        entering += direct[i]
    book[B_AIR_IN] = entering * moist_enthalpy(w[W_OUT_C], w[W_HUMIDITY])
    book[B_AIR_OUT] = flow_out[last] * moist_enthalpy(temp[last], ratio[last])
    book[B_W_IN] = entering * w[W_HUMIDITY]
    book[B_W_OUT] = flow_out[last] * ratio[last]
    book[B_RAIN_KG] = w[W_RAIN] * 1000.0 * p[P_RAIN_AREA] * (1.0 - p[P_RAIN_SHED])
    book[B_RAIN] = book[B_RAIN_KG] * CP_WATER * max(w[W_OUT_C], 0.0)
    d_heat[last] += through - book[B_AIR_OUT] + book[B_RAIN] - book[B_SURFACE]
    d_water[last] += flow_in[last] * w[W_HUMIDITY] - book[B_W_OUT] + book[B_RAIN_KG]
    soil_c = y[Y_GROUND] / p[P_GROUND_CAPACITY]
    into_soil = 0.0
    for i in range(SHELLS):
        g = p[P_SHELL_BASE + i] / (p[P_BASE_R] + 0.25 / conduct[i])  # from a quarter metre up, own closure
        heat = g * (temp[i] - soil_c)
        d_heat[i] -= heat
        into_soil += heat
    deeper_c = y[Y_GROUND + 1] / (3.0 * p[P_GROUND_CAPACITY])
    between = p[P_GROUND_G] * (soil_c - deeper_c)
    book[B_DEEP] = 0.4 * p[P_GROUND_G] * (deeper_c - p[P_GROUND_C])
    book[B_GROUND] = into_soil - between


@njit(inline="always")
def soil_between(y, p):
    """Heat from the upper to the lower soil layer. [W]"""
    return p[P_GROUND_G] * (y[Y_GROUND] / p[P_GROUND_CAPACITY] - y[Y_GROUND + 1] / (3.0 * p[P_GROUND_CAPACITY]))


@njit(inline="always")
def wetness_factor(y, p, i, space):
    """Rate factors of moisture and air space of shell i, multiplied, 0..1."""
    water = max(y[Y_WATER + i], 0.0)
    return moisture_factor(water / (water + solids_kg(y, p, i))) * air_space_factor(space)


@njit()
def decay_potential(y, p, temp, space, fast, slow):
    """Fill the rates at which each shell would lose quick and slow solids, had it plenty of oxygen. [kg/s]"""
    for i in range(SHELLS):
        common = wetness_factor(y, p, i, space[i]) * y[Y_ACTIVE + i]
        fast[i] = p[P_FAST_RATE] * y[Y_FAST + i] * common * fast_factor(temp[i])
        slow[i] = p[P_SLOW_RATE] * y[Y_SLOW + i] * common * slow_factor(temp[i])


@njit(inline="always")
def oxygen_diffusion(p, i, space_in, space_out):
    """Air-equivalent conductance of oxygen across shell i's outer face. [kg air/s]"""
    space = 0.5 * (space_in + space_out)
    return OXYGEN_DIFFUSIVITY * PORE_AIR_DENSITY * space * sqrt(space) * p[P_SHELL_CONDUCT + i]


@njit()
def oxygen_step(y, p, space, fast, slow, flow_in, flow_out, direct, fan_kg_s, dt, upper, right, sink, used, ledger):
    """One implicit step of pore oxygen; fills what each shell used [kg].

    Upwind advection both ways, diffusion, and Monod use linearised in the new value make a tridiagonal system
    that is positive for any step (M-matrix), solved by elimination.
    """
    for i in range(SHELLS):
        air = max(p[P_SHELL_VOLUME + i] * space[i] * PORE_AIR_DENSITY, 1e-6)
        now = max(y[Y_OXYGEN + i], 0.0) / air
        demand = OXYGEN_PER_SOLID * (fast[i] + slow[i])
        sink[i] = demand * OXYGEN_MOLE_PER_MASS / (OXYGEN_HALF + now * OXYGEN_MOLE_PER_MASS)
        out_face = oxygen_diffusion(p, i, space[i], space[min(i + 1, SHELLS - 1)])
        in_face = oxygen_diffusion(p, i - 1, space[i - 1], space[i]) if i > 0 else 0.0
        from_inside = (flow_out[i - 1] if i > 0 else 0.0) + in_face
        from_outside = flow_in[i] + out_face
        leaving = flow_out[i] + (flow_in[i - 1] if i > 0 else 0.0) + fan_kg_s * p[P_COLLECT + i] + out_face + in_face
        diagonal = air / dt + leaving + sink[i]
        right[i] = y[Y_OXYGEN + i] / dt + direct[i] * OXYGEN_AMBIENT
        if i == SHELLS - 1:
            right[i] += from_outside * OXYGEN_AMBIENT
        if i > 0:
            diagonal -= from_inside * upper[i - 1]
            right[i] += from_inside * right[i - 1]
        upper[i] = from_outside / diagonal if i < SHELLS - 1 else 0.0
        right[i] /= diagonal
    _oxygen_back(y, p, space, right, upper, sink, flow_in, flow_out, direct, fan_kg_s, dt, used, ledger)


@njit()
def _oxygen_back(y, p, space, right, upper, sink, flow_in, flow_out, direct, fan_kg_s, dt, used, ledger):
    last = SHELLS - 1
    for i in range(last, -1, -1):
        if i < last:
            right[i] += upper[i] * right[i + 1]
        air = max(p[P_SHELL_VOLUME + i] * space[i] * PORE_AIR_DENSITY, 1e-6)
        y[Y_OXYGEN + i] = right[i] * air
        used[i] = sink[i] * right[i] * dt
        ledger[L_OXYGEN_USED] += used[i]
        ledger[L_OXYGEN_IN] += direct[i] * OXYGEN_AMBIENT * dt
        ledger[L_OXYGEN_OUT] += fan_kg_s * p[P_COLLECT + i] * right[i] * dt
    skin = oxygen_diffusion(p, last, space[last], space[last])
    ledger[L_OXYGEN_IN] += (flow_in[last] + skin) * OXYGEN_AMBIENT * dt
    ledger[L_OXYGEN_OUT] += (flow_out[last] + skin) * right[last] * dt


@njit(inline="always")
def pore_oxygen(y, p, i, space):
    """Mole fraction of oxygen in the pores of shell i."""
    air = max(p[P_SHELL_VOLUME + i] * space * PORE_AIR_DENSITY, 1e-6)
    return y[Y_OXYGEN + i] / air * OXYGEN_MOLE_PER_MASS


@njit()
def digest(y, p, temp, fast, slow, used, dt, ledger):
    """Turn the oxygen used into heat, water and lost solids, and let the microbes grow; returns heat made [J]."""
    made = 0.0
    for i in range(SHELLS):
        potential = fast[i] + slow[i]
        share = fast[i] / potential if potential > 0.0 else 0.0
        lost = used[i] / OXYGEN_PER_SOLID
        y[Y_FAST + i] -= lost * share
        y[Y_SLOW + i] -= lost * (1.0 - share)
        y[Y_WATER + i] += lost * WATER_PER_SOLID
        heat = lost * OXYGEN_PER_SOLID * HEAT_PER_OXYGEN
        sensible = lost * temp[i] * (WATER_PER_SOLID * CP_WATER - p[P_SOLID_CP])
        y[Y_HEAT + i] += heat + sensible
        made += heat
        ledger[L_BIO_SENSIBLE] += sensible
        ledger[L_WATER_BIO] += lost * WATER_PER_SOLID
        ledger[L_SOLIDS_USED] += lost
        y[Y_ACTIVE + i] += dt * activity_rate(y[Y_ACTIVE + i], fast_factor(temp[i]), temp[i])
    ledger[L_MADE] += made
    return made


@njit(inline="always")
def drain_rate(y, p, i):
    """Water above field capacity that runs out of shell i. [kg/s]"""
    return max(y[Y_WATER + i] - FIELD_CAPACITY * solids_kg(y, p, i), 0.0) / DRAIN_S


@njit()
def drain(y, p, temp, dt, ledger):
    """Let water above field capacity run to the ground, at the shell's temperature."""
    for i in range(SHELLS):
        water = drain_rate(y, p, i) * dt
        if water > 0.0:
            heat = water * CP_WATER * max(temp[i], 0.0)
            y[Y_WATER + i] -= water
            y[Y_HEAT + i] -= heat
            ledger[L_WATER_LEACH] += water
            ledger[L_LEACH] += heat


@njit()
def collected_air(y, p, temp, ratio, space):
    """State of the air that the fan draws off: mixed temperature-equivalent, ratio, CO2 mole fraction."""
    enthalpy = water = co2 = 0.0
    for i in range(SHELLS):
        share = p[P_COLLECT + i]
        if share > 0.0:
            enthalpy += share * moist_enthalpy(temp[i], ratio[i])
            water += share * ratio[i]
            # one mole of CO2 for one of oxygen (respiratory quotient 1)
            co2 += share * max(OXYGEN_AMBIENT * OXYGEN_MOLE_PER_MASS - pore_oxygen(y, p, i, space[i]), 0.0)
    return (enthalpy - water * LATENT_0) / (CP_DRY_AIR + water * CP_VAPOUR), water, co2 + CO2_AMBIENT


@njit()
def stable_step_s(p, y, ratio, conduct, flow_in, flow_out):
    """Explicit step that stays under a quarter of the fastest shell's own time constant. [s], 0.05..60"""
    fastest = 1e-9
    for i in range(SHELLS):
        capacity = solids_kg(y, p, i) * p[P_SOLID_CP] + y[Y_WATER + i] * CP_WATER
        slope = CP_DRY_AIR + 2.5e6 * 0.055 * ratio[i] * (1.0 + 2.0 * ratio[i])  # of saturated enthalpy, near enough
        g = conduct[i] * (p[P_SHELL_CONDUCT + i] + (p[P_SHELL_CONDUCT + i - 1] if i > 0 else 0.0))
        g += (flow_in[i] + flow_out[i]) * slope
        fastest = max(fastest, g / capacity)
    return min(max(0.25 / fastest, 0.05), 60.0)


@njit()
def pile_step(y, p, w, fan_kg_s, dt, flags, ledger, work):
    """Advance the pile by dt seconds.

    ``work`` is scratch space (WORK_ROWS, SHELLS): row 0 is left with the shell temperatures at the start of
    the step. The state of the air drawn off by the fan is left in the flags.
    """
    temp, ratio, space, conduct = work[0], work[1], work[2], work[3]
    flow_in, flow_out, d_heat, d_water = work[4], work[5], work[6], work[7]
    fast, slow, used, book, direct = work[8], work[14], work[12], work[13], work[15]
    pile_state(y, p, temp, ratio, space, conduct)
    pile_fluxes(y, p, w, temp, ratio, space, conduct, fan_kg_s, flow_in, flow_out, direct, d_heat, d_water, book)
    flags[G_DRAWN_C], flags[G_DRAWN_W], flags[G_DRAWN_CO2] = collected_air(y, p, temp, ratio, space)
    _book_air(p, w, temp, ratio, fan_kg_s, dt, book, ledger)
    between = soil_between(y, p)
    y[Y_GROUND] += dt * book[B_GROUND]
    y[Y_GROUND + 1] += dt * (between - book[B_DEEP])
    decay_potential(y, p, temp, space, fast, slow)
    oxygen_step(
        y, p, space, fast, slow, flow_in, flow_out, direct, fan_kg_s, dt, work[9], work[10], work[11], used, ledger
    )
    for i in range(SHELLS):
        y[Y_HEAT + i] += dt * d_heat[i]
        y[Y_WATER + i] += dt * d_water[i]
    made = digest(y, p, temp, fast, slow, used, dt, ledger)
    drain(y, p, temp, dt, ledger)
    flags[G_MADE_W] = made / dt
    flags[G_SURFACE_C] = book[B_SURFACE_C]
    flags[G_STABLE_S] = stable_step_s(p, y, ratio, conduct, flow_in, flow_out)


@njit()
def _book_air(p, w, temp, ratio, fan_kg_s, dt, book, ledger):
    left = water = 0.0
    for i in range(SHELLS):
        left += fan_kg_s * p[P_COLLECT + i] * moist_enthalpy(temp[i], ratio[i])
        water += fan_kg_s * p[P_COLLECT + i] * ratio[i]
    ledger[L_FAN_OUT] += dt * left
    ledger[L_WATER_FAN] += dt * water
    ledger[L_DRAWN] += dt * (left - fan_kg_s * moist_enthalpy(w[W_OUT_C], w[W_HUMIDITY]))
    ledger[L_SURFACE] += dt * book[B_SURFACE]
    ledger[L_DEEP] += dt * book[B_DEEP]
    ledger[L_AIR_IN] += dt * book[B_AIR_IN]
    ledger[L_AIR_OUT] += dt * book[B_AIR_OUT]
    ledger[L_RAIN] += dt * book[B_RAIN]
    ledger[L_WATER_RAIN] += dt * book[B_RAIN_KG]
    ledger[L_WATER_AIR_IN] += dt * book[B_W_IN]
    ledger[L_WATER_AIR_OUT] += dt * book[B_W_OUT]


def dome_radius_m(volume_m3: float) -> float:
    """Radius of the half sphere that holds ``volume_m3``. [m]"""
    return (1.5 * volume_m3 / pi) ** (1.0 / 3.0)
