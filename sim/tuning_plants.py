"""The loops that are tuned: what each is on the plant of a scenario, and random plants around that.

Every random plant is fixed by seed and number alone, so that one bad plant can be looked at again.
"""

from __future__ import annotations

from dataclasses import fields
from math import inf
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from controller.identify.dead_time import identify_dead_time
from controller.pump import IDLE_SHARE, LONGEST_PI_STEP_S, PumpCurve, PumpDrive, Regulator
from controller.settings import ControllerSettings
from controller.signals import Commands
from controller.tuning_rules import Gains, Process, half_rule
from controller.water_loop import WaterLoop, livelier
from sim import layout as at
from sim.params import PULSE_WINDOW_S
from sim.plant import Plant

if TYPE_CHECKING:
    from sim.scenario import Scenario

FLOW, SUPPLY = "flow", "supply"
LOOPS = (FLOW, SUPPLY)
SPREAD = 0.5  # gain, lag and dead time lie within this share of the design
FLOW_TICK_S, SUPPLY_TICK_S = LONGEST_PI_STEP_S, 60.0  # the controller's own steps in steady draw
SESSION_TICK_S = 2.0  # commissioning records this often
STEP_SHARE = 0.2  # of the flow, in the simulated step test
WARM_CORE_C, WARM_DAYS = 55.0, 25
SETTLED_S, WATCHED_S, ROW_S = 7200, 3600, 5
LEAST_FLOW_SHARE = 0.3  # of the flow target: a pump that gives less has no working point here
ROUNDING = 1e-9  # a bound that is converted and back must not come to lie outside
CLIP_SD = 2.0  # an identified value is off by at most this many of its standard uncertainties


class Limits(NamedTuple):
    """Largest standard uncertainties with which commissioning still says "good".

    ``gain_share`` and ``lag_share`` of the value; a tick comes on top of the lag's and the dead time's; the dead time's
    further holds 0.1 of itself and 0.02 of the lag, as in `controller.identify.dead_time`.
    """

    gain_share: float
    lag_share: float

    def of(self, process: Process) -> tuple[float, float, float]:
        """Return the uncertainties of gain (in its unit), lag [s] and dead time [s] of a process of one lag."""
        lag_sd = self.lag_share * process.lag_s + SESSION_TICK_S
        delay_sd = SESSION_TICK_S + 0.1 * process.delay_s + 0.02 * process.lag_s
        return self.gain_share * abs(process.gain), lag_sd, delay_sd


# the curve of the pump counts as found within 5 %; gain and lag of a step test are "good" up to a fifth and a quarter
LIMITS = {FLOW: Limits(0.05, 0.25), SUPPLY: Limits(0.20, 0.25)}


ANY = (Gains(0.0, 0.0), Gains(inf, inf))


class Design(NamedTuple):
    """One loop on a plant as drawn.

    ``step``, ``noise`` and ``unit`` are those of the output, ``load`` and ``room`` those of what the controller puts out:
    a usual disturbance, and how far it may fall before the pump would stand. ``duty_per_given`` makes duty of it.
    ``settable``: least and most gains, without sign, that the settings can hold.
    """

    name: str
    process: Process
    tick_s: float
    step: float
    load: float
    noise: float
    room: float
    duty_per_given: float
    unit: str
    old: Gains
    settable: tuple[Gains, Gains] = ANY


class RandomPlant(NamedTuple):
    """A plant as built, what commissioning says of it with standard uncertainties, and whether it says "good"."""

    number: int
    true: Process
    found: Process
    gain_sd: float
    lag_sd_s: float
    delay_sd_s: float
    good: bool


def reduced(process: Process) -> Process:
    """Return a process of two lags as one of one lag, by the half rule (Skogestad 2003)."""
    lags = [lag for lag in (process.lag_s, process.lag2_s) if lag > 0.0]
    return half_rule(process.gain, lags, process.delay_s)


