"""From a scenario to the flat arrays of the kernel: geometry, parameters, first state, sensor table."""

from __future__ import annotations

from math import log, pi
from typing import TYPE_CHECKING

import numpy as np
from fluids import friction_factor
from numpy.typing import NDArray
from scipy.optimize import brentq

from controller.signals import Measurements
from sim import layout as at
from sim.kernel import (
    C_DROPOUT,
    C_FALSE_VALUE,
    C_FITTED,
    C_GAIN,
    C_GAIN_NOISE,
    C_GLITCH,
    C_LAG_S,
    C_NOISE,
    C_OFFSET,
    C_PLACE,
    C_SIZE,
    C_STEP,
    S_CORE,
    S_EDGE,
    S_SIZE,
)
from sim.media import CP_DRY_AIR, CP_WATER, WATER_DENSITY, moist_enthalpy, saturated_ratio
from sim.pile import AIR_VISCOSITY, CO2_AMBIENT, GRAVITY, OXYGEN_AMBIENT, PORE_AIR_DENSITY, air_space, dome_radius_m
from sim.power import FAN_SIDE, PUMP_SIDE
from sim.scenario_tables import CHANNEL_KIND

if TYPE_CHECKING:
    from sim.scenario import Scenario

Floats = NDArray[np.float64]

SOLID_CP = 1300.0  # dry compost [J/kg K], mixture rule (1.2-1.5 kJ/kg K)
GROUND_CONDUCTIVITY = 1.2  # moist soil [W/m K] (handbook value, from memory)
GROUND_HEAT = 2.0e6  # moist soil [J/m3 K] (from memory)
UPPER_SOIL_M = 0.3
PIPE_FILM = 600.0  # water to pipe wall at about 1 gal/min [W/m2K] (own closure)
FITTINGS_LOSS = 12.0  # velocity heads lost in bends and valves (own closure)
PIPE_ROUGHNESS_M = 7e-6  # plastic pipe (handbook value, from memory)
EMITTER_KG, POND_KG, DRUM_TURNS_KG = 4.0, 3.0, 3.0
DUCT_PA_PER_M = 1.0  # at the fan's free flow (own closure)
SKIN_SHARE_MAX = 0.3  # the skin takes at most this share of its shell's material
CORE_RADIUS_SHARE = 0.6  # what counts as core, in the true core temperature and for the fan's core share
EVEN_S = 180.0  # shortest time in which two lumps may even out, three of the kernel's longest steps
PULSE_WINDOW_S = 10.0  # a pulse meter is read over about this long


def shell_radii_m(scenario: Scenario) -> Floats:
    """Boundaries of the shells, (SHELLS + 1,), from the drum outward, even in the square of the radius. [m]

    Even squares give every shell the same base area and thin shells outside, where gradients are steep.
    """
    drum = dome_radius_m(scenario.drum.volume)
    outer = dome_radius_m(scenario.pile.volume + scenario.drum.volume)
    return np.sqrt(np.linspace(drum**2, outer**2, at.SHELLS + 1))


def middle_radii_m(radii: Floats) -> Floats:
    """Radius that halves each shell's volume, (SHELLS,). [m]"""
    return np.cbrt(0.5 * (radii[:-1] ** 3 + radii[1:] ** 3))


def face_conductance_m(radii: Floats) -> Floats:
    """Conduction through each outer face per unit of conductivity, half-sphere shells in series, (SHELLS,). [m]

    The last one runs from the middle of the outermost shell to the surface.
    """
    middles = np.append(middle_radii_m(radii), radii[-1])
    return 2.0 * pi / (1.0 / middles[:-1] - 1.0 / middles[1:])


def pump_table_kg_s(scenario: Scenario) -> Floats:
    """Flow at even steps of relative pump speed 0..1.5, (PUMP_POINTS,). [kg/s]

    Pump head falls with the square of flow and scales by the affinity laws; pipe friction by `fluids`
    (Darcy friction factor, Clamond's solution of Colebrook).
    """
    speeds = np.linspace(0.0, 1.5, at.PUMP_POINTS)
    return WATER_DENSITY * np.array([_duty_point_m3_s(scenario, float(n)) for n in speeds])


def _duty_point_m3_s(scenario: Scenario, speed: float) -> float:
    pump, line = scenario.pump, scenario.line

    def spare_head_m(flow: float) -> float:
        head = pump.max_head * (speed**2 - (flow / pump.max_flow) ** 2)
        return float(head - line.static_head - _friction_m(scenario, flow))

    if speed <= 0.0 or spare_head_m(0.0) <= 0.0:
        return 0.0
    return float(brentq(spare_head_m, 0.0, speed * pump.max_flow))


