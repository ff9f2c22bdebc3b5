"""A steady draw from a hot pile by the controller's own water loop and pump drive: how well supply and flow are held.

Season, heat budget and phases are left out, so that what is seen is the loops and nothing else. They are called as the
controller calls them: every 10 s while the flow is brought up, every 60 s after that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from controller.pump import RUN, PumpDrive
from controller.signals import Commands
from controller.water_loop import WaterLoop

if TYPE_CHECKING:
    from controller.settings import ControllerSettings
    from sim.plant import Plant

Floats = NDArray[np.float64]

FULL_EFFORT = 1.0
START_TICK_S, RAMP_TICK_S, STEADY_TICK_S = 2.0, 10.0, 60.0
RAMPING_S = 180.0
SETTLED_S = 3600.0  # the first hour brings out what stood in the coil, and the loops to where they belong
LEAST_STEADY_S = 1800.0
HELD_SHARE = 0.98  # of what the loop may ask for at most: beyond, the pile no longer carries the supply


@dataclass(frozen=True, slots=True)
class SteadyDraw:
    """One row a call: time since the start [s], supply [degC] as a noise-free probe of the same offset reads it.

    ``flow_kg_s`` is the true one, ``wanted_kg_s`` what the water loop asked for, ``limit`` what bound it, ``core_c`` the true
    core. ``least_kg_s`` is the smallest flow the pump can hold.
    """

    time_s: Floats
    supply_c: Floats
    flow_kg_s: Floats
    wanted_kg_s: Floats
    core_c: Floats
    limit: tuple[str, ...]
    least_kg_s: float
    settings: ControllerSettings

    def carried(self) -> NDArray[np.bool_]:
        """Rows at which the pile can carry the supply's target: the flow that holds it lies within what the loop may do."""
        s = self.settings
        by_supply = np.array([word == "supply" for word in self.limit])
        inside = (self.wanted_kg_s < HELD_SHARE * s.flow_target_kg_s) & (self.wanted_kg_s > 1.02 * self.least_kg_s)
        return np.asarray(by_supply & inside & self._late() & (self.core_c > s.pile_floor_c))

    def supply_rms_k(self) -> float:
        """Root mean square of supply minus its target while the pile carries it [K]; NaN when it does for too short."""
        rows = self.carried()
        return _rms(self.supply_c[rows] - self.settings.supply_target_c) if self._enough(rows) else float("nan")

    def flow_error(self) -> float:
        """Root mean square of true flow over the flow asked for, less 1, of all late rows that the pump can do; or NaN."""
        rows = self._late() & (self.wanted_kg_s > 1.02 * self.least_kg_s) & (self.core_c > self.settings.pile_floor_c)
        return _rms(self.flow_kg_s[rows] / self.wanted_kg_s[rows] - 1.0) if self._enough(rows) else float("nan")

    def _late(self) -> NDArray[np.bool_]:
        return np.asarray(self.time_s >= SETTLED_S)

    def _enough(self, rows: NDArray[np.bool_]) -> bool:
        return bool(rows.sum() * STEADY_TICK_S >= LEAST_STEADY_S)


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def steady_draw(
    plant: Plant, settings: ControllerSettings, hours: float, supply_offset_k: float = 0.0, return_offset_k: float = 0.0
) -> SteadyDraw:
    """Draw from ``plant`` for ``hours`` [h]; the offsets [K] are those of the true supply probe and of the matched return."""
    loop, pump, seen = WaterLoop(settings), PumpDrive(settings), _Seen(plant, return_offset_k)
    truth: Any = plant.truth
    rows, limits, began_s, tick_s = [], [], plant.time_s, START_TICK_S
    while plant.time_s - began_s < 3600.0 * hours:
        m = seen.now()
        wanted = loop.flow_kg_s(True, FULL_EFFORT, m.supply_c, m.return_c, m.core_c, tick_s, tick_s, hold_supply=True)
        if wanted > 0.0:
            duty = pump.drive(wanted, m.flow_kg_s, m.supply_c, m.volts, tick_s)
        else:
            duty = pump.rest(tick_s)
        rows.append((plant.time_s - began_s, truth.supply_c + supply_offset_k, truth.flow_kg_s, wanted, truth.core_c))
        limits.append(loop.limit)
        tick_s = _tick_s(pump)
        plant.apply(Commands(duty, 0.0))
        plant.advance(tick_s)
    return SteadyDraw(*np.array(rows).T, tuple(limits), pump.least_flow_kg_s, settings)


def _tick_s(pump: PumpDrive) -> float:
    if pump.mode != RUN:
        return START_TICK_S
    return RAMP_TICK_S if pump.on_s < RAMPING_S else STEADY_TICK_S


class _Seen:
    """What the controller would believe of the measurements: the last finite reading of each."""

    def __init__(self, plant: Plant, return_offset_k: float) -> None:
        from controller.checks import SensorChecks

        self._plant, self._offset_k = plant, return_offset_k
        self._checks = SensorChecks()
        self.supply_c = self.return_c = self.core_c = self.flow_kg_s = self.volts = float("nan")

    def now(self) -> _Seen:
        m = self._plant.measure()
        r = self._checks.read(m, m.time_s)
        self.supply_c, self.core_c = r.water_supply_c, r.pile_core_c
        self.return_c, self.flow_kg_s, self.volts = r.water_return_c - self._offset_k, r.water_flow_kg_s, r.pump_battery_v
        return self
