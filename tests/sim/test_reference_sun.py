"""Sun and panel by spherical trigonometry and a pocket calculator, without pvlib (`test_panel` uses pvlib's own chain)."""

from __future__ import annotations

from dataclasses import replace
from math import acos, asin, cos, degrees, pi, radians, sin

import numpy as np
import pytest
from rigs import DAY_S, mild, plant

from sim import layout as at
from sim.panel import panel_power_w
from sim.pile import W_PANEL_FAN, W_PANEL_PUMP
from sim.weather import load_weather

DIRECT_W_M2 = 800.0
# PVWatts, NREL/TP-6A20-62641: soiling, mismatch, wiring, connections, light-induced degradation, nameplate (from memory)
KEPT = 0.98 * 0.98 * 0.98 * 0.995 * 0.985 * 0.99


def sun(day: int, clock_h: float, latitude: float, longitude: float, tz: float) -> tuple[float, float]:
    """Elevation and azimuth from north [rad], after Duffie and Beckman, chapter 1 (Cooper, Spencer; from memory)."""
    b = 2.0 * pi * (day - 1) / 365.0
    equation_min = 229.18 * (
        7.5e-5 + 1.868e-3 * cos(b) - 3.2077e-2 * sin(b) - 1.4615e-2 * cos(2 * b) - 4.0849e-2 * sin(2 * b)
    )
    declination = radians(23.45) * sin(2.0 * pi * (284 + day) / 365.0)
    hour = radians(15.0 * (clock_h + (4.0 * (longitude - 15.0 * tz) + equation_min) / 60.0 - 12.0))
    phi = radians(latitude)
    elevation = asin(sin(phi) * sin(declination) + cos(phi) * cos(declination) * cos(hour))
    to_south = acos(min(max((sin(elevation) * sin(phi) - sin(declination)) / (cos(elevation) * cos(phi)), -1.0), 1.0))
    return elevation, pi + (to_south if hour > 0.0 else -to_south)


def incidence(elevation: float, azimuth: float, tilt: float, facing: float) -> float:
    """Angle between sun and panel. [rad]"""
    return acos(cos(elevation) * sin(tilt) * cos(azimuth - facing) + sin(elevation) * cos(tilt))


@pytest.mark.parametrize(
    ("day", "tilt", "facing"),
    [
        (355, 60.0, 180.0),
        (355, 60.0, 210.0),
        (15, 75.0, 165.0),
        (80, 36.0, 180.0),
        (172, 12.0, 180.0),
        (172, 45.0, 260.0),
    ],
)
def test_clear_cold_day_gives_what_trigonometry_says(day: int, tilt: float, facing: float) -> None:
    weather = load_weather(mild())
    beam = replace(
        weather,
        dni_w_m2=np.full(8760, DIRECT_W_M2),
        **{name: np.zeros(8760) for name in ("dhi_w_m2", "ghi_w_m2", "temperature_c", "wind_m_s")},
    )
    power = mild().pump_power.model_copy(update={"tilt": tilt, "azimuth": facing, "shade": 0.0, "panel": 100.0})
    watts = panel_power_w(beam, power)
    compared = 0
    for hour in range(24):
        elevation, azimuth = sun(day, hour + 0.5, weather.latitude, weather.longitude, weather.tz)
        theta = incidence(elevation, azimuth, radians(tilt), radians(facing))
        if elevation < radians(8.0) or degrees(theta) > 32.0:
            continue  # refraction and reflection begin to count
        light = DIRECT_W_M2 * cos(theta)
        cell_c = light / 25.0  # Faiman in still air: 25 W/m2 K (from memory)
        expected = 100.0 * light / 1000.0 * (1.0 - 0.004 * (cell_c - 25.0)) * KEPT
        assert watts[24 * (day - 1) + hour] == pytest.approx(expected, rel=0.012)
        compared += 1
    assert compared >= 3


def test_plant_receives_the_panel_power_of_its_weather() -> None:
    rig = plant()
    weather, scenario = load_weather(rig.scenario), rig.scenario
    for column, power in ((W_PANEL_PUMP, scenario.pump_power), (W_PANEL_FAN, scenario.fan_power)):
        assert rig.table[:, column] == pytest.approx(panel_power_w(weather, power))
    rig.advance(20.0 * DAY_S)
    first = 24 * (318)  # 15 November
    both = rig.table[first - 1 : first + 20 * 24 + 1, W_PANEL_PUMP : W_PANEL_FAN + 1].sum(axis=1)
    straight = np.interp(np.arange(0.5, 480 * 60) / 60.0, np.arange(-0.5, 481.0), both).mean() * 20 * DAY_S
    assert rig.ledger[at.L_PANEL_J] == pytest.approx(straight, rel=1e-3)
    assert straight > 1e6