def _friction_m(scenario: Scenario, flow_m3_s: float) -> float:
    """Head lost in coil and line at water of about 30 degC. [m]"""
    lost = 0.0
    for length, bore, bends in (
        (scenario.coil.length, scenario.coil.inner_diameter, 0.0),
        (2.0 * scenario.line.length, scenario.line.inner_diameter, FITTINGS_LOSS),
    ):
        speed = flow_m3_s / (pi / 4.0 * bore**2)
        reynolds = max(WATER_DENSITY * speed * bore / 8.0e-4, 1.0)
        factor = friction_factor(Re=reynolds, eD=PIPE_ROUGHNESS_M / bore)
        lost += (factor * length / bore + bends) * speed**2 / (2.0 * GRAVITY)
    return lost


def coil_ua_per_m(scenario: Scenario) -> float:
    """Conductance from the wet material at the pipe to the water in it, per metre. [W/m K]"""
    coil = scenario.coil
    wall = log(1.0 + 2.0 * coil.wall / coil.inner_diameter) / (2.0 * pi * coil.conductivity)
    film = 1.0 / (PIPE_FILM * pi * coil.inner_diameter)
    return 1.0 / (1.0 / coil.contact + wall + film)


def parameters(scenario: Scenario, ground_c: float, pressure_pa: float) -> Floats:
    """The kernel's parameter array, (P_SIZE,)."""
    p = np.zeros(at.P_SIZE)
    radii = shell_radii_m(scenario)
    _pile(p, scenario, radii, ground_c)
    _ring(p, scenario)
    _movers(p, scenario, radii)
    _house(p, scenario)
    _soften(p)
    p[at.P_PRESSURE] = pressure_pa
    for side, power in ((PUMP_SIDE, scenario.pump_power), (FAN_SIDE, scenario.fan_power)):
        p[at.P_BAT_CAPACITY + side] = power.battery
        p[at.P_BAT_R + side] = power.resistance
        p[at.P_BAT_LITHIUM + side] = power.kind == "lithium"
        p[at.P_BAT_OFF + side] = power.disconnect
        p[at.P_BAT_ON + side] = power.reconnect
        p[at.P_BAT_ABSORB + side] = power.absorption
        p[at.P_BAT_LATCH + side] = power.latch_below
        p[at.P_BAT_STANDBY + side] = power.standby
    return p


def _soften(p: Floats) -> None:
    """Weaken what would even out far within the minute's step: only extreme scenarios are touched, and hardly seen."""
    air_w_k = p[at.P_HOUSE_AIR_KG] * CP_DRY_AIR / EVEN_S
    for ua, most in (
        (_block(at.P_SKIN_UA, 1), p[at.P_SKIN_CAPACITY] / EVEN_S),
        (_block(at.P_RING_UA + at.RING_COIL, at.COIL_CELLS), 0.5 * p[at.P_SKIN_CAPACITY] / EVEN_S),
        (_block(at.P_DRUM_UA, 1), min(p[at.P_DRUM_CAPACITY], p[at.P_SHELL_VOLUME] * 1e6) / EVEN_S),
        (_block(at.P_RING_UA + at.RING_DRUM, 1), p[at.P_DRUM_CAPACITY] / EVEN_S),
        (_block(at.P_RING_UA + at.RING_POND, 1), p[at.P_POND_CAPACITY] / EVEN_S),
        (_block(at.P_POND_UA, 1), p[at.P_POND_CAPACITY] / EVEN_S),
        (_block(at.P_MASS_UA, 1), p[at.P_MASS_CAPACITY] / EVEN_S),
        (_block(at.P_PLANT, 1), 0.25 * p[at.P_HOUSE_AIR_KG] / EVEN_S),
        (_block(at.P_RING_UA + at.RING_EMITTER, at.EMITTER_CELLS), 0.5 * (air_w_k + p[at.P_COVER_A] * p[at.P_COVER_U])),
    ):
        p[ua] = np.minimum(p[ua], most)


def _block(first: int, size: int) -> slice:
    return slice(first, first + size)


