"""Prints how long one controller step takes: `python bench/step_speed.py`.

Three states: holding off, resting between draws with everything fitted, and drawing, with readings that carry a little
noise so that nothing can be remembered from step to step; then a winter of the simulator. Goal: 50 µs median.
"""

from __future__ import annotations

import random
import statistics
import time
from pathlib import Path

from controller import Controller, ControllerSettings, Measurements
from sim import Plant, Scenario

STEPS = 20_000
TICK_S = 60.0
WINTER = Path(__file__).parent.parent / "scenarios" / "mild-wet-winter.toml"


def readings(
    chance: random.Random, time_s: float, core_c: float, greenhouse_c: float, flow_kg_s: float
) -> Measurements:
    """A full set of plausible readings at ``time_s`` [s]."""
    near = chance.gauss
    return Measurements(
        time_s=time_s,
        pile_core_c=core_c + near(0.0, 0.06),
        pile_edge_c=38.0 + near(0.0, 0.06),
        water_supply_c=48.0 + near(0.0, 0.1),
        water_return_c=20.0 + near(0.0, 0.1),
        water_flow_kg_s=flow_kg_s * near(1.0, 0.02),
        air_supply_c=25.0 + near(0.0, 0.1),
        air_supply_rh=0.95 + near(0.0, 0.01),
        fan_speed_hz=0.0,
        greenhouse_c=greenhouse_c + near(0.0, 0.1),
        greenhouse_rh=0.8 + near(0.0, 0.01),
        outdoor_c=4.0 + near(0.0, 0.1),
        tank_c=12.0 + near(0.0, 0.1),
        pump_battery_v=12.8 + near(0.0, 0.02),
        fan_battery_v=12.8 + near(0.0, 0.02),
    )


def step_times_us(core_c: float, greenhouse_c: float) -> tuple[list[float], float, str]:
    """Time each of ``STEPS`` steps in microseconds; also the share of steps with the pump on and the last phase."""
    chance = random.Random(1)
    controller, duty, phase, on = Controller(ControllerSettings()), 0.0, "", 0
    times = []
    for k in range(STEPS):
        m = readings(chance, k * TICK_S, core_c, greenhouse_c, 0.063 if duty > 0.0 else 0.0)
        begun = time.perf_counter_ns()
        decision = controller.step(m)
        times.append((time.perf_counter_ns() - begun) / 1000.0)
        duty, phase = decision.commands.pump_duty, decision.phase
        on += duty > 0.0
    return times, on / STEPS, phase


def winter_times_us() -> tuple[list[float], float, str]:
    """The same for ``STEPS`` steps of an invented greenhouse from its first day on, each when the controller asks for it."""
    scenario = Scenario.load(WINTER)
    plant, controller, on, phase = Plant(scenario, seed=1), Controller(scenario.controller_settings()), 0, ""
    times = []
    for _ in range(STEPS):
        m = plant.measure()
        begun = time.perf_counter_ns()
        decision = controller.step(m)
        times.append((time.perf_counter_ns() - begun) / 1000.0)
        plant.apply(decision.commands)
        plant.advance(decision.next_s)
        on, phase = on + (decision.commands.pump_duty > 0.0), decision.phase
    return times, on / STEPS, phase


def line(name: str, times: list[float], on: float, phase: str) -> str:
    """One line of the result."""
    return (
        f"{name:12s} median {statistics.median(times):5.1f} µs, 99 % under {statistics.quantiles(times, n=100)[98]:5.1f} µs "
        f"(phase {phase}, pump on {on:.0%} of the steps)"
    )


def main() -> None:
    """Print a line for each state, and one for a winter."""
    for name, core_c, greenhouse_c in (("holding off", 30.0, 12.0), ("pausing", 57.0, 15.0), ("drawing", 64.0, 6.0)):
        print(line(name, *step_times_us(core_c, greenhouse_c)))
    print(line("a winter", *winter_times_us()))


if __name__ == "__main__":
    main()
