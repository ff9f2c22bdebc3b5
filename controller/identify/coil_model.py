"""Water drawn through a coil in a warm bed, for many guesses at once: tanks in series with the material around them.

Tanks in series are the textbook picture of flow with some mixing along the way. The conductance of a tank is corrected so
that steady flow meets the textbook effectiveness 1 - exp(-UA / (m cp)). The material around each tank cools by what
it gives. The last turns may lie in a drum of water, which hardly does.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from controller.identify.verdict import Floats
from controller.media import WATER_J_KG_K

COURANT = 0.7
MOST_TANK_NTU = 1.0
TURNS_KG, JOINT_KG = 2.5, 1.5  # last turns, in the drum if there is one; fittings up to the probe (own judgement)
LEAST_DRUM_KG = 10.0


class Guesses(NamedTuple):
    """Parameters to try, each (g,): conductance of the coil and of its last turns in a drum [W/K], water in the coil [kg],
    1 / heat capacity around it [K/J]."""

    ua_w_k: Floats
    drum_ua_w_k: Floats
    coil_kg: Floats
    sag_k_j: Floats


class Chain(NamedTuple):
    """How the coil is cut: ``tanks`` in the bed, then the turns in a drum of ``drum_kg`` (0: none), then the joint."""

    tanks: int
    drum_kg: float


class _Cells(NamedTuple):
    """Of each cell along the flow, (g, cells): water [kg], conductance [W/K], cooling around it per heat given [K/J]."""

    kg: Floats
    ua_w_k: Floats
    sag_k_j: Floats


def _cells(guesses: Guesses, chain: Chain) -> _Cells:
    def row(each: Floats, turns: Floats | float, joint: float) -> Floats:
        last = np.column_stack([np.broadcast_to(turns, each.shape), np.full(each.shape, joint)])
        return np.hstack([np.repeat(each[:, None], chain.tanks, axis=1), last])

    n, drum = chain.tanks, chain.drum_kg > 0.0
    drum_sag = 1.0 / (max(chain.drum_kg, LEAST_DRUM_KG) * WATER_J_KG_K)
    return _Cells(
        row(guesses.coil_kg / n, TURNS_KG, JOINT_KG),
        row(guesses.ua_w_k / n, guesses.drum_ua_w_k if drum else 0.0, 0.0),
        row(guesses.sag_k_j * n, drum_sag, 0.0),
    )


def outlet(guesses: Guesses, chain: Chain, dt_s: float, flow_kg_s: Floats, inlet_c: Floats) -> tuple[Floats, Floats]:
    """Return what the outlet shows of the bed and of the inlet, two arrays (n, g).

    ``flow_kg_s`` and ``inlet_c`` are (n,), ``dt_s`` apart, the coil at rest and as warm as the bed before the first. The
    outlet is ``bed_c`` times the first plus the second: everything is linear in the temperatures.
    """
    cells = _cells(guesses, chain)
    shape = (2, *cells.kg.shape)
    water, around = np.zeros(shape), np.zeros(shape)
    water[0], around[0] = 1.0, 1.0  # row 0: bed at 1, inlet at 0; row 1: bed at 0, inlet as measured
    seen = np.empty((2, flow_kg_s.size, guesses.ua_w_k.size))
    for k, (flow, inlet) in enumerate(zip(flow_kg_s, inlet_c, strict=True)):
        if flow > 1e-6:
            _flow(water, around, float(flow), float(inlet), dt_s, cells)
        else:
            _rest(water, around, dt_s, cells)
        seen[:, k] = water[:, :, -1]
    return seen[0], seen[1]


def _flow(water: Floats, around: Floats, flow: float, inlet: float, dt_s: float, cells: _Cells) -> None:
    parts = int(flow * dt_s / (COURANT * float(cells.kg.min()))) + 1
    part_s = dt_s / parts
    share = flow * part_s / cells.kg
    ntu = np.clip(cells.ua_w_k / (flow * WATER_J_KG_K), 1e-9, MOST_TANK_NTU)
    passed = np.minimum(np.expm1(ntu) / ntu * cells.ua_w_k * part_s / (cells.kg * WATER_J_KG_K), 0.5)
    cools = cells.kg * WATER_J_KG_K * cells.sag_k_j
    before = np.empty_like(water)
    for _ in range(parts):
        before[:, :, 1:] = water[:, :, :-1]
        before[0, :, 0], before[1, :, 0] = 0.0, inlet
        gained = passed * (around - water)
        water += share * (before - water) + gained
        around -= cools * gained


def _rest(water: Floats, around: Floats, dt_s: float, cells: _Cells) -> None:
    share = -np.expm1(-cells.ua_w_k * dt_s / (cells.kg * WATER_J_KG_K))
    gained = share * (around - water)
    water += gained
    around -= cells.kg * WATER_J_KG_K * cells.sag_k_j * gained


def lagged(values: Floats, dt_s: float, lag_s: Floats) -> Floats:
    """First-order lag along the first axis of (n, g), a time constant each [s], at rest before the first row."""
    share = -np.expm1(-dt_s / np.maximum(lag_s, 1e-3))
    out, now = np.empty_like(values), values[0].copy()
    for k in range(values.shape[0]):
        now = now + share * (values[k] - now)
        out[k] = now
    return out
