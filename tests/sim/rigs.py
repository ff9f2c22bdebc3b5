"""Plants for physics tests: weather that stands still, a pile without life, parts held at one temperature."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np

from sim import Plant, Scenario
from sim import layout as at
from sim.media import CP_WATER
from sim.pile import W_GHI, W_OUT_C, W_PANEL_FAN, W_PANEL_PUMP, W_RAIN, W_RH, W_SIZE, W_SKY_C, W_WIND

SCENARIOS = Path(__file__).parents[2] / "scenarios"
DAY_S = 86400.0
WATT_PER_BTU_H = 0.29307107  # international table Btu
K_PER_F = 1.0 / 1.8
CFM_M3_S = 0.3048**3 / 60.0
GPM_M3_S = 3.785411784e-3 / 60.0
FT2_M2 = 0.3048**2
FT3_M3 = 0.3048**3
ALMOST_NONE = 1e-30


@cache
def mild() -> Scenario:
    return Scenario.load(SCENARIOS / "mild-wet-winter.toml")


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def shells(first: int) -> slice:
    """The block of one value a shell that begins at ``first``."""
    return slice(first, first + at.SHELLS)


def plant(changes: Mapping[str, object] | None = None, seed: int = 1) -> Plant:
    """The mild scenario's plant with some fields changed."""
    return Plant(mild().varied(dict(changes or {})), seed=seed)


def steady_weather(
    plant: Plant,
    out_c: float = 10.0,
    rh: float = 0.6,
    wind_m_s: float = 0.0,
    ghi_w_m2: float = 0.0,
    sky_c: float | None = None,
    panel_w: float = 0.0,
) -> Plant:
    """Let one weather last for ever, without rain; the sky is as warm as the air unless told otherwise."""
    row = np.zeros(W_SIZE)
    row[W_OUT_C], row[W_RH], row[W_WIND], row[W_GHI], row[W_RAIN] = out_c, rh, wind_m_s, ghi_w_m2, 0.0
    row[W_SKY_C] = out_c if sky_c is None else sky_c
    row[W_PANEL_PUMP] = row[W_PANEL_FAN] = panel_w
    plant.table = np.tile(row, (8760, 1))
    return plant


def lifeless(plant: Plant) -> Plant:
    """Turn degradable solids into inert ones: same mass, no heat made."""
    y, p = plant.state, plant.params
    p[shells(at.P_SHELL_SOLIDS)] += y[shells(at.Y_FAST)] + y[shells(at.Y_SLOW)]
    y[shells(at.Y_FAST)] = y[shells(at.Y_SLOW)] = 0.0
    return plant


def endless_batteries(plant: Plant, volts_charge: float = 0.3) -> Plant:
    """Batteries so large that their voltage stands still, and that cold does not reach."""
    for side in (0, 1):
        plant.params[at.P_BAT_CAPACITY + side] = 1e15
        plant.state[at.Y_CHARGE + side] = volts_charge * 1e15
        plant.params[at.P_BAT_LITHIUM + side] = 1.0
        plant.params[at.P_BAT_R + side] = 0.0
        plant.params[at.P_BAT_ON + side] = plant.params[at.P_BAT_OFF + side] = 1.0
    return plant


def shell_capacity_j_k(plant: Plant) -> np.ndarray:
    """Heat capacity of every shell, (SHELLS,)."""
    y, p = plant.state, plant.params
    dry = p[shells(at.P_SHELL_SOLIDS)] + y[shells(at.Y_FAST)] + y[shells(at.Y_SLOW)]
    return dry * p[at.P_SOLID_CP] + y[shells(at.Y_WATER)] * CP_WATER


def set_pile_c(plant: Plant, temperature_c: float) -> Plant:
    """Bring shells, skins, drum and loop to one temperature above freezing."""
    y, p = plant.state, plant.params
    y[shells(at.Y_HEAT)] = shell_capacity_j_k(plant) * temperature_c
    y[at.Y_SKIN : at.Y_SKIN + at.SKINS] = p[at.P_SKIN_CAPACITY] * temperature_c
    y[at.Y_DRUM] = p[at.P_DRUM_CAPACITY] * temperature_c
    y[at.Y_RING : at.Y_RING + at.RING] = CP_WATER * temperature_c
    return plant