def gains_in_use(regulator: Regulator) -> Gains:
    """Return the gains of a regulator, found out by asking it; its integral is left as it was."""
    kept, small = regulator.integral, 1e-6
    regulator.integral = 0.0
    first = regulator.update(small, 0.0, 1e-9) / small
    regulator.integral = 0.0
    regulator.update(small, 0.0, 1.0)
    integral_gain, regulator.integral = regulator.integral / small, kept
    return Gains(first, first / integral_gain)


def flow_bounds(settings: ControllerSettings) -> tuple[Gains, Gains]:
    """Return least and most gains of the flow loop, without sign, that settings can hold."""
    return _bounds("flow_loop_gain", 1.0 / PumpCurve(settings).slope_kg_s, "flow_loop_integral_s")


def supply_bounds(settings: ControllerSettings) -> tuple[Gains, Gains]:
    """Return least and most gains of the supply loop, without sign, that settings can hold."""
    return _bounds("supply_loop_gain_per_k", settings.flow_target_kg_s, "supply_loop_integral_s")


def _bounds(gain: str, gain_per_setting: float, integral: str) -> tuple[Gains, Gains]:
    of = {f.name: f.metadata for f in fields(ControllerSettings)}
    inward = {"low": 1.0 + ROUNDING, "high": 1.0 - ROUNDING}
    least, most = (Gains(gain_per_setting * of[gain][end] * x, of[integral][end] * x) for end, x in inward.items())
    return least, most


def designs(scenario: Scenario, settings: ControllerSettings, seed: int = 1) -> tuple[Design, Design]:
    """Return flow loop and supply loop of a scenario's plant at its flow target.

    ``ValueError`` where the pump cannot bring a fair part of the target, or where the supply does not answer to flow.
    """
    return flow_design(scenario, settings), supply_design(scenario, settings, seed)


def flow_design(scenario: Scenario, settings: ControllerSettings) -> Design:
    """From pump duty to metered flow: the slope of the true pump curve at the target, a pulse window, the meter's lag."""
    duty, slope = _working_point(scenario, settings)
    process = Process(slope, scenario.sensors.flow.lag, 0.5 * PULSE_WINDOW_S)
    target = settings.flow_target_kg_s
    return Design(
        FLOW, process, FLOW_TICK_S, STEP_SHARE * target, 0.1 * target / slope, scenario.sensors.flow.noise * target,
        duty - scenario.pump.run_duty, 1.0, "kg/s", gains_in_use(PumpDrive(settings).trim),
        flow_bounds(settings),
    )  # fmt: skip


def supply_design(scenario: Scenario, settings: ControllerSettings, seed: int = 1) -> Design:
    """From flow to supply temperature: a simulated step test on a warm pile in steady draw, and the probe's lag."""
    duty, slope = _working_point(scenario, settings)
    process = supply_process(scenario, settings, seed)
    target = settings.flow_target_kg_s
    return Design(
        SUPPLY, process, SUPPLY_TICK_S, 1.0, STEP_SHARE * target, scenario.sensors.water_temperature.noise,
        (duty - scenario.pump.run_duty) * slope, 1.0 / slope, "K", gains_in_use(WaterLoop(settings).hold),
        supply_bounds(settings),
    )  # fmt: skip


def _working_point(scenario: Scenario, settings: ControllerSettings) -> tuple[float, float]:
    """Duty at 12 V for the flow target, and the slope of the pump's curve there [kg/s]."""
    p = Plant(scenario, seed=1).params
    flows = p[at.P_PUMP_TABLE : at.P_PUMP_TABLE + at.PUMP_POINTS]
    speeds = np.linspace(0.0, 1.5, flows.size)
    idle, target = IDLE_SHARE * scenario.pump.run_duty, settings.flow_target_kg_s
    most = float(np.interp(1.0, speeds, flows))
    if most < LEAST_FLOW_SHARE * target:
        raise ValueError(
            f"pump.max_flow and pump.max_head give {most:.3f} kg/s at full duty: must reach the flow target of"
            f" {target:.3f} kg/s nearly; take a stronger pump or a wider pipe"
        )
    duties = np.linspace(scenario.pump.run_duty, 1.0, 400)
    curve = np.interp((duties - idle) / (1.0 - idle), speeds, flows)
    at_target = int(np.clip(np.searchsorted(curve, min(target, 0.95 * most)), 10, 389))
    near = slice(at_target - 10, at_target + 11)
    return float(duties[at_target]), float(np.polyfit(duties[near], curve[near], 1)[0])


