"""Water drawn through a coil in a warm bed, for many guesses at once: tanks in series with the material around them.

Tanks in series are the textbook picture of flow with some mixing along the way. The conductance of a tank is corrected so
that steady flow meets the textbook effectiveness 1 - exp(-UA / (m cp)). The material around each tank cools by what
it gives.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from controller.identify.verdict import Floats
from controller.media import WATER_J_KG_K

COURANT = 0.7
MOST_TANK_NTU = 1.0


class Guesses(NamedTuple):
    """Parameters to try, each (g,): conductance [W/K], water in the coil [kg], 1 / heat capacity around it [K/J]."""

    ua_w_k: Floats
    coil_kg: Floats
    sag_k_j: Floats


def outlet(guesses: Guesses, tanks: int, dt_s: float, flow_kg_s: Floats, inlet_c: Floats) -> tuple[Floats, Floats]:
    """Return what the outlet shows of the bed and of the inlet, two arrays (n, g).

    ``flow_kg_s`` and ``inlet_c`` are (n,), ``dt_s`` apart, the coil at rest and as warm as the bed before the first. The
    outlet is ``bed_c`` times the first plus the second: everything is linear in the temperatures.
    """
    shape = (2, guesses.ua_w_k.size, tanks)
    water, around = np.zeros(shape), np.zeros(shape)
    water[0], around[0] = 1.0, 1.0  # row 0: bed at 1, inlet at 0; row 1: bed at 0, inlet as measured
    tank_kg = guesses.coil_kg / tanks
    seen = np.empty((2, flow_kg_s.size, guesses.ua_w_k.size))
    for k, (flow, inlet) in enumerate(zip(flow_kg_s, inlet_c, strict=True)):
        if flow > 1e-6:
            _flow(water, around, float(flow), float(inlet), dt_s, tank_kg, guesses, tanks)
        else:
            _rest(water, around, dt_s, tank_kg, guesses, tanks)
        seen[:, k] = water[:, :, -1]
    return seen[0], seen[1]


def _flow(
    water: Floats, around: Floats, flow: float, inlet: float, dt_s: float, tank_kg: Floats, guesses: Guesses, tanks: int
) -> None:
    parts = int(flow * dt_s / (COURANT * float(tank_kg.min()))) + 1
    part_s = dt_s / parts
    share = (flow * part_s / tank_kg)[:, None]
    ntu = np.minimum(guesses.ua_w_k / (tanks * flow * WATER_J_KG_K), MOST_TANK_NTU)
    passed = (np.expm1(ntu) / ntu * guesses.ua_w_k / tanks * part_s / (tank_kg * WATER_J_KG_K))[:, None]
    passed = np.minimum(passed, 0.5)
    cools = (tank_kg * WATER_J_KG_K * guesses.sag_k_j * tanks)[:, None]
    before = np.empty_like(water)
    for _ in range(parts):
        before[:, :, 1:] = water[:, :, :-1]
        before[0, :, 0], before[1, :, 0] = 0.0, inlet
        gained = passed * (around - water)
        water += share * (before - water) + gained
        around -= cools * gained


def _rest(water: Floats, around: Floats, dt_s: float, tank_kg: Floats, guesses: Guesses, tanks: int) -> None:
    share = -np.expm1(-guesses.ua_w_k / tanks * dt_s / (tank_kg * WATER_J_KG_K))
    gained = share[:, None] * (around - water)
    water += gained
    around -= (tank_kg * WATER_J_KG_K * guesses.sag_k_j * tanks)[:, None] * gained


def lagged(values: Floats, dt_s: float, lag_s: Floats) -> Floats:
    """First-order lag along the first axis of (n, g), a time constant each [s], at rest before the first row."""
    share = -np.expm1(-dt_s / np.maximum(lag_s, 1e-3))
    out, now = np.empty_like(values), values[0].copy()
    for k in range(values.shape[0]):
        now = now + share * (values[k] - now)
        out[k] = now
    return out
