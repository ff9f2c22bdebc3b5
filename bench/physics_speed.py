"""Speed and error of the physics kernel against SciPy's general solvers on the same equations.

    python bench/physics_speed.py [--days 30]

Runs one heap through real weather under a fixed schedule of pump and fan: a reference at tight tolerance, the
kernel at its 60 s step, and LSODA and BDF at rising tolerances until their error is no smaller than the
kernel's. Errors are those of the final shell temperatures and of the heat drawn. Prints both errors and times,
their ratio, and the kernel's speed against real time.
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
from sim.media import wet_temperature
from sim.plant import Plant
from sim.power import motor_speed
from sim.rhs import plant_rates_at
from sim.scenario import Scenario

SCENARIO = Path(__file__).parent.parent / "scenarios" / "mild-wet-winter.toml"
PUMP_DUTY, FAN_DUTY = 0.24, 0.3
PATTERN = ((6.0, 1, 0), (4.0, 0, 0), (2.0, 0, 1), (12.0, 0, 0))  # hours, pump, fan; repeated daily
WARM_UP_DAYS = 5
TOLERANCES = (1e-7, 3e-7, 1e-6, 3e-6, 1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2)


@dataclass
class Run:
    """Outcome of one integration."""

    seconds: float
    shells_c: np.ndarray
    made_j: float


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


def segments(days: int):
    """(start hour, end hour, pump, fan) of the schedule."""
    hour = 0.0
    for _ in range(days):
        for length, pump, fan in PATTERN:
            yield hour, hour + length, pump, fan
            hour += length


def shells(y: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Shell temperatures of a state."""
    dry = p[at.P_SHELL_SOLIDS : at.P_SHELL_SOLIDS + at.SHELLS] + sum(
        y[b : b + at.SHELLS] for b in (at.Y_FAST, at.Y_SLOW)
    )
    water = y[at.Y_WATER : at.Y_WATER + at.SHELLS]
    heat = y[at.Y_HEAT : at.Y_HEAT + at.SHELLS]
    return np.array(
        [wet_temperature(h, d * p[at.P_SOLID_CP] + w * 4186.0, w) for h, d, w in zip(heat, dry, water, strict=True)]
    )


def solids_kg(y: np.ndarray) -> float:
    """Degradable solids left; their loss is the heat made, in other units."""
    return float(y[at.Y_FAST : at.Y_FAST + 2 * at.SHELLS].sum())


def run_kernel(days: int, step_s: float = 60.0) -> Run:
    """Our own stepping, called hour by hour as a season would."""
    plant = warm_plant()
    began, before = time.perf_counter(), solids_kg(plant.state)
    for start, end, pump, fan in segments(days):
        plant._pump_duty, plant._fan_duty = PUMP_DUTY * pump, FAN_DUTY * fan
        if step_s >= 60.0:
            plant.advance(3600.0 * (end - start))
        else:
            for _ in range(round(3600.0 * (end - start) / step_s)):
                plant.advance(step_s)
    return Run(time.perf_counter() - began, shells(plant.state, plant.params), before - solids_kg(plant.state))


def run_scipy(days: int, method: str, tolerance: float) -> Run:
    """The same seasons by a general solver, restarted where the schedule switches."""
    plant = warm_plant()
    p, table, work, rates = plant.params, plant.table, new_work(), np.zeros(at.Y_SIZE)
    volts = plant.flags[at.G_VOLTS_PUMP]
    pump_full, _ = motor_speed(PUMP_DUTY, volts, True, p[at.P_PUMP_START], p[at.P_PUMP_RUN])
    fan_full, _ = motor_speed(FAN_DUTY, volts, True, p[at.P_FAN_START], p[at.P_FAN_RUN])
    y, before = plant.state.copy(), solids_kg(plant.state)
    origin = plant._table_start_s + WARM_UP_DAYS * 86400.0
    scale = np.maximum(np.abs(y), 1e-6)

    def right_hand_side(t, y, pump, fan):
        plant_rates_at(t, y, p, table, pump, fan, work, rates)
        return rates.copy()

    began = time.perf_counter()
    for start, end, pump, fan in segments(days):
        span = (origin + 3600.0 * start, origin + 3600.0 * end)
        solution = solve_ivp(
            right_hand_side, span, y, method, t_eval=[span[1]], rtol=tolerance, atol=tolerance * scale,
            args=(pump_full * pump, fan_full * fan),
        )  # fmt: skip
        if not solution.success:
            raise RuntimeError(f"{method} at {tolerance}: {solution.message}")
        y = solution.y[:, -1]
    return Run(time.perf_counter() - began, shells(y, p), before - solids_kg(y))


def errors(run: Run, reference: Run) -> tuple[float, float]:
    """Largest error of a shell temperature [K] and relative error of the heat made."""
    return float(np.abs(run.shells_c - reference.shells_c).max()), abs(run.made_j / reference.made_j - 1.0)


def main() -> int:
    """Run the comparison and print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=30)
    days = parser.parse_args().days
    run_kernel(1)
    run_scipy(1, "LSODA", 1e-3)
    print(f"{days} days of pile, water, air and greenhouse; reference: LSODA at 1e-9", flush=True)
    reference = run_scipy(days, "LSODA", 1e-9)
    ours = min((run_kernel(days) for _ in range(3)), key=lambda r: r.seconds)
    own_k, own_heat = errors(ours, reference)
    print(f"kernel, 60 s: {ours.seconds:8.3f} s   shells {own_k:.4f} K   heat made {own_heat:.2e}", flush=True)
    finer = run_kernel(days, 10.0)
    print(f"kernel, 10 s: {finer.seconds:8.3f} s   shells {errors(finer, reference)[0]:.4f} K", flush=True)
    best = {}
    for method in ("LSODA", "BDF"):
        for tolerance in TOLERANCES:
            run = run_scipy(days, method, tolerance)
            k, heat = errors(run, reference)
            print(f"{method} {tolerance:.0e}: {run.seconds:8.3f} s   shells {k:.4f} K   heat made {heat:.2e}", flush=True)
            if k <= own_k and run.seconds < best.get(method, np.inf):
                best[method] = run.seconds
            if k > own_k and tolerance > 1e-4:
                break
    if not best:
        print("no general solver run was as accurate as the kernel")
        return 1
    ratio = min(best.values()) / ours.seconds
    print(f"fastest general solver no less accurate: {ratio:.0f} x our time (goal 50)")
    print(f"physics at a 60 s step: {days * 86400.0 / ours.seconds:.2e} x real time (goal 2e7)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
