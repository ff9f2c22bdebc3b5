"""A small insulated vessel with forced air, as composting laboratories use, run with the pile's own equations.

The pile's shells become the layers of an upright cylinder: the air of the fan enters under the lowest layer and
leaves the topmost one. No rain, sun, wind, buoyancy, coil or ground: where the soil stood there is the wall,
through which every layer loses heat to a room of steady temperature. What is rate and closure in `sim.pile` and
`sim.biology` stays as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi

import numpy as np
from numpy.typing import NDArray

from sim import layout as at
from sim.media import CP_WATER, saturated_ratio
from sim.pile import (
    OXYGEN_AMBIENT,
    PORE_AIR_DENSITY,
    W_HUMIDITY,
    W_OUT_C,
    W_RH,
    W_SIZE,
    W_SKY_C,
    WORK_ROWS,
    pile_state,
    pile_step,
)

Floats = NDArray[np.float64]

PRESSURE_PA = 101325.0
DAY_S = 86400.0
WALL_M2K_W = 1e3  # resistance put before every layer's wall area, so large that the layer's own falls out
ROOM_J_K = 1e10  # heat capacity of the room: its temperature stays within a millikelvin
SHUT_M2K_W = 1e12  # resistance of a face through which nothing goes
LONGEST_STEP_S = 60.0


@dataclass(frozen=True, kw_only=True)
class Vessel:
    """What was put into a vessel and how it was kept; masses in kg, shares of 1."""

    wet_kg: float
    degradable_kg: float  # volatile solids that can rot, all of the quick kind
    moisture: float  # water as a share of the wet mass
    air_kg_s: float  # dry air forced through, from below
    wall_w_k: float  # conductance of the whole wall
    specific_heat_j_kg_k: float  # of the wet mix
    room_c: float
    start_c: float
    nitrogen_factor: float = 1.0  # what the carbon to nitrogen ratio leaves of the rate; the pile's model has none
    air_rh: float = 0.5
    bulk_density_kg_m3: float = 400.0  # not published for these vessels: assumed, and so is the shape
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
    """How fast the degradable solids rot under the best conditions, and how many microbes the filling brings."""

    rate_per_s: float
    start_activity: float  # share of a full population


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
    p[at.P_FAST_RATE] = material.rate_per_s * vessel.nitrogen_factor
    p[at.P_SOLID_CP], p[at.P_PRESSURE] = vessel.solid_cp_j_kg_k, PRESSURE_PA
    return p


def vessel_state(vessel: Vessel, material: Material) -> Floats:
    """State of the pile for a freshly filled vessel, (Y_SIZE,)."""
    y = np.zeros(at.Y_SIZE)
    water = vessel.wet_kg * vessel.moisture
    heat = vessel.wet_kg * vessel.specific_heat_j_kg_k * vessel.start_c
    volume = vessel.wet_kg / vessel.bulk_density_kg_m3
    for block, whole in (
        (at.Y_WATER, water),
        (at.Y_HEAT, heat),
        (at.Y_FAST, vessel.degradable_kg),
        (at.Y_OXYGEN, OXYGEN_AMBIENT * 0.5 * PORE_AIR_DENSITY * volume),
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


def _advance(
    y: Floats, p: Floats, w: Floats, air_kg_s: float, span_s: float, flags: Floats, ledger: Floats, work: Floats
) -> None:
    left = span_s
    while left > 1e-9:
        dt = min(left, LONGEST_STEP_S, float(flags[at.G_STABLE_S]))
        pile_step(y, p, w, air_kg_s, dt, flags, ledger, work)
        left -= dt


@dataclass(frozen=True)
class Record:
    """What was measured in a vessel: the mean of its six probes at some times, and the highest mean."""

    time_h: tuple[float, ...]
    mean_c: tuple[float, ...]
    peak_c: float
    peak_h: float


def nitrogen_factor(carbon_per_nitrogen: float) -> float:
    """Rate factor of the carbon to nitrogen ratio, one at 20.

    References
    ----------
    .. [1] P. Cotera, code to a PhD thesis (University of Toronto), github.com/pcotera/ThesisCode, commit e267890,
       Code/Ch5. The matching paper seems to be J. Water Sanit. Hyg. Dev. 14(12), 1371, 2024 (abstract read).
    """
    return exp(-0.4 * (carbon_per_nitrogen - 20.0) / 7.0)


COTERA_VESSELS = {
    "A": Vessel(
        wet_kg=2.43, degradable_kg=0.269, moisture=0.57, air_kg_s=1.79 / DAY_S, specific_heat_j_kg_k=2870.0,
        wall_w_k=1000.0 / (0.074 * DAY_S), room_c=24.0, start_c=24.0, nitrogen_factor=nitrogen_factor(22.0),
    ),
    "B": Vessel(
        wet_kg=5.1, degradable_kg=0.562, moisture=0.54, air_kg_s=0.85 / DAY_S, specific_heat_j_kg_k=2780.0,
        wall_w_k=1000.0 / (0.077 * DAY_S), room_c=24.0, start_c=24.0, nitrogen_factor=nitrogen_factor(30.0),
    ),
}  # fmt: skip
"""Inputs of two runs with forced air, as published beside `nitrogen_factor`; the wall is given as 0.074 degC day/kJ."""

COTERA_RECORDS = {
    "A": Record(
        (5.5, 12.0, 19.0, 24.0, 48.0, 72.0, 96.0, 120.0),
        (40.0, 45.0, 48.1, 47.2, 46.4, 44.4, 42.7, 39.7), 48.1, 19.0,
    ),
    "B": Record(
        (7.0, 9.75, 19.25, 24.0, 48.0, 58.5, 72.0, 96.0, 120.0),
        (40.0, 45.0, 55.0, 57.8, 60.9, 62.0, 61.2, 58.9, 55.9), 62.0, 58.5,
    ),
}  # fmt: skip
"""Facts read off the measured means of the same two runs: when 40, 45 and 55 degC were passed, the peak, whole days."""

COTERA_MATERIAL = Material(rate_per_s=0.286 / DAY_S, start_activity=1.0)
"""The rate was fitted to the record of vessel A alone (`bench/vessels.py --fit`); a full population was assumed."""
