"""Pump and fan duty points against pipe friction by another route, and against the affinity laws."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from fluids import dP_from_K, one_phase_dP
from rigs import CFM_M3_S, mild, plant
from scipy.optimize import brentq

from sim import Scenario
from sim import layout as at
from sim.airside import fan_flow_m3_s
from sim.media import WATER_DENSITY
from sim.params import pump_table_kg_s
from sim.power import motor_speed

SPEEDS = np.linspace(0.0, 1.5, at.PUMP_POINTS)
GRAVITY = 9.80665
VISCOSITY_30C = 7.97e-4  # water at 30 degC [Pa s], IAPWS (table printed by package iapws 1.5.5, read)
DENSITY_30C = 995.65  # same table


def loss_pa(flow_m3_s: float, length_m: float, bore_m: float, method: str) -> float:
    """Pressure lost in a smooth plastic pipe by package fluids, with another friction formula than the simulator's."""
    return float(
        one_phase_dP(
            m=flow_m3_s * DENSITY_30C,
            rho=DENSITY_30C,
            mu=VISCOSITY_30C,
            D=bore_m,
            roughness=7e-6,
            L=length_m,
            Method=method,
        )
    )


def duty_point_m3_s(scenario: Scenario, speed: float, method: str) -> float:
    """Where the pump's curve crosses the loop's: coil, both pipes, twelve velocity heads of fittings, static head."""
    pump, line, coil = scenario.pump, scenario.line, scenario.coil

    def spare_pa(flow: float) -> float:
        head_m = pump.max_head * (speed**2 - (flow / pump.max_flow) ** 2) - line.static_head
        lost = loss_pa(flow, coil.length, coil.inner_diameter, method)
        lost += loss_pa(flow, 2.0 * line.length, line.inner_diameter, method)
        lost += dP_from_K(12.0, rho=DENSITY_30C, V=flow / (pi / 4.0 * line.inner_diameter**2))
        return head_m * DENSITY_30C * GRAVITY - lost

    return brentq(spare_pa, 1e-9, 2.0 * pump.max_flow)


@pytest.mark.parametrize("method", ["Churchill_1977", "Haaland"])
@pytest.mark.parametrize(
    "changes", [{}, {"coil.inner_diameter": "16 mm", "line.length": "60 m"}, {"pump.max_head": "15 m"}]
)
def test_flow_is_where_pump_and_pipes_agree(method: str, changes: dict[str, str]) -> None:
    scenario = mild().varied(changes)
    ours = np.interp([0.7, 1.0, 1.3], SPEEDS, pump_table_kg_s(scenario)) / WATER_DENSITY
    theirs = [duty_point_m3_s(scenario, speed, method) for speed in (0.7, 1.0, 1.3)]
    # The two formulas differ by up to 2 % in friction, so by 1 % in flow, at these Reynolds numbers.
    assert ours == pytest.approx(theirs, rel=0.012)


def test_a_pump_that_cannot_lift_moves_nothing() -> None:
    table = pump_table_kg_s(mild().varied({"line.static_head": "3 m", "pump.max_head": "6 m"}))
    assert (table[SPEEDS**2 * 6.0 <= 3.0] == 0.0).all() and (table[SPEEDS**2 * 6.0 > 3.1] > 0.0).all()
    assert (np.diff(table) >= 0.0).all()


# Pump from 1000 to 1200 rpm: 100 m3/h, 40 m and 10 kW become 120 m3/h, 57.6 m and 17.28 kW. Inputs from a public guide
# (read), answer by the affinity laws Q ~ N, H ~ N^2, P ~ N^3 (read; 10 % more speed: 10, 21, 33 %).
AFFINITY_EXAMPLE = {"speed": 1.2, "flow": 120.0 / 100.0, "head": 57.6 / 40.0, "power": 17.28 / 10.0}


def test_pump_follows_the_affinity_laws() -> None:
    # Short wide pipes: only fittings and pump curve are left, both square in flow, so the laws hold exactly.
    wide = {"coil.length": "5 m", "coil.inner_diameter": "80 mm", "line.length": "0.5 m", "line.static_head": "0 m"}
    scenario = mild().varied(wide)
    table = pump_table_kg_s(scenario)
    slow, fast = (float(np.interp(n, SPEEDS, table)) for n in (1.0, AFFINITY_EXAMPLE["speed"]))
    assert fast / slow == pytest.approx(AFFINITY_EXAMPLE["flow"], rel=2e-3)
    pump = scenario.pump
    heads = [pump.max_head * (n**2 - (m / WATER_DENSITY / pump.max_flow) ** 2) for n, m in ((1.0, slow), (1.2, fast))]
    assert heads[1] / heads[0] == pytest.approx(AFFINITY_EXAMPLE["head"], rel=5e-3)


def test_fan_follows_the_affinity_laws_and_stands_where_curve_and_resistance_cross() -> None:
    p = plant().params
    flow = fan_flow_m3_s(1.0, p)
    pressure = p[at.P_FAN_P0] * (1.0 - (flow / p[at.P_FAN_Q0]) ** 2)
    assert pressure == pytest.approx(p[at.P_FAN_R1] * flow + p[at.P_FAN_R2] * flow**2, rel=1e-9)
    assert 0.8 * 130.0 * CFM_M3_S < flow < 130.0 * CFM_M3_S
    p[at.P_FAN_R1] = 0.0  # without the pile's linear resistance the laws hold exactly
    assert fan_flow_m3_s(1.2, p) / fan_flow_m3_s(1.0, p) == pytest.approx(AFFINITY_EXAMPLE["flow"])
    assert fan_flow_m3_s(0.0, p) == 0.0


def test_power_follows_the_cube_of_speed() -> None:
    rig = plant({"pump.power": 100.0, "fan.power": 50.0})
    rig._pump_duty = rig._fan_duty = 1.0
    watts = {}
    for volts in (12.0, 14.0):
        rig.flags[at.G_VOLTS_PUMP] = rig.flags[at.G_VOLTS_FAN] = volts
        rig.flags[at.G_PUMP_RUNS] = rig.flags[at.G_FAN_RUNS] = 1.0
        rig.advance(0.2)  # one sub-step: the voltage stands as set
        watts[volts] = rig.flags[at.G_PUMP_W], rig.flags[at.G_FAN_W]
        speed, _ = motor_speed(1.0, volts, True, rig.params[at.P_PUMP_START], rig.params[at.P_PUMP_RUN])
        assert rig.flags[at.G_PUMP_SPEED] == pytest.approx(speed)
        # a tenth to turn at all (own closure), the rest by the cube law
        assert watts[volts][0] == pytest.approx(100.0 * (0.1 + 0.9 * speed**3))
    assert watts[12.0] == (pytest.approx(100.0), pytest.approx(50.0))
    assert watts[14.0][0] > 1.5 * watts[12.0][0]
