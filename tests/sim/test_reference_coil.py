"""Coil, buried line and freezing pipe against the laws of heat exchanger and cooling-curve textbooks."""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest
from ht import effectiveness_from_NTU
from rigs import plant

from sim import layout as at
from sim.kernel import new_work
from sim.media import CP_WATER, LATENT_ICE
from sim.pile import W_SIZE
from sim.water import (
    BLOCKING_ICE,
    line_frozen,
    loop_step,
    pump_flow_kg_s,
    ring_step,
    ring_steps,
    trapped_air_step,
    water_c,
)

# Package ht 1.2.0, effectiveness_from_NTU(NTU, Cr=0): what a coil in a bed of one temperature does (read).
HT_EFFECTIVENESS_TABLE = {0.1: 0.0952, 0.5: 0.3935, 1.0: 0.6321, 2.0: 0.8647, 3.0: 0.9502}
# Worked example: coil of 150 W/K, pile 55 degC, inlet 20 degC; gal/min: heat W, outlet degC (recomputed from the law).
PILE_COIL_TABLE = {0.25: (2058.0, 51.47), 0.5: (3124.0, 43.88), 1.0: (3996.0, 35.27), 2.0: (4565.0, 28.72)}
GPM_W_K = 261.62  # capacity rate of 1 gal/min in that example, water of 40 degC [W/K]


def steady_coil(ua_w_k: float, bed_c: float, inlet_c: float, flow_kg_s: float) -> tuple[float, float]:
    """Outlet temperature and heat of our coil, its skins held at ``bed_c``, after the water has settled. (degC, W)"""
    p = plant().params
    y = np.zeros(at.Y_SIZE)
    p[at.P_RING_UA : at.P_RING_UA + at.RING] = 0.0
    p[at.P_RING_UA : at.P_RING_UA + at.COIL_CELLS] = ua_w_k / at.COIL_CELLS
    y[at.Y_RING : at.Y_RING + at.RING] = CP_WATER * inlet_c
    around, heat = np.full(at.RING, bed_c), np.zeros(at.RING)
    dt = 60.0 / ring_steps(p, flow_kg_s, 60.0)
    gained = 0.0
    for _ in range(int(4.0 * p[at.P_RING_MASS : at.P_RING_MASS + at.RING_SUPPLY].sum() / (flow_kg_s * dt)) + 400):
        y[at.Y_RING + at.RING - 1] = CP_WATER * inlet_c
        gained = ring_step(y, p, flow_kg_s, around, heat, dt)
    return water_c(y[at.Y_RING + at.COIL_CELLS - 1]), gained / dt


@pytest.mark.parametrize("ntu", [*HT_EFFECTIVENESS_TABLE, 0.01, 0.2264, 5.0])
def test_coil_has_the_effectiveness_of_a_coil_in_an_even_bed(ntu: float) -> None:
    flow_kg_s = 0.05
    outlet_c, heat_w = steady_coil(ntu * flow_kg_s * CP_WATER, 60.0, 10.0, flow_kg_s)
    effectiveness = (outlet_c - 10.0) / 50.0
    assert effectiveness == pytest.approx(effectiveness_from_NTU(ntu, Cr=0), rel=1e-9)
    assert effectiveness == pytest.approx(HT_EFFECTIVENESS_TABLE.get(ntu, effectiveness), abs=6e-5)
    assert heat_w == pytest.approx(effectiveness * flow_kg_s * CP_WATER * 50.0, rel=1e-9)


@pytest.mark.parametrize(("gpm", "row"), PILE_COIL_TABLE.items())
def test_pile_coil_example(gpm: float, row: tuple[float, float]) -> None:
    outlet_c, heat_w = steady_coil(150.0, 55.0, 20.0, gpm * GPM_W_K / CP_WATER)
    assert outlet_c == pytest.approx(row[1], abs=0.006)
    assert heat_w == pytest.approx(row[0], abs=1.0)


def test_very_long_coil_reaches_the_bed_and_not_beyond() -> None:
    outlet_c, _ = steady_coil(200.0 * 0.05 * CP_WATER, 60.0, 10.0, 0.05)
    assert 59.9 < outlet_c <= 60.0 + 1e-9


def ring_of(temperature_c: float) -> tuple[np.ndarray, np.ndarray]:
    y = np.zeros(at.Y_SIZE)
    y[at.Y_RING : at.Y_RING + at.RING] = CP_WATER * temperature_c
    return y, plant().params


def hold_inlet(y: np.ndarray, p: np.ndarray, temperature_c: float) -> None:
    """Hold what enters the supply pipe: the cell before it becomes a lake."""
    p[at.P_RING_MASS + at.RING_DRUM] = 1e12
    p[at.P_RING_UA + at.RING_DRUM] = 0.0
    y[at.Y_RING + at.RING_DRUM] = CP_WATER * temperature_c


def test_a_hot_plug_takes_volume_over_flow_to_come_through() -> None:
    # Mean residence time of any closed vessel is volume over flow (Danckwerts 1953; from memory).
    flow_kg_s, dt = 0.0631, 2.0
    y, p = ring_of(10.0)
    p[at.P_RING_UA : at.P_RING_UA + at.RING] = 0.0
    hold_inlet(y, p, 50.0)
    around, heat = np.full(at.RING, 10.0), np.zeros(at.RING)
    missing_s, last = 0.0, at.Y_RING + at.RING_EMITTER - 1
    for _ in range(1200):
        before = water_c(y[last])
        ring_step(y, p, flow_kg_s, around, heat, dt)
        missing_s += dt * (50.0 - 0.5 * (before + water_c(y[last]))) / 40.0
    pipe_kg = p[at.P_RING_MASS + at.RING_SUPPLY : at.P_RING_MASS + at.RING_EMITTER].sum()
    assert missing_s == pytest.approx(pipe_kg / flow_kg_s, rel=0.01)


