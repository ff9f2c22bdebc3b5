"""A commissioning session against the simulator: the plant, the grower's answers, and the truth to compare with."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.commissioning import Commissioning, SessionStep
from controller.commissioning_plan import TAPE, Question
from controller.commissioning_results import Learned, learn
from controller.identify.motor import NOMINAL_V
from controller.signals import Commands
from controller.tuning_rules import half_rule

from .simplant import SimPlant

if TYPE_CHECKING:
    import numpy as np

    from controller.settings import ControllerSettings
    from sim.plant import Plant
    from sim.scenario import Scenario

HOT_ENOUGH_C = 55.0
LEAST_WARM_UP_DAYS, LONGEST_WARM_UP_DAYS = 6, 25
LONGEST_S = 2 * 3600.0
WORKING_KG_S = 0.0126  # a fifth of the usual target; slower, the curve is not used
BUCKET_SD, TAPE_SD = 0.03, 0.05
START_MARGIN = 0.015  # by about so much the first flow lies above the starting duty
Told = Callable[[SessionStep, float], None]


@dataclass(frozen=True, slots=True)
class Session:
    """One session on a simulated plant: what was learnt, and what is true."""

    learned: Learned
    session: Commissioning
    truth: dict[str, float]
    lasted_s: float
    core_drop_k: float
    guards: tuple[str, ...]
    pump_at: Callable[[float], float]


def warmed_up(scenario: Scenario, seed: int) -> Plant:
    """A plant that has stood undrawn until its core is hot, or for 25 days."""
    from sim.plant import Plant

    plant = Plant(scenario, seed=seed)
    plant.apply(Commands())
    seen: Any = plant.truth
    for day in range(LONGEST_WARM_UP_DAYS):
        for _ in range(1440):
            plant.advance(60.0)
        if seen.core_c >= HOT_ENOUGH_C and day + 1 >= LEAST_WARM_UP_DAYS:
            break
    return plant


def commission(
    scenario: Scenario, settings: ControllerSettings, seed: int, told: Told | None = None, core_k: float = 1.0
) -> Session:
    """Run a session on the simulated plant of ``scenario``, answering its questions from the truth with errors."""
    import numpy as np

    plant, chance = warmed_up(scenario, seed), np.random.default_rng([5, seed])
    session, truth = Commissioning(settings, core_k), true_values(scenario, seed)
    seen: Any = plant.truth  # its figures are made of a table
    began_s, core_c = plant.time_s, seen.core_c
    answer = float("nan")
    guards: list[str] = []
    pumped_kg: dict[str, float] = {}
    while plant.time_s - began_s < LONGEST_S:
        step = session.step(plant.measure(), answer=answer)
        answer = float("nan")
        if told:
            told(step, plant.time_s - began_s)
        if step.reason and step.reason not in guards:
            guards.append(step.reason)
        if step.done:
            break
        if step.question:
            answer = _answer(step.question, truth, pumped_kg, chance)
        before_kg = seen.flow_s_kg
        plant.apply(step.commands)
        plant.advance(step.next_s)
        pumped_kg[step.stage] = pumped_kg.get(step.stage, 0.0) + seen.flow_s_kg - before_kg
    lasted_s = plant.time_s - began_s
    drop = core_c - seen.core_c
    return Session(learn(session), session, truth, lasted_s, drop, tuple(guards), pump_law(plant.params))


class WarmSimPlant(SimPlant):
    """The simulated plant as the loop drives it, its pile hot; or as it was when a session was cut."""

    def __init__(self, scenario: Scenario, seed: int, record: Path, kept: Mapping[str, Any] | None) -> None:
        super().__init__(scenario, seed, record)
        if kept is None:
            self._plant = warmed_up(scenario, seed)
        else:
            self.restore(kept)

    @property
    def pumped_kg(self) -> float:
        """Water that truly flowed since the start of the scenario."""
        truth: Any = self._plant.truth
        return float(truth.flow_s_kg)


class SimGrower:
    """Answers a session's questions from the truth, with a grower's errors."""

    def __init__(self, scenario: Scenario, seed: int, plant: WarmSimPlant) -> None:
        import numpy as np

        self._plant, self._chance = plant, np.random.default_rng([5, seed])
        self._truth, self._before_kg = true_values(scenario, seed), 0.0

    def poll(self, question: Question | None) -> float:
        """The answer at once; NaN when nothing is asked."""
        if question is None:
            return float("nan")
        if question.key.endswith("-ready"):
            self._before_kg = self._plant.pumped_kg
        filled_kg = self._plant.pumped_kg - self._before_kg
        return _answer(question, self._truth, {question.key: filled_kg}, self._chance)


def _answer(
    question: Question, truth: dict[str, float], pumped_kg: dict[str, float], chance: np.random.Generator
) -> float:
    if question.key == TAPE:
        return truth["coil_kg"] * float(chance.normal(1.0, TAPE_SD))
    if question.key.endswith("-ready"):
        return 1.0
    return pumped_kg.get(question.key, 0.0) * float(chance.normal(1.0, BUCKET_SD))


def pump_law(p: Any) -> Callable[[float], float]:
    """True flow [kg/s] of the turning pump over duty at 12 V."""
    import numpy as np

    from sim import layout as at

    table = p[at.P_PUMP_TABLE : at.P_PUMP_TABLE + at.PUMP_POINTS].copy()
    idle = 0.85 * float(p[at.P_PUMP_RUN])
    speeds = np.linspace(0.0, 1.5, table.size)
    return lambda duty: float(np.interp((duty - idle) / (1.0 - idle), speeds, table))


def true_values(scenario: Scenario, seed: int) -> dict[str, float]:
    """What the session should find: pump and fan thresholds, coil, dead time and lag of a clean start."""
    from sim import layout as at
    from sim.kernel import C_OFFSET, S_PUMP_V, S_RETURN, S_SUPPLY
    from sim.plant import Plant

    plant = Plant(scenario, seed=seed)
    p, s = plant.params, plant.sensors
    cells = slice(at.P_RING_UA + at.RING_COIL, at.P_RING_UA + at.RING_DRUM + 1)
    masses = slice(at.P_RING_MASS + at.RING_COIL, at.P_RING_MASS + at.RING_DRUM)
    delay_s, lag_s = clean_start(scenario, p)
    return {
        "start_duty": scenario.pump.start_duty,
        "run_duty": scenario.pump.run_duty,
        "fan_start_duty": scenario.fan.start_duty,
        "fan_run_duty": scenario.fan.run_duty,
        "ua_w_k": float(p[cells].sum()),
        "coil_kg": float(p[masses].sum()),
        "return_offset_k": float(s[S_RETURN, C_OFFSET] - s[S_SUPPLY, C_OFFSET]),
        "voltmeter_offset_v": float(s[S_PUMP_V, C_OFFSET]),
        "delay_s": delay_s,
        "lag_s": lag_s,
    }


def clean_start(scenario: Scenario, p: Any) -> tuple[float, float]:
    """Dead time and lag of the supply after a slow start, by Skogestad's half rule (2003).

    Two lags are in the way: the water that stood at the probe and is washed out, and the probe itself.
    """
    from sim import layout as at

    flow = pump_law(p)(scenario.pump.start_duty + START_MARGIN)
    washed_s = float(p[at.P_RING_MASS + at.RING_SUPPLY]) / flow
    reduced = half_rule(1.0, [washed_s, scenario.sensors.water_temperature.lag])
    return reduced.delay_s, reduced.lag_s


def compared(done: Session) -> dict[str, Any]:
    """Found beside true, part by part, with the largest relative error of the pump curve."""
    import numpy as np

    found, truth = done.learned, done.truth
    errors = [float("nan")]
    if found.pump.drive:
        duties = np.linspace(found.pump.drive[0], min(found.pump.drive[-1], 1.0), 60)
        read_v = NOMINAL_V + truth["voltmeter_offset_v"]  # the controller will read the same voltmeter
        flows = [(found.pump.at(float(d), read_v), done.pump_at(float(d))) for d in duties]
        errors = [abs(seen / true - 1.0) for seen, true in flows if true >= WORKING_KG_S]
    return {
        "pump_curve_error": max(errors),
        "pump_start_duty": (found.pump.start_duty, truth["start_duty"]),
        "pump_run_duty": (found.pump.run_duty, truth["run_duty"]),
        "fan_start_duty": (found.fan.start_duty, truth["fan_start_duty"]),
        "fan_run_duty": (found.fan.run_duty, truth["fan_run_duty"]),
        "supply_delay_s": (found.start.delay_s, truth["delay_s"]),
        "supply_lag_s": (found.start.lag_s, truth["lag_s"]),
        "coil_ua_w_k": (found.coil.ua_w_k, truth["ua_w_k"]),
        "return_offset_k": (found.probes.offset_k, truth["return_offset_k"]),
    }
