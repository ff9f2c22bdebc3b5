"""A small insulated vessel with forced air, as composting laboratories use, run with the pile's own equations.

The pile's shells become the layers of an upright cylinder: the air of the fan enters under the lowest layer and
leaves the topmost one. No rain, sun, wind, buoyancy, coil or ground: where the soil stood there is the wall,
through which every layer loses heat to a room of steady temperature. What is rate and closure in `sim.pile` and
`sim.biology` stays as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from sim import layout as at
from sim.media import CP_WATER, saturated_ratio
from sim.pile import PORE_AIR_DENSITY, W_HUMIDITY, W_OUT_C, W_RH, W_SIZE, W_SKY_C, WORK_ROWS, pile_state, pile_step

Floats = NDArray[np.float64]

PRESSURE_PA = 101325.0
WALL_M2K_W = 1e3  # resistance put before every layer's wall area, so large that the layer's own falls out
ROOM_J_K = 1e12  # heat capacity of the room: its temperature stays
SHUT_M2K_W = 1e12  # resistance of a face through which nothing goes
LONGEST_STEP_S = 60.0


@dataclass(frozen=True, kw_only=True)
class Vessel:
    """What was put into a vessel and how it was kept; masses in kg, shares of 1."""

    wet_kg: float
    degradable_kg: float  # volatile solids that can rot, quick and slow together
    moisture: float  # water as a share of the wet mass
    air_kg_s: float  # dry air forced through, from below
    wall_w_k: float  # whole conductance of the wall
    specific_heat_j_kg_k: float  # of the wet mix
    room_c: float
    start_c: float
    air_rh: float = 0.5
    bulk_density_kg_m3: float = 400.0
    height_per_diameter: float = 1.0

    @property
    def dry_kg(self) -> float:
        """Dry solids."""
        return self.wet_kg * (1.0 - self.moisture)

    @property
    def solid_cp_j_kg_k(self) -> float:
        """Specific heat of the dry solids that gives the mix its own."""
        return (self.specific_heat_j_kg_k - self.moisture * CP_WATER) / (1.0 - self.moisture)


@dataclass(frozen=True, kw_only=True)
class Material:
    """How fast the degradable solids of a vessel rot, under the best conditions, and how many microbes there are."""

    quick_share: float  # of the degradable solids
    quick_rate_per_s: float
    slow_rate_per_s: float
    start_activity: float


@dataclass(frozen=True)
class VesselRun:
    """Temperatures of the layers at each time, bottom first, (times, SHELLS), and the solids degraded till then."""

    time_s: Floats
    layers_c: Floats
    degraded_kg: Floats

    @property
    def mean_c(self) -> Floats:
        """Mean over the layers, which hold equal masses. [degC]"""
        return self.layers_c.mean(axis=1)


def _layers(first: int) -> slice:
    return slice(first, first + at.SHELLS)


def vessel_parameters(vessel: Vessel, material: Material) -> Floats:
    """Parameter array of the pile for this vessel, (P_SIZE,); layer 0 is the topmost."""
    p = np.zeros(at.P_SIZE)
    volume = vessel.wet_kg / vessel.bulk_density_kg_m3
    diameter = (4.0 * volume / (pi * vessel.height_per_diameter)) ** (1.0 / 3.0)
    area, layer_m = pi / 4.0 * diameter**2, vessel.height_per_diameter * diameter / at.SHELLS
    p[_layers(at.P_SHELL_VOLUME)] = volume / at.SHELLS
    p[_layers(at.P_SHELL_SOLIDS)] = (vessel.dry_kg - vessel.degradable_kg) / at.SHELLS
    p[_layers(at.P_SHELL_CONDUCT)] = area / layer_m
    p[at.P_SHELL_CONDUCT + at.SHELLS - 1] = 0.0  # the floor lets through nothing but the air of the fan
    p[_layers(at.P_SHELL_BASE)] = vessel.wall_w_k * WALL_M2K_W / at.SHELLS
    p[_layers(at.P_TURN)] = 1.0 / at.SHELLS
    p[at.P_COLLECT] = 1.0
    p[at.P_BASE_R], p[at.P_COVER_R] = WALL_M2K_W, SHUT_M2K_W
    p[at.P_SURFACE_AREA] = p[at.P_SURFACE_HALF] = p[at.P_RADIUS] = p[at.P_BASE_AREA] = 1.0
    p[at.P_GROUND_CAPACITY], p[at.P_GROUND_C] = ROOM_J_K, vessel.room_c
    p[at.P_K_DRY], p[at.P_K_WET] = 0.15, 0.45  # as the pile's own
    p[at.P_FAST_RATE], p[at.P_SLOW_RATE] = material.quick_rate_per_s, material.slow_rate_per_s
    p[at.P_SOLID_CP], p[at.P_PRESSURE] = vessel.solid_cp_j_kg_k, PRESSURE_PA
    return p


def vessel_state(vessel: Vessel, material: Material) -> Floats:
    """State of the pile for a freshly filled vessel, (Y_SIZE,)."""
    y = np.zeros(at.Y_SIZE)
    water = vessel.wet_kg * vessel.moisture
    heat = vessel.wet_kg * vessel.specific_heat_j_kg_k * vessel.start_c
    volume = vessel.wet_kg / vessel.bulk_density_kg_m3
    quick = vessel.degradable_kg * material.quick_share
    for block, whole in (
        (at.Y_WATER, water),
        (at.Y_HEAT, heat),
        (at.Y_FAST, quick),
        (at.Y_SLOW, vessel.degradable_kg - quick),
        (at.Y_OXYGEN, 0.2314 * 0.5 * PORE_AIR_DENSITY * volume),
    ):
        y[_layers(block)] = whole / at.SHELLS
    y[_layers(at.Y_ACTIVE)] = material.start_activity
    y[at.Y_GROUND], y[at.Y_GROUND + 1] = ROOM_J_K * vessel.room_c, 3.0 * ROOM_J_K * vessel.room_c
    return y


def room(vessel: Vessel) -> Floats:
    """The row of weather that stands for the room, (W_SIZE,)."""
    w = np.zeros(W_SIZE)
    w[W_OUT_C] = w[W_SKY_C] = vessel.room_c
    w[W_RH] = vessel.air_rh
    w[W_HUMIDITY] = saturated_ratio(vessel.room_c, PRESSURE_PA) * vessel.air_rh
    return w


def run_vessel(vessel: Vessel, material: Material, hours: float, every_s: float = 900.0) -> VesselRun:
    """Run a vessel from its filling and note its layers every ``every_s`` seconds, the start included."""
    p, y, w = vessel_parameters(vessel, material), vessel_state(vessel, material), room(vessel)
    flags, ledger, work = np.zeros(at.G_SIZE), np.zeros(at.L_SIZE), np.zeros((WORK_ROWS, at.SHELLS))
    flags[at.G_STABLE_S] = 1.0
    times = np.arange(round(hours * 3600.0 / every_s) + 1) * every_s
    layers, degraded = np.empty((times.size, at.SHELLS)), np.zeros(times.size)
    for row in range(times.size):
        if row:
            _advance(y, p, w, vessel.air_kg_s, every_s, flags, ledger, work)
        pile_state(y, p, work[0], work[1], work[2], work[3])
        layers[row], degraded[row] = work[0][::-1], ledger[at.L_SOLIDS_USED]
    return VesselRun(times, layers, degraded)


def _advance(y: Floats, p: Floats, w: Floats, air_kg_s: float, span_s: float, flags: Floats, ledger: Floats, work: Floats) -> None:
    left = span_s
    while left > 1e-9:
        dt = min(left, LONGEST_STEP_S, flags[at.G_STABLE_S])
        pile_step(y, p, w, air_kg_s, dt, flags, ledger, work)
        left -= dt
