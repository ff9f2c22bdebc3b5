"""Speed and error of the physics kernel against SciPy's general solvers on the same equations.

    python bench/physics_speed.py [--days 30]

Runs one heap through real weather under a fixed schedule of pump and fan: a reference at tight tolerance, the
kernel at its 60 s step, and LSODA and BDF at rising tolerances until their error is no smaller than the
kernel's. Then the same with duties that change every minute, as a controller's do: there a general solver must
start afresh each minute. Errors are those of the final shell temperatures and of the solids turned into heat.
Prints errors, times, their ratios, and the kernel's speed against real time.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

from sim import layout as at
from sim.kernel import new_work
from sim.media import CP_WATER, wet_temperature
from sim.plant import Plant
from sim.power import motor_speed
from sim.rhs import plant_rates_at
from sim.scenario import Scenario

SCENARIO = Path(__file__).parent.parent / "scenarios" / "mild-wet-winter.toml"
PUMP_DUTY, FAN_DUTY = 0.28, 0.3
PATTERN = ((6.0, 1, 0), (4.0, 0, 0), (2.0, 0, 1), (12.0, 0, 0))  # hours, pump, fan; repeated daily
WARM_UP_DAYS = 5
TOLERANCES = (1e-7, 3e-7, 1e-6, 3e-6, 1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2)


@dataclass
class Run:
    """Outcome of one integration."""

    seconds: float
    shells_c: np.ndarray
    degraded_kg: float


def warm_plant() -> Plant:
    """A heap warmed up for some days, with batteries that neither sag nor empty (their equations are not compared)."""
    plant = Plant(Scenario.load(SCENARIO), seed=1)
    plant.table = plant.table.copy()
    plant.table[:, -3:-1] = 0.0
    for side in (0, 1):
        plant.params[at.P_BAT_R + side] = plant.params[at.P_BAT_STANDBY + side] = 0.0
        plant.state[at.Y_CHARGE + side] = 0.9e12
        plant.params[at.P_BAT_CAPACITY + side] = 1e12
    plant.advance(WARM_UP_DAYS * 86400.0)
    return plant


def schedule(days: float):
    """(start hour, end hour, pump, fan) of a timer: four changes a day."""
    hour = 0.0
    for _ in range(int(days)):
        for length, pump, fan in PATTERN:
            yield hour, hour + length, pump, fan
            hour += length


def restless(days: float):
    """(start hour, end hour, pump, fan) of duties that move a little every minute, as under a controller."""
    for minute in range(int(days * 1440)):
        pump = 1.0 + 0.05 * np.sin(0.7 * minute)
        yield minute / 60.0, (minute + 1) / 60.0, pump, 1.0 + 0.05 * np.sin(1.1 * minute)


def shells(y: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Shell temperatures of a state."""
    dry = p[at.P_SHELL_SOLIDS : at.P_SHELL_SOLIDS + at.SHELLS] + sum(
        y[b : b + at.SHELLS] for b in (at.Y_FAST, at.Y_SLOW)
    )
    water = y[at.Y_WATER : at.Y_WATER + at.SHELLS]
    heat = y[at.Y_HEAT : at.Y_HEAT + at.SHELLS]
    return np.array(
        [wet_temperature(h, d * p[at.P_SOLID_CP] + w * CP_WATER, w) for h, d, w in zip(heat, dry, water, strict=True)]
    )


def solids_kg(y: np.ndarray) -> float:
    """Degradable solids left; their loss is the heat made, in other units."""
    return float(y[at.Y_FAST : at.Y_FAST + 2 * at.SHELLS].sum())


def run_kernel(segments, step_s: float = 60.0) -> Run:
    """Our own stepping."""
    plant = warm_plant()
    began, before = time.perf_counter(), solids_kg(plant.state)
    for start, end, pump, fan in segments:
        plant._pump_duty, plant._fan_duty = PUMP_DUTY * pump, FAN_DUTY * fan
        if step_s >= 60.0:
            plant.advance(3600.0 * (end - start))
        else:
            for _ in range(round(3600.0 * (end - start) / step_s)):
                plant.advance(step_s)
    return Run(time.perf_counter() - began, shells(plant.state, plant.params), before - solids_kg(plant.state))