def supply_process(scenario: Scenario, settings: ControllerSettings, seed: int) -> Process:
    """Two plants alike from the same warm pile, one with a step of the flow: their difference is the clean answer.

    A lag and a dead time are fitted to it as commissioning does; the probe's lag, which stands outside, is the second.
    """
    duty, slope = _working_point(scenario, settings)
    up = duty + STEP_SHARE * settings.flow_target_kg_s / slope
    still, still_flow, back = _drawn(scenario, seed, duty, duty)
    moved, moved_flow, _ = _drawn(scenario, seed, duty, up)
    if min(still_flow.min(), moved_flow.min()) <= 0.0:
        raise ValueError("the pump stopped during the step test (battery, ice or air): check [pump_power] and [place]")
    time_s = ROW_S * np.arange(-24, still.size, dtype=np.float64)
    answer = np.concatenate((np.zeros(24), moved - still))
    given = np.where(time_s >= 0.0, float(np.mean(moved_flow - still_flow)), 0.0)
    fit = identify_dead_time(time_s, given, answer)
    if not fit.lag_s > 0.0 or not abs(fit.gain) > 0.0:
        raise ValueError(f"the supply's answer to a step of the flow cannot be used: {fit.verdict.reason}")
    # what the controller does with a warm return counts as gain: its own gains are for cold water coming in
    factor = livelier(float(still.mean()), float(back.mean())) if settings.coil_water_kg > 0.0 else 1.0
    return Process(factor * fit.gain, fit.lag_s, fit.delay_s, scenario.sensors.water_temperature.lag)


def _drawn(scenario: Scenario, seed: int, duty: float, then: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True supply [degC], flow [kg/s] and return [degC], a row every 5 s, after hours at ``duty`` from a warm pile."""
    plant = Plant(scenario, seed=seed)
    truth: Any = plant.truth  # its properties are made in a loop, which type checkers do not see
    plant.apply(Commands())
    for day in range(WARM_DAYS):
        plant.advance(86400.0)
        if day >= 5 and truth.core_c >= WARM_CORE_C:
            break
    plant.apply(Commands(1.0, 0.0))
    plant.advance(5.0)
    plant.apply(Commands(duty, 0.0))
    plant.advance(SETTLED_S)
    plant.apply(Commands(then, 0.0))
    rows = []
    for _ in range(WATCHED_S // ROW_S):
        plant.advance(float(ROW_S))
        rows.append((truth.supply_c, truth.flow_kg_s, truth.return_c))
    supply, flow, back = np.array(rows).T
    return supply, flow, back


def random_plants(design: Design, seed: int, numbers: range) -> list[RandomPlant]:
    """Draw plants: gain, lags and dead time up to 50 % off the design, each identified with an error of its own."""
    return [_random_plant(design, seed, number) for number in numbers]


def _random_plant(design: Design, seed: int, number: int) -> RandomPlant:
    chance = np.random.default_rng([22, seed, LOOPS.index(design.name), number])
    gain, lag, delay = (float(f) for f in chance.uniform(1.0 - SPREAD, 1.0 + SPREAD, 3))
    drawn = design.process
    true = Process(drawn.gain * gain, drawn.lag_s * lag, drawn.delay_s * delay, drawn.lag2_s * lag)
    simple = reduced(true)
    quality = float(chance.uniform(0.1, 1.05))  # of the test, as a share of what is still called good
    gain_sd, lag_sd, delay_sd = (quality * sd for sd in LIMITS[design.name].of(simple))
    off = np.clip(chance.standard_normal(3), -CLIP_SD, CLIP_SD) * (gain_sd, lag_sd, delay_sd)
    found = Process(
        simple.gain + float(off[0]),
        max(simple.lag_s + float(off[1]), 0.5),
        max(simple.delay_s + float(off[2]), 0.0),
    )
    return RandomPlant(number, true, found, gain_sd, lag_sd, delay_sd, quality <= 1.0)