def test_buried_line_loses_heat_by_the_law_of_a_pipe_in_soil() -> None:
    flow_kg_s, dt = 0.0631, 5.0
    y, p = ring_of(45.0)
    hold_inlet(y, p, 45.0)
    around, heat = np.full(at.RING, 5.0), np.zeros(at.RING)
    for _ in range(1000):
        ring_step(y, p, flow_kg_s, around, heat, dt)
    ua = p[at.P_RING_UA + at.RING_SUPPLY : at.P_RING_UA + at.RING_EMITTER].sum()
    expected = 5.0 + 40.0 * exp(-ua / (flow_kg_s * CP_WATER))
    assert water_c(y[at.Y_RING + at.RING_EMITTER - 1]) == pytest.approx(expected, abs=1e-3)
    assert expected < 44.5  # the loss is worth testing


def test_standing_water_cools_and_freezes_in_the_textbook_time() -> None:
    # Lumped cooling, m cp / UA ln(...), then freezing at constant zero: m L f / (UA 8 K). Any heat-transfer text.
    y, p = ring_of(12.0)
    around, heat, dt = np.full(at.RING, -8.0), np.zeros(at.RING), 20.0
    p[at.P_RING_UA + at.RING_EMITTER] = p[at.P_RING_UA + at.RING_EMITTER + 1] = 0.0  # they would freeze first
    mass, ua = p[at.P_RING_MASS + at.RING_SUPPLY], p[at.P_RING_UA + at.RING_SUPPLY]
    to_zero_s = mass * CP_WATER / ua * log(20.0 / 8.0)
    to_blocked_s = to_zero_s + mass * LATENT_ICE * BLOCKING_ICE / (ua * 8.0)
    to_ice_s = to_zero_s + mass * LATENT_ICE / (ua * 8.0)
    zero_s = blocked_s = ice_s = 0.0
    for k in range(int(1.2 * to_ice_s / dt)):
        ring_step(y, p, 0.0, around, heat, dt)
        now = y[at.Y_RING + at.RING_SUPPLY]
        zero_s = zero_s or (k + 1) * dt * (now <= 0.0)
        blocked_s = blocked_s or (k + 1) * dt * line_frozen(y)
        ice_s = ice_s or (k + 1) * dt * (now <= -LATENT_ICE)
    assert zero_s == pytest.approx(to_zero_s, rel=0.005, abs=dt)
    assert blocked_s == pytest.approx(to_blocked_s, rel=0.005, abs=dt)
    assert ice_s == pytest.approx(to_ice_s, rel=0.005, abs=dt)


@pytest.mark.pure
def test_water_at_rest_never_overshoots_what_surrounds_it() -> None:
    y, p = ring_of(40.0)
    p[at.P_RING_UA : at.P_RING_UA + at.RING] = 1e5
    around, heat = np.full(at.RING, 5.0), np.zeros(at.RING)
    ring_step(y, p, 0.0, around, heat, 60.0)
    assert y[at.Y_RING : at.Y_RING + at.RING] == pytest.approx(CP_WATER * 5.0)
    assert heat.sum() == pytest.approx(p[at.P_RING_MASS : at.P_RING_MASS + at.RING].sum() * CP_WATER * 35.0)


@pytest.mark.pure
def test_loop_gives_away_exactly_what_it_takes() -> None:
    rig = plant()
    y, p, ledger = rig.state, rig.params, rig.ledger
    shell_heat, work, w = np.zeros(at.SHELLS), new_work(), np.zeros(W_SIZE)
    temp = np.linspace(60.0, 20.0, at.SHELLS)

    def stored() -> float:
        ring = y[at.Y_RING : at.Y_RING + at.RING] @ p[at.P_RING_MASS : at.P_RING_MASS + at.RING]
        return float(ring + y[at.Y_SKIN : at.Y_SKIN + at.SKINS].sum() + y[at.Y_DRUM] + y[at.Y_POND] + shell_heat.sum())

    before, air_j = stored(), 0.0
    for _ in range(30):
        to_air, _ = loop_step(y, p, w, 0.25, 12.0, temp, 60.0, work[:2], shell_heat, ledger)
        air_j += to_air
    assert air_j > 1e6 and ledger[at.L_LINE_LOSS] > 1e5
    assert stored() - before == pytest.approx(-air_j - ledger[at.L_LINE_LOSS], rel=1e-10)


@pytest.mark.pure
def test_a_litre_of_trapped_air_halves_the_flow_and_fast_water_carries_it_out() -> None:
    p = plant({"line.degassing": "0.5 L/hour"}).params
    free = pump_flow_kg_s(1.0, p, 0.0)
    assert pump_flow_kg_s(1.0, p, 1e-3) == pytest.approx(0.5 * free)
    assert trapped_air_step(0.0, p, 0.0, 7200.0) == pytest.approx(1e-3)  # half a litre an hour, two hours
    assert trapped_air_step(1e-3, p, 0.6, 300.0) < 0.01e-3 + 0.5e-3 * 300.0 / 3600.0
    assert trapped_air_step(1e-3, p, 0.5, 300.0) > 1e-3  # too slow to purge