def run_scipy(segments, method: str, tolerance: float) -> Run:
    """The same by a general solver, restarted where the duties change."""
    plant = warm_plant()
    p, table, work, rates = plant.params, plant.table, new_work(), np.zeros(at.Y_SIZE)
    volts = plant.flags[at.G_VOLTS_PUMP]
    y, before = plant.state.copy(), solids_kg(plant.state)
    origin = plant._table_start_s + WARM_UP_DAYS * 86400.0
    scale = np.maximum(np.abs(y), 1e-6)

    def right_hand_side(t, y, pump, fan):
        plant_rates_at(t, y, p, table, pump, fan, work, rates)
        return rates.copy()

    began = time.perf_counter()
    for start, end, pump, fan in segments:
        pump_speed, _ = motor_speed(PUMP_DUTY * pump, volts, True, p[at.P_PUMP_START], p[at.P_PUMP_RUN])
        fan_speed, _ = motor_speed(FAN_DUTY * fan, volts, True, p[at.P_FAN_START], p[at.P_FAN_RUN])
        span = (origin + 3600.0 * start, origin + 3600.0 * end)
        solution = solve_ivp(
            right_hand_side, span, y, method, t_eval=[span[1]], rtol=tolerance, atol=tolerance * scale,
            args=(pump_speed, fan_speed),
        )  # fmt: skip
        if not solution.success:
            raise RuntimeError(f"{method} at {tolerance}: {solution.message}")
        y = solution.y[:, -1]
    return Run(time.perf_counter() - began, shells(y, p), before - solids_kg(y))


def errors(run: Run, reference: Run) -> tuple[float, float]:
    """Largest error of a shell temperature [K] and relative error of the solids degraded."""
    return float(np.abs(run.shells_c - reference.shells_c).max()), abs(run.degraded_kg / reference.degraded_kg - 1.0)


def compare(title: str, segments, days: float) -> float | None:
    """Print one comparison; returns how many times faster the kernel is at no larger error."""
    print(f"{title}: {days:g} days; reference: LSODA at 1e-9", flush=True)
    reference = run_scipy(segments(days), "LSODA", 1e-9)
    ours = min((run_kernel(segments(days)) for _ in range(3)), key=lambda r: r.seconds)
    own_k, own_heat = errors(ours, reference)
    print(f"  kernel, 60 s: {ours.seconds:9.4f} s   shells {own_k:.5f} K   heat {own_heat:.1e}", flush=True)
    best = None
    for method in ("LSODA", "BDF"):
        for tolerance in TOLERANCES:
            run = run_scipy(segments(days), method, tolerance)
            k, heat = errors(run, reference)
            print(
                f"  {method:5} {tolerance:.0e}: {run.seconds:9.4f} s   shells {k:.5f} K   heat {heat:.1e}", flush=True
            )
            if k <= own_k:
                best = run.seconds if best is None else min(best, run.seconds)
            elif tolerance > 1e-4:
                break
    print(f"  kernel: {days * 86400.0 / ours.seconds:.2e} x real time")
    if best is None:
        print("  no general solver run was as accurate as the kernel")
        return None
    print(f"  fastest general solver no less accurate takes {best / ours.seconds:.0f} x the kernel's time", flush=True)
    return best / ours.seconds


def main() -> int:
    """Run both comparisons and print them against the goals."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=30)
    days = parser.parse_args().days
    run_kernel(schedule(1))
    run_scipy(schedule(1), "LSODA", 1e-3)
    timer = compare("a timer's four changes a day", schedule, days)
    moving = compare("duties that change every minute", restless, max(days / 30.0, 0.1))
    print(f"goals: 50 x (timer {timer or 0:.0f}, moving duties {moving or 0:.0f}); physics alone 2e7 x real time")
    return 0


if __name__ == "__main__":
    sys.exit(main())