def _pile(p: Floats, scenario: Scenario, radii: Floats, ground_c: float) -> None:
    pile, outer = scenario.pile, float(radii[-1])
    volume = 2.0 / 3.0 * pi * np.diff(radii**3)
    middle = middle_radii_m(radii)
    core = middle <= CORE_RADIUS_SHARE * outer
    core[0] = True
    skin_kg, skin_shell = _skin(scenario, radii, volume)
    dry = _dry_kg(scenario, radii)
    p[_block(at.P_SHELL_VOLUME, at.SHELLS)] = volume
    p[_block(at.P_SHELL_SOLIDS, at.SHELLS)] = dry * (1.0 - pile.fast_fraction - pile.slow_fraction)
    p[_block(at.P_SHELL_CONDUCT, at.SHELLS)] = face_conductance_m(radii)
    p[_block(at.P_SHELL_BASE, at.SHELLS)] = pi * np.diff(radii**2)
    p[_block(at.P_TURN, at.SHELLS)] = volume / volume.sum()
    p[_block(at.P_COLLECT, at.SHELLS)] = _collection(volume, core, scenario.fan.core_share)
    p[_block(at.P_CORE_SHARE, at.SHELLS)] = core
    p[_block(at.P_SKIN_SHELL, at.SKINS)] = skin_shell
    p[at.P_SKIN_CAPACITY] = skin_kg * ((1.0 - pile.moisture) * SOLID_CP + pile.moisture * CP_WATER)
    p[at.P_SKIN_UA] = scenario.coil.ua_skin / at.SKINS
    p[at.P_DRUM_CAPACITY] = scenario.drum.volume * WATER_DENSITY * CP_WATER
    p[at.P_DRUM_UA] = scenario.drum.ua_pile
    p[at.P_SURFACE_AREA] = 2.0 * pi * outer**2
    p[at.P_SURFACE_HALF] = p[at.P_SHELL_CONDUCT + at.SHELLS - 1]
    p[at.P_RADIUS] = outer
    p[at.P_BASE_AREA] = p[at.P_RAIN_AREA] = pi * outer**2
    p[at.P_COVER_R], p[at.P_BASE_R] = pile.cover_resistance, pile.base_resistance
    p[at.P_K_DRY], p[at.P_K_WET] = pile.conductivity_dry, pile.conductivity_wet
    p[at.P_PERMEABILITY], p[at.P_RAIN_SHED] = pile.permeability, pile.rain_shed
    p[at.P_FAST_RATE], p[at.P_SLOW_RATE] = pile.fast_rate, pile.slow_rate
    p[at.P_SOLID_CP] = SOLID_CP
    p[at.P_GROUND_C] = ground_c
    p[at.P_GROUND_CAPACITY] = p[at.P_BASE_AREA] * UPPER_SOIL_M * GROUND_HEAT
    p[at.P_GROUND_G] = GROUND_CONDUCTIVITY * p[at.P_BASE_AREA] / (2.0 * UPPER_SOIL_M)


def _dry_kg(scenario: Scenario, radii: Floats) -> Floats:
    """Dry mass of each shell without the skin in it, (SHELLS,)."""
    volume = 2.0 / 3.0 * pi * np.diff(radii**3)
    wet_kg = volume * scenario.pile.bulk_density
    skin_kg, skin_shell = _skin(scenario, radii, volume)
    for shell in skin_shell:
        wet_kg[shell] -= skin_kg
    return wet_kg * (1.0 - scenario.pile.moisture)


def _skin(scenario: Scenario, radii: Floats, volume: Floats) -> tuple[float, list[int]]:
    """Mass of one skin lump, and the shell that each lies in, outermost first as the water meets them."""
    reach = scenario.pile.coil_span * float(radii[-1])
    inside = max(int(np.count_nonzero(middle_radii_m(radii) <= reach)), 1)
    shells = [min(inside - 1, (at.SKINS - 1 - k) * inside // at.SKINS) for k in range(at.SKINS)]
    crowd = max(shells.count(s) for s in shells)
    most = SKIN_SHARE_MAX * float(volume[shells].min()) * scenario.pile.bulk_density / crowd
    return min(scenario.coil.skin_mass / at.SKINS, most), shells


def _collection(volume: Floats, core: Floats, core_share: float) -> Floats:
    """Share of the fan's air drawn off in each shell: the core's part by volume, the rest in the outer two."""
    share = np.where(core, volume, 0.0) / volume[core].sum() * core_share
    share[-2:] += (1.0 - core_share) * volume[-2:] / volume[-2:].sum()
    return share


def _ring(p: Floats, scenario: Scenario) -> None:
    coil, line = scenario.coil, scenario.line
    coil_kg = coil.length * pi / 4.0 * coil.inner_diameter**2 * WATER_DENSITY
    line_kg = line.length * pi / 4.0 * line.inner_diameter**2 * WATER_DENSITY
    line_ua = line.loss * line.length / at.LINE_CELLS
    for first, size, kg, ua in (
        (at.RING_COIL, at.COIL_CELLS, coil_kg / at.COIL_CELLS, coil_ua_per_m(scenario) * coil.length / at.COIL_CELLS),
        (at.RING_DRUM, 1, DRUM_TURNS_KG, scenario.drum.ua_coil),
        (at.RING_SUPPLY, at.LINE_CELLS, line_kg / at.LINE_CELLS, line_ua),
        (at.RING_EMITTER, at.EMITTER_CELLS, EMITTER_KG, scenario.greenhouse.emitter_ua / at.EMITTER_CELLS),
        (at.RING_POND, 1, POND_KG, scenario.pond.exchanger_ua),
        (at.RING_RETURN, at.LINE_CELLS, line_kg / at.LINE_CELLS, line_ua),
    ):
        p[_block(at.P_RING_MASS + first, size)] = kg
        p[_block(at.P_RING_UA + first, size)] = ua
    p[at.P_BURIAL], p[at.P_DEGASSING] = line.burial, line.degassing


def _movers(p: Floats, scenario: Scenario, radii: Floats) -> None:
    pump, fan = scenario.pump, scenario.fan
    p[_block(at.P_PUMP_TABLE, at.PUMP_POINTS)] = pump_table_kg_s(scenario)
    p[at.P_PUMP_START], p[at.P_PUMP_RUN], p[at.P_PUMP_W] = pump.start_duty, pump.run_duty, pump.power
    p[at.P_FAN_START], p[at.P_FAN_RUN], p[at.P_FAN_W] = fan.start_duty, fan.run_duty, fan.power
    p[at.P_FAN_Q0], p[at.P_FAN_P0], p[at.P_FAN_HZ] = fan.max_flow, fan.max_pressure, fan.max_speed
    # Darcy: half the radius to cross, over the dome's surface
    p[at.P_FAN_R1] = AIR_VISCOSITY * 0.5 * radii[-1] / (scenario.pile.permeability * 2.0 * pi * radii[-1] ** 2)
    p[at.P_FAN_R2] = DUCT_PA_PER_M * fan.duct_length / fan.max_flow**2
    p[at.P_DUCT_LEAK], p[at.P_DUCT_UA] = fan.duct_leak, fan.duct_loss


def _house(p: Floats, scenario: Scenario) -> None:
    house, pond = scenario.greenhouse, scenario.pond
    p[at.P_HOUSE_AIR_KG] = 1.2 * house.volume
    p[at.P_COVER_A], p[at.P_COVER_U], p[at.P_FLOOR_A] = house.cover_area, house.cover_u, house.floor_area
    p[at.P_TRANSMIT] = house.transmittance
    p[at.P_INFILTRATION], p[at.P_WIND_INFILTRATION] = house.infiltration, house.wind_infiltration
    p[at.P_HOUSE_MIN], p[at.P_HOUSE_MAX], p[at.P_BACKUP_ON] = house.minimum, house.ceiling, house.backup
    p[at.P_MASS_CAPACITY], p[at.P_MASS_UA], p[at.P_PLANT] = house.mass_capacity, house.mass_ua, house.plant_conductance
    p[at.P_VENT_MAX] = house.vent_max
    p[at.P_POND_CAPACITY], p[at.P_POND_UA] = pond.volume * WATER_DENSITY * CP_WATER, pond.surface_ua


def first_state(scenario: Scenario, p: Floats) -> Floats:
    """State at the start, (Y_SIZE,): everything at its stated temperature, pores full of fresh air."""
    y = np.zeros(at.Y_SIZE)
    pile = scenario.pile
    dry = _dry_kg(scenario, shell_radii_m(scenario))
    water = dry * pile.moisture / (1.0 - pile.moisture)
    y[_block(at.Y_WATER, at.SHELLS)] = water
    y[_block(at.Y_FAST, at.SHELLS)], y[_block(at.Y_SLOW, at.SHELLS)] = (
        dry * pile.fast_fraction,
        dry * pile.slow_fraction,
    )
    y[_block(at.Y_ACTIVE, at.SHELLS)] = pile.start_activity
    y[_block(at.Y_HEAT, at.SHELLS)] = (dry * SOLID_CP + water * CP_WATER) * pile.initial_temperature
    volume = p[_block(at.P_SHELL_VOLUME, at.SHELLS)]
    space = np.array([air_space(*shell) for shell in zip(dry, water, volume, strict=True)])
    y[_block(at.Y_OXYGEN, at.SHELLS)] = OXYGEN_AMBIENT * space * PORE_AIR_DENSITY * volume
    y[at.Y_GROUND] = p[at.P_GROUND_CAPACITY] * p[at.P_GROUND_C]
    y[at.Y_GROUND + 1] = 3.0 * p[at.P_GROUND_CAPACITY] * p[at.P_GROUND_C]
    y[_block(at.Y_SKIN, at.SKINS)] = p[at.P_SKIN_CAPACITY] * pile.initial_temperature
    y[_block(at.Y_RING, at.RING)] = CP_WATER * pile.initial_temperature
    y[at.Y_DRUM] = p[at.P_DRUM_CAPACITY] * pile.initial_temperature
    house_c = scenario.greenhouse.initial_temperature
    ratio = 0.8 * saturated_ratio(house_c, p[at.P_PRESSURE])
    y[at.Y_AIR] = p[at.P_HOUSE_AIR_KG] * moist_enthalpy(house_c, ratio)
    y[at.Y_VAPOUR] = p[at.P_HOUSE_AIR_KG] * ratio
    y[at.Y_MASS] = p[at.P_MASS_CAPACITY] * house_c
    y[at.Y_POND] = p[at.P_POND_CAPACITY] * scenario.pond.initial_temperature
    y[at.Y_CO2] = CO2_AMBIENT
    for side, power in ((PUMP_SIDE, scenario.pump_power), (FAN_SIDE, scenario.fan_power)):
        y[at.Y_CHARGE + side] = power.initial_charge * power.battery
    return y


def first_flags(scenario: Scenario) -> Floats:
    """Regimes at the start, (G_SIZE,): loads connected, motors at rest."""
    flags = np.zeros(at.G_SIZE)
    flags[at.G_LOAD_ON_PUMP] = flags[at.G_LOAD_ON_FAN] = 1.0
    flags[at.G_VOLTS_PUMP] = flags[at.G_VOLTS_FAN] = 12.5
    flags[at.G_STABLE_S] = 10.0
    flags[at.G_CORE_C] = scenario.pile.initial_temperature
    flags[at.G_DUCT_C] = scenario.greenhouse.initial_temperature
    return flags


def sensor_table(scenario: Scenario, rng: np.random.Generator) -> Floats:
    """How each sensor errs, (S_SIZE, C_SIZE); fixed errors are drawn from ``rng`` if the scenario says so."""
    table = np.zeros((S_SIZE, C_SIZE))
    sensors = scenario.sensors
    for row, name in enumerate(CHANNEL_KIND_ORDER):
        channel, kind = sensors.channel(name), CHANNEL_KIND[name]
        error = channel.offset * (rng.standard_normal() if sensors.seed_offset else 1.0)
        relative = kind in ("flow", "gas", "tach")
        table[row, C_FITTED] = name in sensors.fitted
        table[row, C_LAG_S] = channel.lag
        table[row, C_GAIN] = 1.0 + error if relative else 1.0
        table[row, C_OFFSET] = 0.0 if relative else error
        table[row, C_GAIN_NOISE if kind in ("flow", "gas") else C_NOISE] = channel.noise
        table[row, C_STEP] = channel.step / PULSE_WINDOW_S if kind == "flow" else channel.step
        table[row, C_DROPOUT], table[row, C_GLITCH] = channel.dropout, channel.glitch
        table[row, C_FALSE_VALUE] = channel.false_value
    middles = middle_radii_m(shell_radii_m(scenario))
    places = np.arange(at.SHELLS, dtype=float)
    outer = shell_radii_m(scenario)[-1]
    for row, depth in ((S_CORE, sensors.pile_temperature.core_depth), (S_EDGE, sensors.pile_temperature.edge_depth)):
        table[row, C_PLACE] = np.interp(depth * outer, middles, places)
    return table


# the kernel's sensor rows (`S_CORE` ...) stand in the order of the fields of `Measurements`
CHANNEL_KIND_ORDER = tuple(name for name in Measurements.__slots__ if name != "time_s")
